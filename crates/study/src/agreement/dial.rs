//! The dial: how far a single camera can be trusted from each angle, as SVG text.

use super::cell::{AgreementCell, Trust};
use super::chart::{open, short, text};
use super::pairs::Angle;
use super::study::AgreementStudy;
use super::track::StudyMeasure;
use crate::StudyWords;
use std::fmt::Write;

impl AgreementStudy {
    /// The dial: for one estimate, a ring for each measure and a sector for each camera at its place; overhead cameras stand
    /// beside. A sector holds the worst limit of agreement; its colour says how far it can be trusted.
    pub fn dial(&self, estimate: &str, words: &StudyWords) -> String {
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
            &words.say("dial", &[("estimate", estimate)]),
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
        text(&mut svg, (cx, cy + 4.0), "middle", words.plain("archer"));
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
        self.legend(
            &mut svg,
            (cx + outer + 50.0, 66.0),
            (&measures, &cells),
            words,
        );
        svg.push_str("</svg>");
        svg
    }

    fn legend(
        &self,
        svg: &mut String,
        (x, top): (f64, f64),
        (measures, cells): (&[StudyMeasure], &[&AgreementCell]),
        words: &StudyWords,
    ) {
        let mut y = top;
        let mut line = |svg: &mut String, indent: f64, content: &str| {
            text(svg, (x + indent, y), "start", content);
            y += 19.0;
        };
        line(svg, 0.0, words.plain("rings"));
        for (index, measure) in measures.iter().enumerate() {
            let number = (index + 1).to_string();
            let values = [
                ("number", number.as_str()),
                ("measure", words.measure(*measure)),
                ("unit", words.unit(*measure)),
            ];
            line(svg, 0.0, &words.say("ring", &values));
            for cell in cells
                .iter()
                .filter(|cell| cell.measure == *measure && cell.angle == Angle::Overhead)
            {
                let limit = worst(cell).map_or_else(
                    || words.say("not_measurable", &[]),
                    |value| format!("± {}", short1(value)),
                );
                let values = [("camera", cell.camera.as_str()), ("limit", &limit)];
                line(svg, 18.0, &words.say("overhead_limit", &values));
            }
        }
        line(svg, 0.0, "");
        line(svg, 0.0, words.plain("sector"));
        let within = |tolerance: f64| words.say("within", &[("value", &short(tolerance))]);
        let tolerance = self.analysis.tolerance;
        for (trust, meaning) in [
            (Trust::Good, within(tolerance)),
            (Trust::Coarse, within(3.0 * tolerance)),
            (Trust::Poor, words.say("beyond", &[])),
            (Trust::None, words.say("too_few", &[])),
        ] {
            let _ = write!(
                svg,
                "<rect x=\"{x:.1}\" y=\"{:.1}\" width=\"14\" height=\"14\" fill=\"{}\"/>",
                y - 12.0,
                colour(trust)
            );
            text(svg, (x + 20.0, y), "start", &meaning);
            y += 19.0;
        }
        if self.simulated {
            text(svg, (x, y + 8.0), "start", words.plain("simulated_short"));
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
