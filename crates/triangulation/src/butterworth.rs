use crate::PathError;

/// Low-pass filter of second order, run forward and backward: no lag, fourth order in effect (Winter,
/// Biomechanics and Motor Control of Human Movement, 4th ed., p. 69).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Butterworth {
    /// Numerator.
    pub b: [f64; 3],
    /// Denominator, the first is 1.
    pub a: [f64; 3],
}

/// Values put in front and behind so that the ends do not ring, as `SciPy`'s `filtfilt` does by default.
const PADDING: usize = 9;

impl Butterworth {
    /// Filter whose gain after both passes is √½ at `cutoff_hz`: each pass is designed for a higher frequency,
    /// `tan(π f / rate)` divided by `(√2 − 1)^¼` (Robertson et al., Research Methods in Biomechanics, p. 288).
    ///
    /// # Errors
    /// [`PathError::Value`] unless `cutoff_hz` lies between 0 and half of `rate_hz`.
    pub fn dual_pass(cutoff_hz: f64, rate_hz: f64) -> Result<Self, PathError> {
        if !(cutoff_hz > 0.0 && cutoff_hz < 0.5 * rate_hz) {
            return Err(PathError::Value {
                what: "cut-off (Hz)",
                value: cutoff_hz,
                why: "between 0 and half the frame rate",
            });
        }
        let correction = (std::f64::consts::SQRT_2 - 1.0).powf(0.25);
        let omega = (std::f64::consts::PI * cutoff_hz / rate_hz).tan() / correction;
        let k1 = std::f64::consts::SQRT_2 * omega;
        let k2 = omega * omega;
        let scale = 1.0 / (1.0 + k1 + k2);
        let b0 = k2 * scale;
        Ok(Self {
            b: [b0, 2.0 * b0, b0],
            a: [1.0, 2.0 * (k2 - 1.0) * scale, (1.0 - k1 + k2) * scale],
        })
    }

    /// One pass, started as if the first value had stood for ever.
    fn pass(&self, values: &mut [f64]) {
        let Some(&first) = values.first() else { return };
        let [b0, b1, b2] = self.b;
        let [_, a1, a2] = self.a;
        // Steady state for a constant: output equals input, since the gain at rest is 1.
        let mut z1 = first * (1.0 - b0);
        let mut z2 = first * (b2 - a2);
        for value in values {
            let x = *value;
            let y = b0 * x + z1;
            z1 = b1 * x - a1 * y + z2;
            z2 = b2 * x - a2 * y;
            *value = y;
        }
    }

    /// Both passes over evenly spaced values. Lists shorter than ten values come back as they are: too short to
    /// filter.
    pub fn smooth(&self, values: &[f64]) -> Vec<f64> {
        let n = values.len();
        if n <= PADDING {
            return values.to_vec();
        }
        // Mirrored through the end points.
        let front = (1..=PADDING).rev().map(|i| 2.0 * values[0] - values[i]);
        let back = (2..=PADDING + 1).map(|i| 2.0 * values[n - 1] - values[n - i]);
        let mut padded: Vec<f64> = front.chain(values.iter().copied()).chain(back).collect();
        self.pass(&mut padded);
        padded.reverse();
        self.pass(&mut padded);
        padded.reverse();
        padded[PADDING..PADDING + n].to_vec()
    }
}

/// Cut-offs that are tried by [`residual_cutoff_hz`] start here (Hz).
const LOWEST_HZ: f64 = 1.0;
/// And are this far apart (Hz).
const STEP_HZ: f64 = 0.25;
/// The residual above this share of the Nyquist frequency is taken for noise.
const NOISE_FROM: f64 = 0.5;

