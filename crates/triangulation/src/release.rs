//! Where the path breaks: the elbow jumps when the string leaves the fingers.

use crate::smoothness::{Difference, Evidence};
use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// A sudden change of the motion, found in the data.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Break {
    /// Range time (s).
    pub time_s: f64,
    /// Its standard deviation (s).
    pub sd_s: f64,
    /// Roughness after over roughness before (variance of jerk).
    pub ratio: f64,
    /// Largest acceleration within [`BURST_S`] after it (m/s²).
    pub acceleration_m_s2: f64,
}

/// Roughness is compared over this long on both sides (s).
const SIDE_S: f64 = 0.12;
/// A release shows its burst of acceleration within this time (s).
pub const BURST_S: f64 = 0.05;
/// A burst is faster than any drawing elbow: at 5 to 8 m/s² the draw is brisk; the recoil has 50 and more
/// (common practice, no source; range-sim and real rigs agree within a factor of two).
const BURST_M_S2: f64 = 15.0;
/// Roughness must grow by this much.
const LEAST_RATIO: f64 = 30.0;
/// Twice this is the gain in log likelihood that parts the path.
const LEAST_GAIN: f64 = 12.0;
/// Two releases are further apart than this (s).
const APART_S: f64 = 1.0;
/// What a sound adds to its own spread: bow to picture (s).
const HINT_EXTRA_S: f64 = 0.02;

/// Index of the first difference after a break, and the break.
pub(crate) fn find(
    differences: &[Difference],
    evidence: &[Evidence],
    acceleration: &dyn Fn(f64) -> Option<Vector3<f64>>,
    hint_s: Option<(f64, f64)>,
    knot_s: f64,
) -> Vec<(usize, Break)> {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a few knots"
    )]
    let side = (SIDE_S / knot_s).round().max(4.0) as usize;
    let gain: Vec<(f64, f64)> = (0..differences.len())
        .map(|at| gain(differences, evidence, at, side, hint_s))
        .collect();
    let mut order: Vec<usize> = (0..differences.len())
        .filter(|&i| gain[i].0 > LEAST_GAIN && gain[i].1 > LEAST_RATIO)
        .collect();
    order.sort_by(|&a, &b| gain[b].0.total_cmp(&gain[a].0).then(a.cmp(&b)));
    let mut found: Vec<(usize, Break)> = Vec::new();
    for at in order {
        let time_s = differences[at].time_s - 0.5 * knot_s;
        if found
            .iter()
            .any(|(_, b)| (b.time_s - time_s).abs() < APART_S)
        {
            continue;
        }
        let steps = 12;
        let strongest = (0..=steps)
            .filter_map(|i| acceleration(time_s + BURST_S * f64::from(i) / f64::from(steps)))
            .map(|a| a.norm())
            .fold(0.0, f64::max);
        if strongest < BURST_M_S2 {
            continue;
        }
        // Spread over the neighbours by their likelihood.
        let near = at.saturating_sub(side)..(at + side).min(differences.len());
        let (mut sum, mut mean, mut square) = (0.0, 0.0, 0.0);
        for k in near {
            let w = (gain[k].0 - gain[at].0).exp();
            let t = differences[k].time_s - differences[at].time_s;
            sum += w;
            mean += w * t;
            square += w * t * t;
        }
        mean /= sum;
        let variance = (square / sum - mean * mean).max(0.0) + knot_s * knot_s / 12.0;
        found.push((
            at,
            Break {
                time_s: time_s + mean,
                sd_s: variance.sqrt(),
                ratio: gain[at].1,
                acceleration_m_s2: strongest,
            },
        ));
    }
    found.sort_by_key(|(at, _)| *at);
    found
}

/// Gain in log likelihood of two variances over one, and their ratio.
fn gain(
    differences: &[Difference],
    evidence: &[Evidence],
    at: usize,
    side: usize,
    hint_s: Option<(f64, f64)>,
) -> (f64, f64) {
    if at < side || at + side > differences.len() {
        return (f64::NEG_INFINITY, 0.0);
    }
    let group = differences[at].group;
    if differences[at - side].group != group || differences[at + side - 1].group != group {
        return (f64::NEG_INFINITY, 0.0);
    }
    let level = |range: std::ops::Range<usize>| {
        let sum = evidence[range]
            .iter()
            .fold((0.0, 0.0), |(e, d), x| (e + x.energy, d + x.determined));
        (sum.0.max(1e-30), sum.1.max(1e-3))
    };
    let (before, after) = (level(at - side..at), level(at..at + side));
    let (mean_before, mean_after) = (before.0 / before.1, after.0 / after.1);
    let mean = (before.0 + after.0) / (before.1 + after.1);
    let mut gain = 0.5
        * ((before.1 + after.1) * mean.ln()
            - before.1 * mean_before.ln()
            - after.1 * mean_after.ln());
    if let Some((hint, sd)) = hint_s {
        let off = (differences[at].time_s - hint) / sd.hypot(HINT_EXTRA_S);
        // A hint breaks ties; it never outvotes the marker.
        gain -= (0.5 * off * off).min(4.0);
    }
    (gain, mean_after / mean_before)
}
