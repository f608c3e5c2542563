//! `--survey`: every film of a board through the `survey` command, its rig beside the true one, its residual beside how
//! corners err on that film.

use crate::Arguments;
use crate::board_films::{board_films, lying_boards};
use crate::command::{Ended, decode_s, threads, watch, write};
use crate::comparison::{read_json, read_text};
use crate::corner_error::{CornerError, Scanned, ViewError, corner_errors};
use crate::error::BenchError;
use crate::filming;
use crate::practices::{Class, Practice};
use crate::survey_error::{SurveyError, stated, survey_error};
use crate::table::{Row, Table, worst};
use drawarc_range_sim::Truth;
use drawarc_rig::Rig;
use serde::Serialize;
use serde_json::Value;
use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

/// What came of one film.
#[derive(Debug, Serialize)]
pub(crate) struct Surveyed {
    name: String,
    about: String,
    class: Class,
    exit: i32,
    message: String,
    error: Option<SurveyError>,
    /// A point in the middle of the volume: error, what the survey says of it (mm), their ratio.
    point: Option<(f64, f64, f64)>,
    /// Residual of each camera an axis (px), as the survey has it.
    residual_px: Vec<f64>,
    corners: Vec<CornerError>,
    left_out: Vec<String>,
    widened: f64,
    /// The board's bow along its length, with its standard deviation (mm).
    bow_mm: Option<(f64, f64)>,
    remarks: Vec<String>,
    lenses: Vec<String>,
    survey_s: f64,
    decode_s: f64,
    peak_mb: f64,
    #[serde(skip)]
    views: Vec<ViewError>,
}

/// Films, surveys, compares, and prints one table.
pub(crate) fn survey_bench(
    plan: &Arguments,
    folder: &Path,
    drawarc: &Path,
) -> Result<(), BenchError> {
    let all = board_films();
    let exact = |name: &str| all.iter().any(|film| film.name == name);
    let wanted = |film: &Practice| {
        plan.only.is_empty()
            || plan.only.iter().any(|name| {
                film.name == name || (!exact(name) && film.name.starts_with(name.as_str()))
            })
    };
    let chosen: Vec<Practice> = all.iter().filter(|film| wanted(film)).cloned().collect();
    if chosen.is_empty() && !lying_boards().iter().any(&wanted) {
        return Err(BenchError::NoPractice(plan.only.join(", ")));
    }
    let mut results = Vec::new();
    for film in &chosen {
        if plan.list {
            println!("{:<24} {}", film.name, film.about);
            continue;
        }
        let place = folder.join(film.name);
        if !plan.compare_only {
            filming::film(film, &place)?;
        }
        if plan.film_only {
            continue;
        }
        let result = surveyed(film, &place, drawarc, plan)?;
        println!("{}", line(&result));
        results.push(result);
    }
    let lying = lying(plan, folder, wanted)?;
    if results.is_empty() && lying.is_empty() {
        return Ok(());
    }
    let table = Table {
        rows: rows(&results),
    };
    println!("\n{table}");
    let path = folder.join("survey.json");
    let text = serde_json::to_vec_pretty(&results)
        .map_err(|error| BenchError::Words(error.to_string()))?;
    write(&path, &text)?;
    println!("wrote {}", path.display());
    let path = folder.join("corner-errors.csv");
    let filmed = results
        .iter()
        .map(|result| (result.name.as_str(), &result.views));
    let lying = lying.iter().map(|(name, views)| (*name, views));
    write(&path, corner_table(filmed.chain(lying)).as_bytes())?;
    println!("wrote {}", path.display());
    Ok(())
}

/// Boards that are laid down: filmed, and their corners compared; nothing is surveyed. Name and views of each.
fn lying(
    plan: &Arguments,
    folder: &Path,
    wanted: impl Fn(&Practice) -> bool,
) -> Result<Vec<(&'static str, Vec<ViewError>)>, BenchError> {
    let mut found = Vec::new();
    for film in lying_boards().iter().filter(|film| wanted(film)) {
        if plan.list {
            println!("{:<24} {}", film.name, film.about);
            continue;
        }
        let place = folder.join(film.name);
        if !plan.compare_only {
            filming::film(film, &place)?;
        }
        if plan.film_only {
            continue;
        }
        let truth: Truth = read_json(&place.join("truth.json"))?;
        let Scanned { views, laws } = corner_errors(&place, &truth)?;
        let errors = laws
            .iter()
            .map(|law| format!("{} {:.3}", law.name, law.rms_px));
        println!("{:<22} corners err by {} px", film.name, joined(errors));
        found.push((film.name, views));
    }
    Ok(found)
}

