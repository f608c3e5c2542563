//! `ground:` of a manifest, through the command, on film: surveyed points fix the range, a plumb line levels it.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test: it fails where it unwraps, and prints what it measured"
)]

mod support;

use drawarc_range_sim::{TrueCamera, Truth, project};
use drawarc_rig::{Level, RangeFrame, Rig, log};
use nalgebra::{Isometry3, Point3, Quaternion, Translation3, UnitQuaternion, Vector3};
use std::fmt::Write as _;
use std::fs;
use std::path::PathBuf;
use support::{demo, manifest, say};

/// How far a finger on a mouse misses (px); four marks of a point or so.
const MISSES_PX: [[f64; 2]; 4] = [[0.3, -0.2], [-0.25, 0.3], [0.1, 0.35], [-0.3, -0.15]];

fn truth() -> Truth {
    serde_json::from_slice(&fs::read(demo().join("truth.json")).unwrap()).unwrap()
}

fn pose(camera: &TrueCamera) -> Isometry3<f64> {
    let [i, j, k, w] = camera.camera_from_range_rotation_ijkw;
    Isometry3::from_parts(
        Translation3::from(Vector3::from(camera.camera_from_range_translation_m)),
        UnitQuaternion::from_quaternion(Quaternion::new(w, i, j, k)),
    )
}

/// `seen:` of a place in YAML's flow style, marked as well as a hand can.
fn marked(truth: &Truth, place: &Point3<f64>, number: usize) -> String {
    let mut text = String::from("{");
    for (index, camera) in truth.cameras.iter().enumerate() {
        let pixel = project(&camera.lens, &(pose(camera) * place)).unwrap();
        let [dx, dy] = MISSES_PX[(2 * number + index) % MISSES_PX.len()];
        let (x, y) = (pixel.x + dx, pixel.y + dy);
        assert!(x > 0.0 && y > 0.0 && x < 1919.0 && y < 1079.0, "{pixel}");
        let _ = write!(text, "{}: [{x:.2}, {y:.2}], ", camera.name);
    }
    text + "}"
}

/// Surveys the demo's films with this `ground:`.
fn surveyed(ground: &str) -> Rig {
    let folder = tempfile::tempdir().unwrap();
    let demo = demo();
    let path = |name: &str| -> PathBuf { demo.join(name) };
    let text = manifest(
        path("five.mp4").to_str().unwrap(),
        path("three.mp4").to_str().unwrap(),
    );
    let board = text
        .lines()
        .find(|line| line.starts_with("board:"))
        .unwrap();
    let own = format!("board: {}", path("board.yaml").display());
    let text = text.replace(board, &own) + ground;
    fs::write(folder.path().join("practice.yaml"), text).unwrap();
    let said = say(
        folder.path(),
        &["survey", "practice.yaml", "--into", "rig.yaml"],
    );
    assert_eq!(said.code, 0, "{}", said.err);
    Rig::from_yaml(&fs::read_to_string(folder.path().join("rig.yaml")).unwrap()).unwrap()
}

/// The surveyor's frame is not the board's: it stands 0.4 m farther back, turned by 25°, 0.3 m lower.
#[test]
fn surveyed_points_fix_the_range() {
    let truth = truth();
    let surveyor_from_range = Isometry3::from_parts(
        Translation3::new(0.4, -0.1, 0.3),
        UnitQuaternion::from_axis_angle(&Vector3::z_axis(), 25f64.to_radians()),
    );
    let places = [
        [0.5, -0.6, 0.0],
        [-0.8, 0.5, 0.1],
        [0.6, 0.7, 0.9],
        [-0.6, -0.2, 1.5],
    ]
    .map(Point3::from);
    let mut ground = String::from("ground:\n  points:\n");
    for (number, place) in places.iter().enumerate() {
        let at = surveyor_from_range * place;
        let seen = marked(&truth, place, number);
        let _ = writeln!(
            ground,
            "    - {{at_m: [{:.4}, {:.4}, {:.4}], seen: {seen}}}",
            at.x, at.y, at.z
        );
    }
    let rig = surveyed(&ground);
    assert!(matches!(rig.range_frame, RangeFrame::SurveyedPoints));
    for (index, (camera, planted)) in rig.cameras.iter().zip(&truth.cameras).enumerate() {
        let wanted = pose(planted) * surveyor_from_range.inverse();
        let apart = log(&(camera.camera_from_range * wanted.inverse()));
        let eye_mm =
            1000.0 * (camera.centre_in_range() - wanted.inverse() * Point3::origin()).norm();
        let start = rig.block(index).start;
        let score = |k: usize| apart[k] / rig.covariance[(start + k, start + k)].sqrt();
        let scores: [f64; 6] = std::array::from_fn(score);
        println!(
            "{}: eye off by {eye_mm:.2} mm, in standard deviations {scores:.2?}",
            camera.name
        );
        assert!(eye_mm < 8.0, "{eye_mm}");
        assert!(scores.iter().all(|score| score.abs() < 3.5), "{scores:?}");
    }
}

/// The board lay on a slope of 2.9°, as the post has it: up is the post, the arrow keeps its heading.
#[test]
fn a_plumb_line_levels_the_range() {
    let truth = truth();
    let up = Vector3::new(0.03, -0.04, 1.0).normalize();
    let bottom = Point3::new(0.5, 0.2, 0.1);
    let ground = format!(
        "ground:\n  plumb:\n    top: {}\n    bottom: {}\n",
        marked(&truth, &(bottom + 1.5 * up), 0),
        marked(&truth, &bottom, 1)
    );
    let rig = surveyed(&ground);
    assert_eq!(rig.level, Level::Plumb);
    for (camera, planted) in rig.cameras.iter().zip(&truth.cameras) {
        let found_from_true = camera.camera_from_range.inverse() * pose(planted);
        let lean_mrad = 1000.0 * (found_from_true * up).angle(&Vector3::z());
        let heading_mrad = 1000.0 * (found_from_true * Vector3::x()).y;
        let origin_mm = 1000.0 * (found_from_true * Point3::origin()).coords.norm();
        println!(
            "{}: leans by {lean_mrad:.2} mrad, heading off by {heading_mrad:.2} mrad, origin by {origin_mm:.2} mm",
            camera.name
        );
        // Half a pixel at 1.5 m of post and 3.5 m away is 0.8 mrad.
        assert!(
            lean_mrad < 2.0 && heading_mrad.abs() < 2.0,
            "{lean_mrad} {heading_mrad}"
        );
        assert!(origin_mm < 3.0, "{origin_mm}");
    }
}
