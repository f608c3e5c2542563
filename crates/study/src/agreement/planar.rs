//! What a practitioner reads from one camera: motion assumed in a plane, scaled once.

use super::track::{ArrowLine, Axis, ElbowTrack};
use drawarc_rig::Camera;
use nalgebra::{Point2, UnitVector3, Vector2, Vector3};
use serde::{Deserialize, Serialize};

/// The plane in which the movement is assumed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AssumedPlane {
    /// The vertical plane along the arrow line (for what lies along it), or across it (for the way around): the camera's
    /// angle is known and its foreshortening corrected.
    Aligned,
    /// The plane that faces the camera: what the picture shows is taken as it looks.
    AsSeen,
}

/// Where the scale comes from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PlanarScale {
    /// A rod of this length (m) held in the plane at the arrow line's point, once along and once upright.
    KnownLength(f64),
    /// The distance from the camera to the plane, by tape, and the focal length.
    SurveyedDistance,
}

/// One way to make a single-camera estimate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanarEstimate {
    /// Name in tables.
    pub name: String,
    /// Plane.
    pub plane: AssumedPlane,
    /// Scale.
    pub scale: PlanarScale,
    /// Is the lens's distortion removed first?
    pub lens_corrected: bool,
}

/// Sightings of one camera over one shot.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PixelTrack {
    /// Range time of each sighting (s), rising.
    pub time_s: Vec<f64>,
    /// Centre of the marker (px); none where not seen.
    pub pixel: Vec<Option<Point2<f64>>>,
}

/// Why one camera gives no estimate of a coordinate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoEstimate {
    /// The plane stands on edge in this view.
    OnEdge,
    /// The view shows no such direction (up, from overhead).
    NotShown,
    /// The marker was not seen when it counts.
    NotSeen,
}

impl NoEstimate {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::OnEdge => "the plane of the movement stands on edge in this view",
            Self::NotShown => "this view does not show that direction",
            Self::NotSeen => "the marker was not seen when it counts",
        }
    }
}

/// Below this share of its true length a direction counts as on edge (sine of 10°): a setting would only tempt.
const LEAST_SHARE: f64 = 0.17;

/// Linear reading of one coordinate: `metres = (image − origin) / slope` along one axis of the shown picture.
struct Reading {
    /// 0 for the shown picture's right, 1 for its up.
    image_axis: usize,
    origin: f64,
    slope: f64,
}

/// Image coordinates of a pixel as shown: right and up, focal lengths divided out.
fn shown(camera: &Camera, pixel: &Point2<f64>, lens_corrected: bool) -> Option<Vector2<f64>> {
    let stored = if lens_corrected {
        let ray = camera.lens.ray_from_pixel(pixel)?;
        if ray.z <= 1e-6 {
            return None;
        }
        Vector2::new(ray.x / ray.z, ray.y / ray.z)
    } else {
        let p = camera.lens.parameters();
        Vector2::new((pixel.x - p[2]) / p[0], (pixel.y - p[3]) / p[1])
    };
    let (sine, cosine) = f64::from(camera.rotation_deg).to_radians().sin_cos();
    let right = cosine * stored.x - sine * stored.y;
    let down = sine * stored.x + cosine * stored.y;
    Some(Vector2::new(right, -down))
}

/// A direction in the range frame as the shown picture's right and up and the depth.
fn shown_direction(camera: &Camera, direction: &Vector3<f64>) -> Vector3<f64> {
    let stored = camera.camera_from_range.rotation * direction;
    let (sine, cosine) = f64::from(camera.rotation_deg).to_radians().sin_cos();
    let right = cosine * stored.x - sine * stored.y;
    let down = sine * stored.x + cosine * stored.y;
    Vector3::new(right, -down, stored.z)
}

/// Does the camera look mostly down?
fn is_overhead(camera: &Camera) -> bool {
    shown_direction(camera, &Vector3::z()).z.abs() > 0.8
}

/// The direction of a coordinate in the range frame.
fn direction_of(line: &ArrowLine, axis: Axis) -> UnitVector3<f64> {
    match axis {
        Axis::Away => line.level_away_in_range(),
        Axis::Behind => line.behind_in_range(),
        Axis::Up => Vector3::z_axis(),
    }
}

/// The axis of the shown picture along which a coordinate is read: 0 right, 1 up.
fn image_axis(axis: Axis, overhead: bool, seen: &Vector3<f64>) -> usize {
    match axis {
        Axis::Up => 1,
        _ if overhead => usize::from(seen.y.abs() > seen.x.abs()),
        _ => 0,
    }
}

