//! A trail seen with the rig's eyes: instants, rays, sizes.

use crate::trail::{Trail, TrailPoint};
use drawarc_rig::{Camera, ClockModel};
use nalgebra::{Point2, Point3, UnitVector3, Vector2, Vector3};

/// Gaps longer than this are not bridged between samples (s).
const BRIDGE_S: f64 = 0.1;

/// One point of a track at its own instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Instant {
    /// Range time (s), row time included.
    pub(crate) range_s: f64,
    pub(crate) centre_px: Point2<f64>,
    pub(crate) radius_px: f64,
    /// It was followed all the time since the instant before.
    pub(crate) unbroken: bool,
}

/// A trail on the range's time axis.
#[derive(Debug, Clone)]
pub(crate) struct Timed {
    pub(crate) instants: Vec<Instant>,
}

impl Timed {
    pub(crate) fn of(trail: &Trail, camera: &Camera, clock: &ClockModel) -> Self {
        let instants = trail
            .points
            .iter()
            .enumerate()
            .map(|(k, point)| Instant {
                range_s: instant_of(point, camera, clock),
                centre_px: point.outline.centre_px,
                radius_px: point.outline.radius_px(),
                unbroken: trail.unbroken_before(k),
            })
            .collect();
        Self { instants }
    }

    pub(crate) fn span(&self) -> (f64, f64) {
        (
            self.instants.first().map_or(f64::NAN, |i| i.range_s),
            self.instants.last().map_or(f64::NAN, |i| i.range_s),
        )
    }

    /// Place and velocity (px/s) at an instant, linear between samples; `None` outside and in gaps.
    pub(crate) fn at(&self, range_s: f64) -> Option<(Instant, Vector2<f64>)> {
        let after = self
            .instants
            .partition_point(|instant| instant.range_s < range_s);
        let before = self.instants.get(after.checked_sub(1)?)?;
        let next = self.instants.get(after)?;
        let step_s = next.range_s - before.range_s;
        if !(step_s > 0.0 && (step_s < BRIDGE_S || next.unbroken)) {
            return None;
        }
        let share = (range_s - before.range_s) / step_s;
        let move_px = next.centre_px - before.centre_px;
        Some((
            Instant {
                range_s,
                centre_px: before.centre_px + move_px * share,
                radius_px: before.radius_px + share * (next.radius_px - before.radius_px),
                unbroken: next.unbroken,
            },
            move_px / step_s,
        ))
    }
}

/// Range time (s) at which a point was seen.
pub(crate) fn instant_of(point: &TrailPoint, camera: &Camera, clock: &ClockModel) -> f64 {
    let delay_s = camera
        .shutter
        .row_delay_s(point.outline.centre_px.y, camera.image_size.height_px);
    clock.range_from_camera(point.camera_s + delay_s)
}

/// Where two rays come closest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Meeting {
    /// Midpoint of the shortest connection (m, range frame).
    pub(crate) point_in_range: Point3<f64>,
    /// Length of the shortest connection (m).
    pub(crate) apart_m: f64,
    /// Distances along both rays (m).
    pub(crate) distance_m: [f64; 2],
}

/// Midpoint of two rays; `None` where they are nearly parallel (under 1°) or meet behind a camera.
pub(crate) fn meet(
    first: (&Point3<f64>, &UnitVector3<f64>),
    second: (&Point3<f64>, &UnitVector3<f64>),
) -> Option<Meeting> {
    let baseline: Vector3<f64> = second.0 - first.0;
    let cosine = first.1.dot(second.1);
    let sine2 = 1.0 - cosine * cosine;
    if sine2 < 3e-4 {
        return None;
    }
    let (along_first, along_second) = (baseline.dot(first.1), baseline.dot(second.1));
    let s = (along_first - cosine * along_second) / sine2;
    let t = (cosine * along_first - along_second) / sine2;
    let (p, q) = (
        first.0 + first.1.into_inner() * s,
        second.0 + second.1.into_inner() * t,
    );
    (s > 0.0 && t > 0.0).then(|| Meeting {
        point_in_range: nalgebra::center(&p, &q),
        apart_m: (q - p).norm(),
        distance_m: [s, t],
    })
}

