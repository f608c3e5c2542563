//! Lens models: from a point in the camera frame to a pixel, and back to a ray.

mod brown_conrady;
mod kannala_brandt;
#[cfg(test)]
mod laws;

pub use brown_conrady::BrownConrady;
pub use kannala_brandt::KannalaBrandt;

use nalgebra::{Matrix2x3, Matrix2xX, Point2, Point3, UnitVector3};
use serde::{Deserialize, Serialize};

/// A pixel with its derivatives.
#[derive(Debug, Clone, PartialEq)]
pub struct Projection {
    /// Where the point lands (px).
    pub pixel: Point2<f64>,
    /// ∂pixel/∂point in the camera frame (px/m), 2×3.
    pub pixel_by_point: Matrix2x3<f64>,
    /// ∂pixel/∂parameters in the order of [`Lens::parameters`], 2×n.
    pub pixel_by_parameters: Matrix2xX<f64>,
}

/// Any lens.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Lens {
    /// Ordinary lenses, up to about 100° across.
    BrownConrady(BrownConrady),
    /// Wide lenses.
    KannalaBrandt(KannalaBrandt),
}

/// Points closer to the camera plane than this (m) are not projected by a pinhole.
const NEAREST_Z_M: f64 = 1e-6;
/// Newton steps for undistortion; quadratic convergence needs five from a poor start.
const NEWTON_STEPS: usize = 30;
/// Undistortion ends when the step falls below this (normalised image units).
const NEWTON_STEP_END: f64 = 1e-14;
/// A pixel counts as inverted when projecting the result lands within this of it (normalised units).
const INVERSE_TOLERANCE: f64 = 1e-9;

impl Lens {
    /// Number of parameters.
    pub const fn parameter_count(&self) -> usize {
        self.parameter_names().len()
    }

    /// Names of the parameters, in the order of [`Self::parameters`].
    pub const fn parameter_names(&self) -> &'static [&'static str] {
        match self {
            Self::BrownConrady(_) => &["fx", "fy", "cx", "cy", "k1", "k2", "k3", "p1", "p2"],
            Self::KannalaBrandt(_) => &["fx", "fy", "cx", "cy", "k1", "k2", "k3", "k4"],
        }
    }

    /// All parameters: focal lengths and principal point first (px), then distortion.
    pub fn parameters(&self) -> Vec<f64> {
        match self {
            Self::BrownConrady(m) => {
                vec![
                    m.fx_px, m.fy_px, m.cx_px, m.cy_px, m.k1, m.k2, m.k3, m.p1, m.p2,
                ]
            }
            Self::KannalaBrandt(m) => {
                vec![m.fx_px, m.fy_px, m.cx_px, m.cy_px, m.k1, m.k2, m.k3, m.k4]
            }
        }
    }

    /// The same kind of lens with other parameters; `None` where the count does not fit.
    pub fn with_parameters(&self, p: &[f64]) -> Option<Self> {
        if p.len() != self.parameter_count() {
            return None;
        }
        Some(match self {
            Self::BrownConrady(_) => Self::BrownConrady(BrownConrady {
                fx_px: p[0],
                fy_px: p[1],
                cx_px: p[2],
                cy_px: p[3],
                k1: p[4],
                k2: p[5],
                k3: p[6],
                p1: p[7],
                p2: p[8],
            }),
            Self::KannalaBrandt(_) => Self::KannalaBrandt(KannalaBrandt {
                fx_px: p[0],
                fy_px: p[1],
                cx_px: p[2],
                cy_px: p[3],
                k1: p[4],
                k2: p[5],
                k3: p[6],
                k4: p[7],
            }),
        })
    }

    /// Mean focal length (px).
    pub fn focal_px(&self) -> f64 {
        let p = self.parameters();
        f64::midpoint(p[0], p[1])
    }

    /// Pixel of a point in the camera frame (m). `None` behind the camera, and beyond the angle at which the
    /// distortion polynomial folds back.
    pub fn pixel_from_camera(&self, point_in_camera: &Point3<f64>) -> Option<Point2<f64>> {
        self.project(point_in_camera).map(|p| p.pixel)
    }

    /// As [`Self::pixel_from_camera`], with derivatives.
    pub fn project(&self, point_in_camera: &Point3<f64>) -> Option<Projection> {
        match self {
            Self::BrownConrady(model) => model.project(point_in_camera),
            Self::KannalaBrandt(model) => model.project(point_in_camera),
        }
    }

    /// Unit ray in the camera frame through a pixel: inverse of projection, by Newton's method. `None` where
    /// no ray of the lens's domain lands there.
    pub fn ray_from_pixel(&self, pixel: &Point2<f64>) -> Option<UnitVector3<f64>> {
        match self {
            Self::BrownConrady(model) => model.ray(pixel),
            Self::KannalaBrandt(model) => model.ray(pixel),
        }
    }
}
