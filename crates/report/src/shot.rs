//! One shot on its grid: everything that the rules look at.

use crate::ReportSettings;
use crate::arrow_line::ArrowLine;
use crate::boundaries::Boundaries;
use crate::context::ShotContext;
use crate::coordinates::{Coordinates, Forearm};
use crate::motion::Motion;
use crate::sentences::Sentences;
use crate::sheet::Phase;
use crate::sway::SwaySize;
use crate::track::Track;
use crate::{Measure, Reading};
use drawarc_triangulation::PathSamples;

/// Further markers on the same grid as the elbow, where they were seen throughout draw and hold.
#[derive(Debug, Clone, Default)]
pub(crate) struct Companions {
    pub(crate) bow_hand: Option<Track>,
    pub(crate) string_hand: Option<Track>,
    pub(crate) nock: Option<Track>,
    pub(crate) arrow_rest: Option<Track>,
    pub(crate) draw_shoulder: Option<Track>,
}

/// One shot on its grid.
pub(crate) struct Shot<'a> {
    pub(crate) context: &'a ShotContext<'a>,
    pub(crate) settings: &'a ReportSettings,
    pub(crate) words: &'a Sentences,
    pub(crate) path: &'a PathSamples,
    pub(crate) track: Track,
    pub(crate) mean: Motion,
    pub(crate) draws: Vec<Motion>,
    pub(crate) boundaries: Boundaries,
    pub(crate) companions: Companions,
    pub(crate) line: ArrowLine,
    pub(crate) forearm: Forearm,
    pub(crate) coordinates: Coordinates,
    pub(crate) sway: SwaySize,
}

impl Shot<'_> {
    /// Index (with fraction) of an instant.
    pub(crate) fn index(&self, time_s: f64) -> f64 {
        ((time_s - self.track.start_s) / self.track.step_s)
            .clamp(0.0, self.track.len().saturating_sub(1) as f64)
    }

    /// Indices between two instants that lie in no gap.
    pub(crate) fn indices(&self, from_s: f64, to_s: f64) -> Vec<usize> {
        let from = self.index(from_s).ceil() as usize;
        let to = self.index(to_s).floor() as usize;
        (from..=to).filter(|&i| !self.track.in_gap[i]).collect()
    }

    /// Longest gap (s) between two instants with its start, if there is one.
    pub(crate) fn gap(&self, from_s: f64, to_s: f64) -> Option<(f64, f64)> {
        let (from, to) = (self.index(from_s) as usize, self.index(to_s) as usize);
        let mut longest: Option<(usize, usize)> = None;
        let mut start = None;
        for i in from..=to + 1 {
            let gone = i <= to && self.track.in_gap[i];
            match (start, gone) {
                (None, true) => start = Some(i),
                (Some(s), false) => {
                    if longest.is_none_or(|(_, length)| i - s > length) {
                        longest = Some((s, i - s));
                    }
                    start = None;
                }
                _ => {}
            }
        }
        longest.map(|(s, length)| (self.track.time_s(s), length as f64 * self.track.step_s))
    }

    /// From the end of the raise to anchor: where the elbow must not stop.
    pub(crate) fn draw_up_s(&self) -> (f64, f64) {
        let start = self
            .boundaries
            .start_s(Phase::SetUp)
            .or_else(|| self.boundaries.start_s(Phase::Draw))
            .unwrap_or(self.track.start_s);
        (start, self.anchor_s())
    }

    /// Start of anchor (s).
    pub(crate) fn anchor_s(&self) -> f64 {
        self.boundaries
            .start_s(Phase::Anchor)
            .unwrap_or_else(|| self.hold_end_s())
    }

    /// Release, or beginning of letting down (s).
    pub(crate) fn hold_end_s(&self) -> f64 {
        self.boundaries.hold_end().time_s
    }

    /// A figure from its best estimate and the same on every draw: the draws' scatter about their own mean is put
    /// around the estimate. `factor` turns SI into the unit of the reading.
    pub(crate) fn reading(
        &self,
        value: f64,
        each: impl Iterator<Item = f64>,
        factor: f64,
        span_s: (f64, f64),
    ) -> Reading {
        Reading::Measured(self.measure(value, each, factor, span_s))
    }

    /// As [`Self::reading`], the bare measure.
    pub(crate) fn measure(
        &self,
        value: f64,
        each: impl Iterator<Item = f64>,
        factor: f64,
        span_s: (f64, f64),
    ) -> Measure {
        let mut errors: Vec<f64> = each.collect();
        let centre = errors.iter().sum::<f64>() / errors.len().max(1) as f64;
        for error in &mut errors {
            *error -= centre;
        }
        errors.sort_by(f64::total_cmp);
        Measure::new(
            factor * value,
            factor * (value + crate::reversal::quantile(&errors, 0.025)),
            factor * (value + crate::reversal::quantile(&errors, 0.975)),
            self.track.cameras_between(span_s.0, span_s.1),
        )
    }
}

/// Value of evenly spaced samples at a fractional index.
pub(crate) fn at(values: &[f64], index: f64) -> f64 {
    let index = index.clamp(0.0, values.len().saturating_sub(1) as f64);
    let below = index.floor() as usize;
    let above = (below + 1).min(values.len() - 1);
    values[below] + (index - below as f64) * (values[above] - values[below])
}
