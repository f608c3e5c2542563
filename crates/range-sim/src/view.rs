//! A camera in its place: from range to pixel, at the instant at which each row is taken.

use crate::film_camera::FilmCamera;
use crate::film_time::{camera_time_s, range_time_s, row_time_s};
use crate::projection::{project, slopes_from_pixel};
use nalgebra::{
    Isometry3, Matrix3, Point2, Point3, Rotation3, Translation3, UnitQuaternion, Vector3,
};

/// A camera in its place.
#[derive(Debug, Clone)]
pub struct View {
    /// What it is.
    pub camera: FilmCamera,
    /// `point_in_camera = camera_from_range * point_in_range`, before anybody knocks it.
    pub camera_from_range: Isometry3<f64>,
}

impl View {
    /// Places a camera.
    pub fn new(camera: &FilmCamera) -> Self {
        let position = Point3::from(camera.position_m);
        let forward = (Point3::from(camera.look_at_m) - position).normalize();
        // Straight down (or up) there is no level: twelve o'clock is at the top of the picture.
        let upward = if forward.z.abs() > 0.999 {
            Vector3::x()
        } else {
            Vector3::z()
        };
        let right = forward.cross(&upward).normalize();
        let down = forward.cross(&right);
        let roll = camera.roll_deg.to_radians();
        let x = right * roll.cos() + down * roll.sin();
        let y = forward.cross(&x);
        let rows = Matrix3::from_rows(&[x.transpose(), y.transpose(), forward.transpose()]);
        let rotation =
            UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(rows));
        let translation = Translation3::from(-(rotation * position.coords));
        Self {
            camera: camera.clone(),
            camera_from_range: Isometry3::from_parts(translation, rotation),
        }
    }

    /// The pose at an instant: a knocked camera is turned and shifted afterwards.
    pub fn camera_from_range_at(&self, range_s: f64) -> Isometry3<f64> {
        match self.camera.knocked {
            Some(knock) if range_s >= knock.at_s => {
                let turn = UnitQuaternion::from_scaled_axis(Vector3::new(
                    -knock.tilt_deg.to_radians(),
                    -knock.pan_deg.to_radians(),
                    0.0,
                ));
                Translation3::from(-Vector3::from(knock.shift_m)) * (turn * self.camera_from_range)
            }
            _ => self.camera_from_range,
        }
    }

    /// Focal length along the rows (px).
    pub(crate) fn focal_px(&self) -> f64 {
        match &self.camera.lens {
            drawarc_rig::Lens::BrownConrady(lens) => lens.fx_px,
            drawarc_rig::Lens::KannalaBrandt(lens) => lens.fx_px,
        }
    }

    /// Optical centre in the range frame (m).
    pub fn centre_in_range(&self) -> Point3<f64> {
        self.camera_from_range.inverse() * Point3::origin()
    }

    /// Unit vector in the range frame along the ray of a pixel.
    pub fn ray_in_range(&self, pixel: &Point2<f64>) -> Option<Vector3<f64>> {
        let slopes = slopes_from_pixel(&self.camera.lens, pixel)?;
        let ray = Vector3::new(slopes.x, slopes.y, 1.0).normalize();
        Some(self.camera_from_range.rotation.inverse() * ray)
    }

    /// Range time at which row `y_px` of the frame presented at `camera_s` is taken (mid-exposure, s).
    pub fn row_instant_s(&self, camera_s: f64, y_px: f64) -> f64 {
        let delay = row_time_s(&self.camera.shutter, y_px, self.camera.image_size.height_px);
        range_time_s(&self.camera.clock, camera_s + delay)
    }

    /// Camera time of a range time (s).
    pub fn camera_s(&self, range_s: f64) -> f64 {
        camera_time_s(&self.camera.clock, range_s)
    }

    /// Exact pixel of a moving point in the frame presented at `camera_s`: taken at the instant of the very row on
    /// which it lands. `None` behind the camera. The picture's borders are not tested.
    pub fn pixel_in_frame(
        &self,
        camera_s: f64,
        point_at: &dyn Fn(f64) -> Option<Point3<f64>>,
    ) -> Option<Point2<f64>> {
        let mut row = 0.5 * (f64::from(self.camera.image_size.height_px) - 1.0);
        let mut pixel = Point2::origin();
        for _ in 0..30 {
            let instant = self.row_instant_s(camera_s, row);
            let point = point_at(instant)?;
            pixel = project(
                &self.camera.lens,
                &(self.camera_from_range_at(instant) * point),
            )?;
            if (pixel.y - row).abs() < 1e-10 {
                break;
            }
            row = pixel.y;
        }
        Some(pixel)
    }

    /// Whether a pixel lies in the stored picture.
    pub fn is_in_picture(&self, pixel: &Point2<f64>) -> bool {
        let size = self.camera.image_size;
        (-0.5..=f64::from(size.width_px) - 0.5).contains(&pixel.x)
            && (-0.5..=f64::from(size.height_px) - 0.5).contains(&pixel.y)
    }
}
