//! Figures of a study as SVG text: difference against mean, and the dial.

use super::cell::{AgreementCell, Trust};
use super::pairs::Angle;
use super::study::AgreementStudy;
use super::track::StudyMeasure;
use crate::forecast::escape;
use crate::statistics::Interval;
use std::fmt::Write;

/// Size of a plot (px).
const SIZE: (f64, f64) = (640.0, 420.0);
/// Borders: left, right, top, bottom (px).
const BORDERS: (f64, f64, f64, f64) = (70.0, 120.0, 56.0, 52.0);
/// Colours of archers, told apart by most colour-blind people; beyond eight they repeat with another shape.
const COLOURS: [&str; 8] = [
    "#2a78d6", "#e07b00", "#1b7f5c", "#b8433a", "#7a5cc4", "#8a6d3b", "#d14f9a", "#5b6770",
];

/// Linear scale from values to pixels.
struct Scale {
    from: f64,
    to: f64,
    low_px: f64,
    high_px: f64,
}

impl Scale {
    fn around(values: impl Iterator<Item = f64>, low_px: f64, high_px: f64) -> Self {
        let (low, high) = values
            .filter(|v| v.is_finite())
            .fold((f64::MAX, f64::MIN), |(a, b), v| (a.min(v), b.max(v)));
        let (low, high) = if low > high { (-1.0, 1.0) } else { (low, high) };
        let room = 0.06 * (high - low).max(1e-9 + 1e-6 * high.abs());
        Self {
            from: low - room,
            to: high + room,
            low_px,
            high_px,
        }
    }

    fn at(&self, value: f64) -> f64 {
        self.low_px + (value - self.from) / (self.to - self.from) * (self.high_px - self.low_px)
    }

    /// Round numbers within the scale.
    fn ticks(&self) -> Vec<f64> {
        let rough = (self.to - self.from) / 6.0;
        let power = 10f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0]
            .iter()
            .map(|factor| factor * power)
            .find(|step| *step >= rough)
            .unwrap_or(10.0 * power);
        let first = (self.from / step).ceil();
        let mut ticks = Vec::new();
        let mut k = 0.0;
        while (first + k) * step <= self.to {
            ticks.push((first + k) * step);
            k += 1.0;
        }
        ticks
    }
}

/// A number without needless digits; −0 is 0.
fn short(value: f64) -> String {
    let rounded = (value * 100.0).round() / 100.0 + 0.0;
    format!("{rounded}")
}

fn open(width: f64, height: f64) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width:.0} {height:.0}\" width=\"{width:.0}\" height=\"{height:.0}\" font-family=\"sans-serif\" font-size=\"12\"><rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>"
    )
}

fn text(svg: &mut String, (x, y): (f64, f64), anchor: &str, words: &str) {
    // Writing to a String cannot fail.
    let _ = write!(
        svg,
        "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\" fill=\"#222\">{}</text>",
        escape(words)
    );
}

