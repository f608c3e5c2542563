use crate::{Camera, RigError};
use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};
use std::ops::Range;

/// What fixes the range frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RangeFrame {
    /// A checkerboard laid on the shooting line, its arrow toward the target.
    BoardOnLine {
        /// Views of the board at rest that went in.
        views: usize,
    },
    /// Three surveyed points.
    SurveyedPoints,
    /// No frame on the ground: the first camera's own frame stands in for it. Enough for lenses, distances
    /// and relative poses, not for a practice.
    FirstCamera,
}

/// How `z` was tied to gravity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Level {
    /// The ground under the board is taken to be level; not checked.
    AssumedFromBoard,
    /// From a plumb line or level marks in view.
    Plumb,
    /// Not known at all.
    Unknown,
}

/// What the survey says about itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SurveySummary {
    /// Root mean square distance of corners from their prediction, per camera (px).
    pub residual_px: Vec<f64>,
    /// Board views used, per camera.
    pub views: Vec<usize>,
    /// Standard deviation of one corner, per axis, estimated from the residuals, per camera (px).
    pub corner_sd_px: Vec<f64>,
    /// Why the solver ended, in words.
    pub ended: String,
    /// Distances within the surveyed volume are wrong by this much, per cent (1 σ, from the covariance and the
    /// stated pitch of the board).
    pub scale_sd_percent: f64,
    /// Remarks for a person: views left out and why, weak directions, what to film more of.
    #[serde(default)]
    pub remarks: Vec<String>,
}

/// Several cameras in one range frame, with the joint uncertainty of all that was surveyed.
#[derive(Debug, Clone, PartialEq)]
pub struct Rig {
    /// The cameras, in the order in which every list in the house follows.
    pub cameras: Vec<Camera>,
    /// What fixed the frame.
    pub range_frame: RangeFrame,
    /// What fixed the vertical.
    pub level: Level,
    /// What the survey says about itself.
    pub survey: SurveySummary,
    /// Joint covariance of all parameters, camera after camera: pose tangent `(ω, ν)` (rad, m), lens in the
    /// order of [`crate::Lens::parameters`], read-out (s). Parameters held fixed have zero rows.
    pub covariance: DMatrix<f64>,
}

impl Rig {
    /// Where camera `index`'s parameters stand in the covariance.
    ///
    /// # Panics
    /// If there is no such camera.
    pub fn block(&self, index: usize) -> Range<usize> {
        let start: usize = self.cameras[..index]
            .iter()
            .map(Camera::parameter_count)
            .sum();
        start..start + self.cameras[index].parameter_count()
    }

    /// Number of all parameters.
    pub fn parameter_count(&self) -> usize {
        self.cameras.iter().map(Camera::parameter_count).sum()
    }

    /// Index of the camera called `name`.
    pub fn index_of(&self, name: &str) -> Option<usize> {
        self.cameras.iter().position(|camera| camera.name == name)
    }

    /// Refuses numbers that cannot be, names that appear twice, and a covariance of the wrong size.
    ///
    /// # Errors
    /// [`RigError`] naming the first fault.
    pub fn validate(&self) -> Result<(), RigError> {
        for (index, camera) in self.cameras.iter().enumerate() {
            camera.validate()?;
            if self.index_of(&camera.name) != Some(index) {
                return Err(RigError::Name {
                    name: camera.name.clone(),
                    problem: "appears twice",
                });
            }
        }
        let n = self.parameter_count();
        if self.covariance.shape() != (n, n) {
            return Err(RigError::Covariance {
                found: self.covariance.len(),
                expected: n * n,
            });
        }
        if let Some(bad) = self.covariance.iter().find(|value| !value.is_finite()) {
            return Err(RigError::Value {
                camera: "all".to_owned(),
                what: "covariance",
                value: *bad,
            });
        }
        Ok(())
    }
}