/// Cut-off by residual analysis (Winter, 4th ed., p. 70): where what the filter takes away equals what it would take
/// away of the noise alone, the straight line through the residuals of high cut-offs drawn back to 0 Hz.
///
/// # Errors
/// [`PathError::Value`] where there are too few values or too low a rate for any cut-off.
pub fn residual_cutoff_hz(values: &[f64], rate_hz: f64) -> Result<f64, PathError> {
    let highest_hz = 0.45 * rate_hz;
    if values.len() <= 2 * PADDING || highest_hz.is_nan() || highest_hz < LOWEST_HZ + 4.0 * STEP_HZ
    {
        return Err(PathError::Value {
            what: "values for a residual analysis",
            value: values.len() as f64,
            why: "more than 18, at 5 or more a second",
        });
    }
    let mut curve = Vec::new();
    let mut cutoff_hz = LOWEST_HZ;
    while cutoff_hz <= highest_hz {
        let smooth = Butterworth::dual_pass(cutoff_hz, rate_hz)?.smooth(values);
        let square: f64 = values
            .iter()
            .zip(&smooth)
            .map(|(a, b)| (a - b) * (a - b))
            .sum();
        curve.push((cutoff_hz, (square / values.len() as f64).sqrt()));
        cutoff_hz += STEP_HZ;
    }
    let noise: Vec<(f64, f64)> = curve
        .iter()
        .copied()
        .filter(|(f, _)| *f >= NOISE_FROM * 0.5 * rate_hz)
        .collect();
    let n = noise.len() as f64;
    let (mean_f, mean_r) = noise
        .iter()
        .fold((0.0, 0.0), |(f, r), x| (f + x.0 / n, r + x.1 / n));
    let (up, down) = noise.iter().fold((0.0, 0.0), |(up, down), (f, r)| {
        (
            up + (f - mean_f) * (r - mean_r),
            down + (f - mean_f) * (f - mean_f),
        )
    });
    let at_zero = mean_r - up / down * mean_f;
    Ok(curve
        .iter()
        .find(|(_, residual)| *residual <= at_zero)
        .map_or(highest_hz, |(f, _)| *f))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    const SCIPY: [(usize, f64); 7] = [
        (0, 0.212_409_488),
        (1, 0.428_459_704),
        (2, 0.638_342_367),
        (10, 1.113_048_918),
        (15, 1.411_094_189),
        (28, 8.632_425_27),
        (29, 9.109_712_334),
    ];

    /// Coefficients and output of `SciPy`'s `butter(2, ·)` and `filtfilt` with its defaults; the formula of the
    /// correction: Winter p. 69.
    #[test]
    fn agrees_with_scipy() {
        let filter = Butterworth::dual_pass(6.0, 100.0).unwrap();
        for (value, expected) in filter
            .b
            .iter()
            .zip([0.040_594_68, 0.081_189_36, 0.040_594_68])
        {
            assert_relative_eq!(*value, expected, epsilon = 1e-8);
        }
        for (value, expected) in filter.a.iter().zip([1.0, -1.354_748_82, 0.517_127_54]) {
            assert_relative_eq!(*value, expected, epsilon = 1e-8);
        }
        let values: Vec<f64> = (0..30)
            .map(|i| {
                let i = f64::from(i);
                (0.3 * i).sin() + 0.2 * (2.1 * i).cos() + 0.01 * i * i
            })
            .collect();
        let smooth = filter.smooth(&values);
        for (at, expected) in SCIPY {
            assert_relative_eq!(smooth[at], expected, epsilon = 1e-8);
        }
    }

    #[test]
    fn the_gain_at_the_cutoff_is_the_root_of_a_half() {
        let (rate_hz, cutoff_hz) = (100.0, 6.0);
        let filter = Butterworth::dual_pass(cutoff_hz, rate_hz).unwrap();
        let wave: Vec<f64> = (0..1000)
            .map(|i| (std::f64::consts::TAU * cutoff_hz / rate_hz * f64::from(i)).sin())
            .collect();
        let smooth = filter.smooth(&wave);
        let rms = |list: &[f64]| list.iter().map(|v| v * v).sum::<f64>().sqrt();
        let gain = rms(&smooth[200..800]) / rms(&wave[200..800]);
        assert_relative_eq!(gain, std::f64::consts::FRAC_1_SQRT_2, epsilon = 1e-4);
    }

    #[test]
    fn residual_analysis_finds_a_cutoff_between_signal_and_noise() {
        use rand::{Rng as _, SeedableRng};
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let values: Vec<f64> = (0..1200)
            .map(|i| {
                let t = f64::from(i) / 120.0;
                (std::f64::consts::TAU * 2.0 * t).sin() + random.random_range(-0.02..0.02)
            })
            .collect();
        let found = residual_cutoff_hz(&values, 120.0).unwrap();
        assert!((3.0..20.0).contains(&found), "{found}");
    }

    #[test]
    fn impossible_cutoffs_are_refused() {
        assert!(Butterworth::dual_pass(60.0, 100.0).is_err());
        assert!(Butterworth::dual_pass(0.0, 100.0).is_err());
        assert!(residual_cutoff_hz(&[0.0; 5], 100.0).is_err());
    }
}
