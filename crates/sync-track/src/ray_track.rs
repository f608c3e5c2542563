//! A camera's sightings of one marker as a curve of rays over that camera's own time.

use crate::SightingSeries;
use drawarc_rig::Camera;
use nalgebra::{Matrix2, Matrix3x2, Point2, Vector2, Vector3};

/// Gaps longer than this are not bridged (s).
const BRIDGE_S: f64 = 0.1;
/// Step for the derivative of a ray by the pixel (px).
const STEP_PX: f64 = 0.5;

/// One sighting.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Knot {
    /// Camera time of its row (s).
    pub(crate) camera_s: f64,
    pub(crate) pixel: Point2<f64>,
    pub(crate) covariance_px2: Matrix2<f64>,
    /// Unit ray in the range frame.
    pub(crate) ray: Vector3<f64>,
    pub(crate) ray_by_pixel: Matrix3x2<f64>,
    pub(crate) row_fraction: f64,
    /// Slopes by time, from the neighbours.
    pixel_slope: Vector2<f64>,
    ray_slope: Vector3<f64>,
}

/// Sightings of one marker by one camera.
#[derive(Debug, Clone)]
pub(crate) struct RayTrack {
    pub(crate) camera: usize,
    pub(crate) knots: Vec<Knot>,
}

/// A point between knots.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Between {
    pub(crate) pixel: Point2<f64>,
    pub(crate) ray: Vector3<f64>,
    /// Change of the ray (1/s).
    pub(crate) ray_speed: Vector3<f64>,
    pub(crate) nearest: usize,
}

impl RayTrack {
    /// The seen samples of a series.
    pub(crate) fn of(series: &SightingSeries, camera: &Camera) -> Self {
        let height = camera.image_size.height_px;
        let mut knots: Vec<Knot> = series
            .seen()
            .filter_map(|sample| {
                let pixel = sample.centre_px;
                let ray = camera.ray_in_range(&pixel)?.into_inner();
                let by = |step: Vector2<f64>| {
                    let ahead = camera.ray_in_range(&(pixel + step))?;
                    let back = camera.ray_in_range(&(pixel - step))?;
                    Some((ahead.into_inner() - back.into_inner()) / (2.0 * STEP_PX))
                };
                let columns = [
                    by(Vector2::new(STEP_PX, 0.0))?,
                    by(Vector2::new(0.0, STEP_PX))?,
                ];
                Some(Knot {
                    camera_s: sample.camera_s + camera.shutter.row_delay_s(pixel.y, height),
                    pixel,
                    covariance_px2: sample.covariance_px2,
                    ray,
                    ray_by_pixel: Matrix3x2::from_columns(&columns),
                    row_fraction: drawarc_rig::Shutter::row_fraction(pixel.y, height),
                    pixel_slope: Vector2::zeros(),
                    ray_slope: Vector3::zeros(),
                })
            })
            .collect();
        for k in 1..knots.len().saturating_sub(1) {
            let (p, q, r) = (knots[k - 1], knots[k], knots[k + 1]);
            let (before_s, after_s) = (q.camera_s - p.camera_s, r.camera_s - q.camera_s);
            if !(before_s > 0.0 && after_s > 0.0 && before_s + after_s < 2.0 * BRIDGE_S) {
                continue;
            }
            // Slope of the parabola through three knots.
            let (a, b) = (
                after_s / (before_s + after_s),
                before_s / (before_s + after_s),
            );
            knots[k].pixel_slope =
                (q.pixel - p.pixel) / before_s * a + (r.pixel - q.pixel) / after_s * b;
            knots[k].ray_slope = (q.ray - p.ray) / before_s * a + (r.ray - q.ray) / after_s * b;
        }
        Self {
            camera: series.camera,
            knots,
        }
    }

    /// The track at a camera time (s) by cubic Hermite interpolation; `None` outside, in gaps and beside them.
    pub(crate) fn at(&self, camera_s: f64) -> Option<Between> {
        let after = self.knots.partition_point(|knot| knot.camera_s < camera_s);
        if after < 2 || after + 1 >= self.knots.len() {
            return None;
        }
        let (p, q) = (&self.knots[after - 1], &self.knots[after]);
        let step_s = q.camera_s - p.camera_s;
        let slopes = p.ray_slope.norm_squared() > 0.0 && q.ray_slope.norm_squared() > 0.0;
        if !(step_s > 0.0 && step_s < BRIDGE_S && slopes) {
            return None;
        }
        let s = (camera_s - p.camera_s) / step_s;
        let (s2, s3) = (s * s, s * s * s);
        let (h0, h1) = (2.0 * s3 - 3.0 * s2 + 1.0, -2.0 * s3 + 3.0 * s2);
        let (g0, g1) = ((s3 - 2.0 * s2 + s) * step_s, (s3 - s2) * step_s);
        let pixel =
            p.pixel.coords * h0 + q.pixel.coords * h1 + p.pixel_slope * g0 + q.pixel_slope * g1;
        let ray = p.ray * h0 + q.ray * h1 + p.ray_slope * g0 + q.ray_slope * g1;
        let (dh, dg0, dg1) = (
            6.0 * (s - s2) / step_s,
            3.0 * s2 - 4.0 * s + 1.0,
            3.0 * s2 - 2.0 * s,
        );
        let ray_speed = (q.ray - p.ray) * dh + p.ray_slope * dg0 + q.ray_slope * dg1;
        Some(Between {
            pixel: Point2::from(pixel),
            ray: ray.normalize(),
            ray_speed,
            nearest: if s < 0.5 { after - 1 } else { after },
        })
    }

    /// Camera times of the first and last knot (s).
    pub(crate) fn span(&self) -> Option<(f64, f64)> {
        Some((self.knots.first()?.camera_s, self.knots.last()?.camera_s))
    }
}
