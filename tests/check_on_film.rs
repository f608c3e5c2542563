//! Is the rig still what was surveyed? Two short films of two small phones: a practice in which both tripods are touched
//! between two shots, and a clip of the next day for which one of them was put up a little differently. The command sees the
//! films only; this test alone opens the truth.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(
    clippy::print_stdout,
    reason = "this test prints the figures beside their goals"
)]

mod support;

use drawarc_range_sim::{
    Knock, MarkerLook, MarkerPlace, MarkerPlan, Scenario, View, WandPlan, good_shot, render,
    true_path,
};
use drawarc_rig::{Lens, Rig};
use nalgebra::Point3;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;
use support::{Said, project, say};

/// When somebody touches the tripods on the first evening (range time, s).
const TOUCHED_S: f64 = 20.6;
/// How far they turn (deg): five by the least that must be seen, three visibly.
const TURNED_DEG: [f64; 2] = [0.02, 0.3];
/// Length of the stick (m).
const STICK_M: f64 = 0.4;
/// Where the elbow is about (m).
const ELBOW: [f64; 3] = [0.0, 0.0, 1.4];

/// Two phones at 720p, 30 pictures a second, and a ball that is seen as large as one of 27 mm at 1080p.
fn small(mut scenario: Scenario) -> Scenario {
    for camera in &mut scenario.cameras {
        camera.image_size.width_px = 1280;
        camera.image_size.height_px = 720;
        camera.rate_hz = 30.0;
        if let Lens::BrownConrady(lens) = &mut camera.lens {
            for value in [
                &mut lens.fx_px,
                &mut lens.fy_px,
                &mut lens.cx_px,
                &mut lens.cy_px,
            ] {
                *value /= 1.5;
            }
        }
    }
    scenario.neighbour = false;
    scenario.markers[0].look = ball_look();
    scenario
}

fn ball_look() -> MarkerLook {
    MarkerLook::Ball { diameter_m: 0.04 }
}

/// Board, a shot, a touch, a shot.
fn tuesday() -> Scenario {
    let mut scenario = small(Scenario::club_five_three(71).shortened());
    for (camera, pan_deg) in scenario.cameras.iter_mut().zip(TURNED_DEG) {
        camera.knocked = Some(Knock {
            at_s: TOUCHED_S,
            pan_deg,
            ..Knock::default()
        });
    }
    scenario.shots.push(good_shot(TOUCHED_S + 1.2));
    scenario.end_s = TOUCHED_S + 6.6;
    scenario
}

/// The board again, then a stick waved; a ball lies still. The tripod at 3 o'clock was moved overnight.
fn wednesday() -> Scenario {
    let mut scenario = small(Scenario::club_five_three(72).shortened());
    scenario.cameras[1].knocked = Some(Knock {
        at_s: -10.0,
        pan_deg: 0.25,
        tilt_deg: 0.20,
        shift_m: [0.004, -0.002, 0.003],
    });
    scenario.shots.clear();
    let board = scenario.board.as_mut().unwrap();
    board.waved_until_s = 5.6;
    board.on_line_from_s = 6.4;
    board.on_line_until_s = 6.9;
    scenario.wand = Some(WandPlan {
        length_m: STICK_M,
        from_s: 7.6,
        until_s: 12.4,
    });
    scenario.at_rest_m = Some([0.35, -0.45, 1.05]);
    let places = [
        (MarkerPlace::WandFirst, [0.03, 0.75, 0.10]),
        (MarkerPlace::WandSecond, [0.03, 0.75, 0.10]),
        (MarkerPlace::AtRest, [0.02, 0.15, 0.85]),
    ];
    scenario.markers = places
        .map(|(place, rgb)| MarkerPlan {
            place,
            look: ball_look(),
            rgb,
        })
        .to_vec();
    scenario.end_s = 12.5;
    scenario
}

