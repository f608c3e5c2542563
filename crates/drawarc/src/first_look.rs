//! Where in the recordings full work is done: in all of it, or, of a long evening, where a first look at key frames and sounds
//! shows that something may have been shot.

use crate::failure::{Failure, Outcome};
use crate::moved_clocks::is_unknown;
use crate::progress::{self, Progress};
use crate::steps::{Measured, Plan};
use crate::store::{Key, Store};
use drawarc_report::page::{Fitness, RigLine, Words};
use drawarc_rig::ClockModel;
use drawarc_sync_track::{
    FirstLookSettings, Glance, SoundScan, TrackSettings, Windows, around_sounds, glances, moving,
};
use rayon::prelude::*;

/// A first look costs an eighth of decoding all where there is a key frame every half second; with less to measure than this (s)
/// it gains nothing.
const WORTH_IT_S: f64 = 120.0;

/// What is to be measured.
#[derive(Debug)]
pub(crate) struct Wanted {
    /// Per camera, stretches of camera time (s).
    pub(crate) windows: Vec<Windows>,
    /// How much that is of the first camera's recording (s), and how much there is after the board; nothing where all is measured.
    of_first_s: Option<(f64, f64)>,
}

impl Wanted {
    /// Says how much of the recordings was measured, where it is not all.
    pub(crate) fn told(&self, words: &Words) -> Option<RigLine> {
        let (wanted_s, whole_s) = self.of_first_s?;
        let minutes = |s: f64| format!("{:.1}", s / 60.0);
        let places = [("part", &*minutes(wanted_s)), ("whole", &minutes(whole_s))];
        Some(RigLine {
            fitness: Fitness::Good,
            sentence: words.health("looked_at", &places),
            costs_mm: None,
        })
    }
}

/// Where to look for markers. `from_s` is the end of the board's showing (range s), `scans` are the cameras' sounds.
pub(crate) fn wanted(
    plan: &Plan<'_>,
    kept: (&Store, &Progress),
    measured: &Measured,
    (scans, from_s): (&[Option<SoundScan>], f64),
    before: &Key,
) -> Outcome<Wanted> {
    let spans = spans(plan, measured, scans, from_s);
    let longest_s = spans.iter().map(length_s).fold(0.0, f64::max);
    let settings = &plan.pipeline.sightings;
    if settings.everything || longest_s < WORTH_IT_S {
        return Ok(all(measured, from_s));
    }
    let glances: Vec<Option<Vec<Glance>>> = seen_at_a_glance(plan, kept, measured, before)?
        .into_iter()
        .zip(&measured.clocks)
        .map(|(seen, clock)| (!is_unknown(clock)).then_some(seen))
        .collect();
    let look = FirstLookSettings {
        before_s: settings.before_s,
        after_s: settings.after_s,
        ..FirstLookSettings::default()
    };
    let in_range: Vec<(f64, f64)> = spans
        .iter()
        .zip(&measured.clocks)
        .map(|(span, clock)| both_ends(span, |camera_s| clock.range_from_camera(camera_s)))
        .collect();
    let Some(moves) = moving(&measured.rig, &glances, &measured.clocks, &in_range, &look) else {
        return Ok(all(measured, from_s));
    };
    let heard: Vec<_> = scans
        .iter()
        .zip(&measured.clocks)
        .filter(|(_, clock)| !is_unknown(clock))
        .flat_map(|(scan, clock)| {
            let events = scan.iter().flat_map(|scan| &scan.events);
            events.map(move |heard| (heard.event, clock))
        })
        .filter(|(event, clock)| clock.range_from_camera(event.camera_s) > from_s)
        .collect();
    let stretches = moves.with_sounds(&around_sounds(&heard, &look));
    let windows: Vec<Windows> = measured
        .clocks
        .iter()
        .zip(&spans)
        .map(|(clock, span)| {
            if is_unknown(clock) {
                return vec![(f64::MIN, f64::MAX)];
            }
            let own = stretches.iter().map(|stretch| {
                let (from_s, to_s) = both_ends(stretch, |s| clock.camera_from_range(s));
                (from_s.max(span.0), to_s.min(span.1))
            });
            own.filter(|(from, to)| to > from).collect()
        })
        .collect();
    Ok(Wanted {
        of_first_s: Some((windows[0].iter().map(length_s).sum(), length_s(&spans[0]))),
        windows,
    })
}

fn length_s((from_s, to_s): &(f64, f64)) -> f64 {
    to_s - from_s
}

fn both_ends((from_s, to_s): &(f64, f64), change: impl Fn(f64) -> f64) -> (f64, f64) {
    (change(*from_s), change(*to_s))
}

/// What each camera filmed after the board's showing (s, its own clock).
fn spans(
    plan: &Plan<'_>,
    measured: &Measured,
    scans: &[Option<SoundScan>],
    from_s: f64,
) -> Vec<(f64, f64)> {
    let cameras = plan.recordings.cameras().zip(&measured.clocks).zip(scans);
    cameras
        .map(|((filmed, clock), scan)| {
            let probe = filmed.recording.probe();
            let heard_until_s = scan.as_ref().map_or(f64::MIN, |scan| scan.end_s);
            (
                begins_s(clock, from_s).max(probe.start_s),
                heard_until_s.max(probe.start_s + probe.duration_s),
            )
        })
        .collect()
}

/// When the board's showing ends by a camera's clock (s); the beginning of time where it was not shown.
fn begins_s(clock: &ClockModel, from_s: f64) -> f64 {
    if from_s > f64::MIN && !is_unknown(clock) {
        clock.camera_from_range(from_s)
    } else {
        f64::MIN
    }
}

/// All that was filmed after the board's showing.
fn all(measured: &Measured, from_s: f64) -> Wanted {
    let clocks = measured.clocks.iter();
    Wanted {
        windows: clocks
            .map(|clock| vec![(begins_s(clock, from_s), f64::MAX)])
            .collect(),
        of_first_s: None,
    }
}

/// Key frames of all cameras, looked at once and kept.
fn seen_at_a_glance(
    plan: &Plan<'_>,
    (store, progress): (&Store, &Progress),
    measured: &Measured,
    before: &Key,
) -> Outcome<Vec<Vec<Glance>>> {
    let key = Key::of("first-look", &plan.markers, &[before])?;
    store.step("first-look", &key, || {
        let bar = progress.bar("a first look");
        let cameras = plan.recordings.len();
        let threads = (rayon::current_num_threads() / cameras.max(1)).max(1);
        let found = plan
            .recordings
            .films
            .par_iter()
            .enumerate()
            .map(|(index, film)| {
                let mut told = 0.0;
                glances(
                    (index, film),
                    &measured.rig.cameras[index],
                    plan.markers,
                    (&TrackSettings::default(), threads),
                    &mut |share| {
                        bar.inc(progress::parts((share - told) / cameras as f64));
                        told = share;
                    },
                )
                .map_err(Failure::not_measurable)
            })
            .collect::<Outcome<Vec<_>>>();
        bar.finish_and_clear();
        found
    })
}