impl AgreementStudy {
    /// Difference against mean (Bland & Altman) of one camera, estimate and measure: one point a shot, coloured by archer; bias and
    /// limits with the bands of their intervals. None where there are no pairs.
    pub fn difference_plot(
        &self,
        camera: &str,
        estimate: &str,
        measure: StudyMeasure,
    ) -> Option<String> {
        let cell = self.cell(camera, estimate, measure)?;
        let points: Vec<(f64, f64, &str)> = self
            .pairs
            .iter()
            .filter(|pair| {
                pair.camera == camera && pair.estimate == estimate && pair.measure == measure
            })
            .filter_map(|pair| {
                let (p, r) = (pair.planar?, pair.reference?);
                Some((0.5 * (p + r), p - r, pair.archer.as_str()))
            })
            .collect();
        if points.is_empty() {
            return None;
        }
        let lines = lines(cell);
        let (left, right, top, bottom) = BORDERS;
        let x = Scale::around(points.iter().map(|p| p.0), left, SIZE.0 - right);
        let all = points
            .iter()
            .map(|p| p.1)
            .chain(lines.iter().map(|line| line.1))
            .chain([0.0]);
        let y = Scale::around(all, SIZE.1 - bottom, top);
        let mut svg = open(SIZE.0, SIZE.1);
        axes(&mut svg, &x, &y, measure);
        let last = SIZE.0 - right;
        for (name, value, band) in &lines {
            if let Some(band) = band {
                let (a, b) = (
                    y.at(band.high).max(top),
                    y.at(band.low).min(SIZE.1 - bottom),
                );
                let _ = write!(
                    svg,
                    "<rect x=\"{left:.1}\" y=\"{a:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"#2a78d6\" fill-opacity=\"0.12\"/>",
                    last - left,
                    (b - a).max(0.0)
                );
            }
            let at = y.at(*value);
            let dash = if *name == "bias" {
                ""
            } else {
                " stroke-dasharray=\"6 4\""
            };
            let _ = write!(
                svg,
                "<line x1=\"{left:.1}\" y1=\"{at:.1}\" x2=\"{last:.1}\" y2=\"{at:.1}\" stroke=\"#444\"{dash}/>"
            );
            text(
                &mut svg,
                (last + 6.0, at + 4.0),
                "start",
                &format!("{name} {}", short(*value)),
            );
        }
        let mut archers: Vec<&str> = points.iter().map(|p| p.2).collect();
        archers.sort_unstable();
        archers.dedup();
        for (mean, difference, archer) in &points {
            let index = archers
                .iter()
                .position(|known| known == archer)
                .unwrap_or(0);
            let (cx, cy) = (x.at(*mean), y.at(*difference));
            let colour = COLOURS[index % COLOURS.len()];
            let _ = if index < COLOURS.len() {
                write!(
                    svg,
                    "<circle cx=\"{cx:.1}\" cy=\"{cy:.1}\" r=\"3.5\" fill=\"{colour}\" fill-opacity=\"0.8\"/>"
                )
            } else {
                write!(
                    svg,
                    "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"7\" height=\"7\" fill=\"{colour}\" fill-opacity=\"0.8\"/>",
                    cx - 3.5,
                    cy - 3.5
                )
            };
        }
        text(
            &mut svg,
            (left, 20.0),
            "start",
            &format!(
                "{} · {} ({}) · {}",
                measure.words(),
                cell.camera,
                cell.angle,
                cell.estimate
            ),
        );
        text(
            &mut svg,
            (left, 38.0),
            "start",
            &format!(
                "{} shots, {} archers{}",
                cell.shots,
                cell.archers,
                self.caution(cell)
            ),
        );
        svg.push_str("</svg>");
        Some(svg)
    }

    fn caution(&self, cell: &AgreementCell) -> String {
        let simulated = self.statements.iter().any(|s| s.starts_with("Simulated"));
        let mut words = String::new();
        if simulated {
            words.push_str(" · simulated archers: no evidence about people");
        }
        if !cell.independent && !cell.is_virtual {
            words.push_str(" · not independent");
        }
        words
    }

