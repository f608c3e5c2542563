//! Small drawings that need no script: the way of the elbow in the list of shots, the dots of a series.

use std::fmt::Write as _;

use super::{
    card::{BandCurve, ShotCard},
    practice::SeriesRow,
};

/// Size of a sketch in its own units; the page scales it.
const SKETCH_WIDTH: f64 = 300.0;
const SKETCH_HEIGHT: f64 = 64.0;
const EDGE: f64 = 5.0;
/// Where the enlarged part begins.
const SPLIT: f64 = 140.0;
/// A part of a sketch spans at least this much, mm, so that tremor does not look like a fault.
const LEAST_SPAN_MM: f64 = 12.0;
/// A sketch shows a little of what comes before set-up ends, s.
const LEAD_IN_S: f64 = 0.3;
/// Points of a sketch at most.
const MAX_POINTS: usize = 160;

/// The `away` curve with its faults, as SVG; empty where there is no curve. The left part shows the draw;
/// the right part shows anchor to release on a scale of its own, else nothing would be seen there.
pub(super) fn shot_sketch(card: &ShotCard) -> String {
    let times = &card.curves.time_s;
    let (Some(&first_s), Some(&last_s)) = (times.first(), times.last()) else {
        return String::new();
    };
    let start_s = card
        .set_up_s
        .map_or(first_s, |time| (time - LEAD_IN_S).max(first_s));
    let end_s = card.release_s.unwrap_or(last_s).min(last_s);
    let mut svg = open_svg(SKETCH_WIDTH, SKETCH_HEIGHT, "sketch");
    match card.anchor_s {
        Some(anchor_s) if anchor_s > start_s && anchor_s < end_s => {
            let _ = write!(
                svg,
                "<rect class=\"tint\" x=\"{SPLIT}\" y=\"0\" width=\"{}\" height=\"{SKETCH_HEIGHT}\"/>",
                SKETCH_WIDTH - SPLIT
            );
            panel(&mut svg, card, (start_s, anchor_s), (0.0, SPLIT));
            panel(&mut svg, card, (anchor_s, end_s), (SPLIT, SKETCH_WIDTH));
        }
        _ => panel(&mut svg, card, (start_s, end_s), (0.0, SKETCH_WIDTH)),
    }
    svg.push_str("</svg>");
    svg
}

/// One part of a sketch: the curve between two instants, between two columns.
fn panel(svg: &mut String, card: &ShotCard, span_s: (f64, f64), columns: (f64, f64)) {
    let curves = &card.curves;
    let points = within(&curves.time_s, &curves.away_mm, span_s.0, span_s.1);
    let Some(axes) = Axes::around(&points, span_s, columns) else {
        return;
    };
    let _ = write!(
        svg,
        "<polyline class=\"way\" points=\"{}\"/>",
        axes.polyline(&points)
    );
    for fault in &card.faults {
        let (from_s, to_s) = (fault.start_s.max(span_s.0), fault.end_s.min(span_s.1));
        let inside = within(&curves.time_s, &curves.away_mm, from_s, to_s);
        let _ = write!(
            svg,
            "<polyline class=\"fault\" points=\"{}\"/>",
            axes.polyline(&inside)
        );
        // The mark stands where the middle of the fault is, clear of the curve.
        let middle_s = fault.start_s.midpoint(fault.end_s);
        let at_middle = inside.iter().find(|point| point.0 >= middle_s);
        if let Some(&(time_s, value)) = at_middle.filter(|_| middle_s >= span_s.0) {
            let x = axes.x(time_s).clamp(12.0, SKETCH_WIDTH - 12.0) - 10.0;
            let y = axes.y(value);
            let y = if y > SKETCH_HEIGHT / 2.0 {
                y - 27.0
            } else {
                y + 7.0
            };
            let key = fault.mark.key();
            let _ = write!(
                svg,
                "<use href=\"#mark-{key}\" x=\"{x:.1}\" y=\"{y:.1}\" width=\"20\" height=\"20\"/>"
            );
        }
    }
}

