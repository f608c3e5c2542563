//! A surveyed rig as a sketch, so that its cameras can be moved on paper.

use super::danger::OVERHEAD_WITHIN_M;
use super::marker::MarkerKind;
use super::nominal_shot::NominalArcher;
use super::sketch::{
    Place, RigSketch, SKETCH_FORMAT, SketchCamera, SketchLens, SketchSurvey, Surroundings, Sync,
};
use drawarc_rig::{Camera, ClockFace, Rig};
use nalgebra::{Point3, Vector3};

/// A camera is aimed at the archer at this height, at most (m).
const AIM_HIGHEST_M: f64 = 3.0;

/// What a rig file does not say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UsedAs {
    /// Frames a second.
    pub rate_hz: f64,
    /// Clocks of all cameras against the first.
    pub sync: Sync,
    /// Who shoots.
    pub archer: NominalArcher,
    /// The marker.
    pub marker: MarkerKind,
}

/// The sketch that a coach with a tape measure would draw of a surveyed rig: places, heights and aim of the cameras as they
/// were surveyed, lenses without distortion, the survey that a sketch plans. Walls stand where the defaults put them, or
/// behind the farthest camera; tripods go as high and low as they do here.
pub fn sketch_of(rig: &Rig, used: UsedAs) -> RigSketch {
    let cameras: Vec<SketchCamera> = rig
        .cameras
        .iter()
        .map(|camera| sketched(camera, used))
        .collect();
    let mut surroundings = Surroundings::default();
    for (sketched, camera) in cameras.iter().zip(&rig.cameras) {
        let centre = camera.centre_in_range();
        if sketched.place == Place::Overhead {
            surroundings.ceiling_m = surroundings.ceiling_m.max(centre.z);
            continue;
        }
        let toward = [-centre.y, -centre.x, centre.y];
        for (wall, reached) in surroundings.room_m.iter_mut().zip(toward) {
            *wall = wall.max(reached);
        }
        let [low, high] = &mut surroundings.tripod_height_m;
        *low = low.min(centre.z);
        *high = high.max(centre.z);
    }
    RigSketch {
        format: SKETCH_FORMAT.to_owned(),
        name: "as surveyed".to_owned(),
        archer: used.archer,
        marker: used.marker,
        surroundings,
        survey: SketchSurvey::default(),
        cameras,
    }
}

fn sketched(camera: &Camera, used: UsedAs) -> SketchCamera {
    let centre = camera.centre_in_range();
    let away_m = centre.x.hypot(centre.y);
    let overhead =
        away_m < OVERHEAD_WITHIN_M && centre.z > Surroundings::default().tripod_height_m[1];
    SketchCamera {
        name: camera.name.clone(),
        place: if overhead {
            Place::Overhead
        } else {
            Place::Clock(ClockFace::of_position(&centre, &Point3::origin()))
        },
        distance_m: if overhead { 0.0 } else { away_m },
        height_m: centre.z,
        aim_height_m: (!overhead).then(|| aim_height_m(camera)),
        lens: SketchLens::FocalPx(camera.lens.parameters()[0]),
        image_size: camera.image_size,
        rotation_deg: camera.rotation_deg,
        rate_hz: used.rate_hz,
        readout_s: camera.shutter.readout_s,
        readout_sd_s: camera.shutter.readout_sd_s,
        exposure_s: camera.shutter.exposure_s,
        sync: used.sync,
    }
}

/// Height (m) at which the optical axis passes the archer's place, as far up the axis as the archer stands away.
fn aim_height_m(camera: &Camera) -> f64 {
    let centre = camera.centre_in_range();
    let forward = camera.camera_from_range.rotation.inverse() * Vector3::z();
    let across = forward.x.hypot(forward.y);
    let reach = centre.x.hypot(centre.y) / across.max(1e-3);
    (centre.z + reach * forward.z).clamp(0.0, AIM_HIGHEST_M)
}

#[cfg(test)]
mod tests {
    use super::super::nominal_survey::nominal_rig;
    use super::super::sketch::two_phones;
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn a_sketch_surveyed_and_sketched_again_is_the_same() {
        let mut first = two_phones();
        first.cameras[0].aim_height_m = Some(1.0);
        first.cameras[1].aim_height_m = Some(1.2);
        first.cameras.push(SketchCamera {
            name: "above".to_owned(),
            place: Place::Overhead,
            distance_m: 0.0,
            height_m: 3.6,
            aim_height_m: None,
            ..first.cameras[0].clone()
        });
        let rig = nominal_rig(&first).unwrap();
        let used = UsedAs {
            rate_hz: 60.0,
            sync: Sync::Sound,
            archer: first.archer,
            marker: first.marker,
        };
        let again = sketch_of(&rig, used);
        assert!(again.validate().is_ok());
        assert_relative_eq!(again.surroundings.ceiling_m, 3.6, epsilon = 1e-9);
        for (a, b) in again.cameras.iter().zip(&first.cameras) {
            let place = |camera: &SketchCamera| String::from(camera.place);
            assert_eq!(place(a), place(b));
            assert_relative_eq!(a.distance_m, b.distance_m, epsilon = 1e-9);
            assert_relative_eq!(a.height_m, b.height_m, epsilon = 1e-9);
            assert_relative_eq!(a.focal_px(), b.focal_px(), epsilon = 1e-9);
        }
        // The aim of a sketch is a point a little behind the origin, so its height there differs by a few centimetres.
        for (a, b) in again.cameras.iter().zip([1.0, 1.2]) {
            assert_relative_eq!(a.aim_height_m.unwrap(), b, epsilon = 0.06);
        }
    }

    #[test]
    fn a_camera_far_away_moves_the_wall() {
        let mut sketch = two_phones();
        sketch.cameras[1].distance_m = 7.0;
        sketch.survey.views_in_volume = 200;
        let rig = nominal_rig(&sketch).unwrap();
        let again = sketch_of(
            &rig,
            UsedAs {
                rate_hz: 60.0,
                sync: Sync::Sound,
                archer: sketch.archer,
                marker: sketch.marker,
            },
        );
        assert_relative_eq!(again.surroundings.room_m[0], 7.0, epsilon = 1e-6);
        assert_relative_eq!(again.surroundings.room_m[2], 4.0, epsilon = 1e-6);
    }
}
