//! `agree`: each camera alone against the 3-D path that was made without it.

use crate::args::AgreeArguments;
use crate::failure::{Failure, Outcome};
use crate::not_compared::NotCompared;
use crate::result_folder::{ResultFolder, SheetShot};
use crate::store::write_whole;
use crate::table;
use drawarc_rig::ImageSize;
use drawarc_study::StudyWords;
use drawarc_study::agreement::{
    AgreementStudy, ArrowLine, CameraView, ElbowTrack, PixelTrack, STUDY_FORMAT, ShotTimes,
    StudyFile, StudyMeasure, StudyShot, agree, virtual_view,
};
use drawarc_study::forecast::{Place, SketchCamera, SketchLens, Sync};
use drawarc_sync_track::{MarkerRole, SightingSeries};
use drawarc_triangulation::{ElbowPath, PathInput, PathSettings, fit_path};
use nalgebra::{Point3, UnitVector3, Vector3};
use std::path::{Path, PathBuf};

/// A shot is fitted with this much before and after it (s), as a run does.
const AROUND_SHOT_S: f64 = 0.5;
/// Step at which a 3-D path is read (s).
const STEP_S: f64 = 0.005;
/// Evaluation ends this long before release (s).
const BEFORE_RELEASE_S: f64 = 0.02;
/// Cameras of one name that stand farther apart than this (m) are two.
const SAME_PLACE_M: f64 = 0.3;

/// Compares and tells.
pub(crate) fn obey(plan: &AgreeArguments, json: bool) -> Outcome<()> {
    let words = words(plan.words.as_deref())?;
    let (study, folders) = design(plan, &words)?;
    let done = plan.into.join("study.json");
    if done.exists() && !plan.replace {
        return Err(
            Failure::refused(format!("{} is there already", done.display()))
                .help("write elsewhere with --into FOLDER, or give --replace to write over it"),
        );
    }
    let results = folders
        .iter()
        .map(|folder| ResultFolder::read(folder))
        .collect::<Outcome<Vec<_>>>()?;
    let (mut shots, mut remarks) = (Vec::new(), Vec::new());
    for (index, result) in results.iter().enumerate() {
        let names = names(&results, index);
        if names
            .iter()
            .zip(&result.rig.cameras)
            .any(|(name, camera)| *name != camera.name)
        {
            let number = (index + 1).to_string();
            let values = [("number", number.as_str()), ("practice", &result.name)];
            remarks.push(words.say("renamed", &values));
        }
        for sheet in result.shots.iter().filter(|shot| !shot.rejected) {
            match shot(result, sheet, &study, &names) {
                Ok(mut shot) => {
                    shot.simulated = plan.simulated;
                    shots.push(shot);
                }
                Err(why) => remarks.push(words.say(
                    "not_compared",
                    &[
                        ("practice", &result.name),
                        ("shot", &sheet.id),
                        ("why", &why.told(&words)),
                    ],
                )),
            }
        }
        if result
            .shots
            .iter()
            .any(|shot| shot.arrow_line.source == "assumed")
        {
            let measure = words.measure(StudyMeasure::BehindAtEnd);
            let values = [("practice", result.name.as_str()), ("measure", measure)];
            remarks.push(words.say("line_assumed", &values));
        }
    }
    if shots.is_empty() {
        return Err(Failure::not_measurable(format!(
            "no shot can be compared: {}",
            remarks.join("; ")
        )));
    }
    let mut made = agree(&shots, &study, &words).map_err(Failure::input)?;
    made.statements.extend(remarks);
    made.statements.push(words.say("survey_shared", &[]));
    write(&plan.into, &study, (&made, &words))?;
    if json {
        println!("{}", made.to_json().map_err(Failure::output)?);
    } else {
        tell(&made, &words);
        println!("\nwrote {}", plan.into.join("agreement.html").display());
    }
    Ok(())
}

/// The words of pages and plans, from a file where one is named.
pub(crate) fn words(file: Option<&Path>) -> Outcome<StudyWords> {
    let Some(path) = file else {
        return StudyWords::english().map_err(Failure::input);
    };
    let wrong = |words: String| Failure::input(format!("{}: {words}", path.display()));
    let text = std::fs::read_to_string(path).map_err(|source| wrong(source.to_string()))?;
    StudyWords::from_yaml(&text).map_err(|source| wrong(source.to_string()))
}

