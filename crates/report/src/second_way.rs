//! The simple way beside the path: a point for every instant, then a Butterworth filter, the biomechanist's habit. How far
//! both are apart says what the fit is worth, or that one of them went wrong.

use crate::sheet::Phase;
use crate::shot::Shot;
use drawarc_triangulation::InstantPath;
use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// Time (s) before the release that is left out: both ways end or break there.
const BEFORE_RELEASE_S: f64 = 0.02;
/// Fewer instants than this are no comparison.
const LEAST_INSTANTS: usize = 20;

/// Distance between both ways, from the end of set-up to 20 ms before release.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SecondWay {
    /// Start of what is compared, range time (s).
    pub from_s: f64,
    /// Its end, range time (s).
    pub to_s: f64,
    /// Root of the mean squared distance in space (mm).
    pub rms_mm: f64,
    /// The same without one constant offset (mm).
    pub shape_rms_mm: f64,
    /// Largest distance (mm).
    pub largest_mm: f64,
    /// Cut-off of the filter along each axis of the range (Hz), by residual analysis, of the longest stretch within.
    pub cutoff_hz: Option<[f64; 3]>,
    /// In one sentence.
    pub words: String,
}

/// Compares both ways, where the simple one was computed.
pub(crate) fn second_way(shot: &Shot<'_>) -> Option<SecondWay> {
    let simple = shot.context.simple?;
    let from_s = shot
        .boundaries
        .start_s(Phase::Draw)
        .unwrap_or(shot.track.start_s);
    let to_s = shot.hold_end_s() - BEFORE_RELEASE_S;
    let apart: Vec<Vector3<f64>> = (shot.track.index_of(from_s)..=shot.track.index_of(to_s))
        .filter(|&i| !shot.track.in_gap[i])
        .filter_map(|i| Some(shot.track.mean[i] - simple.at(shot.track.time_s(i))?))
        .map(|off| 1000.0 * off)
        .collect();
    if apart.len() < LEAST_INSTANTS {
        return None;
    }
    let n = apart.len() as f64;
    let offset = apart.iter().sum::<Vector3<f64>>() / n;
    let rms = |about: &Vector3<f64>| {
        let square: f64 = apart.iter().map(|off| (off - about).norm_squared()).sum();
        (square / n).sqrt()
    };
    let rms_mm = rms(&Vector3::zeros());
    let largest_mm = apart.iter().map(Vector3::norm).fold(0.0, f64::max);
    let figure = |mm: f64| format!("{mm:.2}");
    Some(SecondWay {
        from_s,
        to_s,
        rms_mm,
        shape_rms_mm: rms(&offset),
        largest_mm,
        cutoff_hz: cutoff_hz(simple, (from_s, to_s)),
        words: shot.words.fill(
            "second-way",
            &[("rms", figure(rms_mm)), ("largest", figure(largest_mm))],
        ),
    })
}

/// Cut-offs of the stretch that covers most of a span.
fn cutoff_hz(simple: &InstantPath, (from_s, to_s): (f64, f64)) -> Option<[f64; 3]> {
    let covered = |time_s: &[f64]| match (time_s.first(), time_s.last()) {
        (Some(&first), Some(&last)) => last.min(to_s) - first.max(from_s),
        _ => f64::NEG_INFINITY,
    };
    simple
        .stretches
        .iter()
        .max_by(|a, b| covered(&a.time_s).total_cmp(&covered(&b.time_s)))?
        .cutoff_hz
        .map(Into::into)
}
