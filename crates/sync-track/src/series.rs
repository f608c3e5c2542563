//! From chosen trails to sightings with verdicts.

use crate::trail::{Trail, TrailPoint};
use crate::view::ball_bias_px;
use crate::{
    AmbiguousReason, HiddenReason, MarkerRole, MarkerShape, Sighting, SightingSeries, Verdict,
};
use drawarc_rig::Camera;
use nalgebra::Vector2;

/// Below this share of clear sectors something stands before the marker.
const CLEAR_SHARE: f64 = 0.55;
/// A ball that looks smaller than this share of its usual size is partly covered.
const COVERED_SIZE: f64 = 0.8;
/// Frames around one over which the usual size is taken, either way.
const USUAL_OVER: usize = 15;
/// A point may be off a smooth path by this (px), ...
const OFF_PATH_PX: f64 = 0.6;
/// ... by so many of the path's usual deviations, ...
const OFF_PATH_SDS: f64 = 7.0;
/// ... and by this share of the step from frame to frame, since a release is no smooth path.
const OFF_PATH_STEPS: f64 = 0.5;
/// The measured noise may correct the covariance of the fits by these factors (σ).
const NOISE_FACTOR: (f64, f64) = (0.7, 4.0);

/// What one camera looked at.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct LookedAt {
    /// Index and presentation time (s) of every frame, in order.
    pub(crate) frames: Vec<(u64, f64)>,
    /// Indices of the key frames among them, in order.
    pub(crate) keys: Vec<u64>,
}

/// Which marker a series is of.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Subject {
    pub(crate) camera: usize,
    pub(crate) role: MarkerRole,
    pub(crate) shape: MarkerShape,
    pub(crate) class: usize,
}

/// One sample for every frame looked at.
pub(crate) fn series_of(
    subject: &Subject,
    camera: &Camera,
    looked_at: &LookedAt,
    trails: &[Trail],
    chosen: &[usize],
) -> SightingSeries {
    let mut points: Vec<(TrailPoint, f64)> = Vec::new();
    for &index in chosen {
        let trail = &trails[index];
        let radii: Vec<f64> = trail.points.iter().map(|p| p.outline.radius_px()).collect();
        for (k, point) in trail.points.iter().enumerate() {
            points.push((*point, usual(&radii, k)));
        }
    }
    points.sort_by_key(|(point, _)| point.frame_index);
    points.dedup_by_key(|(point, _)| point.frame_index);
    let rivals = rivals(subject, trails, chosen);
    let mut samples = Vec::with_capacity(looked_at.frames.len());
    let mut next = 0;
    let mut last: Option<Sighting> = None;
    for &(frame_index, camera_s) in &looked_at.frames {
        while next < points.len() && points[next].0.frame_index < frame_index {
            next += 1;
        }
        let sample = match points.get(next) {
            Some((point, usual)) if point.frame_index == frame_index => {
                let sample = sighting(subject, camera, point, *usual);
                last = Some(sample);
                sample
            }
            Some((point, _)) if point.rests_from <= frame_index => {
                let resting = Verdict::Hidden(HiddenReason::Resting);
                Sighting::missing(frame_index, camera_s, resting)
            }
            _ => {
                let after = rivals.partition_point(|(from, _)| *from <= frame_index);
                let rival = after > 0 && rivals[after - 1].1 >= frame_index;
                let verdict = why_missing(camera, last.as_ref(), rival, chosen.is_empty());
                Sighting::missing(frame_index, camera_s, verdict)
            }
        };
        samples.push(sample);
    }
    let mut series = SightingSeries {
        camera: subject.camera,
        role: subject.role,
        samples,
    };
    drop_off_path(&mut series);
    set_velocities(&mut series);
    scale_by_noise(&mut series);
    series
}

/// First and last frames of the stretches in which something else of that colour was followed, in order, apart from each other.
fn rivals(subject: &Subject, trails: &[Trail], chosen: &[usize]) -> Vec<(u64, u64)> {
    let mut all: Vec<(u64, u64)> = trails
        .iter()
        .enumerate()
        .filter(|(index, trail)| trail.class == subject.class && !chosen.contains(index))
        .flat_map(|(_, trail)| &trail.points)
        .map(|point| (point.rests_from, point.frame_index))
        .collect();
    all.sort_unstable();
    let mut merged: Vec<(u64, u64)> = Vec::new();
    for (from, to) in all {
        match merged.last_mut() {
            Some(last) if from <= last.1 + 1 => last.1 = last.1.max(to),
            _ => merged.push((from, to)),
        }
    }
    merged
}

fn sighting(subject: &Subject, camera: &Camera, point: &TrailPoint, usual_px: f64) -> Sighting {
    let radius_px = point.outline.radius_px();
    let ball = matches!(subject.shape, MarkerShape::Ball { .. });
    let verdict = if point.at_border {
        Verdict::Hidden(HiddenReason::CutByBorder)
    } else if point.skipped {
        Verdict::Hidden(HiddenReason::Resting)
    } else if !point.fitted {
        Verdict::Hidden(HiddenReason::NoneOfItsShape)
    } else if point.clear_share < CLEAR_SHARE || (ball && radius_px < COVERED_SIZE * usual_px) {
        Verdict::Hidden(HiddenReason::PartlyCovered)
    } else {
        Verdict::Seen
    };
    let centre = point.outline.centre_px;
    let bias = if ball {
        ball_bias_px(camera, &centre, radius_px)
    } else {
        Vector2::zeros()
    };
    Sighting {
        frame_index: point.frame_index,
        camera_s: point.camera_s,
        verdict,
        centre_px: centre - bias,
        // Where part of the outline is covered, the model's faults no longer cancel around it.
        covariance_px2: point.covariance_px2 / point.clear_share.clamp(0.3, 1.0).powi(4),
        velocity_px_s: Vector2::zeros(),
        radius_px,
    }
}

