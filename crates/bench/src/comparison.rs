//! One practice: what was measured beside what was true. The only module that opens `truth.json`.

use crate::command::Measured;
use crate::error::BenchError;
use crate::expectation::{Agreement, Expectation, agreement, earned};
use crate::limit::{Limit, Seen, SightingError, SingleError};
use crate::practices::{Class, Practice};
use crate::survey_error::{SurveyError, survey_error};
use drawarc_range_sim::{FaultPlan, PATH_STEP_S, TrueShot, Truth};
use drawarc_rig::{ClockModel, Rig};
use nalgebra::Point3;
use serde::Serialize;
use serde_json::Value;
use std::path::Path;

/// The path is compared until so long before release (s).
const BEFORE_RELEASE_S: f64 = 0.020;

/// What came of a practice.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct Compared {
    /// Name.
    pub(crate) name: String,
    /// In words.
    pub(crate) about: String,
    /// Goals it is held to.
    pub(crate) class: Class,
    /// Did the command say what it must: every shot right or honest, or the message or warning that was due?
    pub(crate) passed: bool,
    /// Why not.
    pub(crate) complaints: Vec<String>,
    /// Shots.
    pub(crate) shots: Vec<ComparedShot>,
    /// Largest error of a clock during the shots (ms).
    pub(crate) clock_ms: Option<f64>,
    /// Errors of the survey.
    pub(crate) survey: Option<SurveyError>,
    /// Errors of the elbow's sightings during the shots.
    pub(crate) sightings: Option<SightingError>,
    /// The same one by one.
    #[serde(skip)]
    pub(crate) sighting_errors: Vec<SingleError>,
    /// What the run said and cost.
    pub(crate) run: Measured,
}

/// What came of a shot.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct ComparedShot {
    /// What was dialled in.
    pub(crate) earned: String,
    /// The verdict; `None` where the shot was not found.
    pub(crate) said: Option<String>,
    /// How both agree.
    pub(crate) agreement: Agreement,
    /// Smallest fault of this kind that the sheet says it would have shown.
    pub(crate) smallest_detectable: Option<f64>,
    /// Rms distance of the paths, end of set-up to 20 ms before release (mm).
    pub(crate) absolute_mm: Option<f64>,
    /// The same without one constant offset (mm).
    pub(crate) shape_mm: Option<f64>,
    /// As [`Self::absolute_mm`], of the simple way: a point for every instant, then a filter.
    pub(crate) simple_absolute_mm: Option<f64>,
    /// As [`Self::shape_mm`], of the simple way.
    pub(crate) simple_shape_mm: Option<f64>,
    /// The limit of the absolute error (mm).
    pub(crate) limit_absolute_mm: Option<f64>,
    /// The limit of the shape error (mm).
    pub(crate) limit_shape_mm: Option<f64>,
    /// One coordinate of one instant, another one for each shot: within its 95 % interval?
    pub(crate) place_covered: Option<bool>,
    /// Fraction of the compared instants that the path bridges without sight.
    pub(crate) in_gap: Option<f64>,
    /// Error of the release (ms).
    pub(crate) release_ms: Option<f64>,
    /// Error of the release by motion alone (ms).
    pub(crate) motion_ms: Option<f64>,
    /// Half width of the release's 95 % interval (ms).
    pub(crate) release_half_ms: Option<f64>,
    /// Error of the fault's depth (mm), where a reversal was dialled in and found.
    pub(crate) depth_mm: Option<f64>,
    /// Does the depth's 95 % interval hold the true depth?
    pub(crate) depth_covered: Option<bool>,
}

