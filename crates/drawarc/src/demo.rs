//! `demo`: films a simulated practice as ordinary video files, then measures it as if it were real.

use crate::args::DemoArguments;
use crate::failure::{Failure, Outcome};
use crate::pipeline::Pipeline;
use crate::practice::{
    CameraEntry, FORMAT, LensKind, MarkerEntry, MarkerShapeName, Practice, Stand, Turn,
};
use crate::progress::{self, Progress};
use crate::store::{self, Key};
use crate::{run, verdicts};
use drawarc_calibration::Board;
use drawarc_range_sim::{FilmCamera, MarkerLook, MarkerPlace, Scenario, render};
use drawarc_report::{BowStage, Felt, Side};
use drawarc_rig::ClockFace;
use drawarc_sync_track::MarkerRole;
use nalgebra::Point3;
use std::path::Path;

/// Films, measures, tells.
pub(crate) fn obey(plan: &DemoArguments, json: bool) -> Outcome<()> {
    let scenario = scenario(plan)?;
    std::fs::create_dir_all(&plan.into)
        .map_err(|source| Failure::output(format!("{}: {source}", plan.into.display())))?;
    film(&scenario, &plan.into)?;
    let manifest = plan.into.join("practice.yaml");
    write_inputs(&scenario, &plan.into, &manifest)?;
    let practice = Practice::read(&manifest)?;
    let made = run::run(
        &practice,
        &Pipeline::default(),
        &plan.into.join("results"),
        &run::Manner {
            invented: true,
            ..run::Manner::default()
        },
    )?;
    verdicts::tell(&made, json)
}

fn scenario(plan: &DemoArguments) -> Outcome<Scenario> {
    match plan.rig.as_str() {
        "five-three" => Ok(Scenario::club_five_three(plan.seed)),
        "side-overhead" => Ok(Scenario::club_side_overhead(plan.seed)),
        "centre" => Ok(Scenario::centre_four(plan.seed)),
        other => Err(Failure::input(format!(
            "no simulated rig is called {other:?}; there are five-three, side-overhead and centre"
        ))),
    }
}

/// Renders the videos, unless the same ones are there already.
fn film(scenario: &Scenario, folder: &Path) -> Outcome<()> {
    let stamp = folder.join("filmed.txt");
    let key = Key::of("film", scenario, &[])?;
    if std::fs::read_to_string(&stamp).is_ok_and(|text| text == key.text()) {
        return Ok(());
    }
    let progress = Progress::default();
    let bar = progress.bar("filming a simulated practice");
    render(scenario, folder, &mut |fraction| {
        progress::set(&bar, fraction);
    })
    .map_err(Failure::output)?;
    bar.finish_and_clear();
    store::write_whole(&stamp, key.text().as_bytes())
}

/// Board description and manifest, as a coach would write them: nothing here is taken from the simulated truth that a
/// coach would not know.
fn write_inputs(scenario: &Scenario, folder: &Path, manifest: &Path) -> Outcome<()> {
    let plan = scenario
        .board
        .as_ref()
        .ok_or_else(|| Failure::input("this scenario shows no board"))?;
    let mut board = Board::new(
        "simulated A3 sheet",
        plan.columns,
        plan.rows,
        plan.pitch_x_m,
    )
    .map_err(Failure::input)?;
    board.pitch_y_m = plan.pitch_y_m;
    let text = board.to_yaml().map_err(Failure::output)?;
    store::write_whole(&folder.join("board.yaml"), text.as_bytes())?;
    let practice = Practice {
        format: FORMAT.to_owned(),
        title: "A simulated practice".to_owned(),
        date: "2026-11-24".to_owned(),
        board: "board.yaml".into(),
        ground: None,
        rig: None,
        corrections: None,
        temperature_c: scenario.air_temperature_c,
        cameras: scenario.cameras.iter().map(entry).collect(),
        markers: scenario.markers.iter().filter_map(marker).collect(),
        turns: vec![Turn {
            archer: "Kestrel".to_owned(),
            handedness: if scenario.archer.left_handed {
                Side::Left
            } else {
                Side::Right
            },
            height_cm: Some((scenario.archer.height_m * 100.0).round()),
            stage: Some(BowStage::OwnBow),
            draw_weight_lb: Some(34.0),
            shots: None,
            felt: vec![Felt::Moved; scenario.shots.len()],
        }],
    };
    store::write_whole(manifest, practice.to_yaml()?.as_bytes())
}

fn entry(camera: &FilmCamera) -> CameraEntry {
    let position = Point3::from(camera.position_m);
    let overhead = position.x.hypot(position.y) < 1.5 && position.z > 2.4;
    let rolling = camera.shutter.readout_s != 0.0;
    CameraEntry {
        name: camera.name.clone(),
        stands: Some(if overhead {
            Stand::Overhead
        } else {
            Stand::Clock(ClockFace::of_position(&position, &Point3::origin()))
        }),
        files: vec![format!("{}.mp4", camera.name).into()],
        stills: vec![],
        // Phone makers rarely print the read-out: what a coach can write is the usual value and its range.
        readout_ms: if rolling { 16.0 } else { 0.0 },
        readout_sd_ms: Some(if rolling { 4.0 } else { 0.0 }),
        exposure_ms: camera.shutter.exposure_s * 1000.0,
        genlocked: !rolling,
        sound_lag_sd_ms: None,
        slow_motion: vec![],
        lens: LensKind::Ordinary,
    }
}

fn marker(plan: &drawarc_range_sim::MarkerPlan) -> Option<MarkerEntry> {
    let on = match plan.place {
        MarkerPlace::Elbow => MarkerRole::Elbow,
        MarkerPlace::BowHand => MarkerRole::BowHand,
        MarkerPlace::StringHand => MarkerRole::StringHand,
        MarkerPlace::Nock => MarkerRole::Nock,
        MarkerPlace::ArrowRest => MarkerRole::ArrowRest,
        MarkerPlace::DrawShoulder => MarkerRole::DrawShoulder,
        MarkerPlace::WandFirst | MarkerPlace::WandSecond | MarkerPlace::AtRest => return None,
    };
    let (shape, size_m) = match plan.look {
        MarkerLook::Ball { diameter_m } => (MarkerShapeName::Ball, diameter_m),
        MarkerLook::Band { width_m } => (MarkerShapeName::Band, width_m),
        MarkerLook::Dot { diameter_m } | MarkerLook::Target { diameter_m, .. } => {
            (MarkerShapeName::Dot, diameter_m)
        }
    };
    Some(MarkerEntry {
        on,
        shape,
        size_mm: size_m * 1000.0,
        colour: match plan.look {
            MarkerLook::Target { .. } => "white",
            _ => colour_word(plan.rgb),
        }
        .to_owned(),
    })
}

/// What a person would call a colour (linear RGB).
fn colour_word([red, green, blue]: [f32; 3]) -> &'static str {
    if blue > red && blue > green {
        "blue"
    } else if green > red {
        "green"
    } else if blue > 0.5 * red && blue > green {
        "pink"
    } else if green > 0.6 * red {
        "yellow"
    } else if green > 0.12 * red {
        "orange"
    } else {
        "red"
    }
}
