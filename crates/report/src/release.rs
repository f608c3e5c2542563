//! The instant at which the string leaves the fingers, to a fraction of a frame.
//!
//! Until the release the elbow creeps along a straight line; then the string's force is gone and it accelerates
//! from rest. The break is where `e(t) = a + b τ + c τ₊² + j τ₊³`, τ = t − t_b, fits the path best (least squares
//! in all three coordinates at once, scanned over t_b, the minimum refined by a parabola). The same fit on each
//! joint draw gives its spread.

use crate::context::SoundAt;
use crate::{ReportSettings, sentences::Sentences};
use drawarc_triangulation::PathSamples;
use nalgebra::Point3;

/// Uncertainty of the break that no draw shows (s): the elbow follows the fingers through skin and bone, and the
/// path's own smoothness rounds the corner. Common practice, no source.
const MODEL_SD_S: f64 = 0.001;
const BEFORE_S: f64 = 0.12;
const AFTER_S: f64 = 0.05;

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
    let rough_s = fit(path, &path.mean, near_s, 0.04, 0.002)?;
    let motion_s = fit(path, &path.mean, rough_s, 0.015, 0.001)?;
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
    let usable: Vec<usize> = (from..to).filter(|&i| !path.in_gap[i]).collect();
    let after = usable.iter().filter(|&&i| path.time_s[i] > near_s).count();
    if after < 3 || usable.len() < after + 3 {
        return None;
    }
    let steps = (reach_s / step_s).round() as i32;
    let misfits: Vec<f64> = (-steps..=steps)
        .map(|i| misfit(path, points, &usable, near_s + f64::from(i) * step_s))
        .collect();
    let (best, _) = misfits
        .iter()
        .enumerate()
        .min_by(|a, b| a.1.total_cmp(b.1))?;
    let mut shift = 0.0;
    if best > 0 && best + 1 < misfits.len() {
        let (a, b, c) = (misfits[best - 1], misfits[best], misfits[best + 1]);
        let curvature = a - 2.0 * b + c;
        if curvature > 0.0 {
            shift = 0.5 * (a - c) / curvature;
        }
    }
    Some(near_s + (best as f64 - f64::from(steps) + shift) * step_s)
}

/// Sum of squared residuals with the break at `break_s` (modified Gram-Schmidt on the four shapes).
fn misfit(path: &PathSamples, points: &[Point3<f64>], usable: &[usize], break_s: f64) -> f64 {
    let shapes = |t: f64| {
        let tau = (t - break_s) / 0.1;
        let ahead = tau.max(0.0);
        [1.0, tau, ahead * ahead, ahead.powi(3)]
    };
    let mut basis: Vec<Vec<f64>> = Vec::with_capacity(4);
    for shape in 0..4 {
        let mut column: Vec<f64> = usable
            .iter()
            .map(|&i| shapes(path.time_s[i])[shape])
            .collect();
        let size = norm(&column);
        for earlier in &basis {
            let share = dot(&column, earlier);
            for (value, unit) in column.iter_mut().zip(earlier) {
                *value -= share * unit;
            }
        }
        let rest = norm(&column);
        if rest > 1e-9 * size.max(1e-12) {
            basis.push(column.iter().map(|value| value / rest).collect());
        }
    }
    (0..3)
        .map(|axis| {
            let origin = points[usable[0]][axis];
            let mut rest: Vec<f64> = usable.iter().map(|&i| points[i][axis] - origin).collect();
            for unit in &basis {
                let share = dot(&rest, unit);
                for (value, along) in rest.iter_mut().zip(unit) {
                    *value -= share * along;
                }
            }
            dot(&rest, &rest)
        })
        .sum()
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

fn norm(a: &[f64]) -> f64 {
    dot(a, a).sqrt()
}
