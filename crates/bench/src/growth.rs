//! `--growth`: what a practice costs as it grows. One minute of shooting with its pauses, joined to five and to twenty, and a
//! centre with two, three and four of its cameras: time beside the decoder's, peak memory, and the exponent of growth.

use crate::Arguments;
use crate::command::{Ended, decode_s, run, threads, watch, write};
use crate::error::BenchError;
use crate::filming;
use crate::manifest;
use crate::practices::{Class, Practice, collapse, good, practices, short, slow};
use crate::table::{Row, Table};
use drawarc_range_sim::{FilmCamera, Scenario};
use serde::Serialize;
use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

/// Minutes of the joined films.
const MINUTES: [usize; 3] = [1, 5, 20];
/// Most memory (MB), largest exponent, and most time beside the decoder's.
const MOST_MB: f64 = 500.0;
const MOST_EXPONENT: f64 = 1.1;
const MOST_DECODES: f64 = 1.3;
/// From the first frame of one minute to the first frame of the next (s): a phone's film of a minute and half a second lost.
const EVERY_S: f64 = 60.5;
/// When the raise of each shot begins in its minute (s): an arrow every twenty seconds.
const RAISES_S: [f64; 3] = [6.0, 26.0, 45.0];

/// One measurement.
#[derive(Debug, Serialize)]
struct Grown {
    /// Minutes, or cameras.
    size: usize,
    exit: i32,
    message: String,
    shots: usize,
    seconds: f64,
    decode_s: f64,
    peak_mb: f64,
}

/// Films, joins, runs, and prints one table.
pub(crate) fn growth_bench(
    plan: &Arguments,
    folder: &Path,
    drawarc: &Path,
) -> Result<(), BenchError> {
    let minutes = with_minutes(plan, folder, drawarc)?;
    let cameras = with_cameras(plan, folder, drawarc)?;
    if plan.film_only {
        return Ok(());
    }
    let mut rows: Vec<Row> = Vec::new();
    for one in &minutes {
        rows.push(row(
            format!("{} min of film, {} shots, peak memory", one.size, one.shots),
            (one.peak_mb, MOST_MB),
            "MB",
            one,
        ));
        rows.push(row(
            format!("{} min of film and rig → page, times decode", one.size),
            (one.seconds / one.decode_s, MOST_DECODES),
            "×",
            one,
        ));
    }
    for (what, all) in [("minutes", &minutes), ("cameras", &cameras)] {
        let measured: Vec<(f64, f64)> = all
            .iter()
            .filter(|one| one.exit == 0)
            .map(|one| (one.size as f64, one.seconds))
            .collect();
        rows.push(Row::held(
            format!("time against {what}, exponent"),
            measured.len(),
            (exponent(&measured), MOST_EXPONENT),
            "",
        ));
    }
    println!("\n{}", Table { rows });
    let path = folder.join("growth.json");
    let all =
        serde_json::json!({ "format": "drawarc-bench/1", "minutes": minutes, "cameras": cameras });
    let text =
        serde_json::to_vec_pretty(&all).map_err(|error| BenchError::Words(error.to_string()))?;
    write(&path, &text)?;
    println!("wrote {}", path.display());
    Ok(())
}

/// A measure that failed runs have not.
fn row(measure: String, (value, goal): (f64, f64), unit: &str, of: &Grown) -> Row {
    let value = if of.exit == 0 { value } else { f64::NAN };
    Row::held(measure, usize::from(of.exit == 0), (value, goal), unit)
}

/// Slope of log time over log size, least squares.
fn exponent(measured: &[(f64, f64)]) -> f64 {
    let logs: Vec<(f64, f64)> = measured.iter().map(|(x, y)| (x.ln(), y.ln())).collect();
    let n = logs.len() as f64;
    let mean = |of: fn(&(f64, f64)) -> f64| logs.iter().map(of).sum::<f64>() / n;
    let (x, y) = (mean(|p| p.0), mean(|p| p.1));
    let across: f64 = logs.iter().map(|p| (p.0 - x) * (p.1 - y)).sum();
    across / logs.iter().map(|p| (p.0 - x).powi(2)).sum::<f64>()
}

fn with_minutes(plan: &Arguments, folder: &Path, drawarc: &Path) -> Result<Vec<Grown>, BenchError> {
    let board = first_of("club-five-three")?;
    let surveyed = folder.join(board.name);
    let minute = minute();
    let one = folder.join(minute.name);
    if !plan.compare_only {
        filming::film(&board, &surveyed)?;
        filming::film(&minute, &one)?;
    }
    if plan.film_only {
        return Ok(Vec::new());
    }
    let rig = surveyed.join("results/rig.yaml");
    let survey = run(drawarc, &surveyed, "survey-only.yaml", threads(plan))?;
    expect_done(&survey, &surveyed)?;
    let mut found = Vec::new();
    for minutes in MINUTES {
        let place = folder.join(format!("{}-{minutes}", minute.name));
        std::fs::create_dir_all(&place).map_err(|source| BenchError::File {
            path: place.clone(),
            source,
        })?;
        for name in minute.scenario.cameras.iter().flat_map(FilmCamera::files) {
            join(&one.join(&name), minutes, &place.join(&name))?;
        }
        manifest::write_with_rig(&minute, &place, (&rig, &board))?;
        found.push(grown(minutes, &minute, &place, drawarc, plan)?);
    }
    Ok(found)
}

