//! Where a recording's time may jump, and by how much: where files join that a camera cut, and where slow motion begins or ends.
//!
//! A camera that cuts its recording into chapters usually loses nothing between them; some lose frames. Where slow motion begins and
//! ends a person has read off a player. So a clock may jump there, and the sounds before and after tell by how much.

use crate::sound_match::{EventPair, match_events, match_near};
use crate::sound_scan::SoundScan;
use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};

/// An instant at which a recording's time may jump.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Seam {
    /// When (s, camera clock).
    pub camera_s: f64,
    /// By about so much (s, 1 σ), before anything is heard.
    pub jump_sd_s: f64,
    /// Whether there is a jump in any case. Where there usually is none, one is believed only if the sounds say so.
    pub certain: bool,
}

/// A jump that usually is none must be this many times its standard deviation, ...
const JUMP_SDS: f64 = 4.0;
/// ... and longer than this (s): a lost frame of a fast camera.
const LEAST_JUMP_S: f64 = 0.004;
/// Jumps are looked for up to so many of their standard deviations.
const REACH_SDS: f64 = 4.0;

/// Parts that stand beside each other by no more than this (s) may hold one event: clocks drift.
const BESIDE_S: f64 = 1.0;

/// An event heard by two cameras, each in one of the parts into which seams divide its recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct PartedPair {
    pub(crate) pair: EventPair,
    /// Part of the first recording.
    pub(crate) first: usize,
    /// Part of the second recording.
    pub(crate) second: usize,
}

/// Which part of a recording an instant lies in.
pub(crate) fn part_of(seams: &[Seam], camera_s: f64) -> usize {
    seams.partition_point(|seam| seam.camera_s <= camera_s)
}

/// Pairs of events of two recordings, whatever jumps between their parts.
pub(crate) fn match_in_parts(first: &SoundScan, second: &SoundScan) -> Vec<PartedPair> {
    let parted = |pairs: Vec<EventPair>| -> Vec<PartedPair> {
        pairs
            .into_iter()
            .map(|pair| PartedPair {
                pair,
                first: part_of(&first.seams, pair.first_s),
                second: part_of(&second.seams, pair.second_s),
            })
            .collect()
    };
    let whole = match_events(first, second);
    if first.seams.is_empty() && second.seams.is_empty() {
        return parted(whole);
    }
    let parts = |scan: &SoundScan| -> Vec<SoundScan> {
        (0..=scan.seams.len())
            .map(|part| part_alone(scan, part))
            .collect()
    };
    let (firsts, seconds) = (parts(first), parts(second));
    // Most events in common fix the offset; the other parts are a few jumps off. Only where jumps are so many that the whole fits
    // at no offset does each part have to be asked.
    let best = if whole.is_empty() {
        firsts
            .iter()
            .flat_map(|first| {
                seconds
                    .iter()
                    .map(move |second| match_events(first, second))
            })
            .max_by_key(Vec::len)
            .unwrap_or_default()
    } else {
        whole
    };
    let Some(middle) = best.get(best.len() / 2) else {
        return Vec::new();
    };
    let apart_s = middle.second_s - middle.first_s;
    let seams = first.seams.iter().chain(&second.seams);
    let reach_s = REACH_SDS * seams.map(|seam| seam.jump_sd_s.powi(2)).sum::<f64>().sqrt();
    let mut pairs: Vec<PartedPair> = firsts
        .iter()
        .flat_map(|first| {
            let about_s = apart_s - reach_s - BESIDE_S..apart_s + reach_s + BESIDE_S;
            let meets = move |second: &&SoundScan| {
                second.end_s - first.start_s > about_s.start
                    && second.start_s - first.end_s < about_s.end
            };
            let near = seconds.iter().filter(meets);
            near.flat_map(move |second| match_near(first, second, (apart_s, reach_s)))
        })
        .flat_map(|pair| parted(vec![pair]))
        .collect();
    pairs.sort_by(|p, q| p.pair.first_s.total_cmp(&q.pair.first_s));
    // An event near a seam may have found partners on both sides of it: the clearer one counts.
    pairs.dedup_by(|later, kept| {
        let same = later.pair.first_s.total_cmp(&kept.pair.first_s).is_eq();
        if same && later.pair.clearness > kept.pair.clearness {
            *kept = *later;
        }
        same
    });
    pairs
}