/// Compares a practice with its truth.
pub(crate) fn compare(
    practice: &Practice,
    folder: &Path,
    run: Measured,
) -> Result<Compared, BenchError> {
    let truth: Truth = read_json(&folder.join("truth.json"))?;
    let mut result = Compared {
        name: practice.name.to_owned(),
        about: practice.about.to_owned(),
        class: practice.class,
        passed: true,
        complaints: Vec::new(),
        shots: Vec::new(),
        clock_ms: None,
        survey: None,
        sightings: None,
        sighting_errors: Vec::new(),
        run,
    };
    if result.run.exit == 0 {
        let results = folder.join("results");
        let sheet: Value = read_json(&results.join("sheet.json"))?;
        let clocks: Vec<ClockModel> = read_json(&results.join("clocks.json"))?;
        result.clock_ms = Some(clock_error_ms(&clocks, &truth));
        let path = results.join("rig.yaml");
        let text = read_text(&path)?;
        let rig = Rig::from_yaml(&text).map_err(|error| BenchError::Content {
            path,
            what: error.to_string(),
        })?;
        result.survey = survey_error(&rig.cameras, &truth);
        let seen = Seen::read(&results, rig)?;
        compare_shots(&mut result, &sheet, &truth, &seen);
    }
    judge(practice, &mut result);
    result.passed = result.complaints.is_empty();
    Ok(result)
}

/// A text file.
pub(crate) fn read_text(path: &Path) -> Result<String, BenchError> {
    std::fs::read_to_string(path).map_err(|source| BenchError::File {
        path: path.to_owned(),
        source,
    })
}

/// A JSON file.
pub(crate) fn read_json<T: serde::de::DeserializeOwned>(path: &Path) -> Result<T, BenchError> {
    serde_json::from_str(&read_text(path)?).map_err(|error| BenchError::Content {
        path: path.to_owned(),
        what: error.to_string(),
    })
}

/// Did the command say what it must?
fn judge(practice: &Practice, result: &mut Compared) {
    let said = format!("{} {}", result.run.message, result.run.remarks.join(" "));
    let panicked = said.contains("panicked");
    if panicked {
        result.complaints.push("the command panicked".to_owned());
    }
    let missing = |words: &[&str]| -> Vec<String> {
        words
            .iter()
            .filter(|word| !said.contains(**word))
            .map(|word| format!("{word:?} is not in what it said"))
            .collect()
    };
    match practice.expected {
        Expectation::Verdicts => {
            if result.run.exit != 0 {
                let message = format!("exit {}: {}", result.run.exit, result.run.message);
                result.complaints.push(message);
            }
        }
        Expectation::Refused(words) => {
            if result.run.exit == 0 {
                result
                    .complaints
                    .push("measured what cannot be measured".to_owned());
            }
            result.complaints.extend(missing(words));
        }
        Expectation::Warned(words) => result.complaints.extend(missing(words)),
    }
    for shot in &result.shots {
        if shot.agreement == Agreement::Wrong {
            let said = shot.said.as_deref().unwrap_or("nothing");
            let wrong = format!("{} was dialled in, the sheet says {said}", shot.earned);
            result.complaints.push(wrong);
        }
    }
}

fn compare_shots(result: &mut Compared, sheet: &Value, truth: &Truth, seen: &Seen) {
    let empty = Vec::new();
    let sheets = sheet["shots"].as_array().unwrap_or(&empty);
    let mut used = vec![false; sheets.len()];
    let spans: Vec<(f64, f64)> = truth.shots.iter().map(span).collect();
    let errors = seen.errors(truth, &spans);
    result.sightings = errors.summary;
    result.sighting_errors = errors.singles;
    for shot in &truth.shots {
        let found = sheets.iter().position(|sheet| {
            let (start, end) = (number(&sheet["start_s"]), number(&sheet["end_s"]));
            start < shot.phases.release_s && end > shot.phases.draw_s
        });
        if let Some(index) = found {
            used[index] = true;
        }
        let sheet = found.map(|index| &sheets[index]);
        let mut compared = compare_shot(sheet, shot, truth);
        if compared.shape_mm.is_some() {
            let limit = limit(seen, &errors.factors, (sheet, shot), truth);
            compared.limit_absolute_mm = limit.map(|limit| limit.absolute_mm);
            compared.limit_shape_mm = limit.map(|limit| limit.shape_mm);
        }
        let pick = 7919 * (2 * result.shots.len() + 31 * result.name.len());
        compared.place_covered = sheet.and_then(|sheet| place_covered(sheet, shot, truth, pick));
        result.shots.push(compared);
    }
    for (sheet, _) in sheets.iter().zip(used).filter(|(_, used)| !used) {
        result.complaints.push(format!(
            "{} at {:.1} s is no shot, and was said to be {}",
            sheet["id"].as_str().unwrap_or_default(),
            number(&sheet["start_s"]),
            sheet["verdict"].as_str().unwrap_or_default()
        ));
    }
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or(f64::NAN)
}

