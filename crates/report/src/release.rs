//! The instant at which the string leaves the fingers, to a fraction of a frame.
//!
//! Until the release the elbow creeps along a straight line; then the string's force is gone and it accelerates from
//! rest (see [`crate::break_fit`]). The same fit on each joint draw gives its spread; the error of the model stands in
//! the interval; sound takes it off.

use crate::break_fit::{MODEL_SD_S, Search, find_break};
use crate::context::SoundAt;
use crate::{ReportSettings, sentences::Sentences};
use drawarc_triangulation::PathSamples;
use nalgebra::Point3;

const BEFORE_S: f64 = 0.12;
const AFTER_S: f64 = 0.075;

/// A release.
#[derive(Debug, Clone)]
pub(crate) struct Release {
    pub(crate) time_s: f64,
    pub(crate) sd_s: f64,
    pub(crate) motion_s: f64,
    pub(crate) motion_sd_s: f64,
    pub(crate) sound_minus_motion_s: Option<f64>,
    pub(crate) words: String,
}

/// Fits the break near `near_s` and sets it beside the sounds. `None` where the path has too few instants there.
pub(crate) fn find_release(
    path: &PathSamples,
    near_s: f64,
    sounds: &[SoundAt],
    settings: &ReportSettings,
    words: &Sentences,
) -> Option<Release> {
    let rough_s = fit(path, &path.mean, near_s, 0.06, 0.002)?;
    let close_s = fit(path, &path.mean, rough_s, 0.02, 0.001)?;
    let motion_s = fit(path, &path.mean, close_s, 0.015, 0.001)?;
    let breaks: Vec<f64> = path
        .draws
        .iter()
        .filter_map(|draw| fit(path, draw, motion_s, 0.012, 0.001))
        .collect();
    let centre = breaks.iter().sum::<f64>() / breaks.len().max(1) as f64;
    let variance = breaks.iter().map(|b| (b - centre).powi(2)).sum::<f64>()
        / breaks.len().saturating_sub(1).max(1) as f64;
    let motion_sd_s = variance.sqrt().hypot(MODEL_SD_S);
    let mut release = Release {
        time_s: motion_s,
        sd_s: motion_sd_s,
        motion_s,
        motion_sd_s,
        sound_minus_motion_s: None,
        words: words.plain("release-motion"),
    };
    let lag = |sound: &SoundAt| sound.time_s - settings.power_stroke_s - motion_s;
    let nearest = sounds
        .iter()
        .filter(|sound| lag(sound).abs() <= settings.sound_reach_s)
        .min_by(|a, b| lag(a).abs().total_cmp(&lag(b).abs()));
    if let Some(sound) = nearest {
        let sound_sd_s = sound.sd_s.hypot(settings.power_stroke_sd_s);
        release.sound_minus_motion_s = Some(lag(sound));
        if lag(sound).abs() <= 3.0 * sound_sd_s.hypot(motion_sd_s) {
            let (a, b) = (motion_sd_s.powi(-2), sound_sd_s.powi(-2));
            release.time_s = motion_s + lag(sound) * b / (a + b);
            release.sd_s = (a + b).sqrt().recip();
            release.words = words.plain("release-both");
        } else {
            release.words = words.fill(
                "release-disagree",
                &[("ms", format!("{:.0}", lag(sound).abs() * 1000.0))],
            );
        }
    }
    Some(release)
}

/// Break of `points` within `reach_s` of `near_s`.
fn fit(
    path: &PathSamples,
    points: &[Point3<f64>],
    near_s: f64,
    reach_s: f64,
    step_s: f64,
) -> Option<f64> {
    let from = path.time_s.partition_point(|&t| t < near_s - BEFORE_S);
    let to = path.time_s.partition_point(|&t| t <= near_s + AFTER_S);
    let search = Search {
        near_s,
        reach_s,
        step_s,
        slow_s: BEFORE_S,
        burst_s: AFTER_S,
        backward: false,
    };
    find_break(&path.time_s[from..to], &points[from..to], search)
}
