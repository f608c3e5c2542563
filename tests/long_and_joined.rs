//! Long evenings and recordings in several files, stitched from the demo practice without coding it anew.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![expect(clippy::print_stdout, reason = "measured figures are shown")]

mod support;

use serde_json::Value;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::process::Command;
use support::{Said, cut, demo, manifest, say};

/// From here on (s, each phone's own clock) the demo has three shots: a good one, a stall, a collapse.
const SHOTS_FROM_S: f64 = 20.5;
/// Between the first two the archer waits, the arm hanging.
const WAITS_S: (f64, f64) = (29.0, 1.5);
/// A key frame every so often (s); cuts begin with one.
const KEYS_S: f64 = 0.5;

/// Runs what lies in a folder with the demo's rig.
fn run(folder: &Path, first: &str, second: &str) -> Said {
    let demo = demo();
    for (from, to) in [
        ("results/rig.yaml", "rig.yaml"),
        ("results/rig.background.json", "rig.background.json"),
        ("board.yaml", "board.yaml"),
    ] {
        fs::copy(demo.join(from), folder.join(to)).unwrap();
    }
    let text = manifest(first, second).replace("cameras:", "rig: rig.yaml\ncameras:");
    fs::write(folder.join("practice.yaml"), text).unwrap();
    say(folder, &["run", "practice.yaml"])
}

/// The verdicts, as they are printed.
fn assert_three_shots(said: &Said) {
    assert_eq!(said.code, 0, "{}", said.err);
    let shots: Vec<&str> = said
        .out
        .lines()
        .filter(|line| line.starts_with("shot-"))
        .collect();
    let verdicts = ["kept moving", "stall", "forward collapse"];
    assert_eq!(shots.len(), verdicts.len(), "{}", said.out);
    for (shot, verdict) in shots.iter().zip(verdicts) {
        assert!(shot.contains(verdict), "{}", said.out);
    }
}

/// Joins cuts of one film one after the other.
fn join(parts: &[&str], folder: &Path, to: &str) {
    let list = parts.iter().fold(String::new(), |mut list, part| {
        writeln!(list, "file {part}").unwrap();
        list
    });
    let list_path = folder.join(format!("{to}.list"));
    fs::write(&list_path, list).unwrap();
    let status = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-f", "concat", "-i"])
        .arg(&list_path)
        .args(["-c", "copy"])
        .arg(folder.join(to))
        .status()
        .unwrap();
    assert!(status.success());
}

#[test]
fn of_a_long_evening_only_what_happens_is_measured() {
    let demo = demo();
    let folder = tempfile::tempdir().unwrap();
    for name in ["five.mp4", "three.mp4"] {
        let whole = demo.join(name);
        cut(&whole, &folder.path().join("waits.mp4"), WAITS_S, 0.0);
        cut(
            &whole,
            &folder.path().join("shoots.mp4"),
            (SHOTS_FROM_S, 60.0),
            0.0,
        );
        let mut parts = vec!["waits.mp4"; 80];
        parts.push("shoots.mp4");
        join(&parts, folder.path(), name);
    }
    let said = run(folder.path(), "five.mp4", "three.mp4");
    assert_three_shots(&said);
    let page = fs::read_to_string(folder.path().join("results/page.html")).unwrap();
    let told = page
        .split("A first look found movement or sounds in ")
        .nth(1)
        .unwrap();
    let minutes: Vec<f64> = told
        .split_whitespace()
        .filter_map(|word| word.parse().ok())
        .take(2)
        .collect();
    // Two minutes of waiting, half a minute of shooting, and the margins of a first look.
    let [measured, whole] = minutes[..] else {
        panic!("{told:.80}");
    };
    println!("{measured} of {whole} minutes measured");
    assert!(
        whole > 2.3 && measured > 0.3 && measured < 0.8,
        "{measured} of {whole} minutes"
    );
}

/// Presentation time (s) of a film's first picture at or after an instant that is coded alone.
fn first_key_s(path: &Path, from_s: f64) -> f64 {
    let output = Command::new("ffprobe")
        .args([
            "-v",
            "error",
            "-select_streams",
            "v",
            "-show_entries",
            "packet=pts_time,flags",
        ])
        .args(["-of", "csv=p=0"])
        .arg(path)
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let keys = text.lines().filter(|line| line.contains(",K"));
    keys.filter_map(|line| line.split(',').next()?.parse::<f64>().ok())
        .find(|time_s| *time_s >= from_s)
        .unwrap()
}

