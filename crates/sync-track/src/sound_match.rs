//! Which sudden sound of one recording is which of another, when the recordings started at unknown times.

use crate::gcc_phat::{self, Delay};
use crate::sound_scan::{HeardEvent, SoundScan};

/// Events compared per recording, the strongest.
const STRONGEST: usize = 300;
/// Two pairs of events support the same offset within this (s): differences of the sound's way when sources
/// stand up to 4 m apart, and errors of the onsets.
const TOLERANCE_S: f64 = 0.015;
/// Clocks drift less than this against each other; widens the tolerance over long recordings.
const DRIFT: f64 = 5e-5;
/// Offsets that are looked at more closely.
const FINALISTS: usize = 6;
/// A single event in common is believed if its correlation stands so far out.
const CLEAR_ALONE: f64 = 4.0;

/// One event heard by both.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct EventPair {
    /// Onset in the first recording's clock (s).
    pub(crate) first_s: f64,
    /// The same event in the second recording's clock (s), aligned to the first by waveform.
    pub(crate) second_s: f64,
    /// Standard deviation of the difference (s).
    pub(crate) sd_s: f64,
    /// Clearness of the correlation, 0 where onsets alone had to do.
    pub(crate) clearness: f64,
}

/// Pairs of events under the offset that explains most of them; empty where none is better than chance.
pub(crate) fn match_events(first: &SoundScan, second: &SoundScan) -> Vec<EventPair> {
    matched(first, second, None)
}

/// The same among offsets (second less first, s) that are known to within a reach (s).
pub(crate) fn match_near(
    first: &SoundScan,
    second: &SoundScan,
    near: (f64, f64),
) -> Vec<EventPair> {
    matched(first, second, Some(near))
}

fn matched(first: &SoundScan, second: &SoundScan, near: Option<(f64, f64)>) -> Vec<EventPair> {
    let (a, b) = (strongest(first), strongest(second));
    if a.is_empty() || b.is_empty() {
        return Vec::new();
    }
    let length_s = (first.end_s - first.start_s).max(second.end_s - second.start_s);
    let tolerance_s = TOLERANCE_S + DRIFT * length_s;
    let mut differences: Vec<f64> = a
        .iter()
        .flat_map(|x| b.iter().map(|y| y.event.camera_s - x.event.camera_s))
        .filter(|apart_s| {
            near.is_none_or(|(about_s, reach_s)| (apart_s - about_s).abs() < reach_s + tolerance_s)
        })
        .collect();
    differences.sort_by(f64::total_cmp);
    let finalists = most_supported(&differences, tolerance_s);
    let total_s = (first.end_s - first.start_s) + (second.end_s - second.start_s);
    let by_chance = a.len() as f64 * b.len() as f64 * 2.0 * tolerance_s / total_s.max(1.0);
    // Where the offset is nearly known, one clear event among many is enough.
    let possible = near.map_or(a.len().min(b.len()), |_| 1);
    finalists
        .into_iter()
        .map(|difference_s| pairs_at(&a, &b, difference_s, tolerance_s))
        .filter(|pairs| is_believable(pairs, by_chance, possible))
        .max_by(|p, q| support(p).total_cmp(&support(q)))
        .unwrap_or_default()
}

fn support(pairs: &[EventPair]) -> f64 {
    pairs
        .iter()
        .map(|pair| 1.0 + pair.clearness.min(20.0) / 5.0)
        .sum()
}

fn is_believable(pairs: &[EventPair], by_chance: f64, possible: usize) -> bool {
    let clear = pairs
        .iter()
        .filter(|pair| pair.clearness > CLEAR_ALONE)
        .count();
    match pairs.len() {
        0 => false,
        1 => clear == 1 && possible <= 2 && by_chance < 0.1,
        n => clear >= 1 && n as f64 > by_chance + 3.0 * by_chance.sqrt(),
    }
}

fn strongest(scan: &SoundScan) -> Vec<&HeardEvent> {
    let mut events: Vec<&HeardEvent> = scan.events.iter().collect();
    events.sort_by(|p, q| q.event.strength_db.total_cmp(&p.event.strength_db));
    events.truncate(STRONGEST);
    events.sort_by(|p, q| p.event.camera_s.total_cmp(&q.event.camera_s));
    events
}

/// Differences around which most lie, best first, none within the tolerance of a better one.
fn most_supported(sorted: &[f64], tolerance_s: f64) -> Vec<f64> {
    let mut counted: Vec<(usize, f64)> = Vec::with_capacity(sorted.len());
    let (mut low, mut high) = (0, 0);
    for &centre in sorted {
        while sorted[low] < centre - tolerance_s {
            low += 1;
        }
        while high < sorted.len() && sorted[high] <= centre + tolerance_s {
            high += 1;
        }
        let mean = sorted[low..high].iter().sum::<f64>() / (high - low) as f64;
        counted.push((high - low, mean));
    }
    counted.sort_by(|p, q| q.0.cmp(&p.0).then(p.1.total_cmp(&q.1)));
    let mut best: Vec<f64> = Vec::new();
    for (_, difference_s) in counted {
        if best
            .iter()
            .all(|other| (other - difference_s).abs() > 2.0 * tolerance_s)
        {
            best.push(difference_s);
        }
        if best.len() == FINALISTS {
            break;
        }
    }
    best
}

/// One-to-one pairs whose difference is about `difference_s`, with the delay of their waveforms.
fn pairs_at(
    a: &[&HeardEvent],
    b: &[&HeardEvent],
    difference_s: f64,
    tolerance_s: f64,
) -> Vec<EventPair> {
    let mut pairs = Vec::new();
    let mut from = 0;
    for x in a {
        let expected_s = x.event.camera_s + difference_s;
        let near = b[from..]
            .iter()
            .enumerate()
            .map(|(k, y)| (from + k, (y.event.camera_s - expected_s).abs()))
            .filter(|&(_, apart_s)| apart_s <= tolerance_s)
            .min_by(|p, q| p.1.total_cmp(&q.1));
        if let Some((k, _)) = near {
            from = k + 1;
            pairs.push(pair(x, b[k]));
        }
    }
    pairs
}

fn pair(x: &HeardEvent, y: &HeardEvent) -> EventPair {
    let onsets_apart_s = y.event.camera_s - x.event.camera_s;
    let by_onsets = Delay {
        second_minus_first_s: onsets_apart_s,
        sd_s: x.event.sd_s.hypot(y.event.sd_s),
        clearness: 0.0,
    };
    let delay = gcc_phat::delay(
        (&x.snippet, x.event.camera_s),
        (&y.snippet, y.event.camera_s),
    )
    .unwrap_or(by_onsets);
    EventPair {
        first_s: x.event.camera_s,
        second_s: x.event.camera_s + delay.second_minus_first_s,
        sd_s: delay.sd_s,
        clearness: delay.clearness,
    }
}
