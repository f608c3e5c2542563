//! The manifest of a practice as a coach would write it: nothing in it that a coach would not know.

use crate::error::BenchError;
use crate::practices::Practice;
use drawarc_range_sim::{BoardPlan, FilmCamera, MarkerLook, MarkerPlace, MarkerPlan, ShotKind};
use drawarc_rig::{ClockFace, Lens};
use nalgebra::Point3;
use serde_json::{Value, json};
use std::path::Path;

/// Writes `practice.yaml`, `board.yaml` and the pipelines of the two stages that are timed apart.
pub(crate) fn write(practice: &Practice, folder: &Path) -> Result<(), BenchError> {
    write_naming(practice, folder, (None, practice.scenario.board.as_ref()))
}

/// The same for a practice whose rig was surveyed before, with the board of `surveyed`.
pub(crate) fn write_with_rig(
    practice: &Practice,
    folder: &Path,
    (rig, surveyed): (&Path, &Practice),
) -> Result<(), BenchError> {
    let board = surveyed.scenario.board.as_ref();
    write_naming(practice, folder, (Some(rig), board))
}

fn write_naming(
    practice: &Practice,
    folder: &Path,
    (rig, board): (Option<&Path>, Option<&BoardPlan>),
) -> Result<(), BenchError> {
    let scenario = &practice.scenario;
    if let Some(plan) = board {
        let board = json!({
            "format": "drawarc-board/1",
            "name": "simulated A3 sheet",
            "columns": plan.columns,
            "rows": plan.rows,
            "pitch_x_mm": 1000.0 * plan.pitch_x_m,
            "pitch_y_mm": 1000.0 * plan.pitch_y_m,
        });
        put(&folder.join("board.yaml"), &board)?;
    }
    let band = scenario
        .shots
        .iter()
        .all(|shot| shot.kind == ShotKind::Band);
    let turn = json!({
        "archer": "Kestrel",
        "handedness": if scenario.archer.left_handed { "left" } else { "right" },
        "height_cm": (100.0 * scenario.archer.height_m).round(),
        "stage": if band { "band" } else { "own-bow" },
    });
    let mut manifest = json!({
        "format": "drawarc-practice/1",
        "title": practice.name,
        "date": "2026-11-24",
        "board": "board.yaml",
        "temperature_c": scenario.air_temperature_c,
        "cameras": scenario.cameras.iter().map(camera).collect::<Vec<_>>(),
        "markers": scenario.markers.iter().filter_map(marker).collect::<Vec<_>>(),
        "turns": [turn],
    });
    if let Some(rig) = rig {
        manifest["rig"] = json!(rig);
    }
    put(&folder.join("practice.yaml"), &manifest)?;
    let stage = |steps: &[&str]| json!({ "format": "drawarc-pipeline/1", "steps": steps });
    put(&folder.join("survey-only.yaml"), &stage(&["survey"]))?;
    put(
        &folder.join("whole.yaml"),
        &stage(&["survey", "clocks", "sightings", "path", "sheet"]),
    )
}

fn put(path: &Path, value: &Value) -> Result<(), BenchError> {
    let text =
        serde_yaml::to_string(value).map_err(|error| BenchError::Words(error.to_string()))?;
    std::fs::write(path, text).map_err(|source| BenchError::File {
        path: path.to_owned(),
        source,
    })
}

fn camera(camera: &FilmCamera) -> Value {
    let position = Point3::from(camera.position_m);
    let overhead = position.x.hypot(position.y) < 1.5 && position.z > 2.4;
    let stands = if overhead {
        "overhead".to_owned()
    } else {
        ClockFace::of_position(&position, &Point3::origin()).to_string()
    };
    let rolling = camera.shutter.readout_s != 0.0;
    json!({
        "name": camera.name,
        "stands": stands,
        "files": camera.files(),
        // Phone makers rarely print the read-out: what a coach can write is the usual value and its range.
        "readout_ms": if rolling { 16.0 } else { 0.0 },
        "readout_sd_ms": if rolling { 4.0 } else { 0.0 },
        "exposure_ms": 1000.0 * camera.shutter.exposure_s,
        "genlocked": !rolling,
        "lens": match camera.lens {
            Lens::KannalaBrandt(_) => "wide",
            Lens::BrownConrady(_) => "ordinary",
        },
    })
}

fn marker(plan: &MarkerPlan) -> Option<Value> {
    let on = match plan.place {
        MarkerPlace::Elbow => "elbow",
        MarkerPlace::BowHand => "bow-hand",
        MarkerPlace::StringHand => "string-hand",
        MarkerPlace::Nock => "nock",
        MarkerPlace::ArrowRest => "arrow-rest",
        MarkerPlace::DrawShoulder => "draw-shoulder",
        MarkerPlace::WandFirst | MarkerPlace::WandSecond | MarkerPlace::AtRest => return None,
    };
    let (shape, size_m) = match plan.look {
        MarkerLook::Ball { diameter_m } => ("ball", diameter_m),
        MarkerLook::Band { width_m } => ("band", width_m),
        MarkerLook::Dot { diameter_m } | MarkerLook::Target { diameter_m, .. } => {
            ("dot", diameter_m)
        }
    };
    let [red, green, _] = plan.rgb;
    let colour = match plan.look {
        MarkerLook::Target { .. } => "white",
        _ if green > red => "green",
        _ => "orange",
    };
    Some(json!({ "on": on, "shape": shape, "size_mm": 1000.0 * size_m, "colour": colour }))
}