#[test]
fn time_that_is_lost_between_two_files_is_found_and_taken_off() {
    let demo = demo();
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let whole = demo.join("five.mp4");
    let begins_s = first_key_s(&whole, SHOTS_FROM_S);
    // While the archer waits, three frames before the next file begins.
    let next_s = first_key_s(&whole, WAITS_S.0);
    cut(
        &whole,
        &path("five.mp4"),
        (begins_s, next_s - begins_s - 0.05),
        0.0,
    );
    cut(&whole, &path("five-2.mp4"), (next_s, 60.0), 0.0);
    cut(
        &demo.join("three.mp4"),
        &path("three.mp4"),
        (SHOTS_FROM_S - KEYS_S, 60.0),
        0.0,
    );
    let said = run(folder.path(), "five.mp4, five-2.mp4", "three.mp4");
    assert_three_shots(&said);
    let clocks: Value =
        serde_json::from_slice(&fs::read(path("results/clocks.json")).unwrap()).unwrap();
    let [_, after] = &clocks[0]["segments"].as_array().unwrap()[..] else {
        panic!("{clocks}");
    };
    let number = |name: &str| after[name].as_f64().unwrap();
    // In the recording the second file begins at the seam; in the film it was cut from, later.
    let lost_s = (next_s - begins_s) - number("from_camera_s");
    let (told_s, sd_s) = (number("offset_s"), number("offset_variance_s2").sqrt());
    println!("lost {lost_s:.4} s, told {told_s:.4} ± {sd_s:.4} s");
    assert!(lost_s > 0.03, "nothing was cut away: {lost_s} s");
    assert!(
        (told_s - lost_s).abs() < (3.0 * sd_s).min(2e-3),
        "{told_s} ± {sd_s} s, not {lost_s} s"
    );
    let page = fs::read_to_string(path("results/page.html")).unwrap();
    assert!(page.contains("The time of camera five jumps by"));
}

/// First and last instant (range time, s) of every shot, and when the string was let go.
fn shot_times(folder: &Path) -> Vec<[f64; 3]> {
    let sheet = fs::read(folder.join("results/sheet.json")).unwrap();
    let sheet: Value = serde_json::from_slice(&sheet).unwrap();
    let shots = sheet["shots"].as_array().unwrap();
    let time = |value: &Value| value.as_f64().unwrap();
    let of_one = |shot: &Value| {
        let release = &shot["release"]["time_s"]["value"];
        [&shot["start_s"], &shot["end_s"], release].map(time)
    };
    shots.iter().map(of_one).collect()
}

/// The second camera's offset and its standard deviation (s).
fn second_clock(folder: &Path) -> (f64, f64) {
    let clocks = fs::read(folder.join("results/clocks.json")).unwrap();
    let clocks: Value = serde_json::from_slice(&clocks).unwrap();
    let number = |name: &str| clocks[1]["segments"][0][name].as_f64().unwrap();
    (number("offset_s"), number("offset_variance_s2").sqrt())
}

#[test]
fn a_practice_fitted_in_parts_has_the_same_shots() {
    let demo = demo();
    let folder = tempfile::tempdir().unwrap();
    for name in ["five.mp4", "three.mp4"] {
        let whole = demo.join(name);
        cut(&whole, &folder.path().join(name), (SHOTS_FROM_S, 60.0), 0.0);
    }
    let spread = "minutes spread over the whole practice";
    let page = || fs::read_to_string(folder.path().join("results/page.html")).unwrap();
    let at_once = run(folder.path(), "five.mp4", "three.mp4");
    assert_three_shots(&at_once);
    assert!(!page().contains(spread));
    let (times, clock) = (shot_times(folder.path()), second_clock(folder.path()));
    let pipeline = "format: drawarc-pipeline/1\nsteps: [clocks, sightings, path, sheet]\npath:\n  at_once_s: 8\n";
    fs::write(folder.path().join("parts.yaml"), pipeline).unwrap();
    let in_parts = say(
        folder.path(),
        &["run", "practice.yaml", "--pipeline", "parts.yaml"],
    );
    assert_three_shots(&in_parts);
    assert!(page().contains(spread));
    for (parts, whole) in shot_times(folder.path()).iter().zip(&times) {
        for (one, other) in parts.iter().zip(whole) {
            // A step of the path that the shots are found in.
            assert!((one - other).abs() < 5e-3, "{parts:?} {whole:?}");
        }
    }
    let other = second_clock(folder.path());
    println!("at once {clock:?} s, in parts {other:?} s");
    assert!(
        (clock.0 - other.0).abs() < 2.0 * clock.1.hypot(other.1),
        "{clock:?} {other:?}"
    );
}
