//! One point from several views of one instant.
//!
//! Hartley & Zisserman, Multiple View Geometry, 2nd ed., §12.2 (linear) and §12.3 (minimal reprojection
//! error); Lindstrom, Triangulation Made Easy, CVPR 2010 (two views, optimal).

use crate::PathError;
use drawarc_rig::Camera;
use nalgebra::{
    DMatrix, Matrix2, Matrix2x3, Matrix3, Matrix3x4, Point2, Point3, Vector2, Vector3, Vector4,
};

/// One camera's look at the point.
#[derive(Debug, Clone, Copy)]
pub struct View<'a> {
    /// The camera.
    pub camera: &'a Camera,
    /// Stored, distorted pixel.
    pub pixel: Point2<f64>,
    /// Its covariance (px²).
    pub covariance_px2: Matrix2<f64>,
}

/// A point with its uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct TriangulatedPoint {
    /// In the range frame (m).
    pub position: Point3<f64>,
    /// From the pixels alone, cameras taken for exact (m²).
    pub covariance: Matrix3<f64>,
    /// Where each view should have seen it (px).
    pub corrected_px: Vec<Point2<f64>>,
    /// Sum of squared, whitened residuals; with right noise χ² with `2n − 3` degrees of freedom.
    pub chi_squared: f64,
    /// Largest angle between two rays (degrees).
    pub convergence_deg: f64,
}

/// Below this angle between the two most different rays (degrees) a point is refused: at 3 m and 0.1 px its
/// depth would be off by decimetres.
pub const LEAST_CONVERGENCE_DEG: f64 = 0.1;
/// Gauss-Newton ends when a step is shorter than this (m).
const STEP_END_M: f64 = 1e-12;
/// Cap on Gauss-Newton steps; from a linear start three suffice.
const MOST_STEPS: usize = 20;

/// Linear triangulation with projection matrices: the homogeneous point that is closest to solving
/// `x (P₃ X) = P₁ X`, `y (P₃ X) = P₂ X` for all views, by singular value decomposition.
///
/// # Errors
/// [`PathError::Views`] for fewer than two views; [`PathError::Parallel`] for a point at infinity.
pub fn triangulate_matrices(
    pixel_from_world: &[Matrix3x4<f64>],
    pixels: &[Point2<f64>],
) -> Result<Point3<f64>, PathError> {
    let n = pixel_from_world.len().min(pixels.len());
    if n < 2 {
        return Err(PathError::Views { found: n });
    }
    let mut rows = DMatrix::zeros(2 * n, 4);
    for (i, (matrix, pixel)) in pixel_from_world.iter().zip(pixels).enumerate() {
        rows.row_mut(2 * i)
            .copy_from(&(pixel.x * matrix.row(2) - matrix.row(0)));
        rows.row_mut(2 * i + 1)
            .copy_from(&(pixel.y * matrix.row(2) - matrix.row(1)));
    }
    let parallel = PathError::Parallel {
        convergence_deg: 0.0,
        needed_deg: LEAST_CONVERGENCE_DEG,
    };
    // Padded to at least four rows by construction, so that V has all four rows.
    let Some(v_t) = rows.svd(false, true).v_t else {
        return Err(parallel);
    };
    let h = Vector4::from_iterator(v_t.row(3).iter().copied());
    if h.w.abs() <= f64::EPSILON * h.norm() {
        return Err(parallel);
    }
    Ok(Point3::new(h.x / h.w, h.y / h.w, h.z / h.w))
}

/// Two views corrected by the least sum of squares (px²) so that they fulfil `x₁ᵀ F x₂ = 0` with
/// `fundamental = F`, `x = (u, v, 1)`. Lindstrom 2010, algorithm `niter2`: two steps, which end a little short of the
/// optimum, the further the pixels have to move: 9e-7 px where they move by 3 px (`tests/outside_smoothing.rs`).
pub fn correct_two_views(
    fundamental: &Matrix3<f64>,
    first_px: &Point2<f64>,
    second_px: &Point2<f64>,
) -> (Point2<f64>, Point2<f64>) {
    let inner: Matrix2<f64> = fundamental.fixed_view::<2, 2>(0, 0).into_owned();
    let (x1, x2) = (first_px.to_homogeneous(), second_px.to_homogeneous());
    let top = |v: Vector3<f64>| v.xy();
    let mut n1: Vector2<f64> = top(fundamental * x2);
    let mut n2: Vector2<f64> = top(fundamental.transpose() * x1);
    let a = n1.dot(&(inner * n2));
    let b = 0.5 * (n1.norm_squared() + n2.norm_squared());
    let c = x1.dot(&(fundamental * x2));
    let d = (b * b - a * c).max(0.0).sqrt();
    if b + d == 0.0 {
        return (*first_px, *second_px);
    }
    let mut lambda = c / (b + d);
    let (step1, step2) = (lambda * n1, lambda * n2);
    n1 -= inner * step2;
    n2 -= inner.transpose() * step1;
    let squares = n1.norm_squared() + n2.norm_squared();
    if squares > 0.0 {
        lambda *= 2.0 * d / squares;
    }
    (first_px - lambda * n1, second_px - lambda * n2)
}

