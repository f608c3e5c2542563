//! The part of a camera's picture that shows the archer, upright.

use drawarc_rig::Camera;
use nalgebra::{Point2, Point3};

/// Around the elbow's path so much is shown (m): archer and bow hand stay in the picture.
const AROUND_M: [f64; 3] = [0.75, 0.35, 0.65];

/// Part of an upright picture, and how it is scaled.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Cut {
    /// First column.
    pub(crate) left_px: u32,
    /// First row.
    pub(crate) top_px: u32,
    /// Columns.
    pub(crate) width_px: u32,
    /// Rows.
    pub(crate) height_px: u32,
    /// New pixels an old one; at most 1.
    pub(crate) scale: f64,
}

impl Cut {
    /// The same part, shrunk to a height if it is higher.
    pub(crate) fn at_most(self, height_px: u32) -> Self {
        Self {
            scale: (f64::from(height_px) / f64::from(self.height_px)).min(1.0),
            ..self
        }
    }
}

/// A stored pixel in the picture as it is shown: the container's rotation is clockwise.
pub(crate) fn upright(camera: &Camera, stored: &Point2<f64>) -> Point2<f64> {
    let last = |size: u32| f64::from(size) - 1.0;
    let (right, bottom) = (
        last(camera.image_size.width_px),
        last(camera.image_size.height_px),
    );
    match camera.rotation_deg {
        90 => Point2::new(bottom - stored.y, stored.x),
        180 => Point2::new(right - stored.x, bottom - stored.y),
        270 => Point2::new(stored.y, right - stored.x),
        _ => *stored,
    }
}

/// The part of the upright picture that shows the archer.
pub(crate) fn cut_around(camera: &Camera, path: &[(f64, Point3<f64>)]) -> Cut {
    let size = camera.image_size;
    let (width, height) = if matches!(camera.rotation_deg, 90 | 270) {
        (size.height_px, size.width_px)
    } else {
        (size.width_px, size.height_px)
    };
    let (mut low, mut high) = (
        Point2::new(f64::MAX, f64::MAX),
        Point2::new(f64::MIN, f64::MIN),
    );
    for (_, elbow) in path {
        for corner in 0..8 {
            let sign = |bit: u32| if corner & bit == 0 { -1.0 } else { 1.0 };
            let around = Point3::new(
                elbow.x + sign(1) * AROUND_M[0] + AROUND_M[0] / 2.0,
                elbow.y + sign(2) * AROUND_M[1],
                elbow.z + sign(4) * AROUND_M[2],
            );
            if let Some(pixel) = camera.pixel_from_range(&around) {
                let shown = upright(camera, &pixel);
                low = Point2::new(low.x.min(shown.x), low.y.min(shown.y));
                high = Point2::new(high.x.max(shown.x), high.y.max(shown.y));
            }
        }
    }
    let clamp = |value: f64, size: u32| whole(value.clamp(0.0, f64::from(size - 1)));
    let (left_px, top_px) = (clamp(low.x, width), clamp(low.y, height));
    let (right_px, bottom_px) = (clamp(high.x, width), clamp(high.y, height));
    let (mut left_px, mut top_px) = (left_px, top_px);
    let (mut width_px, mut height_px) = (
        right_px.saturating_sub(left_px) + 1,
        bottom_px.saturating_sub(top_px) + 1,
    );
    if width_px < 32 || height_px < 32 {
        (left_px, top_px, width_px, height_px) = (0, 0, width, height);
    }
    Cut {
        left_px,
        top_px,
        width_px,
        height_px,
        scale: 1.0,
    }
}

/// A size or place within a picture as a whole number.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to a picture's size before"
)]
pub(crate) fn whole(value: f64) -> u32 {
    value as u32
}
