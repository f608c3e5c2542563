//! Where in each camera's picture the board has been, drawn beside the rig file, with what to film more of.

use drawarc_calibration::{COVERAGE_CELLS, CameraDiagnostics, Survey, as_shown};
use drawarc_rig::Camera;
use std::fmt::Write as _;

/// Longer side of one camera's picture, space about it, height of a line of text (all in the drawing's units).
const LONGER: f64 = 420.0;
const GAP: f64 = 24.0;
const LINE: f64 = 18.0;
/// Characters on a line of text.
const LETTERS: usize = 56;
/// Corners of the board that a cell saw, at least, to count as seen a little, and as seen well.
const LITTLE: u32 = 10;
const WELL: u32 = 60;
/// Colours: seen well, seen a little, what is missing, words.
const WELL_FILL: &str = "#1f6f8b";
const LITTLE_FILL: &str = "#b9d8e2";
const MISSING: &str = "#c2410c";
const INK: &str = "#222";

/// A camera's place in the drawing.
#[derive(Debug, Clone, Copy)]
struct Frame {
    left: f64,
    top: f64,
    width: f64,
    height: f64,
    rotation_deg: u16,
}

impl Frame {
    /// A part of the stored picture, `from` to `to` (0 to 1), as a rectangle of the drawing: `x, y, width, height`.
    fn part(&self, from: (f64, f64), to: (f64, f64)) -> [f64; 4] {
        let (a, b) = (
            as_shown(from, self.rotation_deg),
            as_shown(to, self.rotation_deg),
        );
        [
            self.left + a.0.min(b.0) * self.width,
            self.top + a.1.min(b.1) * self.height,
            (a.0 - b.0).abs() * self.width,
            (a.1 - b.1).abs() * self.height,
        ]
    }
}

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

fn text(out: &mut String, (x, y): (f64, f64), style: &str, words: &str) {
    let words = escaped(words);
    let _ = writeln!(
        out,
        "<text x=\"{x:.1}\" y=\"{y:.1}\" {style}>{words}</text>"
    );
}

fn rectangle(out: &mut String, [x, y, width, height]: [f64; 4], style: &str) {
    let _ = writeln!(
        out,
        "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{width:.1}\" height=\"{height:.1}\" {style}/>"
    );
}

fn fill_of(count: u32) -> &'static str {
    if count >= WELL {
        WELL_FILL
    } else if count >= LITTLE {
        LITTLE_FILL
    } else {
        "url(#never)"
    }
}

/// What the colours mean.
fn legend(out: &mut String, top: f64) {
    let mut left = GAP;
    for (fill, words) in [
        (WELL_FILL, "the board was here"),
        (LITTLE_FILL, "a little"),
        ("url(#never)", "never"),
    ] {
        let style = format!("fill=\"{fill}\" stroke=\"#888\"");
        rectangle(out, [left, top, 22.0, 14.0], &style);
        text(
            out,
            (left + 28.0, top + 12.0),
            &format!("font-size=\"13\" fill=\"{INK}\""),
            words,
        );
        left += 44.0 + 7.5 * words.chars().count() as f64;
    }
}

/// The cells of one camera's picture, and the quarters that are missing.
fn picture(out: &mut String, about: &CameraDiagnostics, frame: &Frame) {
    let (columns, rows) = COVERAGE_CELLS;
    let share = |cell: usize, of: usize| cell as f64 / of as f64;
    for (cell, count) in about.coverage.iter().enumerate() {
        let (column, row) = (cell % columns, cell / columns);
        let part = frame.part(
            (share(column, columns), share(row, rows)),
            (share(column + 1, columns), share(row + 1, rows)),
        );
        let style = format!(
            "fill=\"{}\" stroke=\"white\" stroke-width=\"1\"",
            fill_of(*count)
        );
        rectangle(out, part, &style);
    }
    rectangle(
        out,
        [frame.left, frame.top, frame.width, frame.height],
        "fill=\"none\" stroke=\"#444\" stroke-width=\"2\"",
    );
    for (right, down) in &about.thin_quarters {
        let from = (share(*right, 2), share(*down, 2));
        let part = frame.part(from, (from.0 + 0.5, from.1 + 0.5));
        let style = format!(
            "fill=\"none\" stroke=\"{MISSING}\" stroke-width=\"4\" stroke-dasharray=\"10 6\""
        );
        rectangle(out, part, &style);
        let middle = (part[0] + 0.5 * part[2], part[1] + 0.5 * part[3] + 6.0);
        let behind = [middle.0 - 62.0, middle.1 - 19.0, 124.0, 27.0];
        rectangle(out, behind, "fill=\"white\" rx=\"5\"");
        let style = format!(
            "font-size=\"17\" font-weight=\"bold\" text-anchor=\"middle\" fill=\"{MISSING}\""
        );
        text(out, middle, &style, "show it here");
    }
}

