//! Which of the followed patches are measured in a frame, and which wait for their turn.

use super::Follower;
use crate::trail::Trail;
use nalgebra::Point2;

/// Who was not found for so long (s) misses the turn.
const RECENT_S: f64 = 0.04;
/// What rests has its turn in one frame of so many only.
const REST_EVERY: u64 = 4;
/// A patch at rest that is this far from where it was last is measured at once (px).
const RESTING_PX: f64 = 1.5;
/// As many patches as there are markers have outlines this good; what is so much worse takes turns: factor and margin on
/// [`Trail::unlike`]. A ball on rendered film stays below 0.12, sleeves, hands and fletchings are about 0.4.
const MUCH_LESS_ALIKE: (f64, f64) = (2.0, 0.15);

impl Follower {
    /// How unlike an outline a patch of a class may be that is measured in every frame: what is much worse than as many others
    /// as there are markers is not one of them, whatever the light and the film make of outlines.
    pub(super) fn unlike_at_most(&self, class: usize, camera_s: f64) -> f64 {
        let range = self.settings.radius_px[class];
        let mut all: Vec<f64> = self
            .live
            .iter()
            .filter(|trail| trail.class == class && camera_s - trail.last().camera_s < RECENT_S)
            .filter(|trail| !trail.is_doubtful(range) && !trail.rests(self.stretch_s.0))
            .filter_map(Trail::unlike)
            .collect();
        all.sort_by(f64::total_cmp);
        let markers = self.classes[class].members.len();
        let (factor, margin) = MUCH_LESS_ALIKE;
        all.get(markers - 1)
            .map_or(f64::INFINITY, |worst| factor * worst + margin)
    }

    /// What rests on a wall, or is no marker by all that was seen of it, is measured in turns, one in a frame. What
    /// moves off its resting place is measured at once.
    pub(super) fn takes_turns(&self, trail: usize, place: &[f64; 2]) -> bool {
        self.is_much_less_alike(trail) || self.stays(trail, place)
    }

    /// Has no turn in this frame, whoever else has: it rests, and the frame is not one of those for what rests.
    pub(super) fn pauses(&self, trail: usize, place: &[f64; 2], frame_index: u64) -> bool {
        !frame_index.is_multiple_of(REST_EVERY)
            && self.stays(trail, place)
            && !self.is_much_less_alike(trail)
    }

    fn is_much_less_alike(&self, trail: usize) -> bool {
        let trail = &self.live[trail];
        trail.is_doubtful(self.settings.radius_px[trail.class])
            || trail
                .unlike()
                .is_some_and(|unlike| unlike > self.unlike[trail.class])
    }

    /// Rests, and has not moved off by now.
    fn stays(&self, trail: usize, place: &[f64; 2]) -> bool {
        let trail = &self.live[trail];
        let moved = (trail.last().patch_px - Point2::from(*place)).norm();
        self.settings.rest && moved < RESTING_PX && trail.rests(self.stretch_s.0)
    }

    /// Of what takes turns, something else has waited longer.
    pub(super) fn is_fresher(&self, trail: usize, frame_index: u64) -> bool {
        let measured_s = |index: usize| {
            let points = &self.live[index].points;
            points.iter().rev().find(|p| !p.skipped).map(|p| p.camera_s)
        };
        let own = measured_s(trail);
        let place = |index: usize| -> [f64; 2] { self.live[index].last().patch_px.coords.into() };
        (0..self.live.len()).any(|other| {
            other != trail
                && self.live[other].class == self.live[trail].class
                && self.stretch_s.1 - self.live[other].last().camera_s < RECENT_S
                && self.takes_turns(other, &place(other))
                && !self.pauses(other, &place(other), frame_index)
                && measured_s(other) < own
        })
    }
}
