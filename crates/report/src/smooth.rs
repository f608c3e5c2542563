//! The one low-pass of the shot sheet.
//!
//! A local straight line under Gaussian weights: in the middle of a stretch this is a Gaussian filter (zero
//! phase, no overshoot, so that a step down never makes a dip of its own, which a Butterworth does); at the ends
//! of a stretch it stays unbiased for straight motion, so nothing leaks across the release. Gain
//! `exp(−2π²σ²f²)`, 0.707 at the cut-off; (Fan & Gijbels, Local Polynomial Modelling, 1996, section 2, from
//! memory).

/// Gaussian weights for one cut-off and grid.
#[derive(Debug, Clone)]
pub(crate) struct LowPass {
    weights: Vec<f64>,
}

/// Standard deviation (s) of the Gaussian whose gain is 0.707 at a cut-off (Hz).
pub(crate) fn low_pass_s(cutoff_hz: f64) -> f64 {
    (std::f64::consts::LN_2 / 2.0).sqrt()
        / (std::f64::consts::SQRT_2 * std::f64::consts::PI * cutoff_hz)
}

/// A function as that Gaussian leaves it, from its values at lags (s): three instants in its place (Gauss-Hermite), exact for
/// polynomials up to the fifth degree.
pub(crate) fn through_low_pass<T>(low_pass_s: f64, at: impl Fn(f64) -> T) -> T
where
    T: std::ops::Add<Output = T> + std::ops::Mul<f64, Output = T>,
{
    let lag_s = 3.0_f64.sqrt() * low_pass_s;
    at(0.0) * (2.0 / 3.0) + (at(-lag_s) + at(lag_s)) * (1.0 / 6.0)
}

impl LowPass {
    /// For a cut-off (Hz) on a grid of `step_s` (s).
    pub(crate) fn new(cutoff_hz: f64, step_s: f64) -> Self {
        let sigma = low_pass_s(cutoff_hz) / step_s;
        let mut weights = vec![1.0];
        let mut lag = 1.0;
        while lag <= 3.5 * sigma {
            weights.push((-0.5 * (lag / sigma).powi(2)).exp());
            lag += 1.0;
        }
        Self { weights }
    }

    /// Reach of the filter (samples).
    #[cfg(test)]
    pub(crate) fn reach(&self) -> usize {
        self.weights.len() - 1
    }

    /// Smooths each stretch between the borders `[0, splits.., n]` for itself.
    pub(crate) fn apply(&self, values: &[f64], splits: &[usize]) -> Vec<f64> {
        let mut smoothed = Vec::with_capacity(values.len());
        let mut from = 0;
        for &to in splits.iter().chain(std::iter::once(&values.len())) {
            let to = to.clamp(from, values.len());
            self.apply_stretch(&values[from..to], &mut smoothed);
            from = to;
        }
        smoothed
    }

    fn apply_stretch(&self, values: &[f64], out: &mut Vec<f64>) {
        let reach = self.weights.len() - 1;
        let total: f64 = self.weights[0] + 2.0 * self.weights[1..].iter().sum::<f64>();
        for i in 0..values.len() {
            if i >= reach && i + reach < values.len() {
                let mut sum = self.weights[0] * values[i];
                for (lag, weight) in self.weights.iter().enumerate().skip(1) {
                    sum += weight * (values[i - lag] + values[i + lag]);
                }
                out.push(sum / total);
            } else {
                out.push(self.at_an_end(values, i));
            }
        }
    }

    /// Intercept of the weighted straight line where the weights are not symmetric.
    fn at_an_end(&self, values: &[f64], i: usize) -> f64 {
        let reach = self.weights.len() - 1;
        let (from, to) = (i.saturating_sub(reach), (i + reach + 1).min(values.len()));
        let (mut s0, mut s1, mut s2, mut b0, mut b1) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (j, value) in values.iter().enumerate().take(to).skip(from) {
            let lag = j as f64 - i as f64;
            let weight = self.weights[j.abs_diff(i)];
            s0 += weight;
            s1 += weight * lag;
            s2 += weight * lag * lag;
            b0 += weight * value;
            b1 += weight * lag * value;
        }
        let determinant = s0 * s2 - s1 * s1;
        // Fewer than two samples with weight: no line, the mean will do.
        if determinant <= 1e-12 * s0 * s2.max(1e-300) {
            b0 / s0
        } else {
            (s2 * b0 - s1 * b1) / determinant
        }
    }
}

/// Central differences of evenly spaced values (per second), one-sided at the ends of each stretch.
pub(crate) fn rate(values: &[f64], step_s: f64, splits: &[usize]) -> Vec<f64> {
    let mut rates = Vec::with_capacity(values.len());
    let mut from = 0;
    for &to in splits.iter().chain(std::iter::once(&values.len())) {
        let to = to.clamp(from, values.len());
        for i in from..to {
            let (before, after) = (i.saturating_sub(1).max(from), (i + 1).min(to - 1));
            let span = (after - before) as f64 * step_s;
            rates.push(if span > 0.0 {
                (values[after] - values[before]) / span
            } else {
                0.0
            });
        }
        from = to;
    }
    rates
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gain_at_the_cutoff_and_in_the_tremor_band() {
        let step_s = 1.0 / 240.0;
        let low_pass = LowPass::new(6.0, step_s);
        for (hz, gain) in [
            (6.0, std::f64::consts::FRAC_1_SQRT_2),
            (10.0, 0.382),
            (12.0, 0.25),
            (1.0, 0.990_4),
        ] {
            let wave: Vec<f64> = (0..2400)
                .map(|i| (std::f64::consts::TAU * hz * f64::from(i) * step_s).cos())
                .collect();
            let smoothed = low_pass.apply(&wave, &[]);
            let rms = |v: &[f64]| (v[400..2000].iter().map(|x| x * x).sum::<f64>() / 1600.0).sqrt();
            let found = rms(&smoothed) / rms(&wave);
            assert!((found - gain).abs() < 0.003, "{hz} Hz: {found} for {gain}");
        }
    }

    #[test]
    fn straight_motion_passes_untouched_up_to_the_split() {
        let line: Vec<f64> = (0..60)
            .map(|i| {
                if i < 40 {
                    f64::from(i)
                } else {
                    500.0 - 3.0 * f64::from(i)
                }
            })
            .collect();
        let low_pass = LowPass::new(6.0, 1.0 / 120.0);
        assert!(low_pass.reach() > 5);
        for (smoothed, exact) in low_pass.apply(&line, &[40]).iter().zip(&line) {
            assert!((smoothed - exact).abs() < 1e-9);
        }
    }
}
