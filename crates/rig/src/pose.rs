//! The tangent of a rigid motion.

use nalgebra::{Isometry3, Matrix3, Translation3, UnitQuaternion, Vector3, Vector6};

/// The matrix `[v]×` with `[v]× w = v × w`.
pub fn skew(v: &Vector3<f64>) -> Matrix3<f64> {
    v.cross_matrix()
}

/// Rigid motion from six numbers `(ω, ν)`: rotation vector (rad) and translation (m).
///
/// This is the product chart `R = exp([ω]×), t = ν`, not the exponential of SE(3): rotation and
/// translation stay readable apart, and both charts agree to first order, which is what a solver and
/// a covariance use.
pub fn exp(tangent: &Vector6<f64>) -> Isometry3<f64> {
    Isometry3::from_parts(
        Translation3::new(tangent[3], tangent[4], tangent[5]),
        UnitQuaternion::from_scaled_axis(Vector3::new(tangent[0], tangent[1], tangent[2])),
    )
}

/// Inverse of [`exp`]. Rotation angles near π are returned with the sign that the quaternion has.
pub fn log(motion: &Isometry3<f64>) -> Vector6<f64> {
    let rotation = motion.rotation.scaled_axis();
    let translation = motion.translation.vector;
    Vector6::new(
        rotation.x,
        rotation.y,
        rotation.z,
        translation.x,
        translation.y,
        translation.z,
    )
}

/// `exp(tangent) · pose`: the one way in which a solver moves a pose.
///
/// For `point_in_camera = perturb(camera_from_range, ξ) * point_in_range` the derivative at `ξ = 0` is
/// `[-[point_in_camera]×  I]` with the *unperturbed rotated and translated* point.
pub fn perturb(pose: &Isometry3<f64>, tangent: &Vector6<f64>) -> Isometry3<f64> {
    exp(tangent) * pose
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use nalgebra::Point3;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn log_undoes_exp(w in prop::array::uniform3(-1.7f64..1.7), v in prop::array::uniform3(-5f64..5.0)) {
            let tangent = Vector6::new(w[0], w[1], w[2], v[0], v[1], v[2]);
            assert_relative_eq!(log(&exp(&tangent)), tangent, epsilon = 1e-9);
        }

        #[test]
        fn derivative_of_a_perturbed_point(w in prop::array::uniform3(-3f64..3.0), p in prop::array::uniform3(-3f64..3.0)) {
            let pose = exp(&Vector6::new(w[0], w[1], w[2], 0.3, -0.2, 2.0));
            let point = Point3::from(p);
            let moved = pose * point;
            for k in 0..6 {
                let mut step = Vector6::zeros();
                step[k] = 1e-6;
                let ahead = perturb(&pose, &step) * point;
                step[k] = -1e-6;
                let back = perturb(&pose, &step) * point;
                let numeric = (ahead - back) / 2e-6;
                let analytic = if k < 3 {
                    (-skew(&moved.coords)).column(k).into_owned()
                } else {
                    Vector3::ith(k - 3, 1.0)
                };
                assert_relative_eq!(numeric, analytic, epsilon = 1e-7);
            }
        }
    }
}
