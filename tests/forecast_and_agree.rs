//! `forecast`, `--ask` and `agree`, as a person meets them: what they say, and that wrong input is refused clearly.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

mod support;

use drawarc_rig::{Camera, ClockFace, ClockModel, Rig};
use drawarc_study::agreement::{StudyShot, nominal_shots};
use drawarc_study::forecast::{Place, RigSketch, nominal_rig, two_phones};
use serde_json::{Value, json};
use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::Stdio;
use support::{Said, drawarc, project, say};

/// A shot of a made result folder begins so long after the one before (s).
const APART_S: f64 = 10.0;

#[track_caller]
fn refused(said: &Said, code: i32, words: &[&str]) {
    for word in words {
        assert!(said.err.contains(word), "{word:?} is not in: {}", said.err);
    }
    assert_eq!(said.code, code, "{}", said.err);
    assert!(!said.err.contains("panicked"), "{}", said.err);
}

/// A sketch with cameras at these places, 1.5 m high.
fn sketch(hours: &[f64]) -> RigSketch {
    let mut sketch = two_phones();
    let pattern = sketch.cameras[0].clone();
    sketch.cameras = hours
        .iter()
        .map(|hours| {
            let mut camera = pattern.clone();
            camera.name = format!("at-{hours}");
            camera.place = Place::Clock(ClockFace::from_hours(*hours));
            camera
        })
        .collect();
    sketch
}

fn sheet_shot(index: usize, shot: &StudyShot) -> Value {
    let start_s = index as f64 * APART_S;
    let phase = |name: &str, from_s: f64, to_s: f64| json!({"phase": name, "start_s": start_s + from_s, "end_s": start_s + to_s});
    let times = &shot.times;
    json!({
        "format": "drawarc-shot/1", "id": format!("shot-{:02}", index + 1), "archer": shot.archer, "side": "right",
        "start_s": start_s + 0.1, "end_s": start_s + times.end_s + 0.1, "rejected": false,
        "phases": [
            phase("draw", times.draw_s, times.anchor_s),
            phase("anchor", times.anchor_s, times.expansion_s),
            phase("expansion", times.expansion_s, times.end_s + 0.02),
        ],
        "checks": [{"kind": "collapse", "finding": if shot.collapsed == Some(true) { "found" } else { "not-found" }}],
        "arrow_line": {
            "source": "markers",
            "away_in_range": shot.line.away_in_range.as_slice(),
            "point_mm": (shot.line.point_in_range.coords * 1000.0).as_slice(),
        },
    })
}

fn sightings(cameras: &[Camera], shots: &[StudyShot]) -> Value {
    let series: Vec<Value> = (0..cameras.len())
        .map(|camera| {
            let mut samples = Vec::new();
            for (index, shot) in shots.iter().enumerate() {
                let pixels = &shot.views[camera].pixels;
                for (time_s, pixel) in pixels.time_s.iter().zip(&pixels.pixel) {
                    let at = pixel.map(|p| [p.x, p.y]);
                    let readout = &cameras[camera].shutter;
                    let height_px = cameras[camera].image_size.height_px;
                    let delay_s = at.map_or(0.0, |p| readout.row_delay_s(p[1], height_px));
                    samples.push(json!({
                        "frame_index": samples.len(), "camera_s": time_s - delay_s + index as f64 * APART_S,
                        "verdict": if at.is_some() { json!("seen") } else { json!("out-of-picture") },
                        "centre_px": at.map_or(json!(null), |p| json!(p)),
                        "covariance_px2": [0.01, 0.0, 0.0, 0.01], "velocity_px_s": [0.0, 0.0], "radius_px": 6.0,
                    }));
                }
            }
            json!({"camera": camera, "role": "elbow", "samples": samples})
        })
        .collect();
    json!({"key": "made by a test", "value": series})
}

/// A result folder as `run` leaves it, with nominal shots of two archers: the last of each archer's three collapses.
fn results(folder: &Path, hours: &[f64]) -> Rig {
    let rig = nominal_rig(&sketch(hours)).unwrap();
    let shots = nominal_shots(&rig.cameras, 2, 3, (60.0, 0.1, 3)).unwrap();
    let sheets: Vec<Value> = shots
        .iter()
        .enumerate()
        .map(|(index, shot)| sheet_shot(index, shot))
        .collect();
    fs::create_dir_all(folder).unwrap();
    let write = |name: &str, text: String| fs::write(folder.join(name), text).unwrap();
    write("rig.yaml", rig.to_yaml().unwrap());
    let clocks = vec![ClockModel::constant(0.0, 1e-10); hours.len()];
    write("clocks.json", serde_json::to_string(&clocks).unwrap());
    write(
        "sightings.json",
        sightings(&rig.cameras, &shots).to_string(),
    );
    write(
        "sheet.json",
        json!({"format": "drawarc-sheet/1", "shots": sheets}).to_string(),
    );
    rig
}

