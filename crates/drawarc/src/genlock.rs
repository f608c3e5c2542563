//! Cameras that are said to share one shutter signal: do their pictures agree?

use crate::health::clock_mm;
use crate::practice::Practice;
use drawarc_report::page::{Fitness, RigLine, Words};
use drawarc_rig::{ClockModel, Rig};
use drawarc_sync_track::{
    ClockRemark, MotionClockSettings, PictureLag, SightingSeries, check_genlock,
    clocks_from_motion, combine_clocks,
};

/// Offsets are looked for this far (s): a few frames of a slow camera.
const REACH_S: f64 = 0.25;
/// A clock told no better than this (s) verifies nothing.
const TELLING_SD_S: f64 = 0.005;

/// What the movement of the markers says of the shared clock, from their sightings with all offsets at zero.
pub(crate) fn verify(
    practice: &Practice,
    rig: &Rig,
    series: &[SightingSeries],
    words: &Words,
) -> Vec<RigLine> {
    let count = rig.cameras.len();
    let settings = MotionClockSettings {
        search_at_least_s: REACH_S,
        search_at_most_s: REACH_S,
        telling_sd_s: TELLING_SD_S,
        ..MotionClockSettings::default()
    };
    let solution = clocks_from_motion(rig, series, &vec![ClockModel::identity(); count], &settings)
        .and_then(|motion| {
            combine_clocks(None, Some(&motion), &vec![PictureLag::default(); count])
        });
    let Ok(solution) = solution else {
        return Vec::new();
    };
    let name = |index: usize| practice.cameras[index].name.as_str();
    let mut lines: Vec<RigLine> = check_genlock(&solution)
        .iter()
        .filter_map(|remark| match remark {
            ClockRemark::NotGenlocked {
                camera,
                offset_s,
                sd_s,
            } => Some(RigLine {
                fitness: Fitness::Bad,
                sentence: words.health(
                    "not_genlocked",
                    &[
                        ("camera", name(*camera)),
                        ("against", name(0)),
                        ("ms", &tenth(1000.0 * offset_s.abs())),
                        ("half", &tenth(1960.0 * sd_s)),
                    ],
                ),
                costs_mm: Some(clock_mm(1000.0 * offset_s)),
            }),
            _ => None,
        })
        .collect();
    let told: Vec<f64> = (1..count)
        .filter_map(|index| {
            let variance_s2 = solution.offset_covariance_s2[(index, index)];
            (variance_s2.sqrt() < TELLING_SD_S).then(|| {
                solution.clocks[index].segments()[0].offset_s.abs() + 1.96 * variance_s2.sqrt()
            })
        })
        .collect();
    if lines.is_empty() && told.len() + 1 == count {
        let most_ms = 1000.0 * told.iter().copied().fold(0.0, f64::max);
        lines.push(RigLine {
            fitness: Fitness::Good,
            sentence: words.health("genlocked", &[("ms", &tenth(most_ms))]),
            costs_mm: Some(clock_mm(most_ms)),
        });
    } else if lines.is_empty() {
        lines.push(RigLine {
            fitness: Fitness::Watch,
            sentence: words.health("genlock_untold", &[]),
            costs_mm: None,
        });
    }
    lines
}

/// With one digit after the point.
fn tenth(value: f64) -> String {
    format!("{value:.1}")
}
