//! How a camera stood through a recording: looks at its background, one after the other, become stands that last.
//!
//! A knocked tripod makes one stand after another; stabilisation at work, or a hand that holds the camera, makes looks of
//! which no two agree.

use crate::background_shift::{BackgroundShift, CameraVerdict};
use crate::corner_quality::median;
use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// Looks further apart than this (deg) and than their own errors are of different stands: well below the least turn that
/// counts, so that a turn of that size is one.
const SAME_DEG: f64 = 0.012;
/// The same for the relative change of focal length.
const SAME_ZOOM: f64 = 0.000_6;
/// How many standard deviations two looks of one stand may differ by.
const SAME_SDS: f64 = 4.0;
/// A stand counts from so many looks in a row; fewer are a passer-by before the lens, or a lorry in the road.
const LEAST_LOOKS: usize = 3;
/// At the end of a recording two must do.
const LEAST_LAST_LOOKS: usize = 2;
/// A stand's place is the median of so many looks, the first of it, so that a head that sinks slowly leaves it.
const LEVEL_LOOKS: usize = 12;
/// Stands shorter than this (looks) are no rest for a camera that is to measure.
const SHORT_LOOKS: usize = 6;
/// The camera never rests where more than this share of its looks are in no stand, or in short ones.
const RESTLESS_SHARE: f64 = 0.35;
/// ... of at least so many looks.
const RESTLESS_LOOKS: usize = 8;

/// A stretch in which a camera did not move.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Stand {
    /// First look (s, camera clock).
    pub from_s: f64,
    /// Last look (s, camera clock).
    pub to_s: f64,
    /// Looks in it.
    pub looks: usize,
    /// The camera against its reference: medians over the looks.
    pub shift: BackgroundShift,
}

/// How a camera stood through a recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Standing {
    /// The stands, in order of time.
    pub stands: Vec<Stand>,
    /// Looks in all.
    pub looks: usize,
    /// Clear looks that belong to no stand.
    pub strays: usize,
    /// The picture never rests: stabilisation at work, a hand, or a tripod in the wind.
    pub restless: bool,
}

/// What is known of a camera during a stretch of time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Held {
    /// It stood still, like this against its reference.
    Still(BackgroundShift),
    /// It moved between these times (s, camera clock).
    MovedWithin(f64, f64),
    /// It never rests.
    Restless,
    /// There was no look at its background.
    Unseen,
}

fn is_clear(shift: &BackgroundShift) -> bool {
    shift.verdict != CameraVerdict::Unclear
}

/// Do two looks show the same stand?
fn same(a: &BackgroundShift, b: &BackgroundShift) -> bool {
    if !is_clear(a) || !is_clear(b) {
        return is_clear(a) == is_clear(b);
    }
    let apart_deg = (Vector3::from(a.turn) - Vector3::from(b.turn))
        .norm()
        .to_degrees();
    let within =
        |apart: f64, limit: f64, sds: (f64, f64)| apart < limit.max(SAME_SDS * sds.0.hypot(sds.1));
    within(apart_deg, SAME_DEG, (a.turn_sd_deg, b.turn_sd_deg))
        && within((a.zoom - b.zoom).abs(), SAME_ZOOM, (a.zoom_sd, b.zoom_sd))
}

/// The middle one of several looks, number by number. The errors of looks at one reference are largely common: the standard
/// deviations stay those of one look.
fn level(looks: &[(f64, BackgroundShift)]) -> BackgroundShift {
    let of = |pick: &dyn Fn(&BackgroundShift) -> f64| {
        let mut values: Vec<f64> = looks.iter().map(|(_, shift)| pick(shift)).collect();
        median(&mut values)
    };
    let count = |pick: &dyn Fn(&BackgroundShift) -> usize| {
        let mut values: Vec<usize> = looks.iter().map(|(_, shift)| pick(shift)).collect();
        values.sort_unstable();
        values[values.len() / 2]
    };
    BackgroundShift {
        turn: std::array::from_fn(|axis| of(&|shift| shift.turn[axis])),
        turn_sd_deg: of(&|shift| shift.turn_sd_deg),
        zoom: of(&|shift| shift.zoom),
        zoom_sd: of(&|shift| shift.zoom_sd),
        patches: (
            count(&|shift| shift.patches.0),
            count(&|shift| shift.patches.1),
        ),
        rest_px: of(&|shift| shift.rest_px),
        verdict: CameraVerdict::Unmoved,
    }
    .judged()
}

