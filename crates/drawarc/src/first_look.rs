//! Where in the recordings full work is done: in all of it, or, of a long evening, where a first look at key frames and sounds
//! shows that something may have been shot.

use crate::failure::{Failure, Outcome};
use crate::moved_clocks::is_unknown;
use crate::progress::{self, Progress};
use crate::steps::{Measured, Plan};
use crate::store::{Key, Store};
use drawarc_report::page::{Fitness, RigLine, Words};
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
    (store, progress): (&Store, &Progress),
    measured: &Measured,
    (scans, from_s): (&[Option<SoundScan>], f64),
    before: &Key,
) -> Outcome<Wanted> {
    let cameras: Vec<usize> = (0..plan.recordings.len()).collect();
    let known = |camera: &usize| !is_unknown(&measured.clocks[*camera]);
    // In the camera's own time.
    let span = |camera: usize| {
        let probe = plan.recordings.camera(camera).recording.probe();
        let end_s = scans[camera]
            .as_ref()
            .map_or(0.0, |scan| scan.end_s)
            .max(probe.start_s + probe.duration_s);
        let begins_s = if from_s > f64::MIN && known(&camera) {
            measured.clocks[camera].camera_from_range(from_s)
        } else {
            probe.start_s
        };
        (begins_s.max(probe.start_s), end_s)
    };
    let length_s = |(from_s, to_s): (f64, f64)| to_s - from_s;
    let longest_s = cameras
        .iter()
        .map(|&camera| length_s(span(camera)))
        .fold(0.0, f64::max);
    let settings = &plan.pipeline.sightings;
    let all = || Wanted {
        windows: cameras
            .iter()
            .map(|&camera| {
                let from_s = if known(&camera) {
                    span(camera).0
                } else {
                    f64::MIN
                };
                vec![(from_s, f64::MAX)]
            })
            .collect(),
        of_first_s: None,
    };
    if settings.everything || longest_s < WORTH_IT_S {
        return Ok(all());
    }
    let seen = seen_at_a_glance(plan, (store, progress), measured, before)?;
    let look = FirstLookSettings {
        before_s: settings.before_s,
        after_s: settings.after_s,
        ..FirstLookSettings::default()
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
    let glances: Vec<Option<Vec<Glance>>> = cameras
        .iter()
        .zip(seen)
        .map(|(camera, seen)| known(camera).then_some(seen))
        .collect();
    let in_range = |camera: usize| {
        let (from, to) = span(camera);
        let clock = &measured.clocks[camera];
        (clock.range_from_camera(from), clock.range_from_camera(to))
    };
    let spans: Vec<(f64, f64)> = cameras.iter().copied().map(in_range).collect();
    let Some(moves) = moving(&measured.rig, &glances, &measured.clocks, &spans, &look) else {
        return Ok(all());
    };
    let stretches = moves.with_sounds(&around_sounds(&heard, &look));
    let windows: Vec<Windows> = cameras
        .iter()
        .map(|&camera| {
            if !known(&camera) {
                return vec![(f64::MIN, f64::MAX)];
            }
            let clock = &measured.clocks[camera];
            let (begins_s, end_s) = span(camera);
            let own = stretches.iter().map(|(from, to)| {
                (
                    clock.camera_from_range(*from).max(begins_s),
                    clock.camera_from_range(*to).min(end_s),
                )
            });
            own.filter(|(from, to)| to > from).collect()
        })
        .collect();
    let first_s = windows[0].iter().map(|window| length_s(*window)).sum();
    Ok(Wanted {
        of_first_s: Some((first_s, length_s(span(0)))),
        windows,
    })
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