    /// The dial: for one estimate, a ring for each measure and a sector for each camera at its place; overhead cameras stand
    /// beside. A sector holds the worst limit of agreement; its colour says how far it can be trusted.
    pub fn dial(&self, estimate: &str) -> String {
        let cells: Vec<&AgreementCell> = self
            .cells
            .iter()
            .filter(|cell| cell.estimate == estimate)
            .collect();
        let mut measures: Vec<StudyMeasure> = cells.iter().map(|cell| cell.measure).collect();
        measures.sort_unstable();
        measures.dedup();
        let mut hours: Vec<f64> = cells
            .iter()
            .filter_map(|cell| match cell.angle {
                Angle::Clock(hours) => Some(hours),
                Angle::Overhead => None,
            })
            .collect();
        hours.sort_by(f64::total_cmp);
        hours.dedup_by(|a, b| (*a - *b).abs() < 0.01);
        let gap = hours
            .windows(2)
            .map(|w| w[1] - w[0])
            .fold(1.0, f64::min)
            .max(0.25);
        let ring = 34.0;
        let inner = 60.0;
        let outer = inner + ring * measures.len() as f64;
        let (cx, cy) = (outer + 40.0, outer + 66.0);
        let width = 2.0 * outer + 470.0;
        let mut svg = open(width.max(760.0), 2.0 * outer + 110.0);
        text(
            &mut svg,
            (16.0, 22.0),
            "start",
            &format!("How far one camera can be trusted · estimate \"{estimate}\""),
        );
        for (index, measure) in measures.iter().enumerate() {
            let radius = outer - ring * index as f64;
            let _ = write!(
                svg,
                "<circle cx=\"{cx:.1}\" cy=\"{cy:.1}\" r=\"{radius:.1}\" fill=\"#fafafa\" stroke=\"#ddd\"/>"
            );
            for cell in cells.iter().filter(|cell| cell.measure == *measure) {
                if let Angle::Clock(hours) = cell.angle {
                    sector(
                        &mut svg,
                        (cx, cy),
                        (radius - ring, radius),
                        (hours, gap),
                        cell,
                    );
                }
            }
        }
        let _ = write!(
            svg,
            "<circle cx=\"{cx:.1}\" cy=\"{cy:.1}\" r=\"{inner:.1}\" fill=\"#fff\" stroke=\"#ddd\"/>"
        );
        text(&mut svg, (cx, cy + 4.0), "middle", "archer");
        for hour in 0..12 {
            let (sine, cosine) = (f64::from(hour) * 30.0).to_radians().sin_cos();
            let at = (
                cx + (outer + 16.0) * sine,
                cy - (outer + 16.0) * cosine + 4.0,
            );
            text(
                &mut svg,
                at,
                "middle",
                &(if hour == 0 { 12 } else { hour }).to_string(),
            );
        }
        self.legend(&mut svg, (cx + outer + 50.0, 66.0), &measures, &cells);
        svg.push_str("</svg>");
        svg
    }

    fn legend(
        &self,
        svg: &mut String,
        (x, top): (f64, f64),
        measures: &[StudyMeasure],
        cells: &[&AgreementCell],
    ) {
        let mut y = top;
        let mut line = |svg: &mut String, words: &str| {
            text(svg, (x, y), "start", words);
            y += 19.0;
        };
        line(svg, "rings from the outside in:");
        for (index, measure) in measures.iter().enumerate() {
            line(
                svg,
                &format!("{}. {} ({})", index + 1, measure.words(), measure.unit()),
            );
            for cell in cells
                .iter()
                .filter(|cell| cell.measure == *measure && cell.angle == Angle::Overhead)
            {
                line(
                    svg,
                    &format!(
                        "     overhead ({}): {}",
                        cell.camera,
                        worst(cell).map_or_else(
                            || "not measurable".to_owned(),
                            |v| format!("± {}", short1(v))
                        )
                    ),
                );
            }
        }
        line(svg, "");
        line(svg, "in each sector: the worst limit of agreement (±)");
        let tolerance = self.analysis.tolerance;
        for (trust, words) in [
            (Trust::Good, format!("within {}", short(tolerance))),
            (Trust::Coarse, format!("within {}", short(3.0 * tolerance))),
            (Trust::Poor, "beyond: it misleads".to_owned()),
            (Trust::None, "not measurable from there".to_owned()),
        ] {
            let _ = write!(
                svg,
                "<rect x=\"{x:.1}\" y=\"{:.1}\" width=\"14\" height=\"14\" fill=\"{}\"/>",
                y - 12.0,
                colour(trust)
            );
            text(svg, (x + 20.0, y), "start", &words);
            y += 19.0;
        }
        if self.statements.iter().any(|s| s.starts_with("Simulated")) {
            text(
                svg,
                (x, y + 8.0),
                "start",
                "simulated archers: no evidence about people",
            );
        }
    }
}

const fn colour(trust: Trust) -> &'static str {
    match trust {
        Trust::Good => "#7cc4a4",
        Trust::Coarse => "#f0cf73",
        Trust::Poor => "#e39a8f",
        Trust::None => "#d9d9d9",
    }
}

