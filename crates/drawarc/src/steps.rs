//! The measuring steps of a run: survey, clocks, sightings, path. Each keeps its result; none is done twice.

use crate::contradiction::{self, Contradiction};
use crate::failure::{Failure, Outcome};
use crate::health::{certainty, health};
use crate::pipeline::{Pipeline, Step};
use crate::practice::Practice;
use crate::progress::{self, Progress};
use crate::recordings::Recordings;
use crate::sheets::{self, Others, Stretch};
use crate::store::{Key, Store};
use crate::{hearing, survey};
use drawarc_calibration::Board;
use drawarc_report::page::{Fitness, RigLine, Words};
use drawarc_report::{ShotWindow, SoundAt, find_shots};
use drawarc_rig::{ClockModel, Rig};
use drawarc_sync_track::{
    MarkerRole, MarkerSpec, SightingSeries, SoundKind, SoundScan, TrackInput, TrackSettings, track,
};
use drawarc_triangulation::{
    Disagreement, ElbowPath, PathFit, PathInput, PathSamples, PathSettings, comparison_path,
    fit_path,
};
use serde::{Deserialize, Serialize};

/// A shot is fitted with this much before and after it (s).
const AROUND_SHOT_S: f64 = 0.5;
/// Sounds closer than this to the end of the board's showing belong to it (s).
const AFTER_BOARD_S: f64 = 1.0;

/// What is measured.
#[derive(Debug)]
pub(crate) struct Plan<'a> {
    pub(crate) practice: &'a Practice,
    pub(crate) pipeline: &'a Pipeline,
    pub(crate) board: &'a Board,
    pub(crate) markers: &'a [MarkerSpec],
    pub(crate) rig_before: Option<Rig>,
    pub(crate) recordings: &'a Recordings,
    pub(crate) words: &'a Words,
}

/// What came of it.
#[derive(Debug)]
pub(crate) struct Measured {
    pub(crate) rig: Rig,
    pub(crate) clocks: Vec<ClockModel>,
    pub(crate) stretches: Vec<Stretch>,
    pub(crate) sounds: Vec<SoundAt>,
    pub(crate) health: Vec<RigLine>,
    pub(crate) certainty: Vec<String>,
    pub(crate) warnings: Vec<String>,
    pub(crate) remarks: Vec<String>,
}

/// A surveyed rig as the survey step keeps it.
#[derive(Debug, Serialize, Deserialize)]
struct Surveyed {
    rig_yaml: String,
    clocks: Vec<ClockModel>,
    board_until_s: Option<f64>,
}

/// Runs the measuring steps as far as the pipeline goes.
pub(crate) fn measure(plan: &Plan<'_>, store: &Store, progress: &Progress) -> Outcome<Measured> {
    let recordings_key = Key::of(
        "recordings",
        &plan.practice.temperature_c,
        &plan.recordings.keys(),
    )?;
    let scans = hearing::listen(plan.recordings, progress)?;
    let (surveyed, survey_key) = surveyed(plan, store, progress, &scans, &recordings_key)?;
    let rig = Rig::from_yaml(&surveyed.rig_yaml).map_err(Failure::input)?;
    store.write("rig.yaml", surveyed.rig_yaml.as_bytes())?;
    let clocks = clocks(plan, &scans, &rig, &surveyed)?;
    overlap(plan.recordings, &scans, &clocks)?;
    let mut measured = Measured {
        health: health(&rig, &clocks, plan.words),
        rig,
        clocks,
        stretches: Vec::new(),
        sounds: Vec::new(),
        certainty: Vec::new(),
        warnings: Vec::new(),
        remarks: Vec::new(),
    };
    measured
        .remarks
        .extend(measured.rig.survey.remarks.iter().cloned());
    if !plan.pipeline.runs(Step::Sightings) {
        return Ok(measured);
    }
    let from_s = surveyed
        .board_until_s
        .map_or(f64::MIN, |s| s + AFTER_BOARD_S);
    measured.sounds = sounds(&scans, &measured, plan.practice, from_s);
    let windows = windows(plan.pipeline, &measured, from_s);
    let series = sightings(plan, store, progress, &measured, (&windows, &survey_key))?;
    seen_at_all(plan, &series)?;
    if !plan.pipeline.runs(Step::Path) {
        return Ok(measured);
    }
    let bar = progress.bar("the elbow's path");
    let whole = path(plan, &measured, &series)?;
    measured.certainty = certainty(&whole, &measured.rig, plan.words);
    let (stretches, compared) = shots(plan, &measured, &series, &whole)?;
    measured.stretches = stretches;
    let odd = whole.diagnostics.disagreement;
    agreement(&mut measured, &compared, odd, plan.words);
    bar.finish_and_clear();
    measured.clocks = whole.clocks;
    let text = serde_json::to_vec_pretty(&measured.clocks).map_err(Failure::output)?;
    store.write("clocks.json", &text)?;
    Ok(measured)
}

