//! From the elbow's path to shot sheets: finds the shots, deals them out to the archers, judges each.

use crate::contradiction::Contradiction;
use crate::failure::{Failure, Outcome};
use crate::pipeline::Pipeline;
use crate::practice::{Practice, Turn};
use crate::steps::{Measured, Plan};
use drawarc_report::page::CameraStrip;
use drawarc_report::{
    Advice, BowStage, Corrections, Finding, ReportError, ReportSettings, Sentences, SeriesSheet,
    ShotContext, ShotSheet, ShotWindow, Side, SoundAt, Verdict, score_series, score_shot,
};
use drawarc_rig::Rig;
use drawarc_triangulation::{ElbowPath, InstantPath, MotionBands, Onset, PathSamples};
use rayon::prelude::*;

/// Everything that the rules say of a practice.
#[derive(Debug)]
pub(crate) struct Sheets {
    /// The shots in order of time.
    pub(crate) shots: Vec<ShotSheet>,
    /// One series for each archer, stage and draw weight, in the order in which they first shot; rejected shots are in none.
    pub(crate) series: Vec<SeriesSheet>,
    /// Body heights beside the shots, for the drawn figure.
    pub(crate) heights_m: Vec<Option<f64>>,
    /// What the cameras saw, beside the shots.
    pub(crate) strips: Vec<Vec<CameraStrip>>,
    /// How well the cameras agree about the elbow, shot by shot.
    pub(crate) compared: Vec<Contradiction>,
}

/// One shot's stretch of the practice.
#[derive(Debug)]
pub(crate) struct Stretch {
    /// Where the shot lies in it.
    pub(crate) window: ShotWindow,
    /// The elbow.
    pub(crate) elbow: Drawn,
    /// When the elbow set out, where the string was let go.
    pub(crate) onset: Option<Onset>,
    /// Further markers.
    pub(crate) others: Others<Drawn>,
    /// The elbow by the simple way, for comparison.
    pub(crate) simple: Option<InstantPath>,
    /// Why nothing can be said of it, whatever the path looks like.
    pub(crate) unfit: Option<String>,
    /// Cameras that were put back from their backgrounds, in words.
    pub(crate) put_back: Option<String>,
}

/// A path whose joint samples are drawn when they are asked for: those of one shot take 10 MB, and an evening has sixty.
#[derive(Debug)]
pub(crate) struct Drawn {
    pub(crate) path: ElbowPath,
    /// Instants of the samples (range time, s).
    pub(crate) times_s: Vec<f64>,
    /// How sure the motion is, where it is asked for.
    pub(crate) bands: Option<MotionBands>,
    /// How many samples.
    pub(crate) draws: usize,
    pub(crate) seed: u64,
}

impl Drawn {
    /// The samples: the same every time.
    fn samples(&self) -> PathSamples {
        PathSamples {
            bands: self.bands.clone(),
            ..self.path.sample(&self.times_s, self.draws, self.seed)
        }
    }
}

/// Paths of further markers.
#[derive(Debug, Default)]
pub(crate) struct Others<T> {
    pub(crate) bow_hand: Option<T>,
    pub(crate) string_hand: Option<T>,
    pub(crate) nock: Option<T>,
    pub(crate) arrow_rest: Option<T>,
    pub(crate) draw_shoulder: Option<T>,
}

impl Others<Drawn> {
    fn samples(&self) -> Others<PathSamples> {
        let of = |drawn: &Option<Drawn>| drawn.as_ref().map(Drawn::samples);
        Others {
            bow_hand: of(&self.bow_hand),
            string_hand: of(&self.string_hand),
            nock: of(&self.nock),
            arrow_rest: of(&self.arrow_rest),
            draw_shoulder: of(&self.draw_shoulder),
        }
    }
}

/// The settings of the rules, from the pipeline's.
pub(crate) fn settings_of(pipeline: &Pipeline) -> ReportSettings {
    ReportSettings {
        seed: pipeline.seed,
        floor_m: pipeline.sheet.floor_mm / 1000.0,
        shot_clock_s: Some(pipeline.sheet.shot_clock_s),
        ..ReportSettings::default()
    }
}

/// A shot that was judged, and what the cameras saw of it.
struct Judged {
    compared: Vec<Contradiction>,
    sheet: ShotSheet,
    height_m: Option<f64>,
    strips: Vec<CameraStrip>,
}

