//! A rig for tests.

use drawarc_rig::{
    BrownConrady, Camera, ImageSize, Lens, Level, RangeFrame, Rig, Shutter, SurveySummary,
};
use nalgebra::{DMatrix, Isometry3, Matrix3, Point3, Rotation3, UnitQuaternion, Vector3};

fn camera(name: &str, place: Point3<f64>, toward: Point3<f64>) -> Camera {
    let forward = (toward - place).normalize();
    let right = forward.cross(&Vector3::z()).normalize();
    let down = forward.cross(&right);
    let rows = Matrix3::from_rows(&[right.transpose(), down.transpose(), forward.transpose()]);
    let rotation = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(rows));
    let translation = -(rotation * place.coords);
    Camera {
        name: name.to_owned(),
        image_size: ImageSize {
            width_px: 1920,
            height_px: 1080,
        },
        rotation_deg: 0,
        lens: Lens::BrownConrady(BrownConrady::pinhole(1500.0, 959.5, 539.5)),
        shutter: Shutter::rolling(0.016, 0.002),
        camera_from_range: Isometry3::from_parts(translation.into(), rotation),
    }
}

/// Cameras at these places that look at the archer, their poses known to so much (rad, m).
pub(crate) fn rig(places: &[Point3<f64>], pose_sd: (f64, f64)) -> Rig {
    let toward = Point3::new(-0.4, 0.0, 1.4);
    let cameras: Vec<Camera> = places
        .iter()
        .enumerate()
        .map(|(k, place)| camera(&format!("camera {k}"), *place, toward))
        .collect();
    let mut rig = Rig {
        covariance: DMatrix::zeros(0, 0),
        cameras,
        range_frame: RangeFrame::SurveyedPoints,
        level: Level::Plumb,
        survey: SurveySummary {
            residual_px: vec![],
            views: vec![],
            corner_sd_px: vec![],
            ended: String::new(),
            scale_sd_percent: 0.0,
            remarks: vec![],
        },
    };
    let n = rig.parameter_count();
    rig.covariance = DMatrix::zeros(n, n);
    for index in 0..places.len() {
        let start = rig.block(index).start;
        for k in 0..6 {
            let sd = if k < 3 { pose_sd.0 } else { pose_sd.1 };
            rig.covariance[(start + k, start + k)] = sd * sd;
        }
    }
    rig
}