#[test]
fn every_sample_rig_is_forecast() {
    for name in ["club-five-three", "club-side-overhead", "centre-four"] {
        let file = project()
            .join("sample-rigs")
            .join(name)
            .join("rig-sketch.yaml");
        let said = say(&project(), &["--json", "forecast", file.to_str().unwrap()]);
        assert_eq!(said.code, 0, "{}", said.err);
        let made: Value = serde_json::from_str(&said.out).unwrap();
        assert_eq!(made["format"], "drawarc-forecast/1");
        let shape = made["shape"]["space_mm"].as_f64().unwrap();
        assert!((0.05..1.5).contains(&shape), "{name}: {shape}");
        // Nobody's tripod stands before the line in a rig that is handed out.
        let dangers = made["dangers"].to_string();
        assert!(!dangers.contains("in-front-of-line"), "{name}: {dangers}");
    }
}

#[test]
fn a_forecast_says_errors_faults_and_sight_and_draws_plans() {
    let folder = tempfile::tempdir().unwrap();
    let text = sketch(&[5.0, 4.4]).to_yaml().unwrap();
    fs::write(folder.path().join("rig.yaml"), text).unwrap();
    let said = say(
        folder.path(),
        &[
            "forecast",
            "rig.yaml",
            "--improve",
            "--moves",
            "1",
            "--fixed",
            "at-5",
            "--out",
            "plan",
        ],
    );
    assert_eq!(said.code, 0, "{}", said.err);
    for words in [
        "away",
        "behind",
        "Collapse:",
        "Stall:",
        "at-5 sees the marker",
        "No danger spots",
        "move at-4.4",
        "bound",
    ] {
        assert!(
            said.out.contains(words),
            "{words:?} is not in: {}",
            said.out
        );
    }
    for name in ["plan-above.svg", "plan-side.svg", "improved-above.svg"] {
        let svg = fs::read_to_string(folder.path().join("plan").join(name)).unwrap();
        assert!(svg.starts_with("<svg") && svg.contains("at-4.4"), "{name}");
    }
    let better = fs::read_to_string(folder.path().join("plan/improved.yaml")).unwrap();
    assert!(RigSketch::from_yaml(&better).is_ok());
}

#[test]
fn a_surveyed_rig_is_forecast_and_its_cameras_are_moved_on_paper() {
    let folder = tempfile::tempdir().unwrap();
    // Two cameras in one line: bad enough that a move must help.
    let rig = nominal_rig(&sketch(&[5.0, 4.6])).unwrap();
    fs::write(folder.path().join("rig.yaml"), rig.to_yaml().unwrap()).unwrap();
    let words = ["forecast", "rig.yaml", "--height-cm", "180"];
    let said = say(folder.path(), &words);
    assert_eq!(said.code, 0, "{}", said.err);
    let better = ["--improve", "--moves", "1", "--into", "plan", "--json"];
    let moved = say(folder.path(), &[&words[..], &better].concat());
    assert_eq!(moved.code, 0, "{}", moved.err);
    let told: Value = serde_json::from_str(&moved.out).unwrap();
    let space_mm = |when: &str| told["advice"][when]["shape"]["space_mm"].as_f64().unwrap();
    assert!(
        space_mm("after") < 0.8 * space_mm("before"),
        "{}",
        moved.out
    );
    let text = fs::read_to_string(folder.path().join("plan/improved.yaml")).unwrap();
    let improved = RigSketch::from_yaml(&text).unwrap();
    assert_eq!(improved.cameras.len(), 2);
    assert!((improved.archer.height_m - 1.8).abs() < 1e-12);
    let nobody = say(
        folder.path(),
        &["forecast", "rig.yaml", "--improve", "--fixed", "nine"],
    );
    refused(&nobody, 3, &["--fixed nine", "no such camera"]);
    let dwarf = say(
        folder.path(),
        &["forecast", "rig.yaml", "--height-cm", "NaN"],
    );
    refused(&dwarf, 3, &["--height-cm is NaN"]);
}

