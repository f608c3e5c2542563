//! Light on surfaces, in a camera's frame.

use nalgebra::{Isometry3, Vector3};

/// Lamps, in the camera's frame.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lamps {
    pub(crate) up: Vector3<f64>,
    pub(crate) key: Vector3<f64>,
    pub(crate) one_sided: f64,
}

impl Lamps {
    /// The hall's lamps: an even ceiling and a stronger side, by the scenario's one-sidedness.
    pub(crate) fn seen_from(camera_from_range: &Isometry3<f64>, one_sided: f32) -> Self {
        let turn = camera_from_range.rotation;
        Self {
            up: turn * Vector3::z(),
            key: turn * Vector3::new(-0.35, -0.55, 0.75).normalize(),
            one_sided: f64::from(one_sided),
        }
    }

    /// `(level, along up, along key)`: light on a surface is `level + up · n + key · max(n · key, 0)`.
    pub(crate) fn shares(&self, marker: bool) -> (f64, f64, f64) {
        if marker && self.one_sided < 0.0 {
            return (0.9, 0.0, 0.0);
        }
        // A ball in a hall gets much light back from floor and walls.
        let (level, slope) = if marker { (0.76, 0.14) } else { (0.62, 0.34) };
        let side = if marker {
            self.one_sided
        } else {
            self.one_sided.max(0.25)
        };
        let even = 1.0 - 0.75 * side;
        (level * even + 0.10, slope * even, 0.95 * side)
    }

    /// Light on a surface with this normal: 1 is full.
    pub(crate) fn on(&self, normal: &Vector3<f64>, marker: bool) -> f64 {
        let (level, up, key) = self.shares(marker);
        level + up * normal.dot(&self.up) + key * normal.dot(&self.key).max(0.0)
    }

    /// Direction of the mirror image of the key lamp's half angle: where highlights stand.
    pub(crate) fn highlight(&self) -> Vector3<f64> {
        (self.key - Vector3::z()).normalize()
    }
}
