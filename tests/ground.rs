//! `ground:` of a manifest, through the command, on film: surveyed points fix the range, a plumb line levels it.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test: it fails where it unwraps, and prints what it measured"
)]

mod support;

use drawarc_range_sim::{TrueCamera, Truth, project};
use drawarc_rig::{Level, RangeFrame, Rig, log};
use nalgebra::{Isometry3, Matrix3, Point3, Quaternion, Translation3, UnitQuaternion, Vector3};
use std::fmt::Write as _;
use std::fs;
use support::{cut, demo, manifest, say};

/// How far a finger on a mouse misses (px); four marks of a point or so.
const MISSES_PX: [[f64; 2]; 4] = [[0.3, -0.2], [-0.25, 0.3], [0.1, 0.35], [-0.3, -0.15]];

/// By then the board has been taken off the line (s).
const BOARD_S: f64 = 19.6;

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

/// Surveys the part of the demo's films that shows the board with this `ground:`.
fn surveyed(ground: &str) -> Rig {
    let folder = tempfile::tempdir().unwrap();
    let demo = demo();
    for name in ["five.mp4", "three.mp4"] {
        cut(
            &demo.join(name),
            &folder.path().join(name),
            (0.0, BOARD_S),
            0.0,
        );
    }
    let text = manifest("five.mp4", "three.mp4");
    let board = text
        .lines()
        .find(|line| line.starts_with("board:"))
        .unwrap();
    let own = format!("board: {}", demo.join("board.yaml").display());
    // A read-out taken for certain that is 2 ms off turned a camera by 3 mrad.
    let text = text
        .replace(board, &own)
        .replace("readout_ms: 16", "readout_ms: 16\n    readout_sd_ms: 4")
        + ground;
    fs::write(folder.path().join("practice.yaml"), text).unwrap();
    let said = say(
        folder.path(),
        &["survey", "practice.yaml", "--into", "rig.yaml"],
    );
    assert_eq!(said.code, 0, "{}", said.err);
    Rig::from_yaml(&fs::read_to_string(folder.path().join("rig.yaml")).unwrap()).unwrap()
}

/// Where the surveyed cameras have a place that the true ones see: halfway between the two lines of sight.
fn seen_again(rig: &Rig, truth: &Truth, place: &Point3<f64>) -> Point3<f64> {
    let mut across = Matrix3::zeros();
    let mut pull = Vector3::zeros();
    for (camera, planted) in rig.cameras.iter().zip(&truth.cameras) {
        let pixel = project(&planted.lens, &(pose(planted) * place)).unwrap();
        let ray = camera.ray_in_range(&pixel).unwrap().into_inner();
        let projector = Matrix3::identity() - ray * ray.transpose();
        across += projector;
        pull += projector * camera.centre_in_range().coords;
    }
    Point3::from(across.try_inverse().unwrap() * pull)
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
        let start = rig.block(index).start;
        let score = |k: usize| apart[k] / rig.covariance[(start + k, start + k)].sqrt();
        let scores: [f64; 6] = std::array::from_fn(score);
        println!("{}: in standard deviations {scores:.2?}", camera.name);
        assert!(scores.iter().all(|score| score.abs() < 3.5), "{scores:?}");
    }
    let elbow = Point3::new(-0.2, 0.0, 1.35);
    let off = seen_again(&rig, &truth, &elbow) - surveyor_from_range * elbow;
    println!("a point at the elbow off by {:.2} mm", 1000.0 * off.norm());
    // Marks are a third of a pixel off: half a millimetre to one at 3.5 m.
    assert!(off.norm() < 0.003, "{off}");
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
        println!(
            "{}: leans by {lean_mrad:.2} mrad, heading off by {heading_mrad:.2} mrad",
            camera.name
        );
        // Half a pixel at 1.5 m of post and 3.5 m away is 0.8 mrad.
        assert!(
            lean_mrad < 2.0 && heading_mrad.abs() < 2.0,
            "{lean_mrad} {heading_mrad}"
        );
    }
    let origin_mm = 1000.0 * seen_again(&rig, &truth, &Point3::origin()).coords.norm();
    println!("origin off by {origin_mm:.2} mm");
    assert!(origin_mm < 3.0, "{origin_mm}");
}
