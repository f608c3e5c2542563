//! Body sway: archer and elbow move alike, and that is no fault.
//!
//! With a marker on the bow hand or the draw shoulder, reversals are measured relative to it. Without one, sway is
//! an error like any other: a random movement of the same size and band goes onto every joint draw, so that it
//! stands in σ, in the critical value and in the interval. Its size is a stated prior, sharpened by how the elbow
//! moves where it ought to be still, before the raise and after the follow-through.

use crate::ReportSettings;
use crate::motion::Motion;
use crate::smooth::LowPass;
use crate::track::Track;
use drawarc_triangulation::PathSamples;
use rand::Rng;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Stretches of rest (s) below which nothing is learned.
const REST_MIN_S: f64 = 1.5;
/// The prior counts as much as this many seconds of rest: the slowest sway needs several of its periods.
const PRIOR_WEIGHT_S: f64 = 10.0;
/// Waves that make one draw's sway.
const WAVES: usize = 8;

/// The sway's size (m rms, one axis).
#[derive(Debug, Clone, Copy)]
pub(crate) struct SwaySize {
    pub(crate) sd_m: f64,
}

/// Prior and rest together. `quiet` spans (s) lie outside the shot.
pub(crate) fn sway_size(
    path: &PathSamples,
    quiet: &[(f64, f64)],
    settings: &ReportSettings,
) -> SwaySize {
    let step_s = 1.0 / settings.grid_hz;
    let low_pass = LowPass::new(settings.cutoff_hz, step_s);
    let (mut weighted, mut rest_s) = (0.0, 0.0);
    for &span in quiet {
        let track = Track::sample(path, span, step_s, span.0);
        if track.len() < 30 || track.in_gap.iter().any(|&gone| gone) {
            continue;
        }
        let motion = Motion::new(&track.mean, step_s, &low_pass, &[]);
        let still = motion.speed.iter().all(|&v| v < 0.03);
        let length = track.len() as f64 * step_s;
        if still && length >= REST_MIN_S {
            let x: Vec<f64> = motion.point.iter().map(|p| p.x).collect();
            let y: Vec<f64> = motion.point.iter().map(|p| p.y).collect();
            weighted += length * 0.5 * (residual_variance(&x) + residual_variance(&y));
            rest_s += length;
        }
    }
    let prior = settings.sway_sd_m.powi(2);
    SwaySize {
        sd_m: ((PRIOR_WEIGHT_S * prior + weighted) / (PRIOR_WEIGHT_S + rest_s)).sqrt(),
    }
}

/// Variance about the least-squares straight line.
fn residual_variance(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let (mean_i, mean) = ((n - 1.0) / 2.0, values.iter().sum::<f64>() / n);
    let (mut cross, mut square) = (0.0, 0.0);
    for (i, value) in values.iter().enumerate() {
        let lag = i as f64 - mean_i;
        cross += lag * (value - mean);
        square += lag * lag;
    }
    let slope = cross / square;
    values
        .iter()
        .enumerate()
        .map(|(i, value)| (value - mean - slope * (i as f64 - mean_i)).powi(2))
        .sum::<f64>()
        / n
}

/// One random sway for each draw, `[k][i]` (m): waves of random frequency in the band (logarithmically even, as the
/// power of quiet standing falls off) with normal amplitudes.
pub(crate) fn random_sway(
    (instants, step_s): (usize, f64),
    draws: usize,
    size: SwaySize,
    stream: u64,
    settings: &ReportSettings,
) -> Vec<Vec<f64>> {
    let mut rng = ChaCha8Rng::seed_from_u64(settings.seed ^ 0x5a4a_0000 ^ stream);
    let [low, high] = settings.sway_band_hz;
    let scale = size.sd_m / (WAVES as f64).sqrt();
    (0..draws)
        .map(|_| {
            let mut sway = vec![0.0; instants];
            // The size is known about as well as archers are alike; on the whole it keeps its mean square.
            let z: f64 = StandardNormal.sample(&mut rng);
            let scale = scale * (settings.sway_size_sd * z - settings.sway_size_sd.powi(2)).exp();
            for _ in 0..WAVES {
                let share: f64 = rng.random();
                let omega = std::f64::consts::TAU * low * (high / low).powf(share);
                let a: f64 = StandardNormal.sample(&mut rng);
                let b: f64 = StandardNormal.sample(&mut rng);
                for (i, value) in sway.iter_mut().enumerate() {
                    let (sin, cos) = (omega * i as f64 * step_s).sin_cos();
                    *value += scale * (a * cos + b * sin);
                }
            }
            sway
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sway_has_the_size_it_is_given() {
        let size = SwaySize { sd_m: 0.0015 };
        let sway = random_sway((400, 0.02), 400, size, 1, &ReportSettings::default());
        let power = sway.iter().flatten().map(|v| v * v).sum::<f64>() / (400.0 * 400.0);
        assert!(
            (power.sqrt() / 0.0015 - 1.0).abs() < 0.05,
            "{}",
            power.sqrt()
        );
    }
}