fn surveyed(
    film: &Practice,
    folder: &Path,
    drawarc: &Path,
    plan: &Arguments,
) -> Result<Surveyed, BenchError> {
    let threads = threads(plan);
    let decode_s = decode_s(film, folder, threads)?;
    let mut command = Command::new(drawarc);
    command
        .current_dir(folder)
        .env("NO_COLOR", "1")
        .args(["survey", "practice.yaml", "--into", "rig.yaml"])
        .env("RAYON_NUM_THREADS", threads.to_string())
        .args(["--replace", "--json"]);
    let Ended {
        exit,
        out,
        message,
        seconds,
        peak_mb,
    } = watch(command, folder)?;
    let truth: Truth = read_json(&folder.join("truth.json"))?;
    let Scanned { views, laws } = corner_errors(folder, &truth)?;
    let mut result = Surveyed {
        name: film.name.to_owned(),
        about: film.about.to_owned(),
        class: film.class,
        exit,
        message,
        error: None,
        point: None,
        residual_px: Vec::new(),
        corners: laws,
        left_out: Vec::new(),
        widened: f64::NAN,
        bow_mm: None,
        remarks: Vec::new(),
        lenses: Vec::new(),
        survey_s: seconds,
        decode_s,
        peak_mb,
        views,
    };
    if exit != 0 {
        return Ok(result);
    }
    let path = folder.join("rig.yaml");
    let rig = Rig::from_yaml(&read_text(&path)?).map_err(|error| BenchError::Content {
        path,
        what: error.to_string(),
    })?;
    result.error = survey_error(&rig.cameras, &truth);
    result.point = stated(&rig, &truth);
    let said: Value = serde_json::from_str(&out).unwrap_or_default();
    let cameras = said["cameras"].as_array().cloned().unwrap_or_default();
    for camera in &cameras {
        let both_axes = camera["residual_px"].as_f64().unwrap_or(f64::NAN);
        result
            .residual_px
            .push(both_axes / std::f64::consts::SQRT_2);
        result
            .lenses
            .push(camera["lens"].as_str().unwrap_or_default().to_owned());
    }
    for view in said["left_out"].as_array().into_iter().flatten() {
        result.left_out.push(format!(
            "{} at {:.2} s: {:.2} px",
            camera_name(&cameras, &view["camera"]),
            view["time_s"].as_f64().unwrap_or(f64::NAN),
            view["rms_px"].as_f64().unwrap_or(f64::NAN)
        ));
    }
    result.widened = said["widened"].as_f64().unwrap_or(f64::NAN);
    let bow = &said["board_bends"]["along_mm"];
    result.bow_mm = bow[0].as_f64().zip(bow[1].as_f64());
    result.remarks = rig.survey.remarks;
    Ok(result)
}

fn camera_name(cameras: &[Value], index: &Value) -> String {
    let at = index.as_u64().and_then(|at| usize::try_from(at).ok());
    at.and_then(|at| cameras.get(at)?["name"].as_str())
        .unwrap_or("?")
        .to_owned()
}

fn joined(values: impl Iterator<Item = String>) -> String {
    values.collect::<Vec<_>>().join(" ")
}