/// The values of a series row as dots with interval bars, in the order of the shots.
pub(super) fn series_sketch(row: &SeriesRow, numbers: &[usize]) -> String {
    let known = row.values.iter().flatten();
    let low = known
        .clone()
        .map(|(value, half)| value - half)
        .fold(f64::INFINITY, f64::min);
    let high = known
        .map(|(value, half)| value + half)
        .fold(f64::NEG_INFINITY, f64::max);
    if !(low.is_finite() && high.is_finite()) {
        return String::new();
    }
    let (width, height) = (30.0 * row.values.len() as f64 + 10.0, 56.0);
    let span = (high - low).max(1e-6);
    let y = |value: f64| 4.0 + (high - value) / span * (height - 20.0);
    let mut svg = open_svg(width, height, "dots");
    for (index, value) in row.values.iter().enumerate() {
        let x = 20.0 + 30.0 * index as f64;
        if let Some((value, half)) = value {
            let (top, bottom, middle) = (y(value + half), y(value - half), y(*value));
            let _ = write!(
                svg,
                "<path d=\"M{x:.0} {top:.1}V{bottom:.1}\"/><circle cx=\"{x:.0}\" cy=\"{middle:.1}\" r=\"4\"/>"
            );
        }
        if let Some(number) = numbers.get(index) {
            let _ = write!(
                svg,
                "<text x=\"{x:.0}\" y=\"{:.0}\">{number}</text>",
                height - 1.0
            );
        }
    }
    svg.push_str("</svg>");
    svg
}

fn open_svg(width: f64, height: f64, class: &str) -> String {
    format!("<svg class=\"{class}\" viewBox=\"0 0 {width} {height}\" aria-hidden=\"true\">")
}

/// Samples of a curve between two instants.
fn within(time_s: &[f64], curve: &BandCurve, start_s: f64, end_s: f64) -> Vec<(f64, f64)> {
    let inside: Vec<(f64, f64)> = time_s
        .iter()
        .copied()
        .zip(curve.value.iter().copied())
        .filter(|(time, value)| (start_s..=end_s).contains(time) && value.is_finite())
        .collect();
    let step = inside.len().div_ceil(MAX_POINTS).max(1);
    inside.into_iter().step_by(step).collect()
}

/// The scales of a part of a sketch.
struct Axes {
    span_s: (f64, f64),
    columns: (f64, f64),
    low: f64,
    high: f64,
}

impl Axes {
    fn around(points: &[(f64, f64)], span_s: (f64, f64), columns: (f64, f64)) -> Option<Self> {
        let low = points
            .iter()
            .map(|point| point.1)
            .fold(f64::INFINITY, f64::min);
        let high = points
            .iter()
            .map(|point| point.1)
            .fold(f64::NEG_INFINITY, f64::max);
        let room = ((LEAST_SPAN_MM - (high - low)) / 2.0).max(0.0);
        (low.is_finite() && high.is_finite() && span_s.1 > span_s.0).then_some(Self {
            span_s,
            columns,
            low: low - room,
            high: high + room,
        })
    }

    fn x(&self, time_s: f64) -> f64 {
        let share = (time_s - self.span_s.0) / (self.span_s.1 - self.span_s.0);
        self.columns.0 + EDGE + share * (self.columns.1 - self.columns.0 - 2.0 * EDGE)
    }

    fn y(&self, value: f64) -> f64 {
        EDGE + (self.high - value) / (self.high - self.low) * (SKETCH_HEIGHT - 2.0 * EDGE)
    }

    fn polyline(&self, points: &[(f64, f64)]) -> String {
        let mut text = String::new();
        for (time_s, value) in points {
            let _ = write!(text, "{:.1},{:.1} ", self.x(*time_s), self.y(*value));
        }
        text
    }
}