/// The sounds of one part of a recording.
fn part_alone(scan: &SoundScan, part: usize) -> SoundScan {
    let within = |camera_s: f64| part_of(&scan.seams, camera_s) == part;
    let events = scan.events.iter();
    let begins = part.checked_sub(1).and_then(|seam| scan.seams.get(seam));
    SoundScan {
        events: events
            .filter(|heard| within(heard.event.camera_s))
            .cloned()
            .collect(),
        start_s: begins.map_or(scan.start_s, |seam| seam.camera_s.max(scan.start_s)),
        end_s: scan
            .seams
            .get(part)
            .map_or(scan.end_s, |seam| seam.camera_s.min(scan.end_s)),
        peak: scan.peak,
        seams: Vec::new(),
    }
}

/// Jumps that a fit looks for: of the camera that is compared, and of the one that it is compared with.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Jumps {
    /// Standard deviation of each before (s), 0 where there is none.
    pub(crate) own_sd_s: Vec<f64>,
    pub(crate) other_sd_s: Vec<f64>,
}

impl Jumps {
    pub(crate) fn of(own: &[Seam], other: &[Seam]) -> Self {
        let sds = |seams: &[Seam]| seams.iter().map(|seam| seam.jump_sd_s).collect();
        Self {
            own_sd_s: sds(own),
            other_sd_s: sds(other),
        }
    }

    /// How many numbers describe them.
    pub(crate) fn len(&self) -> usize {
        self.own_sd_s.len() + self.other_sd_s.len()
    }

    /// What an event in these parts sees of each: its own camera's jumps make up for time that was lost, the other's add to it.
    pub(crate) fn seen(&self, (own, other): (usize, usize)) -> Vec<f64> {
        let own = (0..self.own_sd_s.len()).map(|seam| f64::from(u8::from(seam < own)));
        let other = (0..self.other_sd_s.len()).map(|seam| -f64::from(u8::from(seam < other)));
        own.chain(other).collect()
    }

    /// Standard deviations before, in the order of [`Self::seen`].
    pub(crate) fn sd_s(&self) -> Vec<f64> {
        self.own_sd_s
            .iter()
            .chain(&self.other_sd_s)
            .copied()
            .collect()
    }

    /// Gives up the jump that is least of all to be believed, among those that usually are none; `false` where all are. `at`
    /// is where jumps begin among the numbers.
    pub(crate) fn give_up_one(
        &mut self,
        (own, other): (&[Seam], &[Seam]),
        (solution, covariance): (&DVector<f64>, &DMatrix<f64>),
        at: usize,
    ) -> bool {
        let before = self.sd_s();
        let doubtful = own
            .iter()
            .chain(other)
            .enumerate()
            .filter(|(k, seam)| !seam.certain && before[*k] > 0.0)
            .map(|(k, _)| {
                let size_s = solution[at + k].abs();
                let limit_s = JUMP_SDS * covariance[(at + k, at + k)].max(0.0).sqrt();
                (k, size_s / limit_s.max(LEAST_JUMP_S))
            })
            .filter(|(_, share)| *share < 1.0)
            .min_by(|p, q| p.1.total_cmp(&q.1));
        let Some((k, _)) = doubtful else {
            return false;
        };
        let owned = self.own_sd_s.len();
        if k < owned {
            self.own_sd_s[k] = 0.0;
        } else {
            self.other_sd_s[k - owned] = 0.0;
        }
        true
    }
}
