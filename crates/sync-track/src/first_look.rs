//! Where in a long recording full work is worth doing: around sudden sounds, and where something of the marker's colour moved.
//!
//! A shot is a movement: raise, draw, release and lowering each carry the elbow farther than a decimetre. So it is enough to see,
//! once or twice a second and from two sides, whether the marker is where it was a moment ago. Nobody on the line, or an archer
//! who waits with the arm hanging, is no shot; all else is looked at in full. One view alone would not do: patches of the
//! marker's colour come and go in leaves, flags and faces, but those of two views seldom lie on one line of sight.

use crate::track_settings::ChoiceSettings;
use crate::view::meet;
use crate::{SoundEvent, Windows};
use drawarc_rig::{Camera, ClockModel, Rig};
use nalgebra::{Point2, Point3};
use serde::{Deserialize, Serialize};

/// How much of the film is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FirstLookSettings {
    /// Before a sudden sound (s): raise, set-up, draw, anchor and a long hold.
    pub before_s: f64,
    /// After it (s): follow-through.
    pub after_s: f64,
    /// Before and after a movement (s): what comes in between two looks, and the path's own margins.
    pub margin_s: f64,
    /// Two movements this close (s), margins apart, belong together: between them someone may be holding at full draw. A shot clock of 20 s in
    /// alternate shooting leaves nobody longer, with raise and draw.
    pub hold_s: f64,
    /// Where the archer may be.
    pub choice: ChoiceSettings,
}

impl Default for FirstLookSettings {
    fn default() -> Self {
        Self {
            before_s: 8.0,
            after_s: 2.5,
            margin_s: 2.0,
            hold_s: 15.0,
            choice: ChoiceSettings::default(),
        }
    }
}

/// What one picture showed at a glance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Glance {
    /// When (s, camera clock).
    pub camera_s: f64,
    /// Centres of the patches that may be a marker (luma px).
    pub patches_px: Vec<Point2<f64>>,
}

/// Who moves the elbow by less than this (m) in [`APART_S`] neither raises, nor draws, nor lets go: a draw is 0.2 m and more and is
/// over within 3 s (common practice, no source).
const MOVED_M: f64 = 0.06;
/// Looks this far apart (s) are compared.
const APART_S: f64 = 1.5;
/// Where nobody looked for so long (s), a shot could have passed.
const BLIND_S: f64 = 3.0;
/// Pictures of two cameras up to this far apart (s) are laid together: what moves meanwhile misses itself, and has moved.
const TOGETHER_S: f64 = 1.0;
/// Rays of one marker miss each other by less than this (m): a patch's centre on the grid of chroma and a breath's sway.
const MISS_M: f64 = 0.03;

/// Where markers may have been when one camera looked (range s, m).
struct Look {
    range_s: f64,
    places: Vec<Point3<f64>>,
}

/// What a first look saw of the markers (range time, s).
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Moves {
    /// In which a marker moved, appeared or went, or too few pictures could be looked at to tell; in order, with margins, close ones
    /// merged.
    pub stretches: Windows,
    /// When a marker was seen, moving or not; in order.
    pub seen_s: Vec<f64>,
}

/// Fewer looks at a marker around a sudden sound do not show that it was somebody else's.
const LEAST_LOOKS: usize = 3;

impl Moves {
    /// Where full work is worth doing: where something moved, and around sudden sounds (each from, to), but for those through which
    /// a marker was seen to rest: on a line others shoot, too.
    pub fn with_sounds(&self, around: &[(f64, f64)]) -> Windows {
        let is_ours = |&&(from, to): &&(f64, f64)| {
            let moved = self.stretches.iter().any(|s| s.0 < to && s.1 > from);
            let first = self.seen_s.partition_point(|&seen| seen < from);
            let seen = self.seen_s[first..].iter().take_while(|&&seen| seen < to);
            moved || seen.count() < LEAST_LOOKS
        };
        let ours = around.iter().filter(is_ours).copied();
        merged(self.stretches.iter().copied().chain(ours).collect(), 0.0)
    }
}

