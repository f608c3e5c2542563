//! The measuring steps of a run: survey, clocks, sightings, path. Each keeps its result; none is done twice.

use crate::backgrounds::{self, Backgrounds};
use crate::bands;
use crate::board_clocks::{as_sure_as_they_are, board_seen};
use crate::contradiction::{self, Contradiction};
use crate::failure::{Failure, Outcome};
use crate::followed::{self, Followed, Search};
use crate::health::{certainty, health, survey_line};
use crate::lags::{Lags, Learned, SoundLag};
use crate::pipeline::{Pipeline, Step};
use crate::practice::Practice;
use crate::progress::Progress;
use crate::recordings::Recordings;
use crate::sheets::{self, Drawn, Others, Stretch};
use crate::spans::overlap;
use crate::stood::{CameraLine, Stood};
use crate::store::{Key, Store, write_whole};
use crate::{first_look, hearing, moved_clocks, sounds, survey};
use drawarc_calibration::Board;
use drawarc_report::page::{Fitness, RigLine, Words};
use drawarc_report::{ShotKind, ShotWindow, SoundAt, find_shots};
use drawarc_rig::{ClockModel, Rig};
use drawarc_sync_track::{MarkerRole, MarkerSpec, SightingSeries, SoundScan};
use drawarc_triangulation::{
    Disagreement, ElbowPath, PathFit, PathInput, PathSettings, comparison_path, fit_path,
};
use rayon::prelude::*;
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
    /// What a practice with that rig has learned of the phones' sound.
    pub(crate) lags_before: Vec<SoundLag>,
    /// The backgrounds of that rig's survey.
    pub(crate) backgrounds_before: Option<Backgrounds>,
    pub(crate) recordings: &'a Recordings,
    pub(crate) words: &'a Words,
}

impl Plan<'_> {
    /// What is known of the lags of sound before anything is measured.
    pub(crate) fn lags(&self) -> Lags {
        let usual_ms = self.pipeline.clocks.sound_lag_sd_ms;
        let sd_s = hearing::sound_lag_sd_s(self.practice, usual_ms);
        Lags::remembering(self.practice, sd_s, &self.lags_before)
    }

    /// Whether movement may take the place of the sound's clocks. A board that was waved has told them better than an elbow
    /// could, but for a phone that heard nothing it has not told how fast its clock runs.
    fn clocks_may_move(&self, told_by_board: bool) -> bool {
        (self.rig_before.is_some() || told_by_board)
            && self.pipeline.clocks.from_motion
            && !self.practice.one_signal()
    }
}

/// What came of it.
#[derive(Debug)]
pub(crate) struct Measured {
    pub(crate) rig: Rig,
    pub(crate) clocks: Vec<ClockModel>,
    /// The cameras whose clock the board told, since nothing in their sound did.
    told_by_board: Vec<usize>,
    pub(crate) stretches: Vec<Stretch>,
    pub(crate) sounds: Vec<SoundAt>,
    pub(crate) health: Vec<RigLine>,
    pub(crate) certainty: Vec<String>,
    pub(crate) warnings: Vec<String>,
    pub(crate) remarks: Vec<String>,
    /// How every camera stood.
    pub(crate) standing: Vec<CameraLine>,
}

impl Measured {
    fn before_sightings(
        plan: &Plan<'_>,
        rig: Rig,
        (clocks, told_by_board): (Vec<ClockModel>, Vec<usize>),
    ) -> Self {
        let mut remarks = plan.recordings.remarks();
        remarks.extend(rig.survey.remarks.iter().cloned());
        let mut health = health(&rig, &clocks, plan.words);
        let by_board = (&told_by_board[..], "clock_by_board");
        health.extend(moved_clocks::told(
            plan.practice,
            by_board,
            &clocks,
            None,
            plan.words,
        ));
        Self {
            health,
            told_by_board,
            rig,
            clocks,
            stretches: Vec::new(),
            sounds: Vec::new(),
            certainty: Vec::new(),
            warnings: Vec::new(),
            remarks,
            standing: Vec::new(),
        }
    }

    /// What the path of the whole practice says of itself, of the clocks and of the survey.
    fn path_found(&mut self, plan: &Plan<'_>, silent: &[usize], whole: &PathFit) {
        self.certainty = certainty(whole, &self.rig, plan.words);
        self.health = health(&self.rig, &whole.clocks, plan.words);
        for (silent, by) in [
            (silent, "clock_by_movement"),
            (&self.told_by_board, "clock_by_board"),
        ] {
            let silent = (silent, by);
            let during_s = Some(whole.path.span());
            let told =
                moved_clocks::told(plan.practice, silent, &whole.clocks, during_s, plan.words);
            self.health.extend(told);
        }
        let jumps = moved_clocks::jumps_told(plan.practice, &whole.clocks, plan.words);
        self.health.extend(jumps);
        self.health.extend(survey_line(whole, plan.words));
    }
}