/// Films once, with the manifest that a coach would write.
fn filmed(name: &str, scenario: &Scenario) -> PathBuf {
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR"))
        .join("check")
        .join(name);
    fs::create_dir_all(&folder).unwrap();
    let text = scenario.to_yaml().unwrap();
    let stamp = folder.join("scenario.yaml");
    if fs::read_to_string(&stamp).is_ok_and(|before| before == text) {
        return folder;
    }
    render(scenario, &folder, &mut |_| {}).unwrap();
    let board = fs::read_to_string(project().join("calibration/a3-9x6-38mm.yaml")).unwrap();
    let board = board.replace("38.0", "40.0");
    fs::write(folder.join("board.yaml"), board).unwrap();
    let manifest = support::manifest("five.mp4", "three.mp4");
    let lines: Vec<&str> = manifest
        .lines()
        .map(|line| match line {
            line if line.starts_with("board:") => "board: board.yaml",
            line if line.contains("size_mm") => "    size_mm: 40",
            line => line,
        })
        .collect();
    let manifest = lines
        .join("\n")
        .replacen("readout_ms: 16", "readout_ms: 14.5", 1);
    fs::write(
        folder.join("practice.yaml"),
        manifest.replace("readout_ms: 16", "readout_ms: 18.2"),
    )
    .unwrap();
    fs::write(stamp, text).unwrap();
    folder
}

/// The first evening, run once for all tests: its folder, and what the run printed.
fn evening() -> &'static (PathBuf, Value) {
    static RUN: OnceLock<(PathBuf, Value)> = OnceLock::new();
    RUN.get_or_init(|| {
        let folder = filmed("tuesday", &tuesday());
        let _ = fs::remove_dir_all(folder.join("results"));
        let said = say(&folder, &["--json", "run", "practice.yaml"]);
        assert_eq!(said.code, 0, "{}", said.err);
        let told = serde_json::from_str(&said.out).unwrap();
        (folder, told)
    })
}

fn next_day() -> &'static PathBuf {
    static FILMED: OnceLock<PathBuf> = OnceLock::new();
    FILMED.get_or_init(|| filmed("wednesday", &wednesday()))
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

fn list(value: &Value) -> &[Value] {
    value.as_array().unwrap()
}

/// Mean error of a shot's path where its marker was seen (mm).
fn offset_mm(shot: &Value, scenario: &Scenario) -> f64 {
    let times: Vec<f64> = list(&shot["curves"]["time_s"]).iter().map(number).collect();
    let truth = true_path(scenario, &times).unwrap();
    let (mut sum, mut count) = (nalgebra::Vector3::zeros(), 0.0);
    let gaps = list(&shot["curves"]["in_gap"]);
    let places = list(&shot["curves"]["elbow_mm"])
        .iter()
        .zip(&truth)
        .zip(gaps);
    for ((place, truth), _) in places.filter(|(_, gap)| **gap == Value::Bool(false)) {
        count += 1.0;
        let place = Point3::from([0, 1, 2].map(|axis| number(&place[axis])));
        sum += place.coords - truth.coords * 1000.0;
    }
    assert!(count > 200.0, "{count}");
    (sum / count).norm()
}