/// Sorts looks `(camera time in s, shift against the reference)`, in order of time, into stands.
pub fn standing(looks: &[(f64, BackgroundShift)]) -> Standing {
    let mut sorter = Sorter::default();
    for look in looks {
        sorter.push(*look);
    }
    sorter.finish(looks.len())
}

#[derive(Default)]
struct Sorter {
    now: Vec<(f64, BackgroundShift)>,
    next: Vec<(f64, BackgroundShift)>,
    stands: Vec<Stand>,
    strays: usize,
}

impl Sorter {
    fn push(&mut self, look: (f64, BackgroundShift)) {
        let belongs = |stand: &[(f64, BackgroundShift)]| {
            !stand.is_empty() && same(&level(&stand[..stand.len().min(LEVEL_LOOKS)]), &look.1)
        };
        if belongs(&self.now) {
            self.leave_strays();
            self.now.push(look);
            return;
        }
        if !belongs(&self.next) {
            self.leave_strays();
        }
        self.next.push(look);
        if self.next.len() >= LEAST_LOOKS {
            self.close();
            self.now = std::mem::take(&mut self.next);
        }
    }

    fn leave_strays(&mut self) {
        self.strays += self
            .next
            .iter()
            .filter(|(_, shift)| is_clear(shift))
            .count();
        self.next.clear();
    }

    fn close(&mut self) {
        let (Some(first), Some(last)) = (self.now.first(), self.now.last()) else {
            return;
        };
        self.stands.push(Stand {
            from_s: first.0,
            to_s: last.0,
            looks: self.now.len(),
            shift: level(&self.now),
        });
        self.now.clear();
    }

    fn finish(mut self, looks: usize) -> Standing {
        self.close();
        if self.next.len() >= LEAST_LAST_LOOKS || self.stands.is_empty() {
            self.now = std::mem::take(&mut self.next);
            self.close();
        } else {
            self.leave_strays();
        }
        let stands = joined(self.stands);
        let in_short: usize = stands
            .iter()
            .filter(|stand| stand.looks < SHORT_LOOKS && is_clear(&stand.shift))
            .map(|stand| stand.looks)
            .sum();
        let astray = self.strays + if stands.len() > 2 { in_short } else { 0 };
        Standing {
            restless: astray >= RESTLESS_LOOKS && astray as f64 > RESTLESS_SHARE * looks as f64,
            stands,
            looks,
            strays: self.strays,
        }
    }
}

/// Leaves out stretches of which the background says nothing where it speaks again later, and joins what they parted.
fn joined(stands: Vec<Stand>) -> Vec<Stand> {
    let last_clear = stands
        .iter()
        .rposition(|stand| is_clear(&stand.shift))
        .unwrap_or(0);
    let mut joined: Vec<Stand> = Vec::new();
    for (at, stand) in stands.into_iter().enumerate() {
        if at < last_clear && !is_clear(&stand.shift) {
            continue;
        }
        match joined.last_mut() {
            Some(before) if same(&before.shift, &stand.shift) => {
                before.to_s = stand.to_s;
                before.looks += stand.looks;
            }
            _ => joined.push(stand),
        }
    }
    joined
}

impl Standing {
    /// What is known of the camera from `from_s` to `to_s` (s, camera clock).
    pub fn during(&self, from_s: f64, to_s: f64) -> Held {
        if self.restless {
            return Held::Restless;
        }
        let Some(first) = self.stands.first() else {
            return Held::Unseen;
        };
        // The stand that began last before the stretch; it must last to its end.
        let at = self
            .stands
            .iter()
            .rposition(|stand| stand.from_s <= from_s)
            .unwrap_or(0);
        let stand = self.stands.get(at).unwrap_or(first);
        match self.stands.get(at + 1) {
            Some(next) if stand.to_s < to_s => Held::MovedWithin(stand.to_s, next.from_s),
            _ => Held::Still(stand.shift),
        }
    }

