use crate::BandFactors;
use nalgebra::{Matrix3, Point3, Vector3};
use serde::{Deserialize, Serialize};

/// A path as values at chosen instants: all that scoring, study and export need.
///
/// Every list has one entry for each instant. Where [`Self::in_gap`] is true there is no estimate: mean,
/// velocity, acceleration, covariance and draws are NaN there.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct PathSamples {
    /// Range time (s), rising.
    pub time_s: Vec<f64>,
    /// Best estimate in the range frame (m).
    pub mean: Vec<Point3<f64>>,
    /// Its velocity (m/s).
    pub velocity: Vec<Vector3<f64>>,
    /// Its acceleration (m/s²).
    pub acceleration: Vec<Vector3<f64>>,
    /// Pointwise covariance of the position (m²): pixels, survey and clocks together.
    pub covariance: Vec<Matrix3<f64>>,
    /// Joint posterior samples: `draws[k][i]` is the position at instant `i` in sample `k` (m).
    pub draws: Vec<Vec<Point3<f64>>>,
    /// No estimate here: fewer than two cameras saw the marker for too long, or the instant lies outside the
    /// path.
    pub in_gap: Vec<bool>,
    /// Cameras that saw the marker around this instant.
    pub cameras_seeing: Vec<u8>,
    /// How sure the motion is, where it was asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bands: Option<MotionBands>,
}

/// How sure velocity and acceleration are at each instant of [`PathSamples`], and what makes pointwise bands simultaneous.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct MotionBands {
    /// Pointwise standard deviation of the velocity along each axis of the range (m/s); NaN in gaps.
    pub velocity_sd: Vec<Vector3<f64>>,
    /// Pointwise standard deviation of the acceleration (m/s²); NaN in gaps.
    pub acceleration_sd: Vec<Vector3<f64>>,
    /// Times the pointwise standard deviation: a band that holds the whole curve with a probability of 95 %.
    pub simultaneous_95: BandFactors,
}

impl PathSamples {
    /// Number of instants.
    pub fn len(&self) -> usize {
        self.time_s.len()
    }

    /// No instants at all?
    pub fn is_empty(&self) -> bool {
        self.time_s.is_empty()
    }

    /// Standard deviation along unit vector `direction` at instant `i` (m).
    pub fn sd_along(&self, i: usize, direction: &Vector3<f64>) -> f64 {
        direction
            .dot(&(self.covariance[i] * direction))
            .max(0.0)
            .sqrt()
    }
}