#[test]
fn a_run_sees_two_touched_tripods_and_puts_them_back() {
    let (folder, told) = evening();
    for (camera, turned_deg) in list(&told["cameras"]).iter().zip(TURNED_DEG) {
        let stands = list(&camera["stands"]);
        println!("{}: {stands:?}", camera["camera"]);
        assert_eq!(
            (&camera["since_survey"], &camera["restless"]),
            (&Value::Bool(true), &Value::Bool(false))
        );
        assert_eq!(stands.len(), 2, "{camera}");
        assert_eq!(stands[0]["verdict"], "unmoved");
        assert_eq!(stands[1]["verdict"], "moved");
        let since_s = number(&stands[1]["from_s"]);
        assert!(
            (TOUCHED_S - 0.1..TOUCHED_S + 0.6).contains(&since_s),
            "{since_s}"
        );
        let error_deg = number(&stands[1]["turn_deg"]) - turned_deg;
        assert!(error_deg.abs() < 0.004, "{error_deg} of {turned_deg}");
    }
    let sheet: Value =
        serde_json::from_slice(&fs::read(folder.join("results/sheet.json")).unwrap()).unwrap();
    let shots = list(&sheet["shots"]);
    assert_eq!(shots.len(), 2);
    let sure = |shot: &Value| shot["how_sure"].as_str().unwrap().to_owned();
    assert!(!sure(&shots[0]).contains("put back"), "{}", sure(&shots[0]));
    assert!(
        sure(&shots[1]).contains("three was turned by 0."),
        "{}",
        sure(&shots[1])
    );
    assert_ne!(shots[1]["verdict"], "not-measurable", "{}", sure(&shots[1]));
    let page = fs::read_to_string(folder.join("results/page.html")).unwrap();
    assert!(page.contains("put back from its background"));
    assert!(page.contains("before or in shot 2"));
    let scenario = tuesday();
    let [before, after] = [&shots[0], &shots[1]].map(|shot| offset_mm(shot, &scenario));
    println!(
        "path off by {before:.2} mm before the touch, by {after:.2} mm after it (goal 3 mm; left alone: 18 mm)"
    );
    assert!(before < 3.0 && after < 3.0, "{before} {after}");
}

fn check(words: &[&str]) -> Said {
    let rig = surveyed();
    let mut all = vec![
        "--json",
        "check",
        "practice.yaml",
        "--rig",
        rig.to_str().unwrap(),
    ];
    all.extend(words);
    say(next_day(), &all)
}

/// How far off a camera takes the elbow to be (mm across its line of sight, and deg), against the truth: by lens and place
/// together, since a survey lets one make up for the other.
fn against_truth(rig: &Rig, camera: usize) -> (f64, f64) {
    let elbow = Point3::from(ELBOW);
    let view = View::new(&wednesday().cameras[camera]);
    let truth_px = view.pixel_in_frame(5.0, &|_| Some(elbow)).unwrap();
    let camera = &rig.cameras[camera];
    let off_px = (camera.pixel_from_range(&elbow).unwrap() - truth_px).norm();
    let off_rad = off_px / camera.lens.focal_px();
    let distance_m = (camera.centre_in_range() - elbow).norm();
    (1000.0 * distance_m * off_rad, off_rad.to_degrees())
}

#[test]
fn the_next_day_is_checked_and_mended_by_showing_the_board_again() {
    let mended = next_day().join("mended.yaml");
    let _ = fs::remove_file(&mended);
    let said = check(&[
        "--stick",
        "400,green,40",
        "--lying",
        "blue,40",
        "--repair",
        mended.to_str().unwrap(),
    ]);
    assert_eq!(said.code, 0, "{}", said.err);
    let after: Value = serde_json::from_str(&said.out).unwrap();
    let placed = &after["placed_anew"][0];
    println!("{placed}");
    assert_eq!(
        (&placed["camera"], &placed["from"]),
        (&"three".into(), &"board".into())
    );
    let rigs = [&surveyed(), &mended].map(|path| Rig::read(path).unwrap());
    let [knocked, whole] = [&rigs[0], &rigs[1]].map(|rig| against_truth(rig, 1));
    println!(
        "three against the truth: {:.2} mm at the elbow, {:.4} deg as surveyed; {:.2} mm, {:.4} deg mended",
        knocked.0, knocked.1, whole.0, whole.1
    );
    assert!(knocked.0 > 10.0, "{knocked:?}");
    assert!(whole.0 < 2.0 && whole.1 < 0.03, "{whole:?}");
    let untouched = against_truth(&rigs[1], 0);
    assert!(untouched.0 < 2.0, "{untouched:?}");
    println!(
        "five, which was held: {:.2} mm, {:.4} deg",
        untouched.0, untouched.1
    );
    println!("stick {}", after["stick"]);
    println!("rest {}", after["rest"]);
    println!(
        "board {} mended {}",
        after["lengths"], after["lengths_mended"]
    );
    let stick = &after["stick"]["distances"];
    assert!(
        number(&stick["mean_mm"]).abs() < 0.8 && number(&stick["sd_mm"]) < 1.0,
        "{stick}"
    );
    assert!(number(&stick["count"]) > 60.0);
    assert!(list(&after["stick"]["parts"]).len() >= 4);
    let noise = list(&after["rest"]["noise_mm"]);
    assert!(noise.iter().all(|mm| number(mm) < 0.3), "{noise:?}");
    let place = list(&after["rest"]["place_m"]);
    let ought = wednesday().at_rest_m.unwrap();
    for (is, ought) in place.iter().zip(ought) {
        assert!((number(is) - ought).abs() < 0.004, "{place:?}");
    }
    // The mended rig stands beside the backgrounds of the day on which it was mended.
    let said = filtered("as-it-is", "null", &mended);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(said.out.contains("stands as it did"), "{}", said.out);
}

