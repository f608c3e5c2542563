//! Errors of sightings that last: light on one side of a ball, a codec that leaves a slow marker where it was. They
//! stay from a few frames to seconds, so that averaging over frames does not take them away, and the path follows them.
//!
//! What the path cannot follow is where the views contradict each other ([`crate::epipolar`]). How these contradictions
//! wander tells the size of errors of each duration, the same in all cameras and both coordinates; what the survey
//! explains of them counts as the survey's.

use crate::epipolar::Run;

/// Durations told apart (s): an error keeps e⁻¹ of itself over this time.
pub(crate) const DURATIONS_S: [f64; 3] = [0.1, 0.4, 1.6];
/// Sizes that are tried for each duration (px); before looking, all are equally likely.
const SIZES_PX: [f64; 6] = [0.0, 0.05, 0.1, 0.17, 0.27, 0.42];
/// Fewer instants than this tell nothing.
const LEAST_CELLS: usize = 20;

/// Errors that last, one coordinate.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Lasting {
    /// Variance of errors of each of [`DURATIONS_S`] (px²).
    pub(crate) variances_px2: [f64; 3],
    /// Factors on these variances that make 1.96 standard deviations a 95 % interval although the variances themselves are
    /// known from few independent contradictions. 1 for the slowest: of it the posterior mean, with all sizes alike before
    /// looking, is already on the wide side.
    pub(crate) doubt: [f64; 3],
    /// Degrees of freedom with which the variances of those two are known.
    pub(crate) freedom: f64,
}

/// Posterior mean over all combinations of sizes, each duration a first-order Markov course (Ornstein & Uhlenbeck 1930),
/// by the likelihood of a Kalman filter. The mean rather than the most probable size: a shot of 5 s holds so
/// few independent values of a slow error that the most probable size is often none.
pub(crate) fn lasting(runs: &[Run]) -> Lasting {
    if runs.iter().map(|run| run.cells.len()).sum::<usize>() < LEAST_CELLS {
        return Lasting::default();
    }
    let mut tried: Vec<(f64, [f64; 3])> = Vec::new();
    for a in SIZES_PX {
        for b in SIZES_PX {
            for c in SIZES_PX {
                let variances = [a * a, b * b, c * c];
                let deviance = runs.iter().map(|run| deviance(run, &variances)).sum();
                tried.push((deviance, variances));
            }
        }
    }
    let best = tried.iter().map(|t| t.0).fold(f64::INFINITY, f64::min);
    let (mut sum, mut square, mut total) = ([0.0; 3], 0.0, 0.0);
    for (deviance, variances) in &tried {
        let weight = (-0.5 * (deviance - best)).exp();
        total += weight;
        square += weight * (variances[0] + variances[1]).powi(2);
        for (slot, variance) in sum.iter_mut().zip(variances) {
            *slot += weight * variance;
        }
    }
    let variances_px2 = sum.map(|value| value / total);
    let mean = variances_px2[0] + variances_px2[1];
    // A scaled chi-squared variable of the posterior's own mean and variance (Satterthwaite 1946).
    let freedom = 2.0 * mean * mean / (square / total - mean * mean).max(1e-12 * mean * mean);
    let freedom = freedom.max(LEAST_FREEDOM);
    let doubt = (student_95(freedom) / NORMAL_95).powi(2);
    Lasting {
        variances_px2,
        doubt: [doubt, doubt, 1.0],
        freedom,
    }
}

/// 97.5 % quantile of the normal distribution.
const NORMAL_95: f64 = 1.959_964;
/// The expansion below serves down to here.
const LEAST_FREEDOM: f64 = 3.0;

/// 97.5 % quantile of Student's distribution (Abramowitz & Stegun 1964, 26.7.5, three terms: 0.7 % low at 3 degrees of
/// freedom).
fn student_95(freedom: f64) -> f64 {
    let z = NORMAL_95;
    let (z3, z5, z7) = (z.powi(3), z.powi(5), z.powi(7));
    z + (z3 + z) / (4.0 * freedom)
        + (5.0 * z5 + 16.0 * z3 + 3.0 * z) / (96.0 * freedom.powi(2))
        + (3.0 * z7 + 19.0 * z5 + 17.0 * z3 - 15.0 * z) / (384.0 * freedom.powi(3))
}

