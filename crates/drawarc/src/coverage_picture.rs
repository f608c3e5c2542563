//! Where in each camera's picture the board has been, drawn beside the rig file, with what to film more of.

use drawarc_calibration::{COVERAGE_CELLS, CameraDiagnostics, Survey};
use std::fmt::Write as _;

/// Width of one camera's picture, space about it, height of a line of text (all in the drawing's units).
const WIDTH: f64 = 480.0;
const GAP: f64 = 24.0;
const LINE: f64 = 17.0;
/// Characters on a line of text.
const LETTERS: usize = 66;
/// A cell with so many corners is as dark as it gets.
const MANY: f64 = 120.0;

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

/// Words in lines of at most [`LETTERS`] characters.
fn wrapped(text: &str) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let last = lines.len() - 1;
        if !lines[last].is_empty() && lines[last].chars().count() + word.chars().count() >= LETTERS
        {
            lines.push(word.to_owned());
        } else {
            if !lines[last].is_empty() {
                lines[last].push(' ');
            }
            lines[last].push_str(word);
        }
    }
    lines
}

fn text(out: &mut String, (x, y): (f64, f64), size: f64, words: &str) {
    let words = escaped(words);
    let _ = writeln!(
        out,
        "<text x=\"{x:.1}\" y=\"{y:.1}\" font-size=\"{size}\">{words}</text>"
    );
}

/// One camera's picture with its top at `top`; returns where the next may begin.
fn camera(out: &mut String, about: &CameraDiagnostics, size_px: (u32, u32), top: f64) -> f64 {
    let (columns, rows) = COVERAGE_CELLS;
    let height = WIDTH * f64::from(size_px.1) / f64::from(size_px.0);
    let title = format!(
        "{}: {} views, board {:.1} to {:.1} m away, tilted by up to {:.0}\u{b0}, residual {:.2} px",
        about.name,
        about.views,
        about.distance_m.0,
        about.distance_m.1,
        about.steepest_tilt_deg,
        about.residual_px
    );
    text(out, (GAP, top + LINE), 14.0, &title);
    let top = top + 1.6 * LINE;
    let (wide, high) = (WIDTH / columns as f64, height / rows as f64);
    for (cell, count) in about.coverage.iter().enumerate() {
        let (x, y) = (
            GAP + wide * (cell % columns) as f64,
            top + high * (cell / columns) as f64,
        );
        let shade = (f64::from(*count) / MANY).min(1.0) * 0.85;
        let _ = writeln!(
            out,
            "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{wide:.1}\" height=\"{high:.1}\" fill=\"#1f6f8b\" fill-opacity=\"{shade:.2}\" stroke=\"#999\" stroke-width=\"0.5\"/>"
        );
        text(out, (x + 4.0, y + high - 5.0), 10.0, &count.to_string());
    }
    let mut at = top + height + LINE;
    let advice = if about.advice.is_empty() {
        vec!["nothing is missing".to_owned()]
    } else {
        about.advice.clone()
    };
    for line in advice.iter().flat_map(|words| wrapped(words)) {
        text(out, (GAP, at), 12.0, &line);
        at += LINE;
    }
    at + GAP
}

/// The drawing (SVG), one camera under the other, each as its file stores the picture.
pub(crate) fn svg(found: &Survey) -> String {
    let mut inside = String::new();
    text(
        &mut inside,
        (GAP, GAP),
        12.0,
        "Corners of the board that the survey used, cell by cell; pictures as their files store them.",
    );
    let mut at = 1.5 * GAP;
    for (about, place) in found.diagnostics.cameras.iter().zip(&found.rig.cameras) {
        let size_px = (place.image_size.width_px, place.image_size.height_px);
        at = camera(&mut inside, about, size_px, at);
    }
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {:.0} {at:.0}\" font-family=\"sans-serif\">\n<rect width=\"100%\" height=\"100%\" fill=\"white\"/>\n{inside}</svg>\n",
        WIDTH + 2.0 * GAP
    )
}
