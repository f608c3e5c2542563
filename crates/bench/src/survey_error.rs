//! The surveyed rig beside the true one: lenses, and points of the volume seen through both.

use drawarc_range_sim::{TrueCamera, Truth, project};
use drawarc_rig::{Camera, Lens};
use nalgebra::{
    Isometry3, Matrix3, Point2, Point3, Quaternion, Translation3, UnitQuaternion, Vector3,
};
use serde::Serialize;

/// Half size of the volume in which elbows move (m), about its middle.
const HALF_M: [f64; 3] = [0.45, 0.35, 0.35];
/// Middle of that volume at an archer of 1.75 m (range frame, m).
const MIDDLE_M: [f64; 3] = [-0.2, 0.0, 1.35];
/// Length that is measured everywhere in the volume (m).
const LENGTH_M: f64 = 0.300;

/// Errors of a survey.
#[derive(Debug, Clone, Copy, Serialize)]
pub(crate) struct SurveyError {
    /// Largest error of a focal length (%).
    pub(crate) focal_percent: f64,
    /// Largest error of a principal point (px).
    pub(crate) principal_px: f64,
    /// Rms residual of fresh points, triangulated and projected again (px).
    pub(crate) residual_px: f64,
    /// Rms error of lengths of 300 mm (mm).
    pub(crate) length_mm: f64,
}

/// Compares a survey with the truth; `None` where the cameras differ in number or see nothing in common.
pub(crate) fn survey_error(cameras: &[Camera], truth: &Truth) -> Option<SurveyError> {
    if cameras.len() != truth.cameras.len() {
        return None;
    }
    let (mut focal, mut principal) = (0.0_f64, 0.0_f64);
    for (ours, other) in cameras.iter().zip(&truth.cameras) {
        let both = (centre_px(&ours.lens), centre_px(&other.lens));
        focal = focal.max((ours.lens.focal_px() / other.lens.focal_px() - 1.0).abs());
        principal = principal.max((both.0 - both.1).norm());
    }
    let (mut residuals, mut lengths) = (Vec::new(), Vec::new());
    for middle in grid() {
        for axis in 0..3 {
            let mut half = Vector3::zeros();
            half[axis] = 0.5 * LENGTH_M;
            let ends =
                [middle - half, middle + half].map(|point| seen_again(cameras, truth, &point));
            if let [Some(first), Some(second)] = ends {
                lengths.push(1000.0 * ((first.0 - second.0).norm() - LENGTH_M));
                residuals.extend([first.1, second.1]);
            }
        }
    }
    let rms = |values: &[f64]| {
        (values.iter().map(|value| value * value).sum::<f64>() / values.len() as f64).sqrt()
    };
    (!lengths.is_empty()).then(|| SurveyError {
        focal_percent: 100.0 * focal,
        principal_px: principal,
        residual_px: rms(&residuals),
        length_mm: rms(&lengths),
    })
}

fn centre_px(lens: &Lens) -> Point2<f64> {
    let parameters = lens.parameters();
    Point2::new(parameters[2], parameters[3])
}

fn grid() -> impl Iterator<Item = Point3<f64>> {
    let steps = [-1.0, -0.5, 0.0, 0.5, 1.0];
    steps.into_iter().flat_map(move |x| {
        steps.into_iter().flat_map(move |y| {
            steps.into_iter().map(move |z| {
                let at = |k: usize, share: f64| MIDDLE_M[k] + HALF_M[k] * share;
                Point3::new(at(0, x), at(1, y), at(2, z))
            })
        })
    })
}

fn camera_from_range(camera: &TrueCamera) -> Isometry3<f64> {
    let [i, j, k, w] = camera.camera_from_range_rotation_ijkw;
    Isometry3::from_parts(
        Translation3::from(Vector3::from(camera.camera_from_range_translation_m)),
        UnitQuaternion::from_quaternion(Quaternion::new(w, i, j, k)),
    )
}

/// A point as the true cameras see it, triangulated with the surveyed ones: where it comes out, and the rms of its
/// residuals (px). `None` unless two cameras see it.
fn seen_again(
    cameras: &[Camera],
    truth: &Truth,
    point: &Point3<f64>,
) -> Option<(Point3<f64>, f64)> {
    let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
    let mut pixels = Vec::new();
    for (ours, other) in cameras.iter().zip(&truth.cameras) {
        let Some(pixel) = project(&other.lens, &(camera_from_range(other) * point)) else {
            continue;
        };
        if !ours.is_in_picture(&pixel) {
            continue;
        }
        let ray = ours.ray_in_range(&pixel)?;
        let across = Matrix3::identity() - ray.into_inner() * ray.transpose();
        normal += across;
        right += across * ours.centre_in_range().coords;
        pixels.push((ours, pixel));
    }
    if pixels.len() < 2 {
        return None;
    }
    let place = Point3::from(normal.try_inverse()? * right);
    let mut squares = 0.0;
    for (camera, pixel) in &pixels {
        squares += (camera.pixel_from_range(&place)? - pixel).norm_squared();
    }
    Some((place, (squares / (2.0 * pixels.len() as f64)).sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use drawarc_range_sim::{Scenario, World};

    /// The true rig has no error; a focal length that is off shows as itself.
    #[test]
    fn a_true_rig_has_no_error() {
        let mut scenario = Scenario::club_five_three(1).shortened();
        scenario.end_s = 1.0;
        let truth = Truth::of(&World::new(&scenario).unwrap());
        let mut cameras: Vec<Camera> = truth
            .cameras
            .iter()
            .map(|camera| Camera {
                name: camera.name.clone(),
                image_size: camera.image_size,
                rotation_deg: 0,
                lens: camera.lens,
                shutter: camera.shutter,
                camera_from_range: camera_from_range(camera),
            })
            .collect();
        let exact = survey_error(&cameras, &truth).unwrap();
        assert!(exact.focal_percent < 1e-9 && exact.principal_px < 1e-9);
        assert!(
            exact.length_mm < 1e-5 && exact.residual_px < 1e-5,
            "{exact:?}"
        );
        let mut parameters = cameras[0].lens.parameters();
        parameters[0] *= 1.002;
        parameters[1] *= 1.002;
        cameras[0].lens = cameras[0].lens.with_parameters(&parameters).unwrap();
        let off = survey_error(&cameras, &truth).unwrap();
        assert!(
            (off.focal_percent - 0.2).abs() < 1e-6 && off.length_mm > 0.1,
            "{off:?}"
        );
    }
}