fn surveyed(
    plan: &Plan<'_>,
    store: &Store,
    progress: &Progress,
    scans: &[Option<SoundScan>],
    before: &Key,
) -> Outcome<(Surveyed, Key)> {
    let lag_ms = plan.pipeline.clocks.sound_lag_sd_ms;
    if let Some(rig) = &plan.rig_before {
        let rig_yaml = rig.to_yaml().map_err(Failure::input)?;
        let clocks = hearing::clocks_before_survey(plan.practice, scans, lag_ms)?;
        let key = Key::of("rig", &rig_yaml, &[before])?;
        let kept = Surveyed {
            rig_yaml,
            clocks,
            board_until_s: None,
        };
        return Ok((kept, key));
    }
    if !plan.pipeline.runs(Step::Survey) {
        return Err(Failure::input(
            "the manifest names no rig, and the pipeline does not survey one",
        )
        .help("add `rig: rig.yaml` to the manifest, or the step `survey` to the pipeline"));
    }
    let board = plan.board.to_yaml().map_err(Failure::input)?;
    let key = Key::of("survey", &(board, lag_ms, &plan.practice.ground), &[before])?;
    let kept = store.step("survey", &key, || {
        let (clocks, sightings) = survey::board_seen(
            plan.practice,
            plan.recordings,
            plan.board,
            (scans, lag_ms),
            progress,
        )?;
        let found = survey::from_sightings(
            plan.practice,
            plan.recordings,
            plan.board,
            &clocks,
            sightings,
        )?;
        Ok(Surveyed {
            rig_yaml: found.rig.to_yaml().map_err(Failure::not_measurable)?,
            clocks: found.clocks,
            board_until_s: found
                .diagnostics
                .board_on_line_s
                .map(|(middle_s, length_s)| middle_s + length_s / 2.0),
        })
    })?;
    Ok((kept, key))
}

/// The clocks: the survey's, which the board's own motion refined; with a rig surveyed before, sound with the
/// sound's way taken off.
fn clocks(
    plan: &Plan<'_>,
    scans: &[Option<SoundScan>],
    rig: &Rig,
    surveyed: &Surveyed,
) -> Outcome<Vec<ClockModel>> {
    if plan.rig_before.is_none() || plan.practice.cameras.iter().all(|camera| camera.genlocked) {
        return Ok(surveyed.clocks.clone());
    }
    hearing::clocks_with_rig(
        plan.practice,
        scans,
        rig,
        plan.pipeline.clocks.sound_lag_sd_ms,
    )
}

/// Refuses recordings that have no instant in common.
fn overlap(
    recordings: &Recordings,
    scans: &[Option<SoundScan>],
    clocks: &[ClockModel],
) -> Outcome<()> {
    let span = |index: usize| {
        let probe = recordings.camera(index).recording.probe();
        let end_s = scans[index]
            .as_ref()
            .map_or(probe.start_s + probe.duration_s, |scan| scan.end_s);
        (
            clocks[index].range_from_camera(probe.start_s),
            clocks[index].range_from_camera(end_s),
        )
    };
    let spans: Vec<(f64, f64)> = (0..recordings.len()).map(span).collect();
    let start = spans.iter().map(|span| span.0).fold(f64::MIN, f64::max);
    let end = spans.iter().map(|span| span.1).fold(f64::MAX, f64::min);
    if start < end {
        return Ok(());
    }
    Err(Failure::not_measurable(format!(
        "the recordings do not overlap in time: the last to start begins {:.1} s after the first to end has ended",
        start - end
    ))
    .help("let all cameras run at once: start them, clap, show the board, shoot, stop them"))
}