    /// The first stand, with its number, in which the camera stands otherwise than at its reference.
    pub fn changed(&self) -> Option<(usize, &Stand)> {
        self.stands
            .iter()
            .enumerate()
            .find(|(_, stand)| stand.shift.verdict != CameraVerdict::Unmoved)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A look with a turn about y (deg) and a little noise of its own.
    fn look(number: u32, turn_deg: f64) -> (f64, BackgroundShift) {
        let noise_deg = 0.001 * (f64::from(number) * 1.7).sin();
        let shift = BackgroundShift {
            turn: [0.0, (turn_deg + noise_deg).to_radians(), 0.0],
            turn_sd_deg: 0.001,
            zoom: 0.0,
            zoom_sd: 2e-5,
            patches: (60, 55),
            rest_px: 0.05,
            verdict: CameraVerdict::Unmoved,
        };
        (0.5 * f64::from(number), shift.judged())
    }

    fn unclear(number: u32) -> (f64, BackgroundShift) {
        (0.5 * f64::from(number), BackgroundShift::unknown(3))
    }

    #[test]
    fn a_knock_parts_two_stands_and_a_shot_across_it_is_named() {
        let looks: Vec<_> = (0..40)
            .map(|n| look(n, if n < 20 { 0.0 } else { 0.02 }))
            .collect();
        let found = standing(&looks);
        assert_eq!(found.stands.len(), 2, "{found:?}");
        assert_eq!(found.stands[0].shift.verdict, CameraVerdict::Unmoved);
        assert_eq!(found.stands[1].shift.verdict, CameraVerdict::Moved);
        assert!((found.stands[1].from_s - 10.0).abs() < 1e-9);
        assert!(matches!(found.during(2.0, 8.0), Held::Still(shift) if shift.turn_deg() < 0.003));
        assert_eq!(found.during(8.0, 12.0), Held::MovedWithin(9.5, 10.0));
        assert!(matches!(found.during(11.0, 15.0), Held::Still(shift) if shift.turn_deg() > 0.018));
        assert!(!found.restless);
    }

    #[test]
    fn a_passer_by_is_no_knock() {
        let looks: Vec<_> = (0..40)
            .map(|n| match n {
                10..=12 => unclear(n),
                25 => look(n, 0.4),
                _ => look(n, 0.0),
            })
            .collect();
        let found = standing(&looks);
        assert_eq!(found.stands.len(), 1, "{found:?}");
        assert_eq!((found.strays, found.changed()), (1, None));
    }

    #[test]
    fn a_background_that_is_lost_for_good_is_named() {
        let looks: Vec<_> = (0..40)
            .map(|n| if n < 20 { look(n, 0.0) } else { unclear(n) })
            .collect();
        let found = standing(&looks);
        let (_, lost) = found.changed().unwrap();
        assert_eq!(
            (lost.from_s, lost.shift.verdict),
            (10.0, CameraVerdict::Unclear)
        );
    }

    #[test]
    fn a_picture_that_never_rests_is_restless_and_one_knocked_thrice_is_not() {
        // Stabilisation that follows what moves in the picture.
        let drifting: Vec<_> = (0..60)
            .map(|n| {
                look(
                    n,
                    0.1 * (f64::from(n) * 0.9).sin() + 0.05 * (f64::from(n) * 2.3).cos(),
                )
            })
            .collect();
        assert!(standing(&drifting).restless, "{:?}", standing(&drifting));
        let knocked: Vec<_> = (0..60).map(|n| look(n, 0.1 * f64::from(n / 15))).collect();
        let found = standing(&knocked);
        assert!(!found.restless && found.stands.len() == 4, "{found:?}");
    }
}