fn with_cameras(plan: &Arguments, folder: &Path, drawarc: &Path) -> Result<Vec<Grown>, BenchError> {
    let centre = first_of("centre")?;
    let whole = folder.join(centre.name);
    if !plan.compare_only {
        filming::film(&centre, &whole)?;
    }
    if plan.film_only {
        return Ok(Vec::new());
    }
    let mut found = Vec::new();
    for cameras in 2..=centre.scenario.cameras.len() {
        let place = folder.join(format!("{}-{cameras}", centre.name));
        let mut fewer = centre.clone();
        // The last ones: they see the board on the line best.
        let left_out = fewer.scenario.cameras.len() - cameras;
        fewer.scenario.cameras.drain(..left_out);
        std::fs::create_dir_all(&place).map_err(|source| BenchError::File {
            path: place.clone(),
            source,
        })?;
        for name in fewer.scenario.cameras.iter().flat_map(FilmCamera::files) {
            join(&whole.join(&name), 1, &place.join(&name))?;
        }
        manifest::write(&fewer, &place)?;
        found.push(grown(cameras, &fewer, &place, drawarc, plan)?);
    }
    Ok(found)
}

/// Three shots of a minute, arms down in between. The phones' clocks run alike: joined minutes would make a drift jump.
fn minute() -> Practice {
    let mut scenario = short(
        Scenario::club_five_three(101),
        vec![good(), slow(0.0), collapse(9.0)],
    );
    scenario.board = None;
    for camera in &mut scenario.cameras {
        camera.clock.drift = 0.0;
    }
    for (shot, start_s) in scenario.shots.iter_mut().zip(RAISES_S) {
        shot.start_s = start_s;
    }
    scenario.end_s = 60.0;
    Practice::new(
        "minute",
        "a minute of three shots with pauses: good, stall, collapse of 9 mm",
        Class::Other,
        scenario,
    )
}

fn first_of(name: &str) -> Result<Practice, BenchError> {
    let named = practices().into_iter().find(|one| one.name == name);
    named.ok_or_else(|| BenchError::NoPractice(name.to_owned()))
}

/// One film after another, as it is coded.
fn join(film: &Path, times: usize, into: &Path) -> Result<(), BenchError> {
    let mut text = String::from("ffconcat version 1.0\n");
    for _ in 0..times {
        let _ = write!(text, "file '{}'\nduration {EVERY_S}\n", film.display());
    }
    let list = into.with_extension("list");
    write(&list, text.as_bytes())?;
    let place = into.parent().unwrap_or(Path::new("."));
    let mut command = Command::new("ffmpeg");
    command
        .args([
            "-v", "error", "-nostdin", "-y", "-f", "concat", "-safe", "0",
        ])
        .arg("-i")
        .arg(&list)
        .args(["-c", "copy"])
        .arg(into);
    expect_done(&watch(command, place)?, into)
}

fn grown(
    size: usize,
    practice: &Practice,
    place: &Path,
    drawarc: &Path,
    plan: &Arguments,
) -> Result<Grown, BenchError> {
    let _ = std::fs::remove_dir_all(place.join("results"));
    let decode_s = decode_s(practice, place, threads(plan))?;
    let ended = run(drawarc, place, "whole.yaml", threads(plan))?;
    let said: serde_json::Value = serde_json::from_str(&ended.out).unwrap_or_default();
    let one = Grown {
        size,
        exit: ended.exit,
        message: ended.message,
        shots: said["shots"].as_array().map_or(0, Vec::len),
        seconds: ended.seconds,
        decode_s,
        peak_mb: ended.peak_mb,
    };
    println!(
        "{} × {size}: exit {}, {} shots, {:.1} s, decode {:.1} s, {:.0} MB {}",
        practice.name, one.exit, one.shots, one.seconds, one.decode_s, one.peak_mb, one.message
    );
    Ok(one)
}

fn expect_done(ended: &Ended, at: &Path) -> Result<(), BenchError> {
    if ended.exit == 0 {
        return Ok(());
    }
    Err(BenchError::Content {
        path: at.to_owned(),
        what: format!("exit {}: {}", ended.exit, ended.message),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_exponent_of_a_power_is_its_power() {
        let cubes: Vec<(f64, f64)> = [1.0, 5.0, 20.0].map(|x: f64| (x, 2.0 * x.powi(3))).to_vec();
        assert!((exponent(&cubes) - 3.0).abs() < 1e-12);
    }

    #[test]
    fn the_minute_can_be_filmed() {
        let minute = minute();
        minute.scenario.validate().unwrap();
        assert_eq!(minute.scenario.shots.len(), RAISES_S.len());
        assert!(minute.scenario.end_s < EVERY_S);
    }
}
