//! Wide lenses.

use super::{INVERSE_TOLERANCE, NEAREST_Z_M, NEWTON_STEP_END, NEWTON_STEPS, Projection};
use nalgebra::{Matrix2, Matrix2x3, Matrix2xX, Point2, Point3, UnitVector3, Vector3};
use serde::{Deserialize, Serialize};

/// Wide lens (Kannala & Brandt 2006, "A generic camera model and calibration method", eq. 6): with θ the
/// angle from the optical axis, `θd = θ (1 + k1 θ² + k2 θ⁴ + k3 θ⁶ + k4 θ⁸)`,
/// `(a', b') = θd (x, y)/√(x²+y²)`, `u = fx a' + cx`, `v = fy b' + cy`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KannalaBrandt {
    /// Focal length along x (px per rad at the centre).
    pub fx_px: f64,
    /// Focal length along y (px per rad at the centre).
    pub fy_px: f64,
    /// Principal point, x (px).
    pub cx_px: f64,
    /// Principal point, y (px).
    pub cy_px: f64,
    /// θ³ coefficient.
    pub k1: f64,
    /// θ⁵ coefficient.
    pub k2: f64,
    /// θ⁷ coefficient.
    pub k3: f64,
    /// θ⁹ coefficient.
    pub k4: f64,
}

impl KannalaBrandt {
    /// `(θd, dθd/dθ)`.
    fn bend(&self, theta: f64) -> (f64, f64) {
        let t2 = theta * theta;
        let bent = theta * (1.0 + t2 * (self.k1 + t2 * (self.k2 + t2 * (self.k3 + t2 * self.k4))));
        let slope = 1.0
            + t2 * (3.0 * self.k1
                + t2 * (5.0 * self.k2 + t2 * (7.0 * self.k3 + t2 * 9.0 * self.k4)));
        (bent, slope)
    }

    fn is_monotonic_to(&self, theta: f64) -> bool {
        (1..=16).all(|step| self.bend(theta * f64::from(step) / 16.0).1 > 0.0)
    }

    pub(super) fn project(&self, point: &Point3<f64>) -> Option<Projection> {
        let radius = point.x.hypot(point.y);
        let distance2 = radius * radius + point.z * point.z;
        if distance2 < NEAREST_Z_M * NEAREST_Z_M {
            return None;
        }
        let theta = radius.atan2(point.z);
        if !self.is_monotonic_to(theta) {
            return None;
        }
        let (bent, slope) = self.bend(theta);
        let (fx, fy) = (self.fx_px, self.fy_px);
        // On the axis the direction (x, y)/r is undefined but θd/r is not: it tends to 1/z.
        let on_axis = radius < 1e-12 * distance2.sqrt();
        let (cosine, sine) = if on_axis {
            (1.0, 0.0)
        } else {
            (point.x / radius, point.y / radius)
        };
        let (a, b) = (bent * cosine, bent * sine);
        let by_point = if on_axis {
            Matrix2x3::new(1.0 / point.z, 0.0, 0.0, 0.0, 1.0 / point.z, 0.0)
        } else {
            // a = θd cos φ: dθ = (z dr − r dz)/d², dφ = (−sin φ dx + cos φ dy)/r.
            let along = slope * point.z / distance2;
            let across = bent / radius;
            let axial = -slope * radius / distance2;
            Matrix2x3::new(
                along * cosine * cosine + across * sine * sine,
                (along - across) * cosine * sine,
                axial * cosine,
                (along - across) * cosine * sine,
                along * sine * sine + across * cosine * cosine,
                axial * sine,
            )
        };
        let powers = [theta.powi(3), theta.powi(5), theta.powi(7), theta.powi(9)];
        let row = |focal: f64, direction: f64| powers.map(|power| focal * direction * power);
        let (u, v) = (row(fx, cosine), row(fy, sine));
        let pixel_by_parameters = Matrix2xX::from_row_slice(&[
            a, 0.0, 1.0, 0.0, u[0], u[1], u[2], u[3], 0.0, b, 0.0, 1.0, v[0], v[1], v[2], v[3],
        ]);
        Some(Projection {
            pixel: Point2::new(fx * a + self.cx_px, fy * b + self.cy_px),
            pixel_by_point: Matrix2::new(fx, 0.0, 0.0, fy) * by_point,
            pixel_by_parameters,
        })
    }

    pub(super) fn ray(&self, pixel: &Point2<f64>) -> Option<UnitVector3<f64>> {
        let (a, b) = (
            (pixel.x - self.cx_px) / self.fx_px,
            (pixel.y - self.cy_px) / self.fy_px,
        );
        let bent = a.hypot(b);
        if bent < 1e-15 {
            return Some(Vector3::z_axis());
        }
        let mut theta = bent.min(std::f64::consts::PI);
        for _ in 0..NEWTON_STEPS {
            let (value, slope) = self.bend(theta);
            let step = (bent - value) / slope;
            theta += step;
            if step.abs() < NEWTON_STEP_END {
                break;
            }
        }
        let inside = (0.0..=std::f64::consts::PI).contains(&theta);
        let reached = (self.bend(theta).0 - bent).abs() < INVERSE_TOLERANCE;
        (inside && reached && self.is_monotonic_to(theta)).then(|| {
            let sine = theta.sin() / bent;
            UnitVector3::new_normalize(Vector3::new(a * sine, b * sine, theta.cos()))
        })
    }
}
