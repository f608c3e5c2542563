//! Ordinary lenses.

use super::{INVERSE_TOLERANCE, NEAREST_Z_M, NEWTON_STEP_END, NEWTON_STEPS, Projection};
use nalgebra::{Matrix2, Matrix2x3, Matrix2xX, Point2, Point3, UnitVector3, Vector2, Vector3};
use serde::{Deserialize, Serialize};

/// Pinhole with polynomial distortion (Brown 1971, "Close-range camera calibration"), in the form that
/// `OpenCV` documents: with `(a, b) = (x/z, y/z)`, `r² = a² + b²`,
/// `L = 1 + k1 r² + k2 r⁴ + k3 r⁶`,
/// `a' = a L + 2 p1 a b + p2 (r² + 2a²)`, `b' = b L + p1 (r² + 2b²) + 2 p2 a b`,
/// `u = fx a' + cx`, `v = fy b' + cy`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BrownConrady {
    /// Focal length along x (px).
    pub fx_px: f64,
    /// Focal length along y (px).
    pub fy_px: f64,
    /// Principal point, x (px).
    pub cx_px: f64,
    /// Principal point, y (px).
    pub cy_px: f64,
    /// Radial distortion, r².
    pub k1: f64,
    /// Radial distortion, r⁴.
    pub k2: f64,
    /// Radial distortion, r⁶.
    pub k3: f64,
    /// Tangential distortion.
    pub p1: f64,
    /// Tangential distortion.
    pub p2: f64,
}

impl BrownConrady {
    /// A pinhole without distortion.
    pub const fn pinhole(focal_px: f64, cx_px: f64, cy_px: f64) -> Self {
        Self {
            fx_px: focal_px,
            fy_px: focal_px,
            cx_px,
            cy_px,
            k1: 0.0,
            k2: 0.0,
            k3: 0.0,
            p1: 0.0,
            p2: 0.0,
        }
    }

    fn distort(&self, a: f64, b: f64) -> (Vector2<f64>, Matrix2<f64>) {
        let r2 = a * a + b * b;
        let radial = 1.0 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3));
        let slope = 2.0 * (self.k1 + r2 * (2.0 * self.k2 + 3.0 * r2 * self.k3));
        let distorted = Vector2::new(
            a * radial + 2.0 * self.p1 * a * b + self.p2 * (r2 + 2.0 * a * a),
            b * radial + self.p1 * (r2 + 2.0 * b * b) + 2.0 * self.p2 * a * b,
        );
        let cross = a * b * slope + 2.0 * self.p1 * a + 2.0 * self.p2 * b;
        let jacobian = Matrix2::new(
            radial + a * a * slope + 2.0 * self.p1 * b + 6.0 * self.p2 * a,
            cross,
            cross,
            radial + b * b * slope + 6.0 * self.p1 * b + 2.0 * self.p2 * a,
        );
        (distorted, jacobian)
    }

    /// Does the radial polynomial still grow out to `r2`? Beyond its turning point a pixel would belong to
    /// two rays.
    fn is_monotonic_to(&self, r2: f64) -> bool {
        // d(r L)/dr = 1 + 3 k1 r² + 5 k2 r⁴ + 7 k3 r⁶ must stay positive on [0, r2]; sampled, since
        // a cubic may dip and come back.
        (1..=16).all(|step| {
            let s = r2 * f64::from(step) / 16.0;
            1.0 + s * (3.0 * self.k1 + s * (5.0 * self.k2 + s * 7.0 * self.k3)) > 0.0
        })
    }

    pub(super) fn project(&self, point: &Point3<f64>) -> Option<Projection> {
        if point.z < NEAREST_Z_M {
            return None;
        }
        let (a, b) = (point.x / point.z, point.y / point.z);
        let r2 = a * a + b * b;
        if !self.is_monotonic_to(r2) {
            return None;
        }
        let (distorted, by_ab) = self.distort(a, b);
        let focal = Matrix2::new(self.fx_px, 0.0, 0.0, self.fy_px);
        let ab_by_point = Matrix2x3::new(1.0, 0.0, -a, 0.0, 1.0, -b) / point.z;
        let (fx, fy) = (self.fx_px, self.fy_px);
        let (r4, r6) = (r2 * r2, r2 * r2 * r2);
        let pixel_by_parameters = Matrix2xX::from_row_slice(&[
            distorted.x,
            0.0,
            1.0,
            0.0,
            fx * a * r2,
            fx * a * r4,
            fx * a * r6,
            fx * 2.0 * a * b,
            fx * (r2 + 2.0 * a * a),
            0.0,
            distorted.y,
            0.0,
            1.0,
            fy * b * r2,
            fy * b * r4,
            fy * b * r6,
            fy * (r2 + 2.0 * b * b),
            fy * 2.0 * a * b,
        ]);
        Some(Projection {
            pixel: Point2::new(fx * distorted.x + self.cx_px, fy * distorted.y + self.cy_px),
            pixel_by_point: focal * by_ab * ab_by_point,
            pixel_by_parameters,
        })
    }

    pub(super) fn ray(&self, pixel: &Point2<f64>) -> Option<UnitVector3<f64>> {
        let target = Vector2::new(
            (pixel.x - self.cx_px) / self.fx_px,
            (pixel.y - self.cy_px) / self.fy_px,
        );
        let mut ab = target;
        for _ in 0..NEWTON_STEPS {
            let (distorted, jacobian) = self.distort(ab.x, ab.y);
            let step = jacobian.try_inverse()? * (target - distorted);
            ab += step;
            if step.norm() < NEWTON_STEP_END {
                break;
            }
        }
        let reached = (self.distort(ab.x, ab.y).0 - target).norm() < INVERSE_TOLERANCE;
        (reached && self.is_monotonic_to(ab.norm_squared()))
            .then(|| UnitVector3::new_normalize(Vector3::new(ab.x, ab.y, 1.0)))
    }
}
