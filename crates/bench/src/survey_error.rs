//! The surveyed rig beside the true one: lenses, and points of the volume seen through both.

use drawarc_range_sim::{TrueCamera, Truth, project};
use drawarc_rig::{Camera, Lens, Rig, perturb};
use nalgebra::{
    DMatrix, Isometry3, Matrix3, Point2, Point3, Quaternion, Translation3, UnitQuaternion, Vector3,
    Vector6,
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
    /// Epipolar residual of fresh points: rms distance of a point in one picture from the line that another camera's
    /// sight of it draws there, over all pairs of cameras (px).
    pub(crate) epipolar_px: f64,
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
    let (mut epipolar, mut lengths) = (Vec::new(), Vec::new());
    for middle in grid() {
        for axis in 0..3 {
            let mut half = Vector3::zeros();
            half[axis] = 0.5 * LENGTH_M;
            let ends =
                [middle - half, middle + half].map(|point| seen_again(cameras, truth, &point));
            if let [Some(first), Some(second)] = ends {
                lengths.push(1000.0 * ((first - second).norm() - LENGTH_M));
            }
        }
        let seen = seen_by(cameras, truth, &middle);
        for (from, first) in &seen {
            let others = seen.iter().filter(|(to, _)| to.name != from.name);
            epipolar.extend(others.filter_map(|(to, second)| off_line(from, first, to, second)));
        }
    }
    let rms = |values: &[f64]| {
        (values.iter().map(|value| value * value).sum::<f64>() / values.len() as f64).sqrt()
    };
    (!lengths.is_empty()).then(|| SurveyError {
        focal_percent: 100.0 * focal,
        principal_px: principal,
        epipolar_px: rms(&epipolar),
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

/// Our cameras that see a point, each with the pixel at which the true camera of that place has it.
fn seen_by<'a>(
    cameras: &'a [Camera],
    truth: &Truth,
    point: &Point3<f64>,
) -> Vec<(&'a Camera, Point2<f64>)> {
    cameras
        .iter()
        .zip(&truth.cameras)
        .filter_map(|(ours, other)| {
            let pixel = project(&other.lens, &(camera_from_range(other) * point))?;
            ours.is_in_picture(&pixel).then_some((ours, pixel))
        })
        .collect()
}

/// Distance of `second` in camera `to` from the line on which camera `from`, seeing `first`, has the point (px).
fn off_line(from: &Camera, first: &Point2<f64>, to: &Camera, second: &Point2<f64>) -> Option<f64> {
    let ray = from.ray_in_range(first)?.into_inner();
    let other = to.ray_in_range(second)?.into_inner();
    let (eye, between) = (
        from.centre_in_range(),
        to.centre_in_range() - from.centre_in_range(),
    );
    // Where on the ray it passes the other sight most closely.
    let cosine = ray.dot(&other);
    let along_m = (between.dot(&ray) - cosine * between.dot(&other)) / (1.0 - cosine * cosine);
    let at = |m: f64| to.pixel_from_range(&(eye + ray * (along_m + m)));
    let (here, ahead) = (at(0.0)?, at(0.01)?);
    let line = (ahead - here).try_normalize(1e-9)?;
    let off = second - here;
    Some(off.x * line.y - off.y * line.x)
}

/// Where the surveyed cameras have a point that the true cameras see. `None` unless two see it.
fn seen_again(cameras: &[Camera], truth: &Truth, point: &Point3<f64>) -> Option<Point3<f64>> {
    triangulated(&seen_by(cameras, truth, point))
}

fn triangulated(seen: &[(&Camera, Point2<f64>)]) -> Option<Point3<f64>> {
    if seen.len() < 2 {
        return None;
    }
    let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
    for (camera, pixel) in seen {
        let ray = camera.ray_in_range(pixel)?;
        let across = Matrix3::identity() - ray.into_inner() * ray.transpose();
        normal += across;
        right += across * camera.centre_in_range().coords;
    }
    Some(Point3::from(normal.try_inverse()? * right))
}

/// A point in the middle of the volume: how far it comes out from where it is, and what the survey says of that, root
/// mean square over all directions (mm); and the error in standard deviations, root mean square over three axes.
pub(crate) fn stated(rig: &Rig, truth: &Truth) -> Option<(f64, f64, f64)> {
    let point = Point3::from(MIDDLE_M);
    let seen = seen_by(&rig.cameras, truth, &point);
    let off = triangulated(&seen)? - point;
    let mut by_parameter = DMatrix::zeros(3, rig.covariance.nrows());
    for (index, camera) in rig.cameras.iter().enumerate() {
        let Some(slot) = seen.iter().position(|(other, _)| other.name == camera.name) else {
            continue;
        };
        let block = rig.block(index);
        for k in 0..6 + camera.lens.parameter_count() {
            let size = 0.3 * rig.covariance[(block.start + k, block.start + k)].sqrt();
            if size == 0.0 {
                continue;
            }
            let moved = |step: f64| {
                let mut other = camera.clone();
                if k < 6 {
                    let tangent = Vector6::ith(k, step);
                    other.camera_from_range = perturb(&other.camera_from_range, &tangent);
                } else {
                    let mut parameters = other.lens.parameters();
                    parameters[k - 6] += step;
                    other.lens = other.lens.with_parameters(&parameters)?;
                }
                let mut seen = seen.clone();
                seen[slot].0 = &other;
                triangulated(&seen)
            };
            let slope = (moved(size)? - moved(-size)?) / (2.0 * size);
            by_parameter.set_column(block.start + k, &slope);
        }
    }
    let covariance = &by_parameter * &rig.covariance * by_parameter.transpose();
    let covariance: Matrix3<f64> = covariance.fixed_view::<3, 3>(0, 0).into_owned();
    let score = off.dot(&(covariance.try_inverse()? * off)) / 3.0;
    Some((
        1000.0 * off.norm(),
        1000.0 * covariance.trace().sqrt(),
        score.sqrt(),
    ))
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
            exact.length_mm < 1e-5 && exact.epipolar_px < 1e-5,
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
        // Rolled by half a milliradian about its axis a camera has points 500 px from the middle a quarter of a pixel off,
        // some of it along the lines.
        let parameters = truth.cameras[0].lens.parameters();
        cameras[0].lens = cameras[0].lens.with_parameters(&parameters).unwrap();
        let roll = Vector6::new(0.0, 0.0, 5e-4, 0.0, 0.0, 0.0);
        cameras[0].camera_from_range = perturb(&cameras[0].camera_from_range, &roll);
        let rolled = survey_error(&cameras, &truth).unwrap();
        assert!((0.02..0.25).contains(&rolled.epipolar_px), "{rolled:?}");
    }
}
