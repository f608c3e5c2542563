//! A camera that was not bumped: `vtest.avi` of Debian's `opencv-doc` (examples/data), people walking, 795 frames. And the
//! same pictures as a knocked tripod would show them.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test: it fails where it unwraps, and prints what it measured"
)]

use drawarc_calibration::{BackgroundReference, CameraVerdict, GrayView, standing};
use drawarc_footage::{Limits, Plane, Recording};
use drawarc_rig::{BrownConrady, Lens};
use nalgebra::{Point2, UnitQuaternion, Vector3};
use std::sync::OnceLock;

const FILE: &str = "/usr/share/doc/opencv-doc/examples/data/vtest.avi";

/// Every tenth picture.
fn pictures() -> &'static [Plane] {
    static ALL: OnceLock<Vec<Plane>> = OnceLock::new();
    ALL.get_or_init(|| {
        let recording = Recording::open(&[FILE.into()], &Limits::default()).unwrap();
        let mut reader = recording.frames(2).unwrap();
        let mut planes = Vec::new();
        while let Some(frame) = reader.next_frame().unwrap() {
            if frame.index % 10 == 0 {
                planes.push(frame.picture.luma.to_gray8());
            }
        }
        planes
    })
}

fn lens() -> Lens {
    // The camera is unknown; an ordinary field of view.
    Lens::BrownConrady(BrownConrady::pinhole(700.0, 383.5, 287.5))
}

fn view(plane: &Plane) -> GrayView<'_> {
    GrayView::of_plane(plane).unwrap()
}

fn reference() -> BackgroundReference {
    let first: Vec<GrayView<'_>> = pictures()[..6].iter().map(view).collect();
    BackgroundReference::from_pictures(&first).unwrap()
}

/// The picture that the camera would take after turning (rad about its axes) and zooming.
fn turned(plane: &Plane, turn: Vector3<f64>, zoom: f64) -> Plane {
    let lens = lens();
    let picture = view(plane);
    let new_from_old = UnitQuaternion::from_scaled_axis(turn);
    let (width, height) = (plane.width(), plane.height());
    let middle = Point2::new(383.5, 287.5);
    let mut samples = Vec::with_capacity(width * height);
    for y in 0..height {
        for x in 0..width {
            let pixel = Point2::new(x as f64, y as f64);
            let pixel = middle + (pixel - middle) / (1.0 + zoom);
            let ray = lens.ray_from_pixel(&pixel).unwrap();
            let old = lens
                .pixel_from_camera(&(new_from_old.inverse() * ray.into_inner()).into())
                .unwrap();
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a grey level"
            )]
            samples.push(picture.sample(old).round() as u8);
        }
    }
    Plane::from_u8(width, height, samples).unwrap()
}

#[test]
fn people_walk_the_camera_stands() {
    let reference = reference();
    assert!(reference.patches.len() >= 30, "{}", reference.patches.len());
    let mut largest = 0.0f64;
    let mut series = Vec::new();
    for (index, plane) in pictures().iter().enumerate() {
        let shift = reference.compare(view(plane), &lens());
        largest = largest.max(shift.turn_deg());
        assert_eq!(
            shift.verdict,
            CameraVerdict::Unmoved,
            "picture {index}: {shift:?}"
        );
        series.push((index as f64, shift));
    }
    println!(
        "largest turn {largest:.5} deg over {} pictures",
        series.len()
    );
    let found = standing(&series);
    assert_eq!(found.changed(), None);
    assert_eq!(
        (found.stands.len(), found.restless),
        (1, false),
        "{found:?}"
    );
}

#[test]
fn a_knock_of_two_hundredths_of_a_degree_is_seen() {
    let reference = reference();
    for (degrees, axis) in [
        (0.02, Vector3::y()),
        (0.05, Vector3::x()),
        (0.3, Vector3::new(0.6, 0.8, 0.0)),
    ] {
        let turn = axis * f64::to_radians(degrees);
        let later = turned(&pictures()[40], turn, 0.0);
        let shift = reference.compare(view(&later), &lens());
        println!(
            "{degrees} deg: {:.4} ± {:.4}, {:?}",
            shift.turn_deg(),
            shift.turn_sd_deg,
            shift.patches
        );
        assert_eq!(shift.verdict, CameraVerdict::Moved, "{shift:?}");
        assert!(
            (Vector3::from(shift.turn) - turn).norm().to_degrees() < 0.004 + 0.02 * degrees,
            "{shift:?}"
        );
    }
}

#[test]
fn a_refocus_is_told_from_a_knock() {
    let later = turned(&pictures()[40], Vector3::zeros(), 0.004);
    let shift = reference().compare(view(&later), &lens());
    println!("{shift:?}");
    assert_eq!(shift.verdict, CameraVerdict::Zoomed);
    assert!((shift.zoom - 0.004).abs() < 0.0005);
}

#[test]
fn another_scene_is_unclear_not_unmoved() {
    let grey = Plane::filled(768, 576, 8, 90);
    let shift = reference().compare(view(&grey), &lens());
    assert_eq!(shift.verdict, CameraVerdict::Unclear);
}

/// Over a plain floor few spots are found again, and a shadow or a foot moves one or two of them: what counts is how well the
/// turn is known.
#[test]
fn few_spots_are_enough_where_they_tell_the_turn() {
    let mut reference = reference();
    let step = reference.patches.len() / 9;
    reference.patches = reference
        .patches
        .into_iter()
        .step_by(step)
        .take(9)
        .collect();
    let whole = reference.clone();
    reference.patches[3].centre_px[0] += 15;
    reference.patches[6].centre_px[1] -= 15;
    let still = reference.compare(view(&pictures()[1]), &lens());
    println!("{still:?}");
    assert!(still.patches.0 >= 8 && still.patches.1 <= 7, "{still:?}");
    assert_eq!(still.verdict, CameraVerdict::Unmoved, "{still:?}");
    let knocked = turned(&pictures()[1], Vector3::x() * f64::to_radians(0.1), 0.0);
    let knocked = reference.compare(view(&knocked), &lens());
    assert_eq!(knocked.verdict, CameraVerdict::Moved, "{knocked:?}");
    // Where they pull in all directions nothing is said, though many may be called agreed.
    let mut torn = whole;
    for (k, patch) in (0_i32..).zip(&mut torn.patches) {
        patch.centre_px[usize::from(k % 2 == 1)] += 4 * (k - 4);
    }
    let torn = torn.compare(view(&pictures()[1]), &lens());
    assert_eq!(torn.verdict, CameraVerdict::Unclear, "{torn:?}");
}