fn usual(radii: &[f64], k: usize) -> f64 {
    let from = k.saturating_sub(USUAL_OVER);
    let to = (k + USUAL_OVER + 1).min(radii.len());
    let mut around = radii[from..to].to_vec();
    around.sort_by(f64::total_cmp);
    around[around.len() / 2]
}

/// Frames for which a marker that left through the border is taken to be outside.
const BORDER_PX: f64 = 25.0;

fn why_missing(camera: &Camera, last: Option<&Sighting>, rival: bool, nothing: bool) -> Verdict {
    if let Some(last) = last {
        let size = camera.image_size;
        let (x, y) = (last.centre_px.x, last.centre_px.y);
        let near = x < BORDER_PX
            || y < BORDER_PX
            || x > f64::from(size.width_px) - BORDER_PX
            || y > f64::from(size.height_px) - BORDER_PX;
        if near {
            return Verdict::OutOfPicture;
        }
    }
    match (rival, nothing) {
        (true, true) => Verdict::Ambiguous(AmbiguousReason::TwoCandidates),
        (true, false) => Verdict::Hidden(HiddenReason::NoneInItsPlace),
        _ => Verdict::Hidden(HiddenReason::NothingOfItsColour),
    }
}

/// Indices of five samples seen in a row, at about even steps, around each middle.
fn runs(series: &SightingSeries) -> Vec<usize> {
    let s = &series.samples;
    (2..s.len().saturating_sub(2))
        .filter(|&k| {
            let step_s = s[k + 1].camera_s - s[k].camera_s;
            (k - 2..=k + 2).all(|j| s[j].verdict.is_seen())
                && (k - 2..k + 2).all(|j| {
                    let other_s = s[j + 1].camera_s - s[j].camera_s;
                    (other_s / step_s - 1.0).abs() < 0.2
                })
        })
        .collect()
}

fn fourth_difference(samples: &[Sighting], k: usize) -> Vector2<f64> {
    let c = |j: usize| samples[j].centre_px.coords;
    c(k - 2) - 4.0 * c(k - 1) + 6.0 * c(k) - 4.0 * c(k + 1) + c(k + 2)
}

fn drop_off_path(series: &mut SightingSeries) {
    let runs = runs(series);
    if runs.is_empty() {
        return;
    }
    let samples = &series.samples;
    // Deviation from the cubic through the four neighbours is a sixth of the fourth difference.
    let off: Vec<f64> = runs
        .iter()
        .map(|&k| fourth_difference(samples, k).norm() / 6.0)
        .collect();
    let mut sorted = off.clone();
    sorted.sort_by(f64::total_cmp);
    let usual = sorted[sorted.len() / 2];
    let bad: Vec<usize> = (0..runs.len())
        .filter(|&r| {
            let k = runs[r];
            let step = (samples[k + 1].centre_px - samples[k - 1].centre_px).norm() / 2.0;
            let reach = (OFF_PATH_PX).max(OFF_PATH_SDS * usual) + OFF_PATH_STEPS * step;
            // The worst among its neighbours only: one bad point spoils five runs.
            let worst = (r.saturating_sub(2)..(r + 3).min(runs.len())).all(|o| off[o] <= off[r]);
            off[r] > reach && worst
        })
        .map(|r| runs[r])
        .collect();
    for k in bad {
        series.samples[k].verdict = Verdict::Ambiguous(AmbiguousReason::OffItsPath);
    }
}

fn set_velocities(series: &mut SightingSeries) {
    let seen: Vec<usize> = (0..series.samples.len())
        .filter(|&k| series.samples[k].verdict.is_seen())
        .collect();
    for (n, &k) in seen.iter().enumerate() {
        let before = seen[n.saturating_sub(1)];
        let after = seen[(n + 1).min(seen.len() - 1)];
        let (p, q) = (&series.samples[before], &series.samples[after]);
        let span_s = q.camera_s - p.camera_s;
        if span_s > 0.0 && span_s < 0.2 {
            series.samples[k].velocity_px_s = (q.centre_px - p.centre_px) / span_s;
        }
    }
}

/// Corrects the covariances by the noise that the track itself shows: residuals of one picture do not know what
/// compression does from frame to frame.
fn scale_by_noise(series: &mut SightingSeries) {
    let samples = &series.samples;
    let mut ratios: Vec<f64> = runs(series)
        .into_iter()
        .flat_map(|k| {
            let difference = fourth_difference(samples, k);
            [0, 1].map(|axis| {
                let sd = samples[k].covariance_px2[(axis, axis)].sqrt();
                difference[axis].abs() / (70f64.sqrt() * sd)
            })
        })
        .collect();
    if ratios.len() < 40 {
        return;
    }
    ratios.sort_by(f64::total_cmp);
    // 0.6745: median of the absolute value of a standard Gaussian.
    let factor = (ratios[ratios.len() / 2] / 0.6745).clamp(NOISE_FACTOR.0, NOISE_FACTOR.1);
    for sample in &mut series.samples {
        sample.covariance_px2 *= factor * factor;
    }
}
