//! The smallest faults that a rig can find on the nominal shot: 80 % power at 5 % false alarms a shot.

use super::precision::PathPrecision;
use crate::statistics::{normal_cdf, normal_quantile};
use nalgebra::Vector3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

/// What counts as found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DetectionSettings {
    /// Chance of finding it.
    pub power: f64,
    /// False alarms a shot.
    pub false_alarms: f64,
    /// Never marked below this depth (m).
    pub collapse_floor_m: f64,
    /// A collapse takes this long (s).
    pub collapse_s: f64,
    /// Body sway, rms, along one axis (m): 1 to 2 mm (measures).
    pub sway_rms_m: f64,
    /// Sway lies below this (Hz): common practice, no source.
    pub sway_band_hz: f64,
    /// Speed below which a stretch is a stall (m/s).
    pub stall_speed: f64,
    /// Shortest stall (s).
    pub stall_s: f64,
    /// A stall is marked from this probability on.
    pub stall_probability: f64,
}

impl Default for DetectionSettings {
    fn default() -> Self {
        Self {
            power: 0.8,
            false_alarms: 0.05,
            collapse_floor_m: 2e-3,
            collapse_s: 0.15,
            sway_rms_m: 1.5e-3,
            sway_band_hz: 0.5,
            stall_speed: 0.015,
            stall_s: 0.15,
            stall_probability: 0.95,
        }
    }
}

/// Smallest faults on the nominal shot.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SmallestFaults {
    /// Depth of a collapse in expansion found with the stated power (mm), sway taken off by a tracked bow hand. Never less
    /// than the practical floor asks.
    pub collapse_mm: f64,
    /// The same where sway is not tracked.
    pub collapse_with_sway_mm: f64,
    /// The smallest depth that errors alone would let be found, without the floor (mm), sway tracked.
    pub collapse_without_floor_mm: f64,
    /// Highest true speed (mm/s) at which a stretch of the shortest stall's length is still called a stall with the
    /// stated power; none where even a complete stop of that length is not found.
    pub stall_speed_mm_s: Option<f64>,
    /// Shortest complete stop that is found with the stated power (s); none where one second is not enough.
    pub shortest_stop_s: Option<f64>,
    /// Standard deviation of the net displacement over the shortest stall's length in the draw (mm).
    pub displacement_sd_mm: f64,
}

/// Longest stop that is tried (s).
const LONGEST_STOP_S: f64 = 1.0;
/// Deepest collapse that is tried (m).
const DEEPEST_M: f64 = 0.2;

/// Smallest faults from joint errors. `stretch` holds the sample indices from the end of set-up to release, `draw`
/// those of the draw.
pub(crate) fn smallest_faults(
    precision: &PathPrecision,
    stretch: std::ops::Range<usize>,
    draw: std::ops::Range<usize>,
    settings: &DetectionSettings,
    seed: u64,
) -> SmallestFaults {
    let step_s = precision.time_s[1] - precision.time_s[0];
    let away: Vec<Vec<f64>> = precision
        .draws
        .iter()
        .map(|errors| errors[stretch.clone()].iter().map(|e| -e.x).collect())
        .collect();
    let times = &precision.time_s[stretch.clone()];
    let swaying = with_sway(&away, times, settings, seed);
    let smallest =
        |errors: &[Vec<f64>], floor: f64| 1e3 * smallest_collapse(errors, step_s, floor, settings);
    let window = |length_s: f64| (length_s / step_s).round().max(1.0);
    let sd = |length_s: f64| displacement_sd(&precision.draws, &draw, window(length_s));
    let shortest = sd(settings.stall_s);
    let mut shortest_stop_s = None;
    let mut length_s = settings.stall_s;
    while length_s <= LONGEST_STOP_S + 1e-9 {
        if stall_speed(sd(length_s), length_s, settings).is_some() {
            shortest_stop_s = Some(length_s);
            break;
        }
        length_s += 0.05;
    }
    SmallestFaults {
        collapse_mm: smallest(&away, settings.collapse_floor_m),
        collapse_with_sway_mm: smallest(&swaying, settings.collapse_floor_m),
        collapse_without_floor_mm: smallest(&away, 0.0),
        stall_speed_mm_s: stall_speed(shortest, settings.stall_s, settings).map(|v| 1e3 * v),
        shortest_stop_s,
        displacement_sd_mm: 1e3 * shortest,
    }
}

/// Adds slow sway: eight sines of random phase below the band's end.
fn with_sway(
    errors: &[Vec<f64>],
    times: &[f64],
    settings: &DetectionSettings,
    seed: u64,
) -> Vec<Vec<f64>> {
    const SINES: u32 = 8;
    let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0x5eed);
    let size = settings.sway_rms_m * (2.0 / f64::from(SINES)).sqrt();
    errors
        .iter()
        .map(|error| {
            let sines: Vec<(f64, f64)> = (1..=SINES)
                .map(|k| {
                    let rate = settings.sway_band_hz * f64::from(k) / f64::from(SINES);
                    (
                        std::f64::consts::TAU * rate,
                        random.random::<f64>() * std::f64::consts::TAU,
                    )
                })
                .collect();
            let sway = |t: f64| {
                size * sines
                    .iter()
                    .map(|(w, phase)| (w * t + phase).sin())
                    .sum::<f64>()
            };
            error.iter().zip(times).map(|(e, t)| e + sway(*t)).collect()
        })
        .collect()
}

/// Largest reversal `w(s) − w(t)`, `s < t`, of a curve.
pub(crate) fn deepest_reversal(w: impl Iterator<Item = f64>) -> f64 {
    let mut top = f64::MIN;
    let mut deepest = 0.0;
    for value in w {
        top = top.max(value);
        deepest = f64::max(deepest, top - value);
    }
    deepest
}

