//! Difference against mean (Bland & Altman 1986), as SVG text.

use super::cell::AgreementCell;
use super::chart::{BORDERS, SIZE, Scale, axes, open, short, text};
use super::study::AgreementStudy;
use super::track::StudyMeasure;
use crate::StudyWords;
use crate::statistics::Interval;
use std::fmt::Write;

/// Colours of archers, told apart by most colour-blind people; beyond eight they repeat with another shape.
const COLOURS: [&str; 8] = [
    "#2a78d6", "#e07b00", "#1b7f5c", "#b8433a", "#7a5cc4", "#8a6d3b", "#d14f9a", "#5b6770",
];

impl AgreementStudy {
    /// Difference against mean (Bland & Altman) of one camera, estimate and measure: one point a shot, coloured by archer; bias and
    /// limits with the bands of their intervals. None where there are no pairs.
    pub fn difference_plot(
        &self,
        camera: &str,
        estimate: &str,
        measure: StudyMeasure,
        words: &StudyWords,
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
        axes(&mut svg, &x, &y, (words, words.unit(measure)));
        limit_lines(&mut svg, &lines, &y, words);
        draw_points(&mut svg, &points, &x, &y);
        text(
            &mut svg,
            (left, 20.0),
            "start",
            &words.say(
                "plot",
                &[
                    ("measure", words.measure(measure)),
                    ("camera", &cell.camera),
                    ("place", &words.angle(cell.angle)),
                    ("estimate", &cell.estimate),
                ],
            ),
        );
        text(
            &mut svg,
            (left, 38.0),
            "start",
            &(words.say(
                "plot_shots",
                &[
                    ("shots", &cell.shots.to_string()),
                    ("archers", &cell.archers.to_string()),
                ],
            ) + &self.caution(cell, words)),
        );
        svg.push_str("</svg>");
        Some(svg)
    }

    fn caution(&self, cell: &AgreementCell, words: &StudyWords) -> String {
        let mut cautions = String::new();
        let mut add = |key: &str| {
            cautions.push_str(" · ");
            cautions.push_str(words.plain(key));
        };
        if self.simulated {
            add("simulated_short");
        }
        if !cell.independent && !cell.is_virtual {
            add("dependent_short");
        }
        cautions
    }
}

type NamedLine = (&'static str, f64, Option<Interval>);

/// Bias and limits across the plot.
fn limit_lines(svg: &mut String, lines: &[NamedLine], y: &Scale, words: &StudyWords) {
    let (left, right, top, bottom) = BORDERS;
    let last = SIZE.0 - right;
    for (name, value, band) in lines {
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
        let dash = if *name == "plot_bias" {
            ""
        } else {
            " stroke-dasharray=\"6 4\""
        };
        let _ = write!(
            svg,
            "<line x1=\"{left:.1}\" y1=\"{at:.1}\" x2=\"{last:.1}\" y2=\"{at:.1}\" stroke=\"#444\"{dash}/>"
        );
        text(
            svg,
            (last + 6.0, at + 4.0),
            "start",
            &words.say(name, &[("value", &short(*value))]),
        );
    }
}

/// One point a shot, coloured by archer.
fn draw_points(svg: &mut String, points: &[(f64, f64, &str)], x: &Scale, y: &Scale) {
    let mut archers: Vec<&str> = points.iter().map(|p| p.2).collect();
    archers.sort_unstable();
    archers.dedup();
    for (mean, difference, archer) in points {
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
}

/// Bias and limits with the bands of their intervals.
fn lines(cell: &AgreementCell) -> Vec<NamedLine> {
    if let Some(r) = cell.repeated {
        vec![
            ("plot_bias", r.bias, Some(r.bias_interval)),
            ("plot_lower", r.lower, Some(r.lower_interval)),
            ("plot_upper", r.upper, Some(r.upper_interval)),
        ]
    } else if let Some(p) = cell.pooled {
        vec![
            ("plot_bias", p.bias, Some(p.bias_interval)),
            ("plot_lower", p.lower, Some(p.lower_exact)),
            ("plot_upper", p.upper, Some(p.upper_exact)),
        ]
    } else {
        Vec::new()
    }
}