/// Share (0 to 1) of a movement along a coordinate that shows in the camera's picture: 1 in full, 0 along the line of sight.
pub fn shown_share(camera: &Camera, line: &ArrowLine, axis: Axis) -> f64 {
    shown_direction(camera, &direction_of(line, axis))
        .xy()
        .norm()
}

/// Sets up the reading of one coordinate.
fn reading(
    camera: &Camera,
    line: &ArrowLine,
    axis: Axis,
    estimate: &PlanarEstimate,
) -> Result<Reading, NoEstimate> {
    let direction = direction_of(line, axis);
    let overhead = is_overhead(camera);
    if axis == Axis::Up && overhead {
        return Err(NoEstimate::NotShown);
    }
    let seen = shown_direction(camera, &direction);
    let image_axis = image_axis(axis, overhead, &seen);
    if seen[image_axis].abs() < LEAST_SHARE {
        return Err(NoEstimate::OnEdge);
    }
    // The direction that the practitioner lays the rod along.
    let along = match estimate.plane {
        AssumedPlane::Aligned => direction.into_inner(),
        AssumedPlane::AsSeen => facing(camera, image_axis, seen[image_axis]),
    };
    let slope_of = shown_direction(camera, &along)[image_axis];
    let project = |point: &nalgebra::Point3<f64>| {
        let pixel = camera.pixel_from_range(point).ok_or(NoEstimate::NotSeen)?;
        shown(camera, &pixel, estimate.lens_corrected).ok_or(NoEstimate::NotSeen)
    };
    let rod = line.rod_in_range(axis);
    let origin = project(&rod)?[image_axis];
    let slope = match estimate.scale {
        PlanarScale::SurveyedDistance => {
            let depth = (camera.camera_from_range * rod).z;
            slope_of / depth
        }
        PlanarScale::KnownLength(length_m) => {
            let half = along * (0.5 * length_m);
            let ends = [project(&(rod - half))?, project(&(rod + half))?];
            (ends[1] - ends[0])[image_axis] / length_m
        }
    };
    Ok(Reading {
        image_axis,
        origin,
        slope,
    })
}

/// Unit vector along the shown picture's axis, in the range frame, with the sign in which the wanted direction shows.
fn facing(camera: &Camera, image_axis: usize, sign: f64) -> Vector3<f64> {
    let (sine, cosine) = f64::from(camera.rotation_deg).to_radians().sin_cos();
    let stored = if image_axis == 0 {
        Vector3::new(cosine, -sine, 0.0)
    } else {
        Vector3::new(-sine, -cosine, 0.0)
    };
    let sign = if sign < 0.0 { -1.0 } else { 1.0 };
    camera.camera_from_range.rotation.inverse() * stored * sign
}

/// A single-camera track with the coordinates that it has, and why it lacks the others.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanarTrack {
    /// Coordinates; NaN where there is none.
    pub track: ElbowTrack,
    /// Why there is no `away`.
    pub no_away: Option<NoEstimate>,
    /// Why there is no `behind`.
    pub no_behind: Option<NoEstimate>,
    /// Why there is no `up`.
    pub no_up: Option<NoEstimate>,
}

impl PlanarTrack {
    /// Why a coordinate is missing.
    pub const fn missing(&self, axis: Axis) -> Option<NoEstimate> {
        match axis {
            Axis::Away => self.no_away,
            Axis::Behind => self.no_behind,
            Axis::Up => self.no_up,
        }
    }
}

/// The single-camera estimate of a track.
///
/// Each coordinate is read along one axis of the shown picture, `metres = (image − origin)/slope`: perspective, motion out
/// of the plane, tilt of the camera and (if not corrected) distortion stay in, as they do for a practitioner.
pub fn planar_track(
    camera: &Camera,
    pixels: &PixelTrack,
    line: &ArrowLine,
    estimate: &PlanarEstimate,
) -> PlanarTrack {
    let coordinate = |axis: Axis| -> (Vec<f64>, Option<NoEstimate>) {
        match reading(camera, line, axis, estimate) {
            Err(why) => (vec![f64::NAN; pixels.time_s.len()], Some(why)),
            Ok(reading) => {
                let values = pixels.pixel.iter().map(|pixel| {
                    pixel
                        .as_ref()
                        .and_then(|pixel| shown(camera, pixel, estimate.lens_corrected))
                        .map_or(f64::NAN, |image| {
                            (image[reading.image_axis] - reading.origin) / reading.slope
                        })
                });
                (values.collect(), None)
            }
        }
    };
    let (away_m, no_away) = coordinate(Axis::Away);
    let (behind_m, no_behind) = coordinate(Axis::Behind);
    let (up_m, no_up) = coordinate(Axis::Up);
    PlanarTrack {
        track: ElbowTrack {
            time_s: pixels.time_s.clone(),
            away_m,
            behind_m,
            up_m,
        },
        no_away,
        no_behind,
        no_up,
    }
}