/// Image scale (px per radian) at a pixel, the geometric mean over directions.
pub(crate) fn px_per_rad(camera: &Camera, pixel: &Point2<f64>) -> Option<f64> {
    let ray = camera.lens.ray_from_pixel(pixel)?;
    let projection = camera.lens.project(&Point3::from(ray.into_inner()))?;
    // Two directions across the ray.
    let aside = if ray.x.abs() < 0.9 {
        Vector3::x()
    } else {
        Vector3::y()
    };
    let right = ray.cross(&aside).normalize();
    let down = ray.cross(&right);
    let (a, b) = (
        projection.pixel_by_point * right,
        projection.pixel_by_point * down,
    );
    Some((a.x * b.y - a.y * b.x).abs().sqrt())
}

/// Centre of a ball's outline minus the image of the ball's centre (px), for a ball of `radius_m` whose image
/// lies about `pixel` with `radius_px`: a ball is seen as the cone of its tangents, cut by the image plane off-centre.
pub(crate) fn ball_bias_px(camera: &Camera, pixel: &Point2<f64>, radius_px: f64) -> Vector2<f64> {
    let bias = || {
        let ray = camera.lens.ray_from_pixel(pixel)?;
        let half_angle = radius_px / px_per_rad(camera, pixel)?;
        let axis = Vector3::z();
        let across = ray.cross(&axis);
        if across.norm() < 1e-6 {
            return Some(Vector2::zeros());
        }
        // The two tangents in the plane of the ray and the optical axis: ends of the outline's long axis.
        let turn = |angle: f64| {
            let rotation =
                nalgebra::Rotation3::from_axis_angle(&UnitVector3::new_normalize(across), angle);
            camera
                .lens
                .pixel_from_camera(&Point3::from(rotation * ray.into_inner()))
        };
        let middle = nalgebra::center(&turn(half_angle)?, &turn(-half_angle)?);
        Some(middle - pixel)
    };
    bias().unwrap_or_else(Vector2::zeros)
}

#[cfg(test)]
mod tests {
    use super::*;
    use drawarc_rig::{BrownConrady, ImageSize, Lens, Shutter};
    use nalgebra::Isometry3;

    #[test]
    fn a_ball_far_off_the_axis_looks_further_out_than_its_centre() {
        let camera = Camera {
            name: "a".to_owned(),
            image_size: ImageSize {
                width_px: 1920,
                height_px: 1080,
            },
            rotation_deg: 0,
            lens: Lens::BrownConrady(BrownConrady::pinhole(1500.0, 960.0, 540.0)),
            shutter: Shutter::global(0.002),
            camera_from_range: Isometry3::identity(),
        };
        // Ball of 15 mm radius at 2 m depth, 30° off: bias f·tan θ·sec²θ·α² (second order in the half angle α).
        let centre = Point3::new(2.0 * 30f64.to_radians().tan(), 0.0, 2.0);
        let pixel = camera.lens.pixel_from_camera(&centre).unwrap();
        let alpha = (0.015 / centre.coords.norm()).asin();
        let expected =
            1500.0 * 30f64.to_radians().tan() / 30f64.to_radians().cos().powi(2) * alpha * alpha;
        let radius = alpha * px_per_rad(&camera, &pixel).unwrap();
        let bias = ball_bias_px(&camera, &pixel, radius);
        assert!(
            (bias.x - expected).abs() < 0.02 * expected,
            "{bias} for {expected}"
        );
        assert!(bias.y.abs() < 1e-9);
        let on_axis = ball_bias_px(&camera, &Point2::new(960.0, 540.0), 10.0);
        assert!(on_axis.norm() < 1e-9);
    }
}