fn line(result: &Surveyed) -> String {
    let mut text = format!("{:<22} ", result.name);
    if result.exit != 0 {
        let _ = write!(text, "exit {}: {}", result.exit, result.message);
        return text;
    }
    if let Some(error) = &result.error {
        let _ = write!(
            text,
            "focal {:.3} %, principal point {:.2} px, epipolar {:.3} px, 300 mm {:.3} mm",
            error.focal_percent, error.principal_px, error.epipolar_px, error.length_mm
        );
    }
    if let Some((off, sd, score)) = result.point {
        let _ = write!(
            text,
            ", a point {off:.2} of stated {sd:.2} mm ({score:.2} σ)"
        );
    }
    let _ = write!(
        text,
        "\n    residual {} px beside corner noise {}; survey {:.0} s, decode {:.0} s, {:.0} MB",
        joined(result.residual_px.iter().map(|px| format!("{px:.3}"))),
        joined(
            result
                .corners
                .iter()
                .map(|law| format!("{:.3}", law.rms_px))
        ),
        result.survey_s,
        result.decode_s,
        result.peak_mb
    );
    for law in &result.corners {
        let _ = write!(
            text,
            "\n    {}: {} views, {:.3} px an axis ({:.3} to {:.3}), in common {:.3}, kept from frame to frame {:.2} moving, {:.2} at rest, trails by {:.2} ms, {} wrong",
            law.name,
            law.views,
            law.rms_px,
            law.quartiles_px[0],
            law.quartiles_px[1],
            law.shared_px,
            law.moving_kept,
            law.resting_kept,
            law.trails_ms,
            law.wrong.len()
        );
        for (time_s, px) in &law.wrong {
            let _ = write!(text, " [{time_s:.2} s: {px:.1} px]");
        }
    }
    if let Some((bow, sd)) = result.bow_mm {
        let _ = write!(text, "\n    board bowed by {bow:.2} ± {sd:.2} mm");
    }
    let _ = write!(
        text,
        "\n    widened {:.2}; left out: {}; {}",
        result.widened,
        result.left_out.join(", "),
        result.lenses.join("; ")
    );
    for remark in &result.remarks {
        let _ = write!(text, "\n    {remark}");
    }
    text
}

fn rows(results: &[Surveyed]) -> Vec<Row> {
    let mut rows = Vec::new();
    for (class, words) in [
        (Class::Phones, "club rigs"),
        (Class::Centre, "centre"),
        (Class::Other, "other films"),
    ] {
        let goal = |value: f64| (class != Class::Other).then_some(value);
        let own: Vec<&Surveyed> = results.iter().filter(|r| r.class == class).collect();
        let of = |pick: fn(&SurveyError) -> f64| -> Vec<f64> {
            own.iter()
                .filter_map(|result| result.error.as_ref().map(pick))
                .collect()
        };
        let mut add = |what: &str, values: Vec<f64>, goal: Option<f64>, unit: &str| {
            rows.push(worst(format!("{what}, {words}"), &values, goal, unit));
        };
        add("focal length", of(|e| e.focal_percent), goal(0.1), "%");
        add("principal point", of(|e| e.principal_px), goal(1.0), "px");
        add(
            "epipolar residual of fresh points",
            of(|e| e.epipolar_px),
            goal(0.15),
            "px",
        );
        add(
            "300 mm in the volume, rms",
            of(|e| e.length_mm),
            goal(0.3),
            "mm",
        );
        add(
            "residual over corner noise",
            own.iter()
                .flat_map(|r| {
                    r.residual_px
                        .iter()
                        .zip(&r.corners)
                        .map(|(ours, law)| ours / law.rms_px)
                })
                .collect(),
            goal(1.2),
            "×",
        );
        add(
            "place of a point over its stated σ, rms an axis",
            own.iter().filter_map(|r| r.point.map(|p| p.2)).collect(),
            None,
            "σ",
        );
        add(
            "survey over decode",
            own.iter().map(|r| r.survey_s / r.decode_s).collect(),
            goal(2.0),
            "×",
        );
    }
    rows.retain(|row| row.n > 0);
    rows
}

/// The corner errors of whole bursts, a line each: film, camera, then per frame the corners' errors (1/1000 px): tests of the
/// survey's intervals draw on them.
fn corner_table<'a>(films: impl Iterator<Item = (&'a str, &'a Vec<ViewError>)>) -> String {
    let mut text =
        String::from("# film,camera,px a frame;corner x y ...;corner x y ... (1/1000 px)\n");
    for (film, views) in films {
        for burst in views.chunk_by(|a, b| a.camera == b.camera && b.frame == a.frame + 1) {
            if burst.len() != 3 {
                continue;
            }
            let speed = burst[1].speed_px.unwrap_or(0.0);
            let _ = write!(text, "{film},{},{speed:.3}", burst[0].camera);
            for view in burst {
                text.push(';');
                let corners = view
                    .error_px
                    .iter()
                    .map(|e| format!("{:.0} {:.0}", 1000.0 * e.x, 1000.0 * e.y));
                text.push_str(&joined(corners));
            }
            text.push('\n');
        }
    }
    text
}