/// Judges every shot, and has each looked for in its films: by `look`, as soon as its sheet stands.
pub(crate) fn judge(
    plan: &Plan<'_>,
    (corrections, advice): (&Corrections, &Advice),
    measured: &Measured,
    look: &(dyn Fn(&ShotSheet) -> Outcome<Vec<CameraStrip>> + Sync),
) -> Outcome<Sheets> {
    let practice = plan.practice;
    let settings = settings_of(plan.pipeline);
    let sentences = plan.words.sentences();
    let windows = &measured.shots.windows;
    if windows.is_empty() {
        return Err(
            Failure::not_measurable("the elbow was followed, but nobody drew a bow")
                .help("a draw of 20 cm or more makes a shot: was the practice filmed to its end?"),
        );
    }
    let turns = deal(&practice.turns, windows.len());
    let ids: Vec<String> = (1..=windows.len())
        .map(|number| format!("shot-{number:02}"))
        .collect();
    let known: Vec<&str> = ids.iter().map(String::as_str).collect();
    corrections
        .fits(&known)
        .map_err(|source| corrected(practice, &source))?;
    let judging = Judging {
        practice,
        corrections,
        settings: &settings,
        sentences: &sentences,
        nobody: &plan.words.health("archer", &[("number", "1")]),
        rig: &measured.rig,
        sounds: &measured.sounds,
    };
    // Each shot is fitted, judged, and then looked for in its films, by one thread: what is found first is not waited for.
    let judged: Vec<Outcome<Judged>> = windows
        .par_iter()
        .zip(&turns)
        .enumerate()
        .map(|(index, (window, (turn, place)))| {
            let (stretch, compared) = measured.shots.fit(plan, &measured.rig, window)?;
            let (sheet, height_m) = judging.shot(&ids[index], &stretch, (turn.as_ref(), *place))?;
            drop(stretch);
            let strips = look(&sheet)?;
            Ok(Judged {
                compared,
                sheet,
                height_m,
                strips,
            })
        })
        .collect();
    let mut sheets = Sheets {
        shots: Vec::new(),
        series: Vec::new(),
        heights_m: Vec::new(),
        strips: Vec::new(),
        compared: Vec::new(),
    };
    // The first failure in the order of the shots is told, whichever thread was first.
    for shot in judged {
        let shot = shot?;
        sheets.shots.push(shot.sheet);
        sheets.heights_m.push(shot.height_m);
        sheets.strips.push(shot.strips);
        sheets.compared.extend(shot.compared);
    }
    sheets.series = series(&sheets.shots, advice, &settings, &sentences);
    Ok(sheets)
}

/// What every shot is judged by.
struct Judging<'a> {
    practice: &'a Practice,
    corrections: &'a Corrections,
    settings: &'a ReportSettings,
    sentences: &'a Sentences,
    /// What an archer is called whom nobody named.
    nobody: &'a str,
    rig: &'a Rig,
    sounds: &'a [SoundAt],
}

impl Judging<'_> {
    /// The sheet of a shot, and the body height that it was judged with (m).
    fn shot(
        &self,
        id: &str,
        stretch: &Stretch,
        (turn, place): (Option<&Turn>, usize),
    ) -> Outcome<(ShotSheet, Option<f64>)> {
        let window = &stretch.window;
        let near: Vec<SoundAt> = self
            .sounds
            .iter()
            .copied()
            .filter(|sound| sound.time_s > window.start_s && sound.time_s < window.end_s + 0.5)
            .collect();
        let correction = self.corrections.of(id).cloned();
        // Who is named by hand brings the height and the bow of their own turn.
        let renamed = correction
            .as_ref()
            .and_then(|correction| correction.archer.as_ref())
            .and_then(|archer| {
                self.practice
                    .turns
                    .iter()
                    .find(|turn| turn.archer == *archer)
            });
        let others = stretch.others.samples();
        let mut context = context((id, renamed.or(turn)), self.rig, (stretch, &others), near);
        let archer = turn.map_or(self.nobody, |turn| turn.archer.as_str());
        archer.clone_into(&mut context.archer);
        context.felt = turn.and_then(|turn| turn.felt.get(place).copied());
        context.correction = correction;
        let mut sheet = score_shot(
            &stretch.elbow.samples(),
            window,
            &context,
            self.settings,
            self.sentences,
        )
        .map_err(|source| match source {
            ReportError::Correction { .. } => corrected(self.practice, &source),
            _ => wrong_path(&source),
        })?;
        if let Some(words) = &stretch.put_back {
            sheet.how_sure = format!("{} {words}", sheet.how_sure);
        }
        if let Some(why) = &stretch.unfit {
            withdraw(&mut sheet, why);
        }
        Ok((sheet, context.body_height_m))
    }
}