#[test]
fn wrong_rigs_are_refused() {
    let good = two_phones().to_yaml().unwrap();
    let after = |text: &str, words: &[&str], code: i32| {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("rig.yaml"), text).unwrap();
        refused(&say(folder.path(), &["forecast", "rig.yaml"]), code, words);
    };
    after(
        &good.replacen("height_m: 1.3", "height_m: .nan", 1),
        &["rig.yaml", "non-finite", "line"],
        3,
    );
    after(
        &good.replacen("distance_m", "distanse_m", 1),
        &["distanse_m", "line"],
        3,
    );
    after(
        &good.replacen("sketch/1", "sketch/9", 1),
        &["drawarc-rig-sketch/9", "this version reads"],
        3,
    );
    after(
        &good.replacen("rig-sketch/1", "rig/9", 1),
        &["drawarc-rig/9"],
        3,
    );
    after("", &["rig.yaml", "unexpected end"], 3);
    let one = good.split("- name: three").next().unwrap();
    after(one, &["cameras of a rig", "1 given"], 3);
    // The board on the line is never seen by a camera that looks over it from afar.
    after(
        &good.replace("distance_m: 3.0", "distance_m: 150.0"),
        &[],
        4,
    );
    let folder = tempfile::tempdir().unwrap();
    refused(
        &say(folder.path(), &["forecast", "gone.yaml"]),
        3,
        &["gone.yaml", "No such file"],
    );
    refused(
        &say(folder.path(), &["forecast"]),
        3,
        &["--ask", "sample-rigs"],
    );
    fs::write(folder.path().join("rig.yaml"), &good).unwrap();
    let fixed = say(
        folder.path(),
        &["forecast", "rig.yaml", "--improve", "--fixed", "nobody"],
    );
    refused(&fixed, 3, &["nobody"]);
}