/// Least depth (m) found with the stated power: the reversal of signal and error must pass the critical value that
/// errors alone pass in the stated share of shots, and the floor. The movement of a good shot, which only helps, is
/// left out.
fn smallest_collapse(
    errors: &[Vec<f64>],
    step_s: f64,
    floor: f64,
    settings: &DetectionSettings,
) -> f64 {
    if errors.is_empty() {
        return f64::NAN;
    }
    let mut alone: Vec<f64> = errors
        .iter()
        .map(|e| deepest_reversal(e.iter().copied()))
        .collect();
    alone.sort_by(f64::total_cmp);
    let quantile = |p: f64| crate::statistics::sorted_quantile(&alone, p);
    // A maximum over pairs is too large by about what errors alone make of it; the floor holds for the corrected depth.
    let critical = quantile(1.0 - settings.false_alarms).max(if floor > 0.0 {
        floor + quantile(0.5)
    } else {
        0.0
    });
    let found = |depth: f64| {
        let hits = errors
            .iter()
            .filter(|error| {
                let middle = 0.65 * error.len() as f64;
                let half = 0.5 * settings.collapse_s / step_s;
                let curve = error.iter().enumerate().map(|(i, e)| {
                    let s = ((i as f64 - middle + half) / (2.0 * half)).clamp(0.0, 1.0);
                    e - depth * s * s * (3.0 - 2.0 * s)
                });
                deepest_reversal(curve) > critical
            })
            .count();
        hits as f64 / errors.len() as f64
    };
    let (mut low, mut high) = (0.0, DEEPEST_M);
    if found(high) < settings.power {
        return f64::INFINITY;
    }
    while high - low > 1e-6 {
        let middle = 0.5 * (low + high);
        if found(middle) >= settings.power {
            high = middle;
        } else {
            low = middle;
        }
    }
    high
}

/// Root mean square, over draws and the draw's instants, of the error of a net displacement over `window` samples, per
/// axis (m).
fn displacement_sd(draws: &[Vec<Vector3<f64>>], draw: &std::ops::Range<usize>, window: f64) -> f64 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "some sixty samples at most"
    )]
    let window = (window as usize).min(draw.len().saturating_sub(1));
    let mut total = 0.0;
    let mut count = 0_usize;
    for errors in draws {
        for i in draw.start..draw.end - window {
            total += (errors[i + window] - errors[i]).norm_squared() / 3.0;
            count += 1;
        }
    }
    (total / count.max(1) as f64).sqrt()
}

/// Highest true speed over `length_s` at which "net displacement under `stall_speed · length` with the stated
/// probability" comes out with the stated power, for displacement errors of standard deviation `sd` (one axis, along
/// the movement).
fn stall_speed(sd: f64, length_s: f64, settings: &DetectionSettings) -> Option<f64> {
    let limit = settings.stall_speed * length_s;
    // Estimates up to `reach` are marked: P(|N(reach, sd)| < limit) = probability.
    let probability =
        |estimate: f64| normal_cdf((limit - estimate) / sd) - normal_cdf((-limit - estimate) / sd);
    if probability(0.0) < settings.stall_probability {
        return None;
    }
    let (mut low, mut high) = (0.0, limit);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if probability(middle) >= settings.stall_probability {
            low = middle;
        } else {
            high = middle;
        }
    }
    let reach = low;
    let power = |displacement: f64| {
        normal_cdf((reach - displacement) / sd) - normal_cdf((-reach - displacement) / sd)
    };
    if power(0.0) < settings.power {
        return None;
    }
    let highest = (reach - normal_quantile(settings.power) * sd).max(0.0);
    Some(highest / length_s)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use rand_distr::{Distribution, Normal};

    #[test]
    fn reversal_is_the_largest_drop() {
        assert_relative_eq!(
            deepest_reversal([0.0, 2.0, 1.0, 3.0, 0.5, 4.0].into_iter()),
            2.5
        );
        assert_relative_eq!(deepest_reversal([0.0, 1.0].into_iter()), 0.0);
    }

    /// With white errors the answer can be simulated afresh: power at the answer is 80 %, false alarms 5 %.
    #[test]
    fn the_smallest_collapse_has_the_stated_power() {
        let mut random = ChaCha8Rng::seed_from_u64(11);
        let normal = Normal::new(0.0, 0.3e-3).unwrap();
        let mut sample = |n: usize| -> Vec<Vec<f64>> {
            (0..n)
                .map(|_| (0..200).map(|_| normal.sample(&mut random)).collect())
                .collect()
        };
        let settings = DetectionSettings::default();
        let depth = smallest_collapse(&sample(2000), 1.0 / 60.0, 0.0, &settings);
        let fresh = sample(2000);
        let mut alone: Vec<f64> = fresh
            .iter()
            .map(|e| deepest_reversal(e.iter().copied()))
            .collect();
        alone.sort_by(f64::total_cmp);
        let critical = alone[1900];
        let hits = fresh
            .iter()
            .filter(|error| {
                let curve = error.iter().enumerate().map(|(i, e)| {
                    let s = ((i as f64 - 130.0 + 4.5) / 9.0).clamp(0.0, 1.0);
                    e - depth * s * s * (3.0 - 2.0 * s)
                });
                deepest_reversal(curve) > critical
            })
            .count();
        assert!((1500..1700).contains(&hits), "{hits}");
    }

    #[test]
    fn a_noisy_rig_finds_only_longer_stops() {
        let settings = DetectionSettings::default();
        assert!(stall_speed(1e-4, 0.15, &settings).unwrap() > 0.012);
        assert!(stall_speed(1.5e-3, 0.15, &settings).is_none());
        assert!(stall_speed(1.5e-3, 0.5, &settings).is_some());
    }
}