fn short1(value: f64) -> String {
    if value >= 9.95 {
        format!("{value:.0}")
    } else {
        format!("{value:.1}")
    }
}

fn worst(cell: &AgreementCell) -> Option<f64> {
    cell.limits()
        .map(|limits| limits.low.abs().max(limits.high.abs()))
}

/// A sector between two radii around an hour.
fn sector(
    svg: &mut String,
    (cx, cy): (f64, f64),
    (inner, outer): (f64, f64),
    (hours, width): (f64, f64),
    cell: &AgreementCell,
) {
    let at = |radius: f64, hour: f64| {
        let (sine, cosine) = (hour * 30.0).to_radians().sin_cos();
        (cx + radius * sine, cy - radius * cosine)
    };
    let (from, to) = (hours - 0.47 * width, hours + 0.47 * width);
    let [a, b, c, d] = [
        at(inner, from),
        at(outer, from),
        at(outer, to),
        at(inner, to),
    ];
    let _ = write!(
        svg,
        "<path d=\"M{:.1} {:.1} L{:.1} {:.1} A{outer:.1} {outer:.1} 0 0 1 {:.1} {:.1} L{:.1} {:.1} A{inner:.1} {inner:.1} 0 0 0 {:.1} {:.1} Z\" fill=\"{}\" stroke=\"#fff\"/>",
        a.0,
        a.1,
        b.0,
        b.1,
        c.0,
        c.1,
        d.0,
        d.1,
        a.0,
        a.1,
        colour(cell.trust)
    );
    let middle = at(0.5 * (inner + outer), hours);
    let words = worst(cell).map_or_else(|| "–".to_owned(), short1);
    text(svg, (middle.0, middle.1 + 4.0), "middle", &words);
}

/// Bias and limits with the bands of their intervals.
fn lines(cell: &AgreementCell) -> Vec<(&'static str, f64, Option<Interval>)> {
    if let Some(r) = cell.repeated {
        vec![
            ("bias", r.bias, Some(r.bias_interval)),
            ("lower", r.lower, Some(r.lower_interval)),
            ("upper", r.upper, Some(r.upper_interval)),
        ]
    } else if let Some(p) = cell.pooled {
        vec![
            ("bias", p.bias, Some(p.bias_interval)),
            ("lower", p.lower, Some(p.lower_exact)),
            ("upper", p.upper, Some(p.upper_exact)),
        ]
    } else {
        Vec::new()
    }
}

fn axes(svg: &mut String, x: &Scale, y: &Scale, measure: StudyMeasure) {
    let (left, right, top, bottom) = BORDERS;
    let (last, foot) = (SIZE.0 - right, SIZE.1 - bottom);
    for tick in x.ticks() {
        let at = x.at(tick);
        let _ = write!(
            svg,
            "<line x1=\"{at:.1}\" y1=\"{top:.1}\" x2=\"{at:.1}\" y2=\"{foot:.1}\" stroke=\"#eee\"/>"
        );
        text(svg, (at, foot + 16.0), "middle", &short(tick));
    }
    for tick in y.ticks() {
        let at = y.at(tick);
        let colour = if tick.abs() < 1e-12 { "#999" } else { "#eee" };
        let _ = write!(
            svg,
            "<line x1=\"{left:.1}\" y1=\"{at:.1}\" x2=\"{last:.1}\" y2=\"{at:.1}\" stroke=\"{colour}\"/>"
        );
        text(svg, (left - 6.0, at + 4.0), "end", &short(tick));
    }
    let unit = measure.unit();
    text(
        svg,
        (0.5 * (left + last), SIZE.1 - 14.0),
        "middle",
        &format!("mean of single camera and 3-D ({unit})"),
    );
    let middle = 0.5 * (top + foot);
    let _ = write!(
        svg,
        "<text x=\"18\" y=\"{middle:.1}\" text-anchor=\"middle\" fill=\"#222\" transform=\"rotate(-90 18 {middle:.1})\">single camera − 3-D ({unit})</text>"
    );
}
