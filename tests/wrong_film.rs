//! Wrong input that only a film shows: cuts of the demo practice, each with one thing amiss.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

mod support;

use drawarc_rig::Rig;
use nalgebra::{Isometry3, Vector3};
use std::fs;
use std::path::Path;
use support::{Said, cut, demo, manifest, say};

/// Cuts both videos, lets `change` have its way with the manifest, and runs.
fn run_cut(
    five: ((f64, f64), f64),
    three: ((f64, f64), f64),
    change: impl FnOnce(&Path, String) -> String,
) -> Said {
    let demo = demo();
    let folder = tempfile::tempdir().unwrap();
    cut(
        &demo.join("five.mp4"),
        &folder.path().join("five.mp4"),
        five.0,
        five.1,
    );
    cut(
        &demo.join("three.mp4"),
        &folder.path().join("three.mp4"),
        three.0,
        three.1,
    );
    fs::copy(demo.join("board.yaml"), folder.path().join("board.yaml")).unwrap();
    fs::copy(
        demo.join("results/rig.yaml"),
        folder.path().join("rig.yaml"),
    )
    .unwrap();
    let text = manifest("five.mp4", "three.mp4");
    let board = text
        .lines()
        .find(|line| line.starts_with("board:"))
        .unwrap()
        .to_owned();
    let text = change(folder.path(), text.replace(&board, "board: board.yaml"));
    fs::write(folder.path().join("practice.yaml"), text).unwrap();
    say(folder.path(), &["run", "practice.yaml"])
}

#[track_caller]
fn refused(said: &Said, words: &[&str]) {
    for word in words {
        assert!(said.err.contains(word), "{word:?} is not in: {}", said.err);
    }
    assert_eq!(said.code, 4, "{}", said.err);
    assert!(!said.err.contains("panicked"), "{}", said.err);
}

fn with_rig(text: &str) -> String {
    text.replace("cameras:", "rig: rig.yaml\ncameras:")
}

/// One clock for both, so that nothing hangs on a sound that a cut may have taken away.
fn locked(text: &str) -> String {
    text.replace("readout_ms: 16", "readout_ms: 16\n    genlocked: true")
}

#[test]
fn a_board_of_another_size() {
    let piece = ((0.0, 5.0), 0.0);
    let said = run_cut(piece, piece, |folder, text| {
        let board = fs::read_to_string(folder.join("board.yaml")).unwrap();
        let other = board
            .replace("columns: 9", "columns: 8")
            .replace("rows: 6", "rows: 5");
        fs::write(folder.join("board.yaml"), other).unwrap();
        text
    });
    refused(&said, &["never saw the board with 8×5", "five"]);
}

#[test]
fn cameras_that_share_no_sight_of_the_board() {
    let said = run_cut(((0.0, 5.5), 0.0), ((7.0, 9.0), 7.0), |_, text| {
        locked(&text)
    });
    refused(&said, &["five", "three", "board"]);
}

#[test]
fn recordings_that_do_not_overlap() {
    let said = run_cut(((20.0, 4.0), 0.0), ((20.0, 4.0), 30.0), |_, text| {
        locked(&with_rig(&text))
    });
    refused(&said, &["do not overlap in time"]);
}

#[test]
fn no_marker_of_the_stated_colour() {
    let piece = ((21.0, 6.5), 0.0);
    let said = run_cut(piece, piece, |_, text| {
        locked(&with_rig(&text)).replace("colour: orange", "colour: pink")
    });
    refused(&said, &["marker", "never seen"]);
}

#[test]
fn a_draw_toward_the_target_means_that_the_board_lay_the_wrong_way_round() {
    // The third shot; the cameras' clocks differ by the 0.41 s with which the demo starts its second phone.
    let said = run_cut(((38.5, 10.0), 0.41), ((38.5, 10.0), 0.0), |folder, text| {
        let path = folder.join("rig.yaml");
        let mut rig = Rig::read(&path).unwrap();
        let turned = Isometry3::rotation(Vector3::z() * std::f64::consts::PI);
        for camera in &mut rig.cameras {
            camera.camera_from_range *= turned;
        }
        fs::write(&path, rig.to_yaml().unwrap()).unwrap();
        with_rig(&text)
    });
    refused(&said, &["board", "wrong way round"]);
}

#[test]
fn a_board_filmed_upright_and_shots_filmed_sideways() {
    let piece = ((20.0, 3.0), 0.0);
    let said = run_cut(piece, piece, |folder, text| {
        let path = folder.join("rig.yaml");
        let mut rig = Rig::read(&path).unwrap();
        rig.cameras[1].rotation_deg = 90;
        fs::write(&path, rig.to_yaml().unwrap()).unwrap();
        with_rig(&text)
    });
    for words in [
        "\"three\"",
        "surveyed turned by 90",
        "both be filmed upright or both sideways",
    ] {
        assert!(
            said.err.contains(words),
            "{words:?} is not in: {}",
            said.err
        );
    }
    assert_eq!(said.code, 3, "{}", said.err);
}
