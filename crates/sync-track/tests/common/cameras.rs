//! Cameras for tests, unit tests included.

use drawarc_rig::{
    BrownConrady, Camera, ImageSize, Lens, Level, RangeFrame, Rig, Shutter, SurveySummary,
};
use nalgebra::{DMatrix, Isometry3, Matrix3, Point3, Rotation3, UnitQuaternion, Vector3};

/// A camera at a place that looks toward another.
pub(crate) fn camera(place: Point3<f64>, toward: Point3<f64>) -> Camera {
    let forward = (toward - place).normalize();
    let right = forward.cross(&Vector3::z()).normalize();
    let down = forward.cross(&right);
    let rows = Matrix3::from_rows(&[right.transpose(), down.transpose(), forward.transpose()]);
    let rotation = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(rows));
    let translation = -(rotation * place.coords);
    Camera {
        name: format!("at {place}"),
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

/// These cameras, known exactly.
pub(crate) fn exact_rig(cameras: Vec<Camera>) -> Rig {
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
    rig
}