/// Runs `forecast --ask` with these answers.
fn ask(folder: &Path, answers: &str) -> Said {
    let mut child = drawarc()
        .current_dir(folder)
        .args(["forecast", "--ask", "--sketch", "mine.yaml"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A command that refuses early reads no answers.
    let _ = child.stdin.take().unwrap().write_all(answers.as_bytes());
    support::said(&child.wait_with_output().unwrap())
}

#[test]
fn questions_make_a_sketch_and_its_forecast() {
    let folder = tempfile::tempdir().unwrap();
    let answers = format!(
        "one metre seventy\n168\nleft\n\n\nmaybe\nyes\n{}",
        "\n".repeat(40)
    );
    let said = ask(folder.path(), &answers);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(
        said.err.contains("is no number") && said.err.contains("one of: no, yes"),
        "{}",
        said.err
    );
    assert!(said.out.contains("Collapse:"), "{}", said.out);
    let sketch =
        RigSketch::from_yaml(&fs::read_to_string(folder.path().join("mine.yaml")).unwrap())
            .unwrap();
    assert!((sketch.archer.height_m - 1.68).abs() < 1e-9 && sketch.surroundings.neighbours);
    refused(
        &ask(folder.path(), &answers),
        6,
        &["mine.yaml is there already"],
    );
    let other = tempfile::tempdir().unwrap();
    refused(
        &ask(other.path(), "172\n"),
        3,
        &["the answers end at", "Which hand"],
    );
    assert!(!other.path().join("mine.yaml").exists());
}

#[test]
fn each_camera_is_held_against_the_path_made_without_it() {
    let folder = tempfile::tempdir().unwrap();
    results(&folder.path().join("r"), &[3.0, 4.5, 6.0]);
    let said = say(
        folder.path(),
        &[
            "--json",
            "agree",
            "r",
            "--from",
            "5:00,3.5,1.5",
            "--simulated",
            "--into",
            "a",
        ],
    );
    assert_eq!(said.code, 0, "{}", said.err);
    let study: Value = serde_json::from_str(&said.out).unwrap();
    assert!(
        study["statements"][0]
            .as_str()
            .unwrap()
            .contains("no evidence about people")
    );
    let pairs = study["pairs"].as_array().unwrap();
    // 6 shots × (3 cameras + 1 stated) × 5 estimates × 8 measures.
    assert_eq!(pairs.len(), 6 * 4 * 5 * 8);
    for pair in pairs {
        assert_eq!(
            pair["independent"],
            json!(pair["is_virtual"] == false),
            "{pair}"
        );
    }
    let cell = |camera: &str, measure: &str| {
        study["cells"]
            .as_array()
            .unwrap()
            .iter()
            .find(|cell| {
                cell["camera"] == camera
                    && cell["estimate"] == "as-seen"
                    && cell["measure"] == measure
            })
            .unwrap()
            .clone()
    };
    // From 3 o'clock a collapse shows in full, from 6 o'clock the way around.
    let side = cell("at-3", "reversal");
    assert!(side["rmse"].as_f64().unwrap() < 1.0, "{side}");
    assert_eq!(cell("at-6", "reversal")["shots"], 0);
    let around = cell("at-6", "expansion-behind");
    assert!(around["rmse"].as_f64().unwrap() < 2.0, "{around}");
    assert!(around["repeated"]["bias"].is_number() && around["icc"]["value"].is_number());
    for name in ["study.yaml", "cells.csv", "pairs.csv", "faults.csv"] {
        assert!(
            fs::metadata(folder.path().join("a").join(name))
                .unwrap()
                .len()
                > 40,
            "{name}"
        );
    }
    let page = fs::read_to_string(folder.path().join("a/agreement.html")).unwrap();
    // The page holds no address but the name of SVG itself.
    let addresses = page.matches("http").count();
    assert!(
        page.contains("<svg") && addresses == page.matches("http://www.w3.org/2000/svg").count()
    );
    refused(
        &say(folder.path(), &["agree", "r", "--into", "a"]),
        6,
        &["study.json is there already"],
    );
}

#[test]
fn a_study_file_that_was_written_can_be_run_again() {
    let folder = tempfile::tempdir().unwrap();
    results(&folder.path().join("r"), &[3.0, 5.0]);
    assert_eq!(
        say(
            folder.path(),
            &["agree", "r", "--from", "6:00,3.5,1.5", "--into", "a"]
        )
        .code,
        0
    );
    fs::copy(
        folder.path().join("a/study.yaml"),
        folder.path().join("study.yaml"),
    )
    .unwrap();
    let again = say(
        folder.path(),
        &["agree", "--study", "study.yaml", "--into", "b"],
    );
    assert_eq!(again.code, 0, "{}", again.err);
    let read = |name: &str| fs::read_to_string(folder.path().join(name).join("pairs.csv")).unwrap();
    assert_eq!(read("a"), read("b"));
}

#[test]
fn two_cameras_are_said_not_to_be_independent() {
    let folder = tempfile::tempdir().unwrap();
    results(&folder.path().join("r"), &[3.0, 5.0]);
    let said = say(folder.path(), &["agree", "r"]);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(
        said.out.contains("not independent and flatter"),
        "{}",
        said.out
    );
}

#[test]
fn wrong_results_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let good = folder.path().join("good");
    results(&good, &[3.0, 5.0]);
    refused(
        &say(folder.path(), &["agree", "gone"]),
        3,
        &["gone", "no such folder"],
    );
    refused(
        &say(folder.path(), &["agree", "good", "--from", "6:00"]),
        3,
        &["--from 6:00", "three things"],
    );
    refused(
        &say(folder.path(), &["agree", "good", "--from", "6:00,NaN,1"]),
        3,
        &["between 0 and 50"],
    );
    assert_eq!(say(folder.path(), &["agree"]).code, 2);
    let spoilt = |file: &str, change: &dyn Fn(String) -> Option<String>, words: &[&str]| {
        let text = fs::read_to_string(good.join(file)).unwrap();
        match change(text.clone()) {
            Some(changed) => fs::write(good.join(file), changed).unwrap(),
            None => fs::remove_file(good.join(file)).unwrap(),
        }
        refused(&say(folder.path(), &["agree", "good"]), 3, words);
        fs::write(good.join(file), text).unwrap();
    };
    spoilt(
        "sheet.json",
        &|t| Some(t.replacen("drawarc-sheet/1", "drawarc-sheet/9", 1)),
        &["drawarc-sheet/9", "this version reads"],
    );
    spoilt("clocks.json", &|_| None, &["clocks.json", "drawarc run"]);
    spoilt(
        "clocks.json",
        &|_| Some("[]".to_owned()),
        &["0 clocks for 2 cameras"],
    );
    spoilt(
        "sightings.json",
        &|t| Some(t[..t.len() / 2].to_owned()),
        &["sightings.json"],
    );
    spoilt(
        "sightings.json",
        &|t| Some(t.replacen("\"camera\":1", "\"camera\":7", 1)),
        &["camera 8 in a rig of 2"],
    );
    // What a run leaves that was killed between its sightings and its sheets.
    fs::write(good.join(".made-from.json"), r#"{"sightings": "others"}"#).unwrap();
    refused(
        &say(folder.path(), &["agree", "good"]),
        3,
        &["stopped before its end", "run the practice again"],
    );
    fs::remove_file(good.join(".made-from.json")).unwrap();
    spoilt(
        "rig.yaml",
        &|t| Some(t.replacen("drawarc-rig/1", "drawarc-rig/9", 1)),
        &["drawarc-rig/9"],
    );
}
