//! The forecast of a surveyed rig against what was measured from rendered, encoded film with known truth.
//!
//! `cargo xtask bench --forecast`, after the bench has measured its films; or with `DRAWARC_FILMS`, where each folder within
//! holds `truth.json` and, from `drawarc run`, `results/`. One shot is one draw of the error, so single films are printed and
//! the root mean square over all of them is held to the goal.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(
    clippy::disallowed_methods,
    reason = "the folder of films differs from machine to machine"
)]
#![allow(
    clippy::print_stdout,
    reason = "this test prints the figures beside their goals"
)]

use drawarc_rig::Rig;
use drawarc_study::forecast::{
    CameraTiming, Forecast, ForecastInput, ForecastSettings, Hand, MarkerKind, NominalArcher,
    Surroundings, Sync, forecast,
};
use serde_json::Value;
use std::path::{Path, PathBuf};

/// Goal: forecast and full simulation agree within this share.
const GOAL: f64 = 0.2;

fn json(path: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

/// Rms error in space (mm) of one shot between the start of the draw and 20 ms before release: absolute, and its shape.
fn measured_mm(shot: &Value, truth: &Value, true_shot: &Value) -> Option<(f64, f64)> {
    let from_s = number(&true_shot["phases"]["draw_s"]);
    let to_s = true_shot["release_s"].as_f64()? - 0.02;
    let times = shot["curves"]["time_s"].as_array()?;
    let places = shot["curves"]["elbow_mm"].as_array()?;
    let mut errors: Vec<[f64; 3]> = Vec::new();
    for (time, place) in times.iter().zip(places) {
        let time_s = number(time);
        if time_s < from_s || time_s > to_s || place[0].is_null() {
            continue;
        }
        // The truth stands at 1 ms steps.
        let (low, share) = ((time_s * 1000.0).floor(), (time_s * 1000.0).fract());
        let axis = |k: usize| {
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "an index of the truth: whole, not negative"
            )]
            let at = |step: f64| number(&truth["elbow_m"][step as usize][k]) * 1000.0;
            number(&place[k]) - (at(low) * (1.0 - share) + at(low + 1.0) * share)
        };
        errors.push([axis(0), axis(1), axis(2)]);
    }
    let count = errors.len() as f64;
    let mean = [0, 1, 2].map(|k| errors.iter().map(|e| e[k]).sum::<f64>() / count);
    let rms = |offset: [f64; 3]| {
        let squares = errors
            .iter()
            .map(|e| (0..3).map(|k| (e[k] - offset[k]).powi(2)).sum::<f64>());
        (squares.sum::<f64>() / count).sqrt()
    };
    (errors.len() > 50).then(|| (rms([0.0; 3]), rms(mean)))
}

/// Forecast of the rig that the film was surveyed with, for the archer who stands in it.
fn forecast_of(folder: &Path, truth: &Value) -> Forecast {
    let rig = Rig::read(&folder.join("results/rig.yaml")).unwrap();
    let cameras = truth["scenario"]["cameras"].as_array().unwrap();
    let genlocked = rig
        .cameras
        .iter()
        .all(|camera| camera.shutter.readout_s == 0.0);
    let sync = if genlocked {
        Sync::Genlock
    } else {
        Sync::Sound
    };
    let timing: Vec<CameraTiming> = cameras
        .iter()
        .enumerate()
        .map(|(index, camera)| CameraTiming {
            rate_hz: number(&camera["rate_hz"]),
            phase: if genlocked {
                0.0
            } else {
                (index as f64 * 0.618).fract()
            },
            clock_sd_s: sync.sd_s(),
        })
        .collect();
    let archer = &truth["scenario"]["archer"];
    forecast(
        &ForecastInput {
            rig: &rig,
            timing: &timing,
            archer: NominalArcher {
                height_m: number(&archer["height_m"]),
                hand: if archer["left_handed"] == true {
                    Hand::Left
                } else {
                    Hand::Right
                },
            },
            marker: MarkerKind::Ball { diameter_m: 0.028 },
            surroundings: &Surroundings::default(),
        },
        &ForecastSettings::default(),
    )
    .unwrap()
}

#[test]
#[ignore = "needs films that the bench has measured; cargo xtask bench --forecast runs it"]
fn the_forecast_agrees_with_film() {
    let films = std::env::var("DRAWARC_FILMS").expect("DRAWARC_FILMS names a folder of films");
    let mut folders: Vec<PathBuf> = std::fs::read_dir(films)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|folder| folder.join("results/sheet.json").exists())
        .collect();
    folders.sort();
    let mut squares = [0.0; 2];
    let mut shots = 0;
    for folder in &folders {
        let truth = json(&folder.join("truth.json"));
        let sheet = json(&folder.join("results/sheet.json"));
        let made = forecast_of(folder, &truth);
        let pairs = sheet["shots"].as_array().unwrap().iter();
        for (shot, true_shot) in pairs.zip(truth["shots"].as_array().unwrap()) {
            let Some((absolute, shape)) = measured_mm(shot, &truth, true_shot) else {
                continue;
            };
            println!(
                "{}: shape {shape:.2} mm, forecast {:.2} ({:+.0} %); absolute {absolute:.2} mm, forecast {:.2}",
                folder.file_name().unwrap().display(),
                made.shape.space_mm,
                100.0 * (made.shape.space_mm / shape - 1.0),
                made.absolute.space_mm
            );
            squares[0] += made.shape.space_mm.powi(2);
            squares[1] += shape.powi(2);
            shots += 1;
        }
    }
    assert!(shots > 0, "no film with a shot");
    let ratio = (squares[0] / squares[1]).sqrt();
    println!(
        "shape over {shots} shots: forecast / measured {ratio:.2} (goal 1 ± {GOAL}); absolute errors share one survey a film: not enough to judge"
    );
    assert!((ratio - 1.0).abs() <= GOAL, "{ratio}");
}
