//! Lens models: from a point in the camera frame to a pixel, and back to a ray.

use nalgebra::{Matrix2, Matrix2x3, Matrix2xX, Point2, Point3, UnitVector3, Vector2, Vector3};
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

    fn project(&self, point: &Point3<f64>) -> Option<Projection> {
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

    fn ray(&self, pixel: &Point2<f64>) -> Option<UnitVector3<f64>> {
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

    fn project(&self, point: &Point3<f64>) -> Option<Projection> {
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

    fn ray(&self, pixel: &Point2<f64>) -> Option<UnitVector3<f64>> {
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

#[cfg(test)]
mod laws {
    //! Every lens passes the same laws.
    use super::*;
    use approx::assert_relative_eq;
    use proptest::prelude::*;

    fn lenses() -> Vec<Lens> {
        vec![
            Lens::BrownConrady(BrownConrady::pinhole(1500.0, 959.5, 539.5)),
            Lens::BrownConrady(BrownConrady {
                fx_px: 533.5,
                fy_px: 532.1,
                cx_px: 341.6,
                cy_px: 235.2,
                k1: -0.288,
                k2: 0.097,
                k3: -0.004,
                p1: 0.0011,
                p2: -0.0003,
            }),
            Lens::KannalaBrandt(KannalaBrandt {
                fx_px: 620.0,
                fy_px: 618.0,
                cx_px: 957.0,
                cy_px: 541.0,
                k1: -0.02,
                k2: 0.004,
                k3: -0.002,
                k4: 0.0003,
            }),
        ]
    }

    proptest! {
        #[test]
        fn a_ray_comes_back(x in -0.6f64..0.6, y in -0.45f64..0.45, z in 0.3f64..20.0) {
            for lens in lenses() {
                let point = Point3::new(x * z, y * z, z);
                let pixel = lens.pixel_from_camera(&point).unwrap();
                let ray = lens.ray_from_pixel(&pixel).unwrap();
                assert_relative_eq!(ray.into_inner(), point.coords.normalize(), epsilon = 1e-9);
            }
        }

        #[test]
        fn derivatives_agree(x in -0.6f64..0.6, y in -0.45f64..0.45, z in 0.3f64..20.0) {
            for lens in lenses() {
                let point = Point3::new(x * z, y * z, z);
                let projection = lens.project(&point).unwrap();
                for k in 0..3 {
                    let h = 1e-6 * z;
                    let step = Vector3::ith(k, h);
                    let ahead = lens.pixel_from_camera(&(point + step)).unwrap();
                    let back = lens.pixel_from_camera(&(point - step)).unwrap();
                    let numeric = (ahead - back) / (2.0 * h);
                    assert_relative_eq!(numeric, projection.pixel_by_point.column(k).into_owned(), epsilon = 1e-3, max_relative = 1e-5);
                }
                let p = lens.parameters();
                for k in 0..p.len() {
                    let h = 1e-6 * p[k].abs().max(1.0);
                    let moved = |sign: f64| {
                        let mut q = p.clone();
                        q[k] += sign * h;
                        lens.with_parameters(&q).unwrap().pixel_from_camera(&point).unwrap()
                    };
                    let numeric = (moved(1.0) - moved(-1.0)) / (2.0 * h);
                    assert_relative_eq!(numeric, projection.pixel_by_parameters.column(k).into_owned(), epsilon = 1e-4, max_relative = 1e-5);
                }
            }
        }
    }

    #[test]
    fn on_the_axis() {
        for lens in lenses() {
            let p = lens.parameters();
            let projection = lens.project(&Point3::new(0.0, 0.0, 2.0)).unwrap();
            assert_relative_eq!(projection.pixel, Point2::new(p[2], p[3]), epsilon = 1e-12);
            assert_relative_eq!(
                projection.pixel_by_point[(0, 0)],
                p[0] / 2.0,
                epsilon = 1e-9
            );
            let ray = lens.ray_from_pixel(&Point2::new(p[2], p[3])).unwrap();
            assert_relative_eq!(ray.into_inner(), Vector3::z(), epsilon = 1e-12);
        }
    }

    #[test]
    fn behind_the_camera_a_pinhole_sees_nothing() {
        for lens in &lenses()[..2] {
            assert!(lens.project(&Point3::new(0.1, 0.1, -1.0)).is_none());
            assert!(lens.project(&Point3::new(0.1, 0.1, 0.0)).is_none());
        }
    }

    #[test]
    fn where_distortion_folds_back_there_is_no_pixel() {
        // k1 = −0.5 turns at r² = 2/3: a point further out would land inside the picture.
        let mut model = BrownConrady::pinhole(500.0, 0.0, 0.0);
        model.k1 = -0.5;
        let lens = Lens::BrownConrady(model);
        assert!(lens.project(&Point3::new(0.8, 0.0, 1.0)).is_some());
        assert!(lens.project(&Point3::new(0.9, 0.0, 1.0)).is_none());
        assert!(lens.ray_from_pixel(&Point2::new(400.0, 0.0)).is_none());
    }

    #[test]
    fn published_projection_zhang() {
        // Z. Zhang, "A flexible new technique for camera calibration", MSR-TR-98-71: his final lens; the value
        // for (40, 70, 800) follows from his model with skew γ = 0.204494, which this model lacks: γ·b' added.
        let model = BrownConrady {
            fx_px: 832.5,
            fy_px: 832.53,
            cx_px: 303.959,
            cy_px: 206.585,
            k1: -0.228_601,
            k2: 0.190_353,
            k3: 0.0,
            p1: 0.0,
            p2: 0.0,
        };
        let pixel = Lens::BrownConrady(model)
            .pixel_from_camera(&Point3::new(40.0, 70.0, 800.0))
            .unwrap();
        let skew = 0.204_494 * (pixel.y - 206.585) / 832.53;
        assert_relative_eq!(pixel.x + skew, 345.506_027_3, epsilon = 1e-6);
        assert_relative_eq!(pixel.y, 279.263_675_7, epsilon = 1e-6);
    }
}
