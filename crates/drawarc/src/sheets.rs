//! From the elbow's path to shot sheets: finds the shots, deals them out to the archers, judges each.

use crate::failure::{Failure, Outcome};
use crate::pipeline::Pipeline;
use crate::practice::{Practice, Turn};
use drawarc_report::{
    Advice, ReportError, ReportSettings, Sentences, SeriesSheet, ShotContext, ShotSheet,
    ShotWindow, Side, SoundAt, score_series, score_shot,
};
use drawarc_rig::Rig;
use drawarc_triangulation::PathSamples;

/// Everything that the rules say of a practice.
#[derive(Debug)]
pub(crate) struct Sheets {
    /// The shots in order of time.
    pub(crate) shots: Vec<ShotSheet>,
    /// One series for each turn.
    pub(crate) series: Vec<SeriesSheet>,
    /// Body heights beside the shots, for the drawn figure.
    pub(crate) heights_m: Vec<Option<f64>>,
}

/// One shot's stretch of the practice.
#[derive(Debug)]
pub(crate) struct Stretch {
    /// Where the shot lies in it.
    pub(crate) window: ShotWindow,
    /// The elbow, with joint samples.
    pub(crate) elbow: PathSamples,
    /// Further markers.
    pub(crate) others: Others,
}

/// Paths of further markers.
#[derive(Debug, Default)]
pub(crate) struct Others {
    pub(crate) bow_hand: Option<PathSamples>,
    pub(crate) string_hand: Option<PathSamples>,
    pub(crate) nock: Option<PathSamples>,
    pub(crate) arrow_rest: Option<PathSamples>,
    pub(crate) draw_shoulder: Option<PathSamples>,
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

/// Judges every shot.
pub(crate) fn judge(
    practice: &Practice,
    pipeline: &Pipeline,
    rig: &Rig,
    stretches: &[Stretch],
    sounds: &[SoundAt],
) -> Outcome<Sheets> {
    let settings = settings_of(pipeline);
    let sentences = Sentences::english().map_err(Failure::input)?;
    if stretches.is_empty() {
        return Err(
            Failure::not_measurable("the elbow was followed, but nobody drew a bow")
                .help("a draw of 20 cm or more makes a shot: was the practice filmed to its end?"),
        );
    }
    let turns = deal(&practice.turns, stretches.len());
    let mut sheets = Sheets {
        shots: Vec::new(),
        series: Vec::new(),
        heights_m: Vec::new(),
    };
    for (index, (stretch, (turn, place))) in stretches.iter().zip(&turns).enumerate() {
        let window = &stretch.window;
        let near: Vec<SoundAt> = sounds
            .iter()
            .copied()
            .filter(|sound| sound.time_s > window.start_s && sound.time_s < window.end_s + 0.5)
            .collect();
        let context = context(index, (turn.as_ref(), *place), window, rig, (stretch, near));
        let sheet = score_shot(&stretch.elbow, window, &context, &settings, &sentences)
            .map_err(|source| wrong_path(&source))?;
        sheets.shots.push(sheet);
        sheets.heights_m.push(context.body_height_m);
    }
    let advice = Advice::ours().map_err(Failure::input)?;
    let mut from = 0;
    while from < turns.len() {
        let who = &turns[from].0;
        let to = turns[from..]
            .iter()
            .position(|(turn, _)| !same(turn.as_ref(), who.as_ref()));
        let to = to.map_or(turns.len(), |length| from + length);
        let shots: Vec<&ShotSheet> = sheets.shots[from..to].iter().collect();
        let name = who.as_ref().map_or("Archer 1", |turn| turn.archer.as_str());
        sheets
            .series
            .push(score_series(name, &shots, &advice, &settings, &sentences));
        from = to;
    }
    Ok(sheets)
}

fn same(a: Option<&Turn>, b: Option<&Turn>) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => std::ptr::eq(a, b) || (a.archer == b.archer && a.stage == b.stage),
        (None, None) => true,
        _ => false,
    }
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
    index: usize,
    (turn, place): (Option<&Turn>, usize),
    window: &ShotWindow,
    rig: &Rig,
    (stretch, sounds): (&'a Stretch, Vec<SoundAt>),
) -> ShotContext<'a> {
    let side = turn
        .map(|turn| turn.handedness)
        .or(window.side_seen)
        .unwrap_or(Side::Right);
    let archer = turn.map_or("Archer 1", |turn| turn.archer.as_str());
    let mut context = ShotContext::new(format!("shot-{:02}", index + 1), archer, side);
    if let Some(turn) = turn {
        context.body_height_m = turn.height_cm.map(|cm| cm / 100.0);
        context.draw_weight_lb = turn.draw_weight_lb;
        context.felt = turn.felt.get(place).copied();
        if let Some(stage) = turn.stage {
            context.stage = stage;
        }
    }
    context.sounds = sounds;
    context.cameras.clone_from(&rig.cameras);
    let others = &stretch.others;
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