/// The study and the folders that it stands on.
fn design(plan: &AgreeArguments, words: &StudyWords) -> Outcome<(StudyFile, Vec<PathBuf>)> {
    let named = || plan.results.iter().map(|path| path.display().to_string());
    let mut study = match &plan.study {
        Some(path) => {
            let wrong = |words: String| Failure::input(format!("{}: {words}", path.display()));
            let text = std::fs::read_to_string(path).map_err(|source| wrong(source.to_string()))?;
            StudyFile::from_yaml(&text).map_err(|source| wrong(source.to_string()))?
        }
        None => StudyFile {
            format: STUDY_FORMAT.to_owned(),
            title: words.say("title", &[]),
            question: words.say("question", &[]),
            practices: named().collect(),
            cameras: Vec::new(),
            virtual_cameras: Vec::new(),
            estimates: Vec::new(),
            measures: Vec::new(),
            exclusions: Vec::new(),
            analysis: drawarc_study::agreement::Analysis::default(),
        },
    };
    for text in &plan.from {
        study.virtual_cameras.push(stated(text)?);
    }
    study.validate().map_err(Failure::input)?;
    let folders = match &plan.study {
        Some(path) if plan.results.is_empty() => {
            let beside = path.parent().unwrap_or(Path::new(""));
            study
                .practices
                .iter()
                .map(|name| beside.join(name))
                .collect()
        }
        _ => plan.results.clone(),
    };
    if folders.is_empty() {
        return Err(Failure::input("the study names no practice"));
    }
    Ok((study, folders))
}

/// A stated camera from `PLACE,DISTANCE,HEIGHT`: 1080 rows, 65°, 60 frames a second, global shutter.
fn stated(text: &str) -> Outcome<SketchCamera> {
    let wrong = |why: &str| {
        Failure::input(format!("--from {text}: {why}")).help(
            "place by the clock or overhead, distance and height in metres: --from 6:00,3.5,1.5",
        )
    };
    let parts: Vec<&str> = text.split(',').collect();
    let [place, distance, height] = parts[..] else {
        return Err(wrong("three things with commas between them"));
    };
    let place = Place::try_from(place.to_owned()).map_err(|why| wrong(&why))?;
    let metres = |words: &str| {
        words
            .trim()
            .parse::<f64>()
            .ok()
            .filter(|value| (0.0..=50.0).contains(value))
            .ok_or_else(|| wrong("a length between 0 and 50 m"))
    };
    let (distance_m, height_m) = (metres(distance)?, metres(height)?);
    if place != Place::Overhead && distance_m < 0.5 {
        return Err(wrong("it stands inside the archer"));
    }
    Ok(SketchCamera {
        name: format!("stated at {}", String::from(place)),
        place,
        distance_m,
        height_m,
        aim_height_m: None,
        lens: SketchLens::FieldOfViewDeg(65.0),
        image_size: ImageSize {
            width_px: 1920,
            height_px: 1080,
        },
        rotation_deg: 0,
        rate_hz: 60.0,
        readout_s: 0.0,
        readout_sd_s: 0.0,
        exposure_s: 0.002,
        sync: Sync::Genlock,
    })
}

/// Names of one result's cameras; a name that another result has for another camera gets the result's number as well.
fn names(results: &[ResultFolder], index: usize) -> Vec<String> {
    let own = &results[index];
    own.rig
        .cameras
        .iter()
        .map(|camera| {
            let moved = results.iter().any(|other| {
                other.rig.cameras.iter().any(|twin| {
                    let apart_m = (twin.centre_in_range() - camera.centre_in_range()).norm();
                    twin.name == camera.name
                        && (apart_m > SAME_PLACE_M || twin.image_size != camera.image_size)
                })
            });
            if moved {
                format!("{} ({})", camera.name, index + 1)
            } else {
                camera.name.clone()
            }
        })
        .collect()
}