/// Minus twice the log likelihood of a run, less a constant. State: the three courses and the survey's constant.
fn deviance(run: &Run, variances: &[f64; 3]) -> f64 {
    const N: usize = 4;
    let steady = [variances[0], variances[1], variances[2], run.survey_px2];
    let mut spread = [[0.0; N]; N];
    for i in 0..N {
        spread[i][i] = steady[i];
    }
    let count = run.cells.first().map_or(0, |cell| cell.values.len());
    let mut means = vec![[0.0; N]; count];
    let mut deviance = 0.0;
    let mut before_s: Option<f64> = None;
    let (mut known_step_s, mut keep) = (f64::NAN, [1.0; N]);
    for cell in &run.cells {
        if let Some(before_s) = before_s {
            let step_s = cell.time_s - before_s;
            if (step_s - known_step_s).abs() > 1e-6 || known_step_s.is_nan() {
                known_step_s = step_s;
                for (slot, duration_s) in keep.iter_mut().zip(DURATIONS_S) {
                    *slot = (-step_s / duration_s).exp();
                }
            }
            for i in 0..N {
                for j in 0..N {
                    spread[i][j] *= keep[i] * keep[j];
                }
                spread[i][i] += steady[i] * (1.0 - keep[i] * keep[i]);
            }
            for mean in &mut means {
                for (value, keep) in mean.iter_mut().zip(keep) {
                    *value *= keep;
                }
            }
        }
        before_s = Some(cell.time_s);
        let across = spread.map(|row| row.iter().sum::<f64>());
        let variance = across.iter().sum::<f64>() + cell.white_px2.max(1e-9);
        for (mean, value) in means.iter_mut().zip(cell.values.iter()) {
            let surprise = value - mean.iter().sum::<f64>();
            deviance += surprise * surprise / variance + variance.ln();
            for (slot, share) in mean.iter_mut().zip(across) {
                *slot += share / variance * surprise;
            }
        }
        for i in 0..N {
            for j in 0..N {
                spread[i][j] -= across[i] * across[j] / variance;
            }
        }
    }
    deviance
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::epipolar::Cell;
    use nalgebra::DVector;
    use rand::SeedableRng as _;
    use rand_distr::{Distribution as _, StandardNormal};

    /// Mean over 20 runs of 6 s of errors of 0.2 px that last about `duration_s`.
    fn found_px(duration_s: f64, size_px: f64) -> f64 {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
        let keep = (-0.04 / duration_s).exp();
        let mut total = 0.0;
        for _ in 0..20 {
            let mut error = size_px * normal();
            let cells = (0..150)
                .map(|i| {
                    error = keep * error + size_px * (1.0 - keep * keep).sqrt() * normal();
                    Cell {
                        time_s: 0.04 * f64::from(i),
                        values: DVector::from_element(1, error + 0.05 * normal()),
                        white_px2: 0.0025,
                    }
                })
                .collect();
            let run = Run {
                cells,
                survey_px2: 0.02,
            };
            total += lasting(&[run]).variances_px2.iter().sum::<f64>() / 20.0;
        }
        total.sqrt()
    }

    #[test]
    fn students_quantile_agrees_with_its_table() {
        // Any printed table of the t distribution.
        for (freedom, quantile) in [(5.0, 2.571), (10.0, 2.228), (30.0, 2.042)] {
            assert!((student_95(freedom) - quantile).abs() < 0.006, "{freedom}");
        }
    }

    #[test]
    fn sizes_come_back_whatever_the_duration() {
        for duration_s in [0.1, 0.15, 0.5, 1.6, 2.0] {
            let found = found_px(duration_s, 0.2);
            assert!((0.15..0.28).contains(&found), "{duration_s} s: {found} px");
        }
        let none = found_px(0.15, 0.0);
        assert!(none < 0.08, "{none}");
    }
}
