//! `drawarc survey` on real stereo photographs, against the published result.
//!
//! Source of the photographs: Debian's `opencv-doc`, examples/data/left*.jpg and right*.jpg, which are the images of
//! J.-Y. Bouguet, Camera Calibration Toolbox, example 5 (stereo); 9 × 6 inner corners, squares of 30 mm. Source of the
//! figures: that example's page.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(clippy::print_stdout, reason = "the measured figures are printed")]

mod support;

use drawarc_rig::Rig;
use std::fmt::Write;
use std::fs;
use std::path::Path;
use support::say;

const FOLDER: &str = "/usr/share/doc/opencv-doc/examples/data";

fn surveyed(folder: &Path) -> Rig {
    let board = "format: drawarc-board/1\nname: thirty\ncolumns: 9\nrows: 6\npitch_x_mm: 30\npitch_y_mm: 30\n";
    fs::write(folder.join("board.yaml"), board).unwrap();
    let mut text = "format: drawarc-practice/1\ntitle: Stereo\ndate: 2026-01-02\nboard: board.yaml\ncameras:\n".to_owned();
    for side in ["left", "right"] {
        writeln!(text, "  - name: {side}\n    stills:").unwrap();
        // The package has no pair 10.
        for number in (1..=14).filter(|number| *number != 10) {
            let path = format!("{FOLDER}/{side}{number:02}.jpg");
            assert!(Path::new(&path).exists(), "{path}: install opencv-doc");
            writeln!(text, "      - {path}").unwrap();
        }
    }
    fs::write(folder.join("practice.yaml"), text).unwrap();
    let said = say(folder, &["survey", "practice.yaml", "--into", "rig.yaml"]);
    assert_eq!(said.code, 0, "{}", said.err);
    let picture = fs::read_to_string(folder.join("rig.coverage.svg")).unwrap();
    assert!(
        picture.matches("13 views, board").count() == 2 && picture.ends_with("</svg>\n"),
        "{picture}"
    );
    Rig::read(&folder.join("rig.yaml")).unwrap()
}

#[test]
fn the_command_surveys_real_photographs_as_published() {
    let folder = tempfile::tempdir().unwrap();
    let rig = surveyed(folder.path());
    let [left, right] = &rig.cameras[..] else {
        panic!("{} cameras", rig.cameras.len())
    };

    // om and T with the ± printed beside them.
    let right_from_left = right.camera_from_range * left.camera_from_range.inverse();
    let turn = right_from_left.rotation.scaled_axis();
    let shift_mm = right_from_left.translation.vector * 1000.0;
    let turn_published = [(0.00669, 0.0027), (0.00452, 0.00308), (-0.0035, 0.00029)];
    let shift_published = [(-99.80198, 0.142), (1.12443, 0.11352), (0.05041, 0.49773)];
    println!("om {:?}, T {:?} mm", turn.as_slice(), shift_mm.as_slice());
    for axis in 0..3 {
        let (value, within) = turn_published[axis];
        assert!((turn[axis] - value).abs() <= within, "om {turn}");
        let (value, within) = shift_published[axis];
        assert!((shift_mm[axis] - value).abs() <= within, "T {shift_mm}");
    }

    // Focal lengths, horizontal and vertical: within three of the survey's own standard deviations.
    for (index, published) in [[533.52, 533.53], [536.81, 536.48]].iter().enumerate() {
        let first = rig.block(index).start + 6;
        let found = rig.cameras[index].lens.parameters();
        for (k, value) in published.iter().enumerate() {
            let sd = rig.covariance[(first + k, first + k)].sqrt();
            println!(
                "camera {index}: f {:.3} ± {sd:.3}, published {value}",
                found[k]
            );
            assert!((found[k] - value).abs() <= 3.0 * sd);
        }
    }

    println!("residual {:?} px", rig.survey.residual_px);
    assert_eq!(rig.survey.residual_px.len(), 2);
    assert!(rig.survey.residual_px.iter().all(|px| *px <= 0.25));
}
