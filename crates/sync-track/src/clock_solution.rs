//! Sound and motion together.
//!
//! Unknown: each camera's picture offset `o` (range time = camera time + o, the first camera's is 0) and each camera's
//! sound-to-picture lag `l` (sound stamp = picture stamp + l). Sound measures `o_i − o_a + l_a − l_i`, motion measures
//! `o`, the prior holds `l`. All Gaussian and linear: one solve.

use crate::{ClockRemark, MotionClocks, SoundClocks, SyncTrackError};
use drawarc_rig::ClockModel;
use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};

/// What is known of a camera's sound-to-picture lag.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PictureLag {
    /// Sound stamp minus picture stamp of one instant (s).
    pub mean_s: f64,
    /// Standard deviation (s).
    pub sd_s: f64,
}

impl Default for PictureLag {
    /// A phone of which nothing is known: 0 ± 10 ms (common practice, no source). A lag learned in one practice and
    /// remembered takes its place in the next.
    fn default() -> Self {
        Self {
            mean_s: 0.0,
            sd_s: 0.01,
        }
    }
}

/// The clocks of a practice.
#[derive(Debug, Clone, PartialEq)]
pub struct ClockSolution {
    /// Per camera: range time from camera time.
    pub clocks: Vec<ClockModel>,
    /// Covariance of the offsets (s²).
    pub offset_covariance_s2: DMatrix<f64>,
    /// Each camera's sound-to-picture lag, after everything; worth remembering where its deviation shrank.
    pub picture_lags: Vec<PictureLag>,
    /// Per camera: sound's offset minus motion's, and the standard deviation it should have (s), where both speak.
    pub disagreement_s: Vec<Option<(f64, f64)>>,
    /// What a person should know, those of sound and motion included.
    pub remarks: Vec<ClockRemark>,
}

/// Standard deviation of an offset of which nothing is known (s).
const UNKNOWN_S: f64 = 1e3;
/// Sound and motion disagree beyond so many standard deviations ...
const DISAGREE_SDS: f64 = 3.0;
/// ... if it is more than this (s).
const DISAGREE_FLOOR_S: f64 = 1e-3;

/// One estimate from what sound and motion say. `lags` are the priors by camera.
///
/// # Errors
/// [`SyncTrackError::CameraCount`] where the lists differ in length.
#[expect(
    clippy::too_many_lines,
    reason = "one linear system, put together and read out"
)]
pub fn combine_clocks(
    sound: Option<&SoundClocks>,
    motion: Option<&MotionClocks>,
    lags: &[PictureLag],
) -> Result<ClockSolution, SyncTrackError> {
    let cameras = lags.len();
    for found in [
        sound.map(|s| s.clocks.len()),
        motion.map(|m| m.clocks.len()),
    ]
    .into_iter()
    .flatten()
    {
        if found != cameras {
            return Err(SyncTrackError::CameraCount {
                what: "clocks",
                found,
                expected: cameras,
            });
        }
    }
    let references: Vec<f64> = (0..cameras)
        .map(|camera| reference_s(sound, motion, camera))
        .collect();
    let mut normal = DMatrix::<f64>::zeros(2 * cameras, 2 * cameras);
    let mut right = DVector::<f64>::zeros(2 * cameras);
    let mut add = |terms: &[(usize, f64)], value: f64, variance: f64| {
        for &(i, x) in terms {
            right[i] += x * value / variance;
            for &(j, y) in terms {
                normal[(i, j)] += x * y / variance;
            }
        }
    };
    for (camera, lag) in lags.iter().enumerate() {
        add(
            &[(cameras + camera, 1.0)],
            lag.mean_s,
            lag.sd_s.max(1e-6).powi(2),
        );
        let sd_s = if camera == 0 { 1e-9 } else { UNKNOWN_S };
        add(&[(camera, 1.0)], 0.0, sd_s * sd_s);
    }
    let mut remarks = Vec::new();
    if let Some(sound) = sound {
        remarks.extend(sound.remarks.iter().cloned());
        if let Some(anchor) = sound.anchor {
            for camera in (0..cameras).filter(|&camera| camera != anchor) {
                let Some(clock) = &sound.clocks[camera] else {
                    continue;
                };
                let terms = [
                    (camera, 1.0),
                    (anchor, -1.0),
                    (cameras + anchor, 1.0),
                    (cameras + camera, -1.0),
                ];
                let (value, variance) = offset_at(clock, references[camera]);
                add(&terms, value, variance.max(1e-12));
            }
        }
    }
    if let Some(motion) = motion {
        remarks.extend(motion.remarks.iter().cloned());
        let told: Vec<usize> = (1..cameras)
            .filter(|&c| motion.clocks[c].is_some())
            .collect();
        let covariance = DMatrix::from_fn(told.len(), told.len(), |i, j| {
            motion.offset_covariance_s2[(told[i], told[j])] + if i == j { 1e-14 } else { 0.0 }
        });
        if let Some(weight) = covariance.try_inverse() {
            for (i, &camera) in told.iter().enumerate() {
                for (j, &other) in told.iter().enumerate() {
                    normal[(camera, other)] += weight[(i, j)];
                    let value = motion.clocks[other]
                        .as_ref()
                        .map_or(0.0, |clock| offset_at(clock, references[other]).0);
                    right[camera] += weight[(i, j)] * value;
                }
            }
        }
    }
    let covariance = normal
        .try_inverse()
        .unwrap_or_else(|| DMatrix::identity(2 * cameras, 2 * cameras) * UNKNOWN_S * UNKNOWN_S);
    let solution = &covariance * right;
    let disagreement_s = disagreements(sound, motion, lags, &references);
    for (camera, found) in disagreement_s.iter().enumerate() {
        if let Some((difference_s, sd_s)) = *found
            && difference_s.abs() > (DISAGREE_SDS * sd_s).max(DISAGREE_FLOOR_S)
        {
            remarks.push(ClockRemark::Disagreement {
                camera,
                sound_minus_motion_s: difference_s,
                sd_s,
            });
        }
    }
    let clocks = (0..cameras)
        .map(|camera| {
            let variance = if camera == 0 {
                0.0
            } else {
                covariance[(camera, camera)]
            };
            if variance > 1.0 {
                remarks.push(ClockRemark::Untied { camera });
            }
            let (rate, rate_variance) = best_rate(sound, motion, camera);
            ClockModel::linear(
                references[camera],
                if camera == 0 { 0.0 } else { solution[camera] },
                rate,
                [variance, rate_variance, 0.0],
            )
        })
        .collect();
    Ok(ClockSolution {
        clocks,
        offset_covariance_s2: covariance.view((0, 0), (cameras, cameras)).into_owned(),
        picture_lags: (0..cameras)
            .map(|camera| PictureLag {
                mean_s: solution[cameras + camera],
                sd_s: covariance[(cameras + camera, cameras + camera)].sqrt(),
            })
            .collect(),
        disagreement_s,
        remarks,
    })
}