/// One camera with its top at `top`: name and verdict, what to do, the picture, figures; returns where the next may begin.
fn camera(out: &mut String, about: &CameraDiagnostics, camera: &Camera, top: f64) -> f64 {
    let enough = about.advice.is_empty();
    let (mark, verdict, colour) = if enough {
        ("\u{2713}", "enough", WELL_FILL)
    } else {
        ("!", "film more", MISSING)
    };
    let mut at = top + LINE;
    text(
        out,
        (GAP, at),
        &format!("font-size=\"19\" font-weight=\"bold\" fill=\"{colour}\""),
        &format!("{mark} {}: {verdict}", about.name),
    );
    at += 0.4 * LINE;
    let prefix = format!("camera {:?}: ", about.name);
    for line in about
        .advice
        .iter()
        .flat_map(|words| wrapped(words.strip_prefix(&prefix).unwrap_or(words)))
    {
        at += LINE;
        text(
            out,
            (GAP, at),
            &format!("font-size=\"14\" fill=\"{INK}\""),
            &line,
        );
    }
    at += 0.7 * LINE;
    let size = camera.image_size;
    let (wide, high) = if camera.rotation_deg % 180 == 90 {
        (size.height_px, size.width_px)
    } else {
        (size.width_px, size.height_px)
    };
    let scale = LONGER / f64::from(wide.max(high));
    let frame = Frame {
        left: GAP,
        top: at,
        width: f64::from(wide) * scale,
        height: f64::from(high) * scale,
        rotation_deg: camera.rotation_deg,
    };
    picture(out, about, &frame);
    at += frame.height + LINE;
    let figures = format!(
        "{} views, board {:.1} to {:.1} m away, tilted by up to {:.0}\u{b0}, residual {:.2} px",
        about.views,
        about.distance_m.0,
        about.distance_m.1,
        about.steepest_tilt_deg,
        about.residual_px
    );
    text(out, (GAP, at), "font-size=\"11\" fill=\"#666\"", &figures);
    at + 1.5 * GAP
}

/// The drawing (SVG), one camera under the other, each as it is shown.
pub(crate) fn svg(found: &Survey) -> String {
    let mut inside = String::from(
        "<defs><pattern id=\"never\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\">\
<rect width=\"7\" height=\"7\" fill=\"#f3f3f3\"/><rect width=\"1.5\" height=\"7\" fill=\"#bbb\"/></pattern></defs>\n",
    );
    text(
        &mut inside,
        (GAP, GAP + 4.0),
        &format!("font-size=\"16\" fill=\"{INK}\""),
        "Where in each picture the board has been",
    );
    legend(&mut inside, GAP + 14.0);
    let mut at = GAP + 44.0;
    for (about, place) in found.diagnostics.cameras.iter().zip(&found.rig.cameras) {
        at = camera(&mut inside, about, place, at);
    }
    let width = LONGER + 2.0 * GAP;
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width:.0}\" height=\"{at:.0}\" viewBox=\"0 0 {width:.0} {at:.0}\" font-family=\"sans-serif\">\n<rect width=\"100%\" height=\"100%\" fill=\"white\"/>\n{inside}</svg>\n"
    )
}