fn sounds(
    scans: &[Option<SoundScan>],
    measured: &Measured,
    practice: &Practice,
    from_s: f64,
) -> Vec<SoundAt> {
    let speed = drawarc_sync_track::speed_of_sound_m_s(practice.temperature_c);
    let archer = nalgebra::Point3::new(0.0, 0.0, 1.3);
    let mut heard = Vec::new();
    for (index, scan) in scans.iter().enumerate() {
        let Some(scan) = scan else { continue };
        let way_s = (measured.rig.cameras[index].centre_in_range() - archer).norm() / speed;
        for event in &scan.events {
            if event.event.kind == SoundKind::Clap {
                continue;
            }
            let time_s = measured.clocks[index].range_from_camera(event.event.camera_s) - way_s;
            if time_s > from_s {
                // The place of the bow is known to half a metre, the lag of this camera's sound to its picture to 10 ms.
                let lag_s = hearing::sound_lag_sd_s(practice, 10.0)[index];
                let sd_s = event.event.sd_s.hypot(0.5 / speed).hypot(lag_s);
                heard.push(SoundAt { time_s, sd_s });
            }
        }
    }
    heard.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    heard
}

/// Per camera, where to look for markers (camera time): everything after the board, or around loud events.
fn windows(pipeline: &Pipeline, measured: &Measured, from_s: f64) -> Vec<Vec<(f64, f64)>> {
    let settings = &pipeline.sightings;
    let mut spans: Vec<(f64, f64)> = Vec::new();
    if settings.everything || measured.sounds.is_empty() {
        spans.push((from_s, f64::MAX));
    } else {
        for sound in &measured.sounds {
            let span = (
                sound.time_s - settings.before_s,
                sound.time_s + settings.after_s,
            );
            match spans.last_mut() {
                Some(last) if last.1 >= span.0 => last.1 = last.1.max(span.1),
                _ => spans.push(span),
            }
        }
    }
    measured
        .clocks
        .iter()
        .map(|clock| {
            let to_camera = |s: f64| {
                if s.abs() > 1e300 {
                    s
                } else {
                    clock.camera_from_range(s)
                }
            };
            spans
                .iter()
                .map(|span| (to_camera(span.0), to_camera(span.1)))
                .collect()
        })
        .collect()
}

fn sightings(
    plan: &Plan<'_>,
    store: &Store,
    progress: &Progress,
    measured: &Measured,
    (windows, before): (&[Vec<(f64, f64)>], &Key),
) -> Outcome<Vec<SightingSeries>> {
    let key = Key::of(
        "sightings",
        &(plan.markers, windows, &measured.clocks),
        &[before],
    )?;
    let bar = progress.bar("following the markers");
    let found = store.step("sightings", &key, || {
        track(
            &TrackInput {
                recordings: &plan.recordings.films,
                rig: &measured.rig,
                markers: plan.markers,
                windows,
            },
            Some(&measured.clocks),
            &TrackSettings::default(),
            &mut |fraction| progress::set(&bar, fraction),
        )
        .map_err(Failure::not_measurable)
    });
    bar.finish_and_clear();
    found
}

fn seen_at_all(plan: &Plan<'_>, series: &[SightingSeries]) -> Outcome<()> {
    let blind: Vec<&str> = plan
        .practice
        .cameras
        .iter()
        .enumerate()
        .filter(|(index, _)| {
            !series.iter().any(|s| {
                s.camera == *index && s.role == MarkerRole::Elbow && s.seen().next().is_some()
            })
        })
        .map(|(_, camera)| camera.name.as_str())
        .collect();
    if plan.practice.cameras.len() - blind.len() >= 2 {
        return Ok(());
    }
    Err(Failure::not_measurable(format!(
        "the elbow's marker was never seen by {}; two cameras must see it",
        blind.join(", ")
    ))
    .help("is it in the picture, of the colour and size in the manifest, and is nothing else near the archer of that colour?"))
}

fn input<'a>(
    plan: &Plan<'_>,
    measured: &'a Measured,
    series: &'a [SightingSeries],
) -> PathInput<'a> {
    PathInput {
        rig: &measured.rig,
        clocks: &measured.clocks,
        series,
        release_hint_s: None,
        settings: PathSettings {
            refine_clocks: plan.pipeline.clocks.from_motion,
            ..PathSettings::default()
        },
    }
}

fn path(plan: &Plan<'_>, measured: &Measured, series: &[SightingSeries]) -> Outcome<PathFit> {
    fit_path(&input(plan, measured, series)).map_err(Failure::not_measurable)
}