/// One shot with all its views, or why it cannot be compared.
fn shot(
    result: &ResultFolder,
    sheet: &SheetShot,
    study: &StudyFile,
    names: &[String],
) -> Result<StudyShot, NotCompared> {
    let start = |phase: &str| sheet.phase(phase).map(|(from, _)| from);
    let (Some(draw_s), Some(anchor_s), Some((expansion_s, release_s))) =
        (start("draw"), start("anchor"), sheet.phase("expansion"))
    else {
        return Err(NotCompared::NoPhases);
    };
    let times = ShotTimes {
        draw_s,
        anchor_s,
        expansion_s,
        end_s: release_s - BEFORE_RELEASE_S,
    };
    let series = elbow_near(result, sheet);
    let whole = path(result, &series)?;
    let line = line(sheet, &whole, expansion_s)?;
    let seeing = series.len();
    let mut views = Vec::new();
    for own in &series {
        let others: Vec<SightingSeries> = series
            .iter()
            .filter(|other| other.camera != own.camera)
            .cloned()
            .collect();
        let without = if seeing >= 3 {
            path(result, &others).ok()
        } else {
            None
        };
        let independent = without.is_some();
        let mut camera = result.rig.cameras[own.camera].clone();
        names[own.camera].clone_into(&mut camera.name);
        views.push(CameraView {
            camera,
            pixels: pixels(result, own),
            reference: track(without.as_ref().unwrap_or(&whole), sheet, &line),
            independent,
            is_virtual: false,
        });
    }
    views.extend(virtual_views(&whole, sheet, study, &line)?);
    Ok(StudyShot {
        practice: result.name.clone(),
        archer: sheet.archer.clone(),
        shot: sheet.id.clone(),
        simulated: false,
        line,
        times,
        collapsed: sheet.collapsed(),
        views,
    })
}

/// Sightings of the elbow around a shot, of the cameras that saw it at all.
fn elbow_near(result: &ResultFolder, sheet: &SheetShot) -> Vec<SightingSeries> {
    let span = (sheet.start_s - AROUND_SHOT_S)..(sheet.end_s + AROUND_SHOT_S);
    result
        .series
        .iter()
        .filter(|series| series.role == MarkerRole::Elbow)
        .map(|series| {
            let clock = &result.clocks[series.camera];
            SightingSeries {
                samples: series
                    .samples
                    .iter()
                    .filter(|s| span.contains(&clock.range_from_camera(s.camera_s)))
                    .copied()
                    .collect(),
                ..series.clone()
            }
        })
        .filter(|series| series.seen().next().is_some())
        .collect()
}

fn path(result: &ResultFolder, series: &[SightingSeries]) -> Result<ElbowPath, NotCompared> {
    fit_path(&PathInput {
        rig: &result.rig,
        clocks: &result.clocks,
        series,
        release_hint_s: None,
        settings: PathSettings::default(),
    })
    .map(|fit| fit.path)
    .map_err(NotCompared::NoPath)
}

fn line(sheet: &SheetShot, whole: &ElbowPath, full_draw_s: f64) -> Result<ArrowLine, NotCompared> {
    let point_in_range = Point3::from(sheet.arrow_line.point_mm.map(|mm| mm / 1000.0));
    let away_in_range = UnitVector3::new_normalize(Vector3::from(sheet.arrow_line.away_in_range));
    let elbow = whole.at(full_draw_s).ok_or(NotCompared::NotFollowed)?;
    Ok(ArrowLine {
        point_in_range,
        away_in_range,
        side: if sheet.side == "left" { -1.0 } else { 1.0 },
        elbow_reach_m: (elbow.position - point_in_range).dot(&away_in_range),
    })
}

/// What one camera saw, each sighting at the instant of its row.
fn pixels(result: &ResultFolder, own: &SightingSeries) -> PixelTrack {
    let camera = &result.rig.cameras[own.camera];
    let clock = &result.clocks[own.camera];
    let mut track = PixelTrack::default();
    for sighting in &own.samples {
        let seen = sighting.verdict.is_seen();
        let delay_s = if seen {
            let height_px = camera.image_size.height_px;
            camera.shutter.row_delay_s(sighting.centre_px.y, height_px)
        } else {
            0.0
        };
        let time_s = clock.range_from_camera(sighting.camera_s + delay_s);
        if track.time_s.last().is_none_or(|last| *last < time_s) {
            track.time_s.push(time_s);
            track.pixel.push(seen.then_some(sighting.centre_px));
        }
    }
    track
}