/// One series for each archer, stage and draw weight, in the order in which they first shot.
fn series(
    all: &[ShotSheet],
    advice: &Advice,
    settings: &ReportSettings,
    sentences: &Sentences,
) -> Vec<SeriesSheet> {
    let counted = || all.iter().filter(|sheet| !sheet.rejected);
    let mut kinds: Vec<(&str, BowStage, Option<f64>)> = Vec::new();
    for sheet in counted() {
        if !kinds.contains(&kind(sheet)) {
            kinds.push(kind(sheet));
        }
    }
    kinds
        .into_iter()
        .map(|each| {
            let shots: Vec<&ShotSheet> = counted().filter(|sheet| kind(sheet) == each).collect();
            score_series(each.0, &shots, advice, settings, sentences)
        })
        .collect()
}

/// Takes back whatever a sheet claims: its path stands on a rig that is no longer as it was surveyed.
fn withdraw(sheet: &mut ShotSheet, why: &str) {
    sheet.verdict = Verdict::NotMeasurable;
    why.clone_into(&mut sheet.sentence);
    why.clone_into(&mut sheet.how_sure);
    sheet.felt_sentence = None;
    sheet.faults.clear();
    for check in &mut sheet.checks {
        check.finding = Finding::NotMeasurable;
        check.smallest_detectable = None;
        check.shortest_s = None;
        check.why = Some(why.to_owned());
    }
}

/// Shots of one kind make a series.
fn kind(sheet: &ShotSheet) -> (&str, BowStage, Option<f64>) {
    (&sheet.archer, sheet.stage, sheet.draw_weight_lb)
}

/// A correction that cannot be, beside its file.
fn corrected(practice: &Practice, source: &ReportError) -> Failure {
    let file = practice
        .corrections
        .as_ref()
        .map_or_else(String::new, |path| format!("{}: ", path.display()));
    Failure::input(format!("{file}{source}"))
}

/// Whose shot each is: turns in order, each with its number of shots, the last with all that are left. Beside it the
/// shot's number within its turn.
fn deal(turns: &[Turn], shots: usize) -> Vec<(Option<Turn>, usize)> {
    let mut dealt = Vec::new();
    for (index, turn) in turns.iter().enumerate() {
        let left = shots - dealt.len();
        let last = index + 1 == turns.len();
        let count = if last {
            left
        } else {
            turn.shots.unwrap_or(left).min(left)
        };
        dealt.extend((0..count).map(|place| (Some(turn.clone()), place)));
    }
    let place = dealt.len();
    dealt.extend((place..shots).map(|place| (None, place)));
    dealt
}

fn context<'a>(
    (id, turn): (&str, Option<&Turn>),
    rig: &Rig,
    (stretch, others): (&'a Stretch, &'a Others<PathSamples>),
    sounds: Vec<SoundAt>,
) -> ShotContext<'a> {
    let side = turn
        .map(|turn| turn.handedness)
        .or(stretch.window.side_seen)
        .unwrap_or(Side::Right);
    let archer = turn.map_or("", |turn| turn.archer.as_str());
    let mut context = ShotContext::new(id, archer, side);
    if let Some(turn) = turn {
        context.body_height_m = turn.height_cm.map(|cm| cm / 100.0);
        context.draw_weight_lb = turn.draw_weight_lb;
        if let Some(stage) = turn.stage {
            context.stage = stage;
        }
    }
    context.sounds = sounds;
    context.onset.clone_from(&stretch.onset);
    context.simple = stretch.simple.as_ref();
    context.cameras.clone_from(&rig.cameras);
    context.markers.bow_hand = others.bow_hand.as_ref();
    context.markers.string_hand = others.string_hand.as_ref();
    context.markers.nock = others.nock.as_ref();
    context.markers.arrow_rest = others.arrow_rest.as_ref();
    context.markers.draw_shoulder = others.draw_shoulder.as_ref();
    context
}

/// A path that cannot be judged, in words.
pub(crate) fn wrong_path(source: &ReportError) -> Failure {
    let refused = Failure::not_measurable(source);
    match source {
        ReportError::BoardReversed { .. } => {
            refused.help("the board lay the wrong way round: its arrow must point to the target. Turn it and film it again")
        }
        _ => refused,
    }
}