/// A surveyed rig as the survey step keeps it.
#[derive(Debug, Serialize, Deserialize)]
struct Surveyed {
    rig_yaml: String,
    clocks: Vec<ClockModel>,
    /// The cameras whose clock the board told, since nothing in their sound did.
    told_by_board: Vec<usize>,
    board_until_s: Option<f64>,
    backgrounds: Backgrounds,
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
    // At once, not with the other results: the backgrounds beside it name the very file.
    let rig_path = store.path("rig.yaml");
    write_whole(&rig_path, surveyed.rig_yaml.as_bytes())?;
    backgrounds::keep(&rig_path, &rig, &surveyed.backgrounds)?;
    let clocks = clocks(plan, &scans, &rig, &surveyed)?;
    overlap(plan.recordings, &scans, &clocks)?;
    let mut measured =
        Measured::before_sightings(plan, rig, (clocks, surveyed.told_by_board.clone()));
    if !plan.pipeline.runs(Step::Sightings) {
        return Ok(measured);
    }
    let from_s = surveyed
        .board_until_s
        .map_or(f64::MIN, |s| s + AFTER_BOARD_S);
    let nothing = Learned::nothing(&plan.lags());
    measured.sounds = sounds::after(from_s, plan, &scans, &measured, &nothing);
    let wanted = first_look::wanted(
        plan,
        (store, progress),
        &measured,
        (&scans, from_s),
        &survey_key,
    )?;
    let search = Search {
        rig: &measured.rig,
        clocks: &measured.clocks,
        windows: &wanted.windows,
        backgrounds: &surveyed.backgrounds,
        clocks_may_move: plan.clocks_may_move(!surveyed.told_by_board.is_empty()),
    };
    let Followed {
        series,
        standing,
        clocks,
    } = followed::follow(plan, store, progress, &search, &survey_key)?;
    let silent = moved_clocks::silent(&measured.clocks);
    if let Some(found) = clocks {
        measured.clocks = moved_clocks::to_start_from(plan.practice, &found)?;
    }
    seen_at_all(plan, &series)?;
    let since_survey: Vec<bool> = surveyed.backgrounds.iter().map(Option::is_some).collect();
    if !plan.pipeline.runs(Step::Path) {
        return Ok(measured);
    }
    let bar = progress.bar("the elbow's path");
    let whole = path(plan, (&measured.rig, &measured.clocks), &series)?;
    measured.path_found(plan, &silent, &whole);
    measured.health.extend(wanted.told(plan.words));
    let stood = Stood {
        rig: &measured.rig,
        clocks: &measured.clocks,
        standing: &standing,
        since_survey: &since_survey,
        words: plan.words,
    };
    let (stretches, compared) = shots(plan, &measured, &series, &whole, &stood)?;
    let spans: Vec<(f64, f64)> = stretches
        .iter()
        .map(|stretch| (stretch.window.start_s, stretch.window.end_s))
        .collect();
    let (lines, warnings) = stood.told(&spans);
    measured.standing = stood.lines();
    measured.health.extend(lines);
    measured.warnings.extend(warnings);
    measured.stretches = stretches;
    measured.clocks = whole.clocks;
    sounds::beside_pictures(plan, store, &scans, &mut measured, (&series, from_s))?;
    let odd = whole.diagnostics.disagreement;
    agreement(&mut measured, &compared, odd, plan.words);
    bar.finish_and_clear();
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
        let key = Key::of("rig", &rig_yaml, &[before])?;
        let kept = Surveyed {
            rig_yaml,
            // No board was waved: [`clocks`] asks the sound.
            clocks: vec![ClockModel::identity(); rig.cameras.len()],
            told_by_board: Vec::new(),
            board_until_s: None,
            backgrounds: plan
                .backgrounds_before
                .clone()
                .unwrap_or_else(|| vec![None; rig.cameras.len()]),
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
        let heard = hearing::clocks_before_survey(plan.practice, scans, lag_ms)?;
        let seen = board_seen(plan.recordings, plan.board, &heard, progress)?;
        let cameras = survey::survey_cameras(plan.recordings, &seen.clocks, seen.sightings);
        let found = survey::from_sightings(plan.practice, plan.board, cameras)?;
        Ok(Surveyed {
            rig_yaml: found.rig.to_yaml().map_err(Failure::not_measurable)?,
            clocks: as_sure_as_they_are(&found.clocks, &seen.told),
            told_by_board: seen.told,
            board_until_s: found
                .diagnostics
                .board_on_line_s
                .map(|(middle_s, length_s)| middle_s + length_s / 2.0),
            backgrounds: seen.backgrounds,
        })
    })?;
    Ok((kept, key))
}