/// Where something moved. `glances` are each camera's key frames in order of time, `None` for a camera whose clock
/// is not known; `spans` are what could be measured of each (range s). Nothing where fewer than two cameras looked: then nobody can
/// tell.
pub fn moving(
    rig: &Rig,
    glances: &[Option<Vec<Glance>>],
    clocks: &[ClockModel],
    spans: &[(f64, f64)],
    settings: &FirstLookSettings,
) -> Option<Moves> {
    let able: Vec<usize> = (0..glances.len())
        .filter(|&camera| glances[camera].is_some())
        .collect();
    let mut stretches = Windows::new();
    let mut seen_s = Vec::new();
    for (at, &first) in able.iter().enumerate() {
        for &second in &able[at + 1..] {
            let seen = |camera: usize| glances[camera].as_deref().unwrap_or_default();
            let ends = [first, second].map(|camera| (&rig.cameras[camera], &clocks[camera]));
            let looks = looks((ends[0], seen(first)), (ends[1], seen(second)), settings);
            let both = (
                spans[first].0.max(spans[second].0),
                spans[first].1.min(spans[second].1),
            );
            let wider = movements(&looks, both).into_iter().map(|(from, to)| {
                let margin_s = settings.margin_s;
                ((from - margin_s).max(both.0), (to + margin_s).min(both.1))
            });
            stretches.extend(wider);
            let with_marker = looks.iter().filter(|look| !look.places.is_empty());
            seen_s.extend(with_marker.map(|look| look.range_s));
        }
    }
    seen_s.sort_by(f64::total_cmp);
    seen_s.dedup();
    (able.len() > 1).then(|| Moves {
        stretches: merged(stretches, settings.hold_s),
        seen_s,
    })
}

type Seen<'a> = ((&'a Camera, &'a ClockModel), &'a [Glance]);

/// What two cameras saw together, at the instants of the first.
fn looks(first: Seen<'_>, second: Seen<'_>, settings: &FirstLookSettings) -> Vec<Look> {
    let ((one, clock), glances) = first;
    let ((other, other_clock), others) = second;
    let centres = (one.centre_in_range(), other.centre_in_range());
    let choice = &settings.choice;
    let mut looks = Vec::new();
    for glance in glances {
        let range_s = clock.range_from_camera(glance.camera_s);
        let camera_s = other_clock.camera_from_range(range_s);
        let after = others.partition_point(|other| other.camera_s < camera_s);
        let near = others[after.saturating_sub(1)..(after + 1).min(others.len())]
            .iter()
            .min_by(|p, q| {
                let apart = |glance: &Glance| (glance.camera_s - camera_s).abs();
                apart(p).total_cmp(&apart(q))
            });
        let Some(near) = near.filter(|near| (near.camera_s - camera_s).abs() <= TOGETHER_S) else {
            continue;
        };
        let mut places = Vec::new();
        for patch in &glance.patches_px {
            let Some(ray) = one.ray_in_range(patch) else {
                continue;
            };
            let met = near.patches_px.iter().filter_map(|patch| {
                let meeting = meet(
                    (&centres.0, &ray),
                    (&centres.1, &other.ray_in_range(patch)?),
                )?;
                let place = meeting.point_in_range;
                let near_archer = (place - choice.archer_place).norm() < choice.archer_reach_m;
                (meeting.apart_m < MISS_M && near_archer).then_some(place)
            });
            places.extend(met);
        }
        looks.push(Look { range_s, places });
    }
    looks
}

/// Stretches between looks that differ, and those without looks.
fn movements(looks: &[Look], span: (f64, f64)) -> Windows {
    let mut stretches = Windows::new();
    let mut reference = 0;
    let mut before_s = span.0;
    for (at, look) in looks.iter().enumerate() {
        if look.range_s - before_s > BLIND_S {
            stretches.push((before_s, look.range_s));
        }
        before_s = look.range_s;
        while reference + 1 < at && look.range_s - looks[reference + 1].range_s >= APART_S {
            reference += 1;
        }
        let earlier = &looks[reference];
        if reference < at && differ(&earlier.places, &look.places) {
            stretches.push((earlier.range_s, look.range_s));
        }
    }
    if span.1 - before_s > BLIND_S {
        stretches.push((before_s, span.1));
    }
    stretches
}

/// Whether a place of one look has no counterpart in the other.
fn differ(before: &[Point3<f64>], after: &[Point3<f64>]) -> bool {
    let lacks = |some: &[Point3<f64>], others: &[Point3<f64>]| {
        some.iter()
            .any(|place| others.iter().all(|other| (place - other).norm() > MOVED_M))
    };
    lacks(before, after) || lacks(after, before)
}

/// Stretches of range time around sudden sounds, one each; `events` are pairs of an event with the clock of the camera that heard it.
pub fn around_sounds(
    events: &[(SoundEvent, &ClockModel)],
    settings: &FirstLookSettings,
) -> Windows {
    let around = events.iter().map(|(event, heard_by)| {
        let range_s = heard_by.range_from_camera(event.camera_s);
        (range_s - settings.before_s, range_s + settings.after_s)
    });
    around.collect()
}

/// Stretches in order, those that are no farther apart than `gap_s` made one.
pub fn merged(mut stretches: Windows, gap_s: f64) -> Windows {
    stretches.retain(|(from, to)| to > from);
    stretches.sort_by(|p, q| p.0.total_cmp(&q.0));
    let mut merged = Windows::new();
    for (from, to) in stretches {
        match merged.last_mut() {
            Some(last) if from <= last.1 + gap_s => last.1 = last.1.max(to),
            _ => merged.push((from, to)),
        }
    }
    merged
}