/// Six seconds of the next day through one of FFmpeg's filters, checked.
fn filtered(name: &str, filter: &str, rig: &Path) -> Said {
    let folder = next_day().join(name);
    fs::create_dir_all(&folder).unwrap();
    for (camera, filter) in [("five", "null"), ("three", filter)] {
        let status = Command::new("ffmpeg")
            .args(["-v", "error", "-y", "-t", "6", "-i"])
            .arg(next_day().join(format!("{camera}.mp4")))
            .args([
                "-vf",
                filter,
                "-c:v",
                "libx264",
                "-preset",
                "ultrafast",
                "-crf",
                "14",
                "-an",
            ])
            .arg(folder.join(format!("{camera}.mp4")))
            .status()
            .unwrap();
        assert!(status.success());
    }
    let manifest = fs::read_to_string(next_day().join("practice.yaml")).unwrap();
    fs::write(
        folder.join("practice.yaml"),
        manifest.replace("board.yaml", "../board.yaml"),
    )
    .unwrap();
    say(
        &folder,
        &["check", "practice.yaml", "--rig", rig.to_str().unwrap()],
    )
}

/// The rig as the first evening surveyed it.
fn surveyed() -> PathBuf {
    evening().0.join("results/rig.yaml")
}

fn names(said: &Said, camera: &str, words: &str) {
    assert_eq!(said.code, 4, "{}", said.err);
    assert!(
        said.err.contains(camera) && said.err.contains(words),
        "{}",
        said.err
    );
    assert!(!said.err.contains("\"five\""), "{}", said.err);
    println!("{}", said.out);
}

#[test]
fn a_zoomed_lens_is_told_from_a_knock() {
    names(
        &filtered(
            "zoomed",
            "scale=1288:724:flags=lanczos,crop=1280:720",
            &surveyed(),
        ),
        "\"three\"",
        "focal length",
    );
}

#[test]
fn stabilisation_at_work_is_told_from_a_knock() {
    // What a stabiliser does that follows the people in the picture.
    names(
        &filtered(
            "stabilised",
            "pad=1312:752:16:16,crop=1280:720:16+9*sin(t*5.1):16+6*sin(t*3.7)",
            &surveyed(),
        ),
        "three",
        "never rests",
    );
}

#[test]
fn the_next_day_is_compared_with_the_first_films() {
    let since = evening().0.join("practice.yaml");
    let said = check(&["--since", since.to_str().unwrap()]);
    assert_eq!(said.code, 4, "{}", said.err);
    let told: Value = serde_json::from_str(&said.out).unwrap();
    let turned = |index: usize| number(&told["cameras"][index]["turn_deg"]);
    println!(
        "five {:.4} deg, three {:.4} deg of 0.3202",
        turned(0),
        turned(1)
    );
    assert!(
        turned(0) < 0.01 && (turned(1) - 0.32).abs() < 0.05,
        "{}",
        said.out
    );
}