/// Finds the shots in the path of the whole practice and fits each anew on its own: what goes wrong between shots, an arm
/// that hangs before the body, must not widen the intervals of a shot.
fn shots(
    plan: &Plan<'_>,
    measured: &Measured,
    series: &[SightingSeries],
    whole: &PathFit,
) -> Outcome<(Vec<Stretch>, Vec<Contradiction>)> {
    let rough = whole.path.sample(
        &times(&whole.path, plan.pipeline.path.step_s),
        0,
        plan.pipeline.seed,
    );
    let windows = find_shots(&rough, &sheets::settings_of(plan.pipeline))
        .map_err(|source| sheets::wrong_path(&source))?;
    let mut compared = Vec::new();
    let stretches = windows
        .into_iter()
        .map(|window| {
            let (from_s, to_s) = (window.start_s - AROUND_SHOT_S, window.end_s + AROUND_SHOT_S);
            let near: Vec<SightingSeries> = series
                .iter()
                .map(|series| {
                    let clock = &measured.clocks[series.camera];
                    let within =
                        |camera_s: f64| (from_s..to_s).contains(&clock.range_from_camera(camera_s));
                    SightingSeries {
                        samples: series
                            .samples
                            .iter()
                            .filter(|s| within(s.camera_s))
                            .copied()
                            .collect(),
                        ..series.clone()
                    }
                })
                .collect();
            // Too little for a fit of its own: the whole practice's path serves.
            let own = path(plan, measured, &near);
            let fit = own.as_ref().unwrap_or(whole);
            let left_out = fit.diagnostics.disagreement.map(|odd| odd.camera);
            let pairs = contradiction::compare(
                &measured.rig,
                &measured.clocks,
                series,
                (window.start_s, window.end_s),
                left_out,
            );
            let unfit = worst(&pairs)
                .filter(Contradiction::counts)
                .map(|pair| pair.sentence(&measured.rig, plan.words));
            compared.extend(pairs);
            Stretch {
                unfit,
                simple: comparison_path(&input(plan, measured, &near), fit).ok(),
                ..stretch(plan, fit, window)
            }
        })
        .collect();
    Ok((stretches, compared))
}

/// The pair that contradicts itself most, against what is to be expected.
fn worst(pairs: &[Contradiction]) -> Option<Contradiction> {
    pairs
        .iter()
        .copied()
        .max_by(|a, b| (a.gap_px / a.expected_px).total_cmp(&(b.gap_px / b.expected_px)))
}

/// Says how well the cameras agree about the elbow: in the health always, as the first thing to read where they do not.
fn agreement(
    measured: &mut Measured,
    compared: &[Contradiction],
    odd: Option<Disagreement>,
    words: &Words,
) {
    if let Some(odd) = odd {
        let camera = &measured.rig.cameras[odd.camera].name;
        let px = format!("{:.1}", odd.distance_px);
        measured
            .warnings
            .push(words.health("left_out", &[("camera", camera), ("px", &px)]));
    }
    if let Some(pair) = worst(compared) {
        let sentence = pair.sentence(&measured.rig, words);
        measured.health.push(RigLine {
            fitness: if pair.counts() {
                Fitness::Bad
            } else {
                Fitness::Good
            },
            sentence: sentence.clone(),
            costs_mm: None,
        });
        if pair.counts() {
            measured.warnings.push(sentence);
        }
    }
    measured.remarks.extend(measured.warnings.iter().cloned());
}

fn stretch(plan: &Plan<'_>, fit: &PathFit, window: ShotWindow) -> Stretch {
    let elbow = &fit.path;
    let times = times(elbow, plan.pipeline.path.step_s);
    let sample = |path: &ElbowPath| -> PathSamples {
        path.sample(&times, plan.pipeline.path.draws, plan.pipeline.seed)
    };
    let other = |role: MarkerRole| fit.path_of(role).map(sample);
    Stretch {
        window,
        elbow: sample(elbow),
        others: Others {
            bow_hand: other(MarkerRole::BowHand),
            string_hand: other(MarkerRole::StringHand),
            nock: other(MarkerRole::Nock),
            arrow_rest: other(MarkerRole::ArrowRest),
            draw_shoulder: other(MarkerRole::DrawShoulder),
        },
        unfit: None,
        simple: None,
    }
}

fn times(path: &ElbowPath, step_s: f64) -> Vec<f64> {
    let (start, end) = path.span();
    let mut times = Vec::new();
    let mut time_s = start;
    while time_s <= end {
        times.push(time_s);
        time_s = start + times.len() as f64 * step_s;
    }
    times
}
