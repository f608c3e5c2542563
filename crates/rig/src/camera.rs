use crate::{Lens, RigError, Shutter};
use nalgebra::{Isometry3, Point2, Point3, UnitVector3};
use serde::{Deserialize, Serialize};

/// Size of the stored picture (px).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ImageSize {
    /// Columns.
    pub width_px: u32,
    /// Rows.
    pub height_px: u32,
}

/// One camera, as it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Camera {
    /// Name by which manifest and rig know it.
    pub name: String,
    /// Stored picture size.
    pub image_size: ImageSize,
    /// Rotation that the container asks for when shown to people (degrees clockwise: 0, 90, 180, 270).
    /// Geometry never applies it; footage with another rotation is refused.
    pub rotation_deg: u16,
    /// Lens.
    pub lens: Lens,
    /// Shutter.
    pub shutter: Shutter,
    /// Pose: `point_in_camera = camera_from_range * point_in_range`.
    pub camera_from_range: Isometry3<f64>,
}

impl Camera {
    /// Pixel of a point in the range frame (m); `None` where the lens does not see it. The picture's borders
    /// are not tested: see [`Self::is_in_picture`].
    pub fn pixel_from_range(&self, point_in_range: &Point3<f64>) -> Option<Point2<f64>> {
        self.lens
            .pixel_from_camera(&(self.camera_from_range * point_in_range))
    }

    /// Optical centre in the range frame (m).
    pub fn centre_in_range(&self) -> Point3<f64> {
        self.camera_from_range.inverse() * Point3::origin()
    }

    /// Unit ray in the range frame through a pixel, from [`Self::centre_in_range`].
    pub fn ray_in_range(&self, pixel: &Point2<f64>) -> Option<UnitVector3<f64>> {
        let ray_in_camera = self.lens.ray_from_pixel(pixel)?;
        Some(self.camera_from_range.rotation.inverse() * ray_in_camera)
    }

    /// Is the pixel within the stored picture?
    pub fn is_in_picture(&self, pixel: &Point2<f64>) -> bool {
        let inside = |value: f64, size: u32| value >= -0.5 && value <= f64::from(size) - 0.5;
        inside(pixel.x, self.image_size.width_px) && inside(pixel.y, self.image_size.height_px)
    }

    /// Number of free parameters in a rig's covariance: pose (6), lens, read-out (1).
    pub fn parameter_count(&self) -> usize {
        6 + self.lens.parameter_count() + 1
    }

    /// Refuses numbers that cannot be.
    ///
    /// # Errors
    /// [`RigError::Value`] naming the first such number.
    pub fn validate(&self) -> Result<(), RigError> {
        let refuse = |what, value| RigError::Value {
            camera: self.name.clone(),
            what,
            value,
        };
        for (name, value) in self
            .lens
            .parameter_names()
            .iter()
            .zip(self.lens.parameters())
        {
            if !value.is_finite() || (name.starts_with('f') && value <= 0.0) {
                return Err(refuse(name, value));
            }
        }
        let Shutter {
            readout_s,
            readout_sd_s,
            exposure_s,
        } = self.shutter;
        if !(readout_s.is_finite() && readout_s.abs() < 1.0) {
            return Err(refuse("readout_s", readout_s));
        }
        if !(readout_sd_s.is_finite() && readout_sd_s >= 0.0) {
            return Err(refuse("readout_sd_s", readout_sd_s));
        }
        if !(exposure_s.is_finite() && (0.0..1.0).contains(&exposure_s)) {
            return Err(refuse("exposure_s", exposure_s));
        }
        let pose = crate::log(&self.camera_from_range);
        if let Some(bad) = pose.iter().find(|value| !value.is_finite()) {
            return Err(refuse("camera_from_range", *bad));
        }
        if self.image_size.width_px < 2 || self.image_size.height_px < 2 {
            return Err(refuse("image width", f64::from(self.image_size.width_px)));
        }
        if !matches!(self.rotation_deg, 0 | 90 | 180 | 270) {
            return Err(refuse("rotation_deg", f64::from(self.rotation_deg)));
        }
        Ok(())
    }
}