fn steps(path: &ElbowPath, sheet: &SheetShot, step_s: f64) -> Vec<f64> {
    let (from_s, to_s) = path.span();
    let (from_s, to_s) = (from_s.max(sheet.start_s), to_s.min(sheet.end_s));
    let mut times = Vec::new();
    let mut time_s = from_s;
    while time_s <= to_s {
        times.push(time_s);
        time_s = from_s + times.len() as f64 * step_s;
    }
    times
}

/// The 3-D figure's track; NaN in gaps.
fn track(path: &ElbowPath, sheet: &SheetShot, line: &ArrowLine) -> ElbowTrack {
    let times = steps(path, sheet, STEP_S);
    let samples = path.sample(&times, 0, 0);
    ElbowTrack::from_points(&samples.time_s, &samples.mean, line)
}

fn virtual_views(
    whole: &ElbowPath,
    sheet: &SheetShot,
    study: &StudyFile,
    line: &ArrowLine,
) -> Result<Vec<CameraView>, NotCompared> {
    let mut views = Vec::new();
    for (index, stated) in study.virtual_cameras.iter().enumerate() {
        let times = steps(whole, sheet, 1.0 / stated.rate_hz);
        let samples = whole.sample(&times, 0, 0);
        let known: Vec<(f64, Point3<f64>)> = samples
            .time_s
            .iter()
            .copied()
            .zip(samples.mean.iter().copied())
            .filter(|(_, point)| point.iter().all(|value| value.is_finite()))
            .collect();
        let (times, points): (Vec<f64>, Vec<Point3<f64>>) = known.into_iter().unzip();
        let sum: Vector3<f64> = points.iter().map(|point| point.coords).sum();
        let middle = Point3::from(sum / points.len().max(1) as f64);
        let noise = (
            study.analysis.virtual_noise_px,
            study.analysis.seed.wrapping_add(index as u64),
        );
        let view = virtual_view(&stated.camera(&middle), &times, &points, line, noise)
            .map_err(|_source| NotCompared::Stated(stated.name.clone()))?;
        views.push(view);
    }
    Ok(views)
}

fn write(
    folder: &Path,
    study: &StudyFile,
    (made, words): (&AgreementStudy, &StudyWords),
) -> Outcome<()> {
    std::fs::create_dir_all(folder)
        .map_err(|source| Failure::output(format!("{}: {source}", folder.display())))?;
    let files = [
        ("study.yaml", study.to_yaml().map_err(Failure::output)?),
        ("cells.csv", made.cells_csv()),
        ("pairs.csv", made.pairs_csv()),
        ("faults.csv", made.faults_csv()),
        ("agreement.html", made.page(words)),
        // Last: where it stands, the others stand too.
        ("study.json", made.to_json().map_err(Failure::output)?),
    ];
    for (name, text) in files {
        write_whole(&folder.join(name), text.as_bytes())?;
    }
    Ok(())
}

/// The measures that a coach asks for first; all stand in the tables.
const FIRST: [StudyMeasure; 4] = [
    StudyMeasure::Reversal,
    StudyMeasure::SlowestDraw,
    StudyMeasure::ExpansionBehind,
    StudyMeasure::DrawTravel,
];

fn tell(made: &AgreementStudy, words: &StudyWords) {
    for statement in &made.statements {
        println!("{statement}");
    }
    let estimates = made.estimates();
    let shown = [estimates.first(), estimates.last()].map(|name| name.cloned().unwrap_or_default());
    let number = |value: Option<f64>| value.map_or("–".to_owned(), |v| format!("{v:.1}"));
    let rows: Vec<Vec<String>> = made
        .cells
        .iter()
        .filter(|cell| FIRST.contains(&cell.measure) && shown.contains(&cell.estimate))
        .map(|cell| {
            let limits = cell.limits();
            vec![
                table::name(&cell.camera),
                words.angle(cell.angle),
                cell.estimate.clone(),
                format!("{} ({})", words.measure(cell.measure), cell.unit),
                cell.shots.to_string(),
                number(cell.rmse),
                number(cell.bias()),
                number(limits.map(|l| l.low)),
                number(limits.map(|l| l.high)),
                words.trust(cell.trust).to_owned(),
            ]
        })
        .collect();
    let head = [
        "camera", "place", "estimate", "measure", "shots", "rmse", "bias", "lower", "upper",
        "trust",
    ];
    print!("\n{}", table::figures(&head, &rows));
}
