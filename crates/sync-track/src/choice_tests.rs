//! Whose elbow it is: the archer's who waits and steps up to the line, not that of who stands beside it or walks through.
#![expect(clippy::print_stdout, reason = "measured figures are shown")]

use crate::outline::Outline;
use crate::series::LookedAt;
use crate::test_cameras::{camera, exact_rig};
use crate::trail::{Shown, Trail, TrailPoint};
use crate::{MarkerColour, MarkerRole, MarkerShape, MarkerSpec, NamedColour, Trails};
use drawarc_rig::{Camera, ClockModel, Rig, Shutter};
use nalgebra::{Matrix2, Point3, Vector2};

const FRAMES: u32 = 600;
const RATE_HZ: f64 = 30.0;
/// The cameras' focal length.
const FOCAL_PX: f64 = 1500.0;
const RADIUS_M: f64 = 0.014;

fn rig() -> Rig {
    let places = [Point3::new(-3.0, -1.9, 1.5), Point3::new(0.3, -3.5, 1.9)];
    let camera = |place| Camera {
        shutter: Shutter::global(0.002),
        ..camera(place, Point3::new(-0.2, 0.0, 1.4))
    };
    exact_rig(places.map(camera).to_vec())
}

/// A place goes from one to the other between two instants (s).
fn way(
    t: f64,
    (from, to): (Point3<f64>, Point3<f64>),
    (begins_s, ends_s): (f64, f64),
) -> Point3<f64> {
    from + (to - from) * ((t - begins_s) / (ends_s - begins_s)).clamp(0.0, 1.0)
}

/// A trail of everything that a camera sees of a place.
fn seen_from(camera: &Camera, place: &dyn Fn(f64) -> Point3<f64>) -> Trail {
    let shown = |frame: u32| {
        let camera_s = f64::from(frame) / RATE_HZ;
        let point = place(camera_s);
        let centre_px = camera.pixel_from_range(&point).unwrap();
        let depth_m = (camera.camera_from_range * point).z;
        let outline = Outline {
            centre_px,
            half_axes_px: Vector2::repeat(FOCAL_PX * RADIUS_M / depth_m),
            angle: 0.0,
        };
        let point = TrailPoint {
            frame_index: u64::from(frame),
            camera_s,
            outline,
            covariance_px2: Matrix2::identity() * 0.01,
            fitted: true,
            patch_px: centre_px,
            skipped: false,
            rests_from: u64::from(frame),
            clear_share: 1.0,
            at_border: false,
        };
        Shown {
            point,
            misfit: 0.1,
            colour: [120.0, -40.0, 60.0],
            peak: 1.0,
            learned: None,
        }
    };
    let mut trail = Trail::new(0, &shown(0));
    for frame in 1..FRAMES {
        trail.push(&shown(frame));
    }
    trail
}

/// In how many frames of both cameras something was taken for the elbow.
fn taken(place: &dyn Fn(f64) -> Point3<f64>) -> [usize; 2] {
    let rig = rig();
    let markers = [MarkerSpec {
        role: MarkerRole::Elbow,
        shape: MarkerShape::Ball {
            diameter_m: 2.0 * RADIUS_M,
        },
        colour: MarkerColour::Named(NamedColour::Orange),
    }];
    let frames = (0..FRAMES).map(|frame| (u64::from(frame), f64::from(frame) / RATE_HZ));
    let looked_at = LookedAt {
        frames: frames.collect(),
        keys: Vec::new(),
    };
    let found = rig
        .cameras
        .iter()
        .map(|camera| vec![seen_from(camera, place)]);
    let trails = Trails::new(&markers, vec![looked_at; 2], found.collect()).unwrap();
    let clocks = [ClockModel::identity(), ClockModel::constant(0.0, 1e-8)];
    let series = trails
        .choose(&rig, Some(&clocks), &crate::ChoiceSettings::default())
        .unwrap();
    [0, 1].map(|camera| series[camera].seen().count())
}

#[test]
fn an_archer_who_waits_behind_the_line_and_steps_up_to_it_is_followed_throughout() {
    let (waits, shoots) = (Point3::new(-1.1, 1.6, 0.8), Point3::new(-0.3, 0.0, 1.2));
    let seen = taken(&|t| way(t, (waits, shoots), (12.0, 13.5)));
    println!("seen in {seen:?} of {FRAMES} frames");
    assert!(seen.iter().all(|&seen| seen > 590), "{seen:?}");
}

#[test]
fn who_stands_on_the_next_lane_is_not_the_archer() {
    let (stands, sways) = (Point3::new(-0.3, 1.9, 1.2), Point3::new(-0.1, 2.0, 1.4));
    let seen = taken(&|t| way(t, (stands, sways), (5.0, 8.0)));
    assert_eq!(seen, [0, 0]);
}

#[test]
fn who_walks_past_the_archers_place_is_not_the_archer() {
    let (comes, goes) = (Point3::new(-0.5, 3.2, 1.0), Point3::new(0.0, -1.9, 1.0));
    // At 1.3 m/s, as people walk.
    let seen = taken(&|t| way(t, (comes, goes), (8.0, 8.0 + 5.1 / 1.3)));
    assert_eq!(seen, [0, 0]);
}