fn compare_shot(sheet: Option<&Value>, shot: &TrueShot, truth: &Truth) -> ComparedShot {
    let earned = earned(shot);
    let Some(sheet) = sheet else {
        return ComparedShot {
            earned: earned.verdict.to_owned(),
            said: None,
            agreement: Agreement::Wrong,
            smallest_detectable: None,
            absolute_mm: None,
            shape_mm: None,
            simple_absolute_mm: None,
            simple_shape_mm: None,
            limit_absolute_mm: None,
            limit_shape_mm: None,
            place_covered: None,
            in_gap: None,
            release_ms: None,
            motion_ms: None,
            release_half_ms: None,
            depth_mm: None,
            depth_covered: None,
        };
    };
    let of_kind = |list: &Value| -> Option<Value> {
        let all = list.as_array()?;
        all.iter()
            .find(|one| one["kind"] == earned.verdict)
            .cloned()
    };
    let smallest =
        of_kind(&sheet["checks"]).and_then(|check| check["smallest_detectable"].as_f64());
    let said = sheet["verdict"].as_str().unwrap_or_default().to_owned();
    let path = path_error(sheet, "elbow_mm", shot, truth);
    let simple = path_error(sheet, "simple_mm", shot, truth);
    let release = shot.release_s.filter(|_| sheet["release"].is_object());
    let time = &sheet["release"]["time_s"];
    let reversal = !matches!(shot.faults.first(), None | Some(FaultPlan::Slow { .. }));
    let depth = of_kind(&sheet["faults"])
        .filter(|_| reversal)
        .map(|fault| fault["depth_mm"].clone());
    let size = earned.size_mm.unwrap_or(f64::NAN);
    ComparedShot {
        earned: earned.verdict.to_owned(),
        agreement: agreement(&earned, &said, smallest),
        said: Some(said),
        smallest_detectable: smallest,
        absolute_mm: path.map(|path| path.absolute_mm),
        shape_mm: path.map(|path| path.shape_mm),
        simple_absolute_mm: simple.map(|path| path.absolute_mm),
        simple_shape_mm: simple.map(|path| path.shape_mm),
        limit_absolute_mm: None,
        limit_shape_mm: None,
        place_covered: None,
        in_gap: path.map(|path| path.in_gap),
        release_ms: release.map(|true_s| 1000.0 * (number(&time["value"]) - true_s)),
        motion_ms: release
            .map(|true_s| 1000.0 * (number(&sheet["release"]["motion_s"]["value"]) - true_s)),
        release_half_ms: release.map(|_| 500.0 * (number(&time["high"]) - number(&time["low"]))),
        depth_mm: depth.as_ref().map(|depth| number(&depth["value"]) - size),
        depth_covered: depth
            .map(|depth| (number(&depth["low"])..=number(&depth["high"])).contains(&size)),
    }
}

#[derive(Debug, Clone, Copy)]
struct PathError {
    absolute_mm: f64,
    shape_mm: f64,
    in_gap: f64,
}

/// What is compared of a shot: from the end of set-up to 20 ms before release (or before letting down begins).
fn span(shot: &TrueShot) -> (f64, f64) {
    (shot.phases.draw_s, shot.phases.release_s - BEFORE_RELEASE_S)
}