/// Offset (s) and its variance (s²) at a camera time.
fn offset_at(clock: &ClockModel, camera_s: f64) -> (f64, f64) {
    (
        clock.range_from_camera(camera_s) - camera_s,
        clock.variance_at(camera_s),
    )
}

/// Camera time about which the offset is stated: where the motion was, else where the sounds were.
fn reference_s(sound: Option<&SoundClocks>, motion: Option<&MotionClocks>, camera: usize) -> f64 {
    let from_motion = motion
        .and_then(|m| m.clocks[camera].as_ref())
        .filter(|_| camera > 0);
    let from_sound = sound.and_then(|s| s.clocks[camera].as_ref());
    from_motion
        .or(from_sound)
        .map_or(0.0, |clock| clock.segments()[0].reference_camera_s)
}

fn best_rate(
    sound: Option<&SoundClocks>,
    motion: Option<&MotionClocks>,
    camera: usize,
) -> (f64, f64) {
    if camera == 0 {
        return (1.0, 0.0);
    }
    // Sound's rate is against its anchor; only the first camera's rate is 1 by definition.
    let by_sound = sound
        .filter(|sound| sound.anchor == Some(0))
        .and_then(|sound| sound.clocks[camera].as_ref());
    let by_motion = motion.and_then(|motion| motion.clocks[camera].as_ref());
    [by_sound, by_motion]
        .into_iter()
        .flatten()
        .map(|clock| {
            let segment = &clock.segments()[0];
            (segment.rate, segment.rate_variance)
        })
        .min_by(|p, q| p.1.total_cmp(&q.1))
        .unwrap_or((1.0, 4e-10))
}

fn disagreements(
    sound: Option<&SoundClocks>,
    motion: Option<&MotionClocks>,
    lags: &[PictureLag],
    references: &[f64],
) -> Vec<Option<(f64, f64)>> {
    (0..lags.len())
        .map(|camera| {
            let (sound, motion) = (sound?, motion?);
            let anchor = sound.anchor.filter(|&anchor| anchor != camera)?;
            let at = references[camera];
            let (heard_s, heard_variance) = offset_at(sound.clocks[camera].as_ref()?, at);
            let (seen_s, seen_variance) = offset_at(motion.clocks[camera].as_ref()?, at);
            let (anchor_s, anchor_variance) =
                offset_at(motion.clocks[anchor].as_ref()?, references[anchor]);
            let expected_s = seen_s - anchor_s + lags[anchor].mean_s - lags[camera].mean_s;
            let variance = heard_variance
                + seen_variance
                + anchor_variance
                + lags[camera].sd_s.powi(2)
                + lags[anchor].sd_s.powi(2);
            Some((heard_s - expected_s, variance.sqrt()))
        })
        .collect()
}

/// Are cameras that are said to be genlocked really so? Remarks on those that are not.
pub fn check_genlock(solution: &ClockSolution) -> Vec<ClockRemark> {
    solution
        .clocks
        .iter()
        .enumerate()
        .skip(1)
        .filter_map(|(camera, clock)| {
            let segment = &clock.segments()[0];
            let sd_s = segment.offset_variance_s2.sqrt();
            (segment.offset_s.abs() > (DISAGREE_SDS * sd_s).max(DISAGREE_FLOOR_S)).then_some(
                ClockRemark::NotGenlocked {
                    camera,
                    offset_s: segment.offset_s,
                    sd_s,
                },
            )
        })
        .collect()
}