/// Fundamental matrix with `x₁ᵀ F x₂ = 0` of two projection matrices (Hartley & Zisserman, eq. 17.3).
pub fn fundamental_from_matrices(first: &Matrix3x4<f64>, second: &Matrix3x4<f64>) -> Matrix3<f64> {
    let without = |matrix: &Matrix3x4<f64>, row: usize| {
        [
            matrix.row((row + 1) % 3).into_owned(),
            matrix.row((row + 2) % 3).into_owned(),
        ]
    };
    Matrix3::from_fn(|i, j| {
        let (a, b) = (without(first, i), without(second, j));
        nalgebra::Matrix4::from_rows(&[a[0], a[1], b[0], b[1]]).determinant()
    })
}

/// Largest angle between two of the rays (degrees). Rays and their opposites count alike.
pub fn convergence_deg(rays: &[Vector3<f64>]) -> f64 {
    let mut largest = 0.0f64;
    for (i, a) in rays.iter().enumerate() {
        for b in &rays[i + 1..] {
            let angle = a.cross(b).norm().atan2(a.dot(b).abs());
            largest = largest.max(angle);
        }
    }
    largest.to_degrees()
}

fn rays(views: &[View<'_>]) -> Result<Vec<Vector3<f64>>, PathError> {
    views
        .iter()
        .enumerate()
        .map(|(view, v)| {
            v.camera
                .ray_in_range(&v.pixel)
                .map(nalgebra::Unit::into_inner)
                .ok_or(PathError::OutOfView { view })
        })
        .collect()
}

/// Linear triangulation through real lenses: pixels are undistorted to rays first.
///
/// # Errors
/// [`PathError::Views`], [`PathError::OutOfView`] where a lens has no ray for a pixel,
/// [`PathError::Parallel`] below [`LEAST_CONVERGENCE_DEG`].
pub fn triangulate_linear(views: &[View<'_>]) -> Result<Point3<f64>, PathError> {
    if views.len() < 2 {
        return Err(PathError::Views { found: views.len() });
    }
    let rays = rays(views)?;
    let angle = convergence_deg(&rays);
    if angle < LEAST_CONVERGENCE_DEG {
        return Err(PathError::Parallel {
            convergence_deg: angle,
            needed_deg: LEAST_CONVERGENCE_DEG,
        });
    }
    // The point closest to all rays (least squares of distances): the same linear problem as the textbook's,
    // in units of metres and fit for rays of any lens.
    let mut normal = Matrix3::zeros();
    let mut right = Vector3::zeros();
    for (view, ray) in views.iter().zip(&rays) {
        let across = Matrix3::identity() - ray * ray.transpose();
        normal += across;
        right += across * view.camera.centre_in_range().coords;
    }
    normal
        .cholesky()
        .map(|c| Point3::from(c.solve(&right)))
        .ok_or(PathError::Parallel {
            convergence_deg: angle,
            needed_deg: LEAST_CONVERGENCE_DEG,
        })
}

/// The point of least whitened reprojection error in any number of views (maximum likelihood under Gaussian
/// pixel noise), by Gauss-Newton from the linear one.
///
/// # Errors
/// As [`triangulate_linear`].
pub fn triangulate_optimal(views: &[View<'_>]) -> Result<TriangulatedPoint, PathError> {
    let mut position = triangulate_linear(views)?;
    let linearise = |position: &Point3<f64>| -> Result<_, PathError> {
        let mut information = Matrix3::zeros();
        let mut gradient = Vector3::zeros();
        let mut chi_squared = 0.0;
        let mut corrected = Vec::with_capacity(views.len());
        for (view, v) in views.iter().enumerate() {
            let pose = &v.camera.camera_from_range;
            let projection = v
                .camera
                .lens
                .project(&(pose * position))
                .ok_or(PathError::OutOfView { view })?;
            let by_range: Matrix2x3<f64> =
                projection.pixel_by_point * pose.rotation.to_rotation_matrix().matrix();
            let weight = v.covariance_px2.try_inverse().ok_or(PathError::Value {
                what: "covariance of a pixel",
                value: v.covariance_px2.determinant(),
                why: "positive definite",
            })?;
            let residual = v.pixel - projection.pixel;
            information += by_range.transpose() * weight * by_range;
            gradient += by_range.transpose() * weight * residual;
            chi_squared += residual.dot(&(weight * residual));
            corrected.push(projection.pixel);
        }
        Ok((information, gradient, chi_squared, corrected))
    };
    for _ in 0..MOST_STEPS {
        let (information, gradient, ..) = linearise(&position)?;
        let Some(cholesky) = information.cholesky() else {
            break;
        };
        let step = cholesky.solve(&gradient);
        position += step;
        if step.norm() < STEP_END_M {
            break;
        }
    }
    let (information, _, chi_squared, corrected_px) = linearise(&position)?;
    let convergence_deg = convergence_deg(&rays(views)?);
    let covariance = information.try_inverse().ok_or(PathError::Parallel {
        convergence_deg,
        needed_deg: LEAST_CONVERGENCE_DEG,
    })?;
    Ok(TriangulatedPoint {
        position,
        covariance,
        corrected_px,
        chi_squared,
        convergence_deg,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use drawarc_rig::{BrownConrady, ImageSize, Lens, Shutter};
    use nalgebra::{Isometry3, Translation3, UnitQuaternion};
    use proptest::prelude::*;

    /// `OpenCV`'s own test of `triangulatePoints`, modules/calib3d/test (regression "3461"): expects (0, −5, 25/3)
    /// to 0.1. The finer values were computed with `OpenCV` and `SciPy` from these data.
    fn opencv_regression() -> ([Matrix3x4<f64>; 2], [Point2<f64>; 2]) {
        let first = Matrix3x4::new(
            250.0, 0.0, 200.0, 0.0, 0.0, 250.0, 150.0, 0.0, 0.0, 0.0, 1.0, 0.0,
        );
        let mut second = first;
        second[(0, 3)] = -250.0;
        (
            [first, second],
            [Point2::new(200.0, 0.0), Point2::new(170.0, 1.0)],
        )
    }

    #[test]
    fn linear_agrees_with_opencv() {
        let (matrices, pixels) = opencv_regression();
        let point = triangulate_matrices(&matrices, &pixels).unwrap();
        assert_relative_eq!(point, Point3::new(0.0, -5.0, 25.0 / 3.0), epsilon = 0.1);
        assert_relative_eq!(point, Point3::new(0.0, -4.98329, 8.33324), epsilon = 1e-5);
    }

    #[test]
    fn optimal_agrees_with_opencv() {
        let (matrices, pixels) = opencv_regression();
        let fundamental = fundamental_from_matrices(&matrices[0], &matrices[1]);
        let (first, second) = correct_two_views(&fundamental, &pixels[0], &pixels[1]);
        assert_relative_eq!(first, Point2::new(200.0, 0.5), epsilon = 1e-9);
        assert_relative_eq!(second, Point2::new(170.0, 0.5), epsilon = 1e-9);
        let point = triangulate_matrices(&matrices, &[first, second]).unwrap();
        assert_relative_eq!(
            point,
            Point3::new(0.0, -4.983_333, 8.333_333),
            epsilon = 1e-6
        );
    }

    fn camera(azimuth: f64, height: f64, distorted: bool) -> Camera {
        let eye = Point3::new(3.0 * azimuth.cos(), 3.0 * azimuth.sin(), height);
        let look =
            UnitQuaternion::face_towards(&(Point3::new(0.0, 0.0, 1.4) - eye), &-Vector3::z());
        let camera_from_range =
            Isometry3::from_parts(Translation3::from(eye.coords), look).inverse();
        let mut lens = BrownConrady::pinhole(1500.0, 959.5, 539.5);
        if distorted {
            lens.k1 = -0.12;
            lens.k2 = 0.05;
            lens.p1 = 0.001;
        }
        Camera {
            name: format!("{azimuth}"),
            image_size: ImageSize {
                width_px: 1920,
                height_px: 1080,
            },
            rotation_deg: 0,
            lens: Lens::BrownConrady(lens),
            shutter: Shutter::global(0.002),
            camera_from_range,
        }
    }

    proptest! {
        #[test]
        fn a_planted_point_comes_back(p in prop::array::uniform3(-0.4f64..0.4), count in 2usize..5) {
            let point = Point3::new(p[0], p[1], 1.4 + p[2]);
            let cameras: Vec<Camera> = (0..count).map(|i| camera(-2.6 + i as f64 * 0.9, 1.0 + 0.4 * i as f64, true)).collect();
            let views: Vec<View<'_>> = cameras.iter().map(|camera| View {
                camera,
                pixel: camera.pixel_from_range(&point).unwrap(),
                covariance_px2: Matrix2::identity() * 0.01,
            }).collect();
            assert_relative_eq!(triangulate_linear(&views).unwrap(), point, epsilon = 1e-9);
            let found = triangulate_optimal(&views).unwrap();
            assert_relative_eq!(found.position, point, epsilon = 1e-10);
            assert!(found.chi_squared < 1e-12);
        }

        #[test]
        fn two_views_corrected_are_the_reprojections_of_the_optimal_point(
            noise in prop::array::uniform4(-3f64..3.0), p in prop::array::uniform3(-0.3f64..0.3),
        ) {
            let cameras = [camera(-1.2, 1.0, false), camera(-2.4, 2.0, false)];
            let point = Point3::new(p[0], p[1], 1.4 + p[2]);
            let pixels: Vec<Point2<f64>> = cameras.iter().enumerate().map(|(i, c)| {
                c.pixel_from_range(&point).unwrap() + Vector2::new(noise[2 * i], noise[2 * i + 1])
            }).collect();
            let views: Vec<View<'_>> = cameras.iter().zip(&pixels).map(|(camera, &pixel)| View {
                camera, pixel, covariance_px2: Matrix2::identity(),
            }).collect();
            let best = triangulate_optimal(&views).unwrap();
            let matrices: Vec<Matrix3x4<f64>> = cameras.iter().map(|c| {
                let k = Matrix3::new(1500.0, 0.0, 959.5, 0.0, 1500.0, 539.5, 0.0, 0.0, 1.0);
                k * c.camera_from_range.to_homogeneous().fixed_view::<3, 4>(0, 0)
            }).collect();
            let f = fundamental_from_matrices(&matrices[0], &matrices[1]);
            let (first, second) = correct_two_views(&f, &pixels[0], &pixels[1]);
            assert_relative_eq!(first, best.corrected_px[0], epsilon = 1e-4);
            assert_relative_eq!(second, best.corrected_px[1], epsilon = 1e-4);
        }
    }

    /// Two views at range Z with convergence θ: σZ/(f√2 sin(θ/2)) in depth, σZ/(f√2 cos(θ/2)) along the
    /// baseline, σZ/(f√2) vertically: .20 .20 .14 mm at 90°, .81 .14 .14 mm at 20° (f 1500, Z 3, σ .1).
    #[test]
    fn covariance_follows_the_formula_of_two_views() {
        for (theta, expected) in [(90.0f64, [0.20, 0.20, 0.14]), (20.0, [0.81, 0.14, 0.14])] {
            let half = theta.to_radians() / 2.0;
            let cameras = [camera(half, 1.4, false), camera(-half, 1.4, false)];
            let point = Point3::new(0.0, 0.0, 1.4);
            let views: Vec<View<'_>> = cameras
                .iter()
                .map(|camera| View {
                    camera,
                    pixel: camera.pixel_from_range(&point).unwrap(),
                    covariance_px2: Matrix2::identity() * 0.01,
                })
                .collect();
            let found = triangulate_optimal(&views).unwrap();
            assert_relative_eq!(found.convergence_deg, theta, epsilon = 1e-6);
            for (axis, value) in expected.iter().enumerate() {
                let sd_mm = found.covariance[(axis, axis)].sqrt() * 1e3;
                assert!((sd_mm - value).abs() < 0.005, "{axis}: {sd_mm}");
            }
        }
    }

    #[test]
    fn parallel_rays_are_refused_with_their_angle() {
        let near = camera(0.5, 1.4, false);
        let mut beside = near.clone();
        beside.camera_from_range.translation.x += 0.001;
        let pixel = Point2::new(959.5, 539.5);
        let views = [&near, &beside].map(|camera| View {
            camera,
            pixel,
            covariance_px2: Matrix2::identity(),
        });
        assert!(matches!(
            triangulate_optimal(&views),
            Err(PathError::Parallel { .. })
        ));
        assert!(matches!(
            triangulate_linear(&views[..1]),
            Err(PathError::Views { found: 1 })
        ));
    }
}
