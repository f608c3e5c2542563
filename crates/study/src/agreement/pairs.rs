//! Every single-camera figure beside its 3-D figure: the raw material of a study.

use super::planar::{NoEstimate, PixelTrack, PlanarTrack, planar_track, shown_share};
use super::study_file::StudyFile;
use super::track::{ArrowLine, ElbowTrack, ShotTimes, StudyMeasure};
use crate::StudyError;
use drawarc_rig::{Camera, ClockFace};
use nalgebra::Point3;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use serde::Serialize;

/// One camera's part in a shot.
#[derive(Debug, Clone, PartialEq)]
pub struct CameraView {
    /// The camera, as surveyed or as stated.
    pub camera: Camera,
    /// What it saw.
    pub pixels: PixelTrack,
    /// The 3-D path **computed without this camera** where that was possible.
    pub reference: ElbowTrack,
    /// Was it?
    pub independent: bool,
    /// Stated, not standing: its pixels are a projection of the 3-D path.
    pub is_virtual: bool,
}

/// One shot of a study.
#[derive(Debug, Clone, PartialEq)]
pub struct StudyShot {
    /// Practice.
    pub practice: String,
    /// Archer's alias.
    pub archer: String,
    /// Name of the shot.
    pub shot: String,
    /// Made by a simulator.
    pub simulated: bool,
    /// Arrow line at full draw.
    pub line: ArrowLine,
    /// Phases, from the 3-D path.
    pub times: ShotTimes,
    /// Did the 3-D shot sheet mark a collapse? Unknown: the 3-D reversal decides.
    pub collapsed: Option<bool>,
    /// Cameras.
    pub views: Vec<CameraView>,
}

/// Where a camera stands on the dial, for tables and figures.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Angle {
    /// Hours, 0 ≤ h < 12.
    Clock(f64),
    /// Straight down.
    Overhead,
}

impl Angle {
    /// Of a camera, seen from the archer.
    pub fn of(camera: &Camera) -> Self {
        let down = camera.camera_from_range.rotation.inverse() * nalgebra::Vector3::z();
        if down.z < -0.8 {
            return Self::Overhead;
        }
        Self::Clock(ClockFace::of_position(&camera.centre_in_range(), &Point3::origin()).hours())
    }
}

impl std::fmt::Display for Angle {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Clock(hours) => ClockFace::from_hours(*hours).fmt(f),
            Self::Overhead => f.write_str("overhead"),
        }
    }
}

/// A figure from one camera beside the 3-D figure.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pair {
    /// Practice.
    pub practice: String,
    /// Archer.
    pub archer: String,
    /// Shot.
    pub shot: String,
    /// Camera.
    pub camera: String,
    /// Its place.
    pub angle: Angle,
    /// Single-camera estimate by name.
    pub estimate: String,
    /// Measure.
    pub measure: StudyMeasure,
    /// Single-camera figure.
    pub planar: Option<f64>,
    /// 3-D figure.
    pub reference: Option<f64>,
    /// Share of a movement along the measure's coordinate that shows in this picture (0 to 1).
    pub shown_share: f64,
    /// The 3-D figure was made without this camera.
    pub independent: bool,
    /// The camera is stated, not standing.
    pub is_virtual: bool,
    /// Why there is no single-camera figure.
    pub why_not: Option<NoEstimate>,
    /// The 3-D shot sheet's word on a collapse.
    pub collapsed: Option<bool>,
}

/// The coordinates of one camera and estimate over one shot, for curves.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct TrackPair {
    pub(crate) archer: String,
    pub(crate) camera: String,
    pub(crate) angle: Angle,
    pub(crate) estimate: String,
    pub(crate) times: ShotTimes,
    pub(crate) planar: PlanarTrack,
    pub(crate) reference: ElbowTrack,
}

/// What a stated camera sees of a 3-D path, with marker noise (px, one axis) from a seed. It is never independent of the path.
///
/// # Errors
/// [`StudyError`] where the noise cannot be.
pub fn virtual_view(
    camera: &Camera,
    time_s: &[f64],
    points_in_range: &[Point3<f64>],
    line: &ArrowLine,
    noise: (f64, u64),
) -> Result<CameraView, StudyError> {
    let (noise_px, seed) = noise;
    let normal = Normal::new(0.0, noise_px).map_err(|_bad| StudyError::Value {
        what: "noise of a virtual camera (px)",
        value: noise_px,
    })?;
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut pixels = super::planar::project_track(camera, time_s, points_in_range);
    for pixel in pixels.pixel.iter_mut().flatten() {
        pixel.x += normal.sample(&mut random);
        pixel.y += normal.sample(&mut random);
    }
    Ok(CameraView {
        camera: camera.clone(),
        pixels,
        reference: ElbowTrack::from_points(time_s, points_in_range, line),
        independent: false,
        is_virtual: true,
    })
}

/// Pairs and curves of all shots that the study keeps.
pub(crate) fn pair_up(
    shots: &[StudyShot],
    study: &StudyFile,
) -> Result<(Vec<Pair>, Vec<TrackPair>), StudyError> {
    let (mut pairs, mut tracks) = (Vec::new(), Vec::new());
    let kept = shots.iter().filter(|shot| {
        study
            .exclusion(&shot.practice, &shot.archer, &shot.shot)
            .is_none()
    });
    for shot in kept {
        for view in &shot.views {
            let wanted = view.is_virtual
                || study.cameras.is_empty()
                || study.cameras.contains(&view.camera.name);
            if !wanted {
                continue;
            }
            view.reference.validate()?;
            if view.pixels.time_s.len() != view.pixels.pixel.len() {
                return Err(StudyError::Lengths {
                    what: "times and pixels of a camera",
                    left: view.pixels.time_s.len(),
                    right: view.pixels.pixel.len(),
                });
            }
            for estimate in study.estimates_in_force() {
                let planar = planar_track(&view.camera, &view.pixels, &shot.line, &estimate);
                for measure in study.measures_in_force() {
                    let value = measure.of(&planar.track, &shot.times);
                    pairs.push(Pair {
                        practice: shot.practice.clone(),
                        archer: shot.archer.clone(),
                        shot: shot.shot.clone(),
                        camera: view.camera.name.clone(),
                        angle: Angle::of(&view.camera),
                        estimate: estimate.name.clone(),
                        measure,
                        planar: value,
                        reference: measure.of(&view.reference, &shot.times),
                        shown_share: shown_share(&view.camera, &shot.line, measure.axis()),
                        independent: view.independent,
                        is_virtual: view.is_virtual,
                        why_not: if value.is_some() {
                            None
                        } else {
                            Some(
                                planar
                                    .missing(measure.axis())
                                    .unwrap_or(NoEstimate::NotSeen),
                            )
                        },
                        collapsed: shot.collapsed,
                    });
                }
                tracks.push(TrackPair {
                    archer: shot.archer.clone(),
                    camera: view.camera.name.clone(),
                    angle: Angle::of(&view.camera),
                    estimate: estimate.name.clone(),
                    times: shot.times,
                    planar,
                    reference: view.reference.clone(),
                });
            }
        }
    }
    Ok((pairs, tracks))
}
