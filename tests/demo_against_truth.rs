//! The demo practice, filmed, measured and compared with what was simulated. The command sees the video files only; this
//! test alone opens the truth.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(
    clippy::print_stdout,
    reason = "this test prints the figures beside their goals"
)]

mod support;

use drawarc_rig::ClockModel;
use serde_json::Value;
use std::path::{Path, PathBuf};
use support::say;

/// What the first version must reach: path 3 mm rms, offsets 3 ms, depth of collapse 2 mm, release one frame.
const PATH_MM: f64 = 3.0;
const OFFSET_MS: f64 = 3.0;
const DEPTH_MM: f64 = 2.0;
const FRAME_MS: f64 = 1000.0 / 60.0;

fn json(path: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

/// Films once, measures every time: results of an earlier version are thrown away.
fn demo() -> PathBuf {
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("demo");
    std::fs::create_dir_all(&folder).unwrap();
    let _ = std::fs::remove_dir_all(folder.join("results"));
    let said = say(&folder, &["demo", "--into", "."]);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(said.out.contains("page.html"), "{}", said.out);
    println!("{}", said.out);
    folder
}

/// Rms distance (mm) of the measured path of one shot from the true one, from the start of the draw to 20 ms before
/// release: absolute, and after taking off one constant offset.
fn path_error_mm(shot: &Value, truth: &Value, true_shot: &Value) -> (f64, f64) {
    let curves = &shot["curves"];
    let times = curves["time_s"].as_array().unwrap();
    let places = curves["elbow_mm"].as_array().unwrap();
    let from_s = number(&true_shot["phases"]["draw_s"]);
    let to_s = number(&true_shot["release_s"]) - 0.02;
    let mut errors: Vec<[f64; 3]> = Vec::new();
    for (time, place) in times.iter().zip(places) {
        let time_s = number(time);
        if time_s < from_s || time_s > to_s {
            continue;
        }
        // The truth stands at 1 ms steps; between them the elbow moves less than 1 mm, so interpolate.
        let at = time_s * 1000.0;
        let (low, share) = (at.floor(), at.fract());
        let axis = |k: usize| {
            let value = |step: f64| {
                #[allow(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "an index of the truth: whole, not negative"
                )]
                let index = step as usize;
                number(&truth["elbow_m"][index][k]) * 1000.0
            };
            number(&place[k]) - (value(low) * (1.0 - share) + value(low + 1.0) * share)
        };
        errors.push([axis(0), axis(1), axis(2)]);
    }
    assert!(errors.len() > 50, "{} instants", errors.len());
    let mean = |k: usize| errors.iter().map(|e| e[k]).sum::<f64>() / errors.len() as f64;
    let rms = |offset: [f64; 3]| {
        let squares: f64 = errors
            .iter()
            .map(|e| (0..3).map(|k| (e[k] - offset[k]).powi(2)).sum::<f64>())
            .sum();
        (squares / errors.len() as f64).sqrt()
    };
    (rms([0.0; 3]), rms([mean(0), mean(1), mean(2)]))
}

/// The pictures tell how far the second phone's sound stands off its pictures, within the stated 95 % interval.
fn the_lag_of_the_sound_is_learned(folder: &Path, truth: &Value) {
    let text = std::fs::read_to_string(folder.join("results/sound-lags.yaml")).unwrap();
    let lags: Vec<Value> = serde_yaml::from_str(&text).unwrap();
    let lag = &lags[0];
    let of = |index: usize| number(&truth["cameras"][index]["clock"]["sound_lag_s"]) * 1000.0;
    let (found_ms, sd_ms) = (number(&lag["lag_ms"]), number(&lag["sd_ms"]));
    let true_ms = of(1) - of(0);
    println!("lag of the sound {found_ms:.2} ± {sd_ms:.2} ms, true {true_ms:.2}");
    assert_eq!(lags.len(), 1);
    assert!((found_ms - true_ms).abs() <= 1.96 * sd_ms && sd_ms < 2.0);
}

#[test]
fn the_demo_practice_agrees_with_its_truth() {
    let folder = demo();
    let truth = json(&folder.join("truth.json"));
    let sheet = json(&folder.join("results/sheet.json"));
    let shots = sheet["shots"].as_array().unwrap();
    let true_shots = truth["shots"].as_array().unwrap();
    assert_eq!(shots.len(), true_shots.len());
    let verdicts: Vec<&str> = shots
        .iter()
        .map(|shot| shot["verdict"].as_str().unwrap())
        .collect();
    println!("verdicts: {verdicts:?}");
    let mut worst: (f64, f64, f64) = (0.0, 0.0, 0.0);
    for (shot, true_shot) in shots.iter().zip(true_shots) {
        let (absolute, shape) = path_error_mm(shot, &truth, true_shot);
        let released = number(&shot["release"]["time_s"]["value"]);
        let late_ms = (released - number(&true_shot["release_s"])) * 1000.0;
        println!(
            "{}: path {absolute:.2} mm rms (shape {shape:.2}), release {late_ms:+.1} ms",
            shot["id"].as_str().unwrap()
        );
        worst = (
            worst.0.max(absolute),
            worst.1.max(shape),
            worst.2.max(late_ms.abs()),
        );
    }
    let clocks: Vec<ClockModel> =
        serde_json::from_slice(&std::fs::read(folder.join("results/clocks.json")).unwrap())
            .unwrap();
    let mut offset_ms: f64 = 0.0;
    for (clock, camera) in clocks.iter().zip(truth["cameras"].as_array().unwrap()) {
        let plan = &camera["clock"];
        for camera_s in [20.0, 35.0, 45.0] {
            let true_s = number(&plan["offset_s"]) + camera_s * (1.0 + number(&plan["drift"]));
            offset_ms =
                offset_ms.max(((clock.range_from_camera(camera_s) - true_s) * 1000.0).abs());
        }
    }
    the_lag_of_the_sound_is_learned(&folder, &truth);
    let collapse = shots[2]["faults"]
        .as_array()
        .unwrap()
        .iter()
        .find(|fault| fault["kind"] == "collapse")
        .expect("the collapse of 9 mm is found");
    let depth_mm = number(&collapse["depth_mm"]["value"]);
    println!(
        "worst path {:.2} mm (shape {:.2}; goal {PATH_MM}), offset {offset_ms:.2} ms (goal {OFFSET_MS}), \
         collapse of 9 mm measured {depth_mm:.1} mm (goal ± {DEPTH_MM}), release {:.1} ms (goal {FRAME_MS:.1})",
        worst.0, worst.1, worst.2
    );
    assert!(worst.0 <= PATH_MM && offset_ms <= OFFSET_MS && worst.2 <= FRAME_MS);
    assert!((depth_mm - 9.0).abs() <= DEPTH_MM, "{depth_mm}");
    assert_eq!(verdicts[0], "good");
    assert_eq!(verdicts[2], "collapse");
    assert_eq!(verdicts[1], "stall");
}
