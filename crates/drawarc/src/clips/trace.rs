//! The elbow's trace over a picture: it grows with time, and a fault is marked as on the page.

use crate::clips::canvas::{ACCENT, Canvas, DARK, LIGHT};
use crate::clips::emblem;
use crate::clips::ink::{Mask, Spot};
use drawarc_report::page::Mark;

/// The elbow in the picture.
#[derive(Debug, Clone, Copy)]
pub(crate) struct TracePoint {
    /// Range time (s).
    pub(crate) time_s: f64,
    /// On the canvas.
    pub(crate) spot: Spot,
    /// So much later than the frame's time the elbow's row was exposed (s).
    pub(crate) row_delay_s: f64,
    /// Fewer than two cameras saw the marker.
    pub(crate) in_gap: bool,
}

/// A trace that is drawn frame by frame, forward in time.
#[derive(Debug)]
pub(crate) struct Trace {
    points: Vec<TracePoint>,
    faults: Vec<(Mark, f64, f64)>,
    /// Points drawn so far.
    drawn: usize,
    halo: Mask,
    line: Mask,
    fault: Mask,
    dot: Mask,
    radius_px: f64,
}

impl Trace {
    /// A trace on a canvas of so many pixels; `picture_px` is the width of the picture on it.
    pub(crate) fn new(
        points: Vec<TracePoint>,
        faults: Vec<(Mark, f64, f64)>,
        (width, height): (usize, usize),
        picture_px: usize,
    ) -> Self {
        Self {
            points,
            faults,
            drawn: 0,
            halo: Mask::new(width, height),
            line: Mask::new(width, height),
            fault: Mask::new(width, height),
            dot: Mask::new(width, height),
            radius_px: (picture_px as f64 / 480.0).clamp(1.0, 3.0),
        }
    }

    /// Draws the way up to the frame of a time (range time, s) and the elbow itself.
    pub(crate) fn draw(&mut self, canvas: &mut Canvas, frame_s: f64) {
        let delay_s = self.at(frame_s).map_or(0.0, |now| now.row_delay_s);
        let time_s = frame_s + delay_s;
        while let Some(next) = self.points.get(self.drawn) {
            if next.time_s > time_s {
                break;
            }
            if let Some(before) = self.drawn.checked_sub(1).map(|before| self.points[before]) {
                self.add(before, *next);
            }
            self.drawn += 1;
        }
        canvas.lay(&self.halo, DARK);
        canvas.lay(&self.line, LIGHT);
        canvas.lay(&self.fault, ACCENT);
        let Some(now) = self.at(time_s) else { return };
        let inside = self.fault_at(time_s).is_some();
        let ring = 4.0 * self.radius_px;
        self.dot.clear();
        self.dot.ring(now.spot, ring, 2.2 * self.radius_px);
        canvas.lay(&self.dot, DARK);
        self.dot.clear();
        self.dot.ring(now.spot, ring, 1.1 * self.radius_px);
        canvas.lay(&self.dot, if inside { ACCENT } else { LIGHT });
        self.marks(canvas, time_s);
    }

    /// The marks of the faults that have begun, above where they were.
    fn marks(&mut self, canvas: &mut Canvas, time_s: f64) {
        let size = 13.0 * self.radius_px;
        for (mark, from_s, to_s) in self.faults.clone() {
            if time_s < from_s {
                continue;
            }
            if let Some(place) = self.at(0.5 * (from_s + to_s)) {
                let corner = (
                    place.spot.0 - size / 2.0,
                    place.spot.1 - size - 8.0 * self.radius_px,
                );
                emblem::draw(canvas, &mut self.dot, mark, corner, size);
            }
        }
    }

    fn add(&mut self, from: TracePoint, to: TracePoint) {
        if from.in_gap || to.in_gap {
            return; // nobody saw it: no line is drawn
        }
        self.halo.line(from.spot, to.spot, 2.1 * self.radius_px);
        self.line.line(from.spot, to.spot, self.radius_px);
        if self.fault_at(0.5 * (from.time_s + to.time_s)).is_some() {
            self.fault.line(from.spot, to.spot, 1.7 * self.radius_px);
        }
    }

    fn fault_at(&self, time_s: f64) -> Option<Mark> {
        self.faults
            .iter()
            .find(|(_, from_s, to_s)| (*from_s..=*to_s).contains(&time_s))
            .map(|fault| fault.0)
    }

    /// The elbow at a time, on a straight line between the points beside it.
    pub(crate) fn at(&self, time_s: f64) -> Option<TracePoint> {
        let after = self.points.partition_point(|point| point.time_s < time_s);
        let next = *self.points.get(after)?;
        let Some(before) = after.checked_sub(1).map(|before| self.points[before]) else {
            return (next.time_s <= time_s).then_some(next);
        };
        let share = (time_s - before.time_s) / (next.time_s - before.time_s);
        let mix = |a: f64, b: f64| a + share * (b - a);
        Some(TracePoint {
            time_s,
            spot: (
                mix(before.spot.0, next.spot.0),
                mix(before.spot.1, next.spot.1),
            ),
            row_delay_s: mix(before.row_delay_s, next.row_delay_s),
            in_gap: before.in_gap || next.in_gap,
        })
    }
}