/// Indices of a sheet's curves within the compared span where the sheet itself says that there is a path, and how many lie
/// in gaps.
fn compared_instants(sheet: &Value, shot: &TrueShot) -> Option<(Vec<(usize, f64)>, usize)> {
    let curves = &sheet["curves"];
    let (times, gaps) = (curves["time_s"].as_array()?, curves["in_gap"].as_array()?);
    let (from_s, to_s) = span(shot);
    let within: Vec<(usize, f64, bool)> = times
        .iter()
        .zip(gaps)
        .enumerate()
        .map(|(i, (time, gap))| (i, number(time), gap.as_bool().unwrap_or(false)))
        .filter(|(_, time_s, _)| (from_s..to_s).contains(time_s))
        .collect();
    let gone = within.iter().filter(|(_, _, gap)| *gap).count();
    let kept = within.iter().filter(|(_, _, gap)| !gap);
    Some((kept.map(|(i, time_s, _)| (*i, *time_s)).collect(), gone))
}

/// Error of one of the sheet's paths. Where the sheet itself says that there is no path, none is compared; how much that is
/// stands beside.
fn path_error(sheet: &Value, which: &str, shot: &TrueShot, truth: &Truth) -> Option<PathError> {
    let places = sheet["curves"][which].as_array()?;
    let (instants, in_gap) = compared_instants(sheet, shot)?;
    let within = instants.len() + in_gap;
    let mut errors: Vec<[f64; 3]> = Vec::new();
    for (index, time_s) in instants {
        let place = places.get(index)?;
        if place.is_null() {
            continue;
        }
        let true_mm = true_elbow_mm(truth, time_s)?;
        errors.push([0, 1, 2].map(|k| number(&place[k]) - true_mm[k]));
    }
    if errors.len() < 20 {
        return None;
    }
    let n = errors.len() as f64;
    let mean = [0, 1, 2].map(|k| errors.iter().map(|error| error[k]).sum::<f64>() / n);
    let rms = |offset: [f64; 3]| {
        let squares: f64 = errors
            .iter()
            .flat_map(|error| (0..3).map(move |k| (error[k] - offset[k]).powi(2)))
            .sum();
        (squares / n).sqrt()
    };
    Some(PathError {
        absolute_mm: rms([0.0; 3]),
        shape_mm: rms(mean),
        in_gap: in_gap as f64 / within as f64,
    })
}

/// Is the true place within the sheet's 95 % interval, at one coordinate of one instant that differs from shot to shot?
fn place_covered(sheet: &Value, shot: &TrueShot, truth: &Truth, pick: usize) -> Option<bool> {
    let curves = &sheet["curves"];
    let (instants, _) = compared_instants(sheet, shot)?;
    let (index, time_s) = *instants.get(pick % instants.len().max(1))?;
    let axis = pick % 3;
    let sd_mm = curves["elbow_sd_mm"].get(index)?[axis].as_f64()?;
    let off_mm = number(&curves["elbow_mm"][index][axis]) - true_elbow_mm(truth, time_s)?[axis];
    Some(off_mm.abs() <= 1.96 * sd_mm)
}

/// The limit at the instants that are compared.
fn limit(
    seen: &Seen,
    factors: &[f64],
    (sheet, shot): (Option<&Value>, &TrueShot),
    truth: &Truth,
) -> Option<Limit> {
    let times: Vec<f64> = compared_instants(sheet?, shot)?
        .0
        .into_iter()
        .map(|(_, time_s)| time_s)
        .collect();
    let last_s = PATH_STEP_S * (truth.elbow_m.len() as f64 - 2.0);
    let place = |time_s: f64| {
        let mm = true_elbow_mm(truth, time_s.clamp(0.0, last_s)).unwrap_or_default();
        Point3::from(mm) / 1000.0
    };
    seen.limit(&place, factors, &times)
}

/// The truth stands at 1 ms steps; between them the elbow moves less than 1 mm, so a straight line serves.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "an index of the truth; a time before 0 is index 0"
)]
fn true_elbow_mm(truth: &Truth, time_s: f64) -> Option<[f64; 3]> {
    let at = time_s / PATH_STEP_S;
    let (low, share) = (at.floor() as usize, at.fract());
    let (before, after) = (truth.elbow_m.get(low)?, truth.elbow_m.get(low + 1)?);
    Some([0, 1, 2].map(|k| 1000.0 * (before[k] * (1.0 - share) + after[k] * share)))
}

