//! The measuring steps of a run: survey, clocks, sightings, path. Each keeps its result; none is done twice.

use crate::backgrounds::{self, Backgrounds};
use crate::board_clocks::{as_sure_as_they_are, board_seen};
use crate::contradiction::Contradiction;
use crate::failure::{Failure, Outcome};
use crate::followed::{self, Followed, Search};
use crate::health::{certainty, health, survey_line};
use crate::lags::{Lags, Learned, SoundLag};
use crate::pipeline::{Pipeline, Step};
use crate::practice::Practice;
use crate::progress::Progress;
use crate::recordings::Recordings;
use crate::shot_fits::{ShotFits, agreement};
use crate::spans::overlap;
use crate::stood::CameraLine;
use crate::store::{Key, Store, write_whole};
use crate::whole_path::{self, Whole};
use crate::{first_look, hearing, moved_clocks, sounds, survey};
use drawarc_calibration::Board;
use drawarc_report::SoundAt;
use drawarc_report::page::{RigLine, Words};
use drawarc_rig::{ClockModel, Rig};
use drawarc_sync_track::{MarkerRole, MarkerSpec, SightingSeries, SoundScan};
use serde::{Deserialize, Serialize};

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
    /// The shots, each to be fitted when it is judged.
    pub(crate) shots: ShotFits,
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
            shots: ShotFits::default(),
            sounds: Vec::new(),
            certainty: Vec::new(),
            warnings: Vec::new(),
            remarks,
            standing: Vec::new(),
        }
    }

    /// What the path of the whole practice says of itself, of the clocks and of the survey.
    fn path_found(&mut self, plan: &Plan<'_>, silent: &[usize], whole: &Whole) {
        let of_s = whole.of_s.map(|of_s| format!("{:.1}", of_s / 60.0));
        let whole = &whole.fit;
        self.certainty = certainty(whole, &self.rig, plan.words);
        self.certainty
            .extend(of_s.map(|minutes| plan.words.health("spread", &[("minutes", &minutes)])));
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

    /// What it means for the shots how every camera stood.
    fn cameras_stood(&mut self, words: &Words) {
        let windows = self.shots.windows.iter();
        let spans: Vec<(f64, f64)> = windows.map(|shot| (shot.start_s, shot.end_s)).collect();
        let stood = self.shots.stood(&self.rig, words);
        let (lines, warnings) = stood.told(&spans);
        let standing = stood.lines();
        self.health.extend(lines);
        self.warnings.extend(warnings);
        self.standing = standing;
    }

    /// Says how well the cameras agree about the elbow, once they were compared in every shot.
    pub(crate) fn agreed(&mut self, compared: &[Contradiction], words: &Words) {
        let told = agreement(&self.rig, compared, self.shots.odd, words);
        self.health.extend(told.line);
        self.warnings.extend(told.warnings);
        self.remarks.extend(self.warnings.iter().cloned());
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
    let whole = whole_path::find(plan, (&measured.rig, &measured.clocks), &series)?;
    measured.path_found(plan, &silent, &whole);
    measured.health.extend(wanted.told(plan.words));
    measured.shots = ShotFits {
        windows: whole.shots,
        parts: whole.parts,
        series,
        clocks: std::mem::replace(&mut measured.clocks, whole.fit.clocks),
        standing,
        since_survey,
        odd: whole.fit.diagnostics.disagreement,
    };
    measured.cameras_stood(plan.words);
    sounds::beside_pictures(plan, store, &scans, &mut measured, from_s)?;
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