/// What a stated camera would have seen of a path: its projection, without noise; `None` where outside the picture.
pub fn project_track(
    camera: &Camera,
    time_s: &[f64],
    points_in_range: &[nalgebra::Point3<f64>],
) -> PixelTrack {
    PixelTrack {
        time_s: time_s.to_vec(),
        pixel: points_in_range
            .iter()
            .map(|point| {
                camera
                    .pixel_from_range(point)
                    .filter(|pixel| camera.is_in_picture(pixel))
            })
            .collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::forecast::{Place, RigSketch, two_phones};
    use approx::assert_relative_eq;
    use drawarc_rig::ClockFace;
    use nalgebra::Point3;

    fn camera_at(place: Place, rotation_deg: u16) -> Camera {
        let mut sketch: RigSketch = two_phones();
        sketch.cameras[0].place = place;
        sketch.cameras[0].rotation_deg = rotation_deg;
        sketch.cameras[0].height_m = if place == Place::Overhead { 4.0 } else { 1.5 };
        sketch.cameras()[0].clone()
    }

    fn line() -> ArrowLine {
        ArrowLine {
            point_in_range: Point3::new(-0.05, -0.1, 1.49),
            away_in_range: UnitVector3::new_normalize(-Vector3::x()),
            side: 1.0,
            elbow_reach_m: 0.0,
        }
    }

    fn estimate(plane: AssumedPlane, scale: PlanarScale) -> PlanarEstimate {
        PlanarEstimate {
            name: "test".to_owned(),
            plane,
            scale,
            lens_corrected: true,
        }
    }

    /// Away, behind and up as one camera reads a small step from the line's point along each.
    fn read(camera: &Camera, step: Vector3<f64>, how: &PlanarEstimate) -> [f64; 3] {
        let points = [line().point_in_range + step];
        let track = planar_track(
            camera,
            &project_track(camera, &[0.0], &points),
            &line(),
            how,
        )
        .track;
        [track.away_m[0], track.behind_m[0], track.up_m[0]]
    }

    #[test]
    fn in_its_plane_every_angle_reads_true_and_on_edge_it_says_so() {
        let scale = PlanarScale::KnownLength(0.05);
        for rotation_deg in [0, 90] {
            for hours in [3.0, 4.0, 5.0, 8.0, 9.0] {
                let camera = camera_at(Place::Clock(ClockFace::from_hours(hours)), rotation_deg);
                let [away, ..] = read(
                    &camera,
                    -Vector3::x() * 0.01,
                    &estimate(AssumedPlane::Aligned, scale),
                );
                assert_relative_eq!(away, 0.01, max_relative = 0.02);
                let [_, _, up] = read(
                    &camera,
                    Vector3::z() * 0.01,
                    &estimate(AssumedPlane::Aligned, scale),
                );
                assert_relative_eq!(up, 0.01, max_relative = 0.02);
            }
            let behind_view = camera_at(Place::Clock(ClockFace::from_hours(6.0)), rotation_deg);
            let aligned = estimate(AssumedPlane::Aligned, scale);
            let [away, behind, _] = read(&behind_view, Vector3::y() * 0.01, &aligned);
            assert!(away.is_nan());
            assert_relative_eq!(behind, 0.01, max_relative = 0.02);
            let overhead = camera_at(Place::Overhead, rotation_deg);
            let [away, behind, up] = read(&overhead, Vector3::new(-0.01, 0.02, 0.0), &aligned);
            assert_relative_eq!(away, 0.01, max_relative = 0.02);
            assert_relative_eq!(behind, 0.02, max_relative = 0.02);
            assert!(up.is_nan());
        }
    }

    /// As it looks, a step toward the target shrinks with the sine of the angle to the line: 1 from 3 o'clock, sin 30° from
    /// 5 o'clock; from 6 there is nothing to read.
    #[test]
    fn as_seen_a_collapse_shrinks_with_the_angle() {
        let how = estimate(AssumedPlane::AsSeen, PlanarScale::SurveyedDistance);
        for (hours, share) in [(3.0, 1.0), (4.0, 0.866), (5.0, 0.5)] {
            let camera = camera_at(Place::Clock(ClockFace::from_hours(hours)), 90);
            let [away, ..] = read(&camera, Vector3::x() * 0.01, &how);
            assert_relative_eq!(away, -0.01 * share, epsilon = 7e-4);
        }
        let camera = camera_at(Place::Clock(ClockFace::from_hours(6.0)), 90);
        assert!(read(&camera, Vector3::x() * 0.01, &how)[0].is_nan());
        assert!(shown_share(&camera, &line(), Axis::Away) < 0.1);
    }
}