/// Largest error of any clock at the shots (ms).
fn clock_error_ms(clocks: &[ClockModel], truth: &Truth) -> f64 {
    let mut worst = 0.0_f64;
    for (clock, camera) in clocks.iter().zip(&truth.cameras) {
        for shot in &truth.shots {
            for range_s in [shot.phases.draw_s, shot.phases.release_s] {
                let camera_s = drawarc_range_sim::camera_time_s(&camera.clock, range_s);
                worst = worst.max((clock.range_from_camera(camera_s) - range_s).abs());
            }
        }
    }
    1000.0 * worst
}

#[cfg(test)]
mod tests {
    use super::*;
    use drawarc_range_sim::{Scenario, World};
    use serde_json::json;

    /// A sheet whose path is the true one, moved by an offset (mm) and shaken along x by ± `shake_mm`.
    fn sheet(truth: &Truth, offset_mm: [f64; 3], shake_mm: f64) -> Value {
        let shot = &truth.shots[0].phases;
        let (mut times, mut places, mut gaps) = (Vec::new(), Vec::new(), Vec::new());
        let mut time_s = shot.raise_s;
        while time_s < shot.release_s {
            let mut place = true_elbow_mm(truth, time_s).unwrap();
            for k in 0..3 {
                place[k] += offset_mm[k];
            }
            place[0] += if times.len() % 2 == 0 {
                shake_mm
            } else {
                -shake_mm
            };
            times.push(time_s);
            places.push(place);
            gaps.push(false);
            time_s += 0.005;
        }
        json!({ "curves": { "time_s": times, "elbow_mm": places, "in_gap": gaps } })
    }

    #[test]
    fn an_offset_is_absolute_and_a_shake_is_shape() {
        let mut scenario = Scenario::club_five_three(1).shortened();
        scenario.cameras.clear();
        scenario
            .cameras
            .extend(Scenario::club_five_three(1).cameras.into_iter().take(1));
        let truth = Truth::of(&World::new(&scenario).unwrap());
        let shot = &truth.shots[0];
        let error = path_error(
            &sheet(&truth, [3.0, 0.0, 4.0], 0.0),
            "elbow_mm",
            shot,
            &truth,
        )
        .unwrap();
        assert!((error.absolute_mm - 5.0).abs() < 1e-6 && error.shape_mm < 1e-6);
        let error = path_error(&sheet(&truth, [0.0; 3], 0.7), "elbow_mm", shot, &truth).unwrap();
        assert!((error.shape_mm - 0.7).abs() < 0.01, "{error:?}");
        assert!(error.in_gap < 1e-9);
        let mut torn = sheet(&truth, [3.0, 0.0, 4.0], 0.0);
        let count = torn["curves"]["time_s"].as_array().unwrap().len();
        for k in 0..count / 2 {
            torn["curves"]["in_gap"][k] = json!(true);
            torn["curves"]["elbow_mm"][k] = json!([0.0, 0.0, 0.0]);
        }
        let error = path_error(&torn, "elbow_mm", shot, &truth).unwrap();
        assert!(
            (error.absolute_mm - 5.0).abs() < 1e-6 && error.in_gap > 0.0,
            "{error:?}"
        );
    }

    #[test]
    fn true_clocks_have_no_error() {
        let scenario = Scenario::club_five_three(1).shortened();
        let truth = Truth::of(&World::new(&scenario).unwrap());
        let clocks: Vec<ClockModel> = truth
            .cameras
            .iter()
            .map(|camera| {
                let plan = camera.clock;
                ClockModel::linear(0.0, plan.offset_s, 1.0 + plan.drift, [0.0; 3])
            })
            .collect();
        assert!(clock_error_ms(&clocks, &truth) < 1e-6);
        assert!(clock_error_ms(&[ClockModel::constant(0.002, 0.0)], &truth) > 1.9);
    }
}