/// The clocks: the survey's, which the board's own motion refined; with a rig surveyed before, sound with the
/// sound's way taken off. Left open where nothing in the sound tells and movement may.
fn clocks(
    plan: &Plan<'_>,
    scans: &[Option<SoundScan>],
    rig: &Rig,
    surveyed: &Surveyed,
) -> Outcome<Vec<ClockModel>> {
    if plan.rig_before.is_none() || plan.practice.one_signal() {
        return hearing::with_jumps(plan.practice, scans, rig, surveyed.clocks.clone());
    }
    let lags = plan.lags();
    if !plan.pipeline.clocks.from_motion {
        return hearing::clocks_with_rig(plan.practice, scans, rig, &lags);
    }
    let heard = hearing::clocks_if_heard(plan.practice, scans, rig, &lags)?;
    let left_open = |clock: Option<ClockModel>| clock.unwrap_or_else(moved_clocks::unknown);
    Ok(heard.into_iter().map(left_open).collect())
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
    .help(if plan.rig_before.is_some() {
        "is it in the picture, of the colour and size in the manifest, and have the cameras stood still since the survey? What they see must lie on one line of sight: drawarc check tells; if in doubt, show the board again"
    } else {
        "is it in the picture, of the colour and size in the manifest, and is nothing else near the archer of that colour?"
    }))
}

fn input<'a>(
    plan: &Plan<'_>,
    (rig, clocks): (&'a Rig, &'a [ClockModel]),
    series: &'a [SightingSeries],
) -> PathInput<'a> {
    PathInput {
        rig,
        clocks,
        series,
        release_hint_s: None,
        settings: PathSettings {
            refine_clocks: plan.pipeline.clocks.from_motion,
            ..PathSettings::default()
        },
    }
}

fn path(plan: &Plan<'_>, on: (&Rig, &[ClockModel]), series: &[SightingSeries]) -> Outcome<PathFit> {
    fit_path(&input(plan, on, series)).map_err(Failure::not_measurable)
}

/// Finds the shots in the path of the whole practice and fits each anew on its own: what goes wrong between shots, an arm
/// that hangs before the body, must not widen the intervals of a shot.
fn shots(
    plan: &Plan<'_>,
    measured: &Measured,
    series: &[SightingSeries],
    whole: &PathFit,
    stood: &Stood<'_>,
) -> Outcome<(Vec<Stretch>, Vec<Contradiction>)> {
    let rough = whole.path.sample(
        &times(&whole.path, plan.pipeline.path.step_s),
        0,
        plan.pipeline.seed,
    );
    let windows = find_shots(&rough, &sheets::settings_of(plan.pipeline))
        .map_err(|source| sheets::wrong_path(&source))?;
    // Each shot by one thread: none knows of the others.
    let (stretches, compared): (Vec<Stretch>, Vec<Vec<Contradiction>>) = windows
        .into_par_iter()
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
            let stand = stood.during((window.start_s, window.end_s));
            let trusted = stood.less_certain(&stand.put_back);
            let on = (&trusted, &measured.clocks[..]);
            // Too little for a fit of its own: the whole practice's path serves.
            let own = path(plan, on, &near);
            let fit = own.as_ref().unwrap_or(whole);
            let left_out = fit.diagnostics.disagreement.map(|odd| odd.camera);
            let pairs = contradiction::compare(
                &trusted,
                &measured.clocks,
                series,
                (window.start_s, window.end_s),
                left_out,
            );
            let contradicts = worst(&pairs)
                .filter(Contradiction::counts)
                .map(|pair| pair.sentence(&measured.rig, plan.words));
            let stretch = Stretch {
                unfit: stand.unfit.or(contradicts),
                put_back: stand.words,
                simple: comparison_path(&input(plan, on, &near), fit).ok(),
                ..stretch((plan, on.0), fit, window)
            };
            (stretch, pairs)
        })
        .unzip();
    Ok((stretches, compared.into_iter().flatten().collect()))
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
            costs_mm: pair.cost_mm(&measured.rig),
        });
        if pair.counts() {
            measured.warnings.push(sentence);
        }
    }
    measured.remarks.extend(measured.warnings.iter().cloned());
}

fn stretch((plan, rig): (&Plan<'_>, &Rig), fit: &PathFit, window: ShotWindow) -> Stretch {
    let elbow = &fit.path;
    let times = times(elbow, plan.pipeline.path.step_s);
    let bands = bands::of(plan, elbow, &times, &window);
    let drawn = |path: &ElbowPath, bands| Drawn {
        path: path.clone(),
        times_s: times.clone(),
        bands,
        draws: plan.pipeline.path.draws,
        seed: plan.pipeline.seed,
    };
    let other = |role: MarkerRole| fit.path_of(role).map(|path| drawn(path, None));
    Stretch {
        elbow: drawn(elbow, bands),
        onset: (window.kind == ShotKind::Released)
            .then(|| fit.onset(rig, window.hold_end_s))
            .flatten(),
        window,
        others: Others {
            bow_hand: other(MarkerRole::BowHand),
            string_hand: other(MarkerRole::StringHand),
            nock: other(MarkerRole::Nock),
            arrow_rest: other(MarkerRole::ArrowRest),
            draw_shoulder: other(MarkerRole::DrawShoulder),
        },
        unfit: None,
        put_back: None,
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
