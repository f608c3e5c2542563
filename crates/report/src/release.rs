//! The instant at which the string leaves the fingers, to a fraction of a frame.
//!
//! Until the release the elbow creeps along a straight line; then the string's force is gone and it sets out. When, the
//! sightings tell ([`drawarc_triangulation::Onset`]), and a sound beside them. Where there is a path alone, a break is fitted
//! to it (see [`crate::break_fit`]): the same fit on each joint draw gives its spread, and the error of the model stands in
//! the interval.

use crate::break_fit::{Search, find_break};
use crate::context::SoundAt;
use crate::{ReportSettings, sentences::Sentences};
use drawarc_triangulation::{Onset, PathSamples};
use nalgebra::Point3;

const BEFORE_S: f64 = 0.12;
const AFTER_S: f64 = 0.075;

/// Error (s, 1 σ) of a release that is fitted to a path: the path has rounded off the onset, and the shape is assumed.
const PATH_MODEL_SD_S: f64 = 0.01;
/// Steps of the row of instants that stands for a release from a path (s), and how far it reaches (standard deviations).
const ROW: (f64, f64) = (0.001, 5.0);

/// A release, or one witness of it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Dated {
    /// Best estimate (s).
    pub(crate) time_s: f64,
    pub(crate) sd_s: f64,
    /// 95 % interval (s).
    pub(crate) interval: (f64, f64),
}

impl Dated {
    fn of(onset: &Onset) -> Self {
        Self {
            time_s: onset.mean_s(),
            sd_s: onset.sd_s(),
            interval: (onset.quantile_s(0.025), onset.quantile_s(0.975)),
        }
    }
}

/// A release.
#[derive(Debug, Clone)]
pub(crate) struct Release {
    pub(crate) dated: Dated,
    pub(crate) by_motion: Dated,
    pub(crate) sound_minus_motion_s: Option<f64>,
    pub(crate) words: String,
}

/// Dates the release near `near_s` and sets it beside the sounds: by the onset that the sightings show, or else by the path.
/// `None` where the path has too few instants there.
pub(crate) fn find_release(
    path: &PathSamples,
    near_s: f64,
    (onset, sounds): (Option<&Onset>, &[SoundAt]),
    settings: &ReportSettings,
    words: &Sentences,
) -> Option<Release> {
    let onset = match onset {
        Some(onset) => onset.clone(),
        None => of_path(path, near_s)?,
    };
    let by_motion = Dated::of(&onset);
    let mut release = Release {
        dated: by_motion,
        by_motion,
        sound_minus_motion_s: None,
        words: words.plain("release-motion"),
    };
    let lag = |sound: &SoundAt| sound.time_s - settings.power_stroke_s - by_motion.time_s;
    let nearest = sounds
        .iter()
        .filter(|sound| lag(sound).abs() <= settings.sound_reach_s)
        .min_by(|a, b| lag(a).abs().total_cmp(&lag(b).abs()));
    if let Some(sound) = nearest {
        let sound_sd_s = sound.sd_s.hypot(settings.power_stroke_sd_s);
        release.sound_minus_motion_s = Some(lag(sound));
        if lag(sound).abs() <= 3.0 * sound_sd_s.hypot(by_motion.sd_s) {
            let both = onset.and(sound.time_s - settings.power_stroke_s, sound_sd_s);
            release.dated = Dated::of(&both);
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

/// The release as a path alone tells it.
fn of_path(path: &PathSamples, near_s: f64) -> Option<Onset> {
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
    let sd_s = variance.sqrt().hypot(PATH_MODEL_SD_S);
    let steps = (ROW.1 * sd_s / ROW.0).ceil() as i32;
    let even = Onset {
        time_s: (-steps..=steps)
            .map(|i| motion_s + f64::from(i) * ROW.0)
            .collect(),
        probability: vec![1.0; 2 * steps as usize + 1],
    };
    Some(even.and(motion_s, sd_s))
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
