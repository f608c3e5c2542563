//! The board as a sheet to print, to scale: SVG for the screen, PDF for the printer, over several pages where the paper is
//! smaller than the board.

use crate::{Board, CalibrationError};
use std::fmt::Write as _;

/// Paper to print on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paper {
    /// 297 × 210 mm.
    A4,
    /// 420 × 297 mm.
    A3,
}

impl Paper {
    /// Width and height, landscape (mm).
    pub const fn size_mm(self) -> (f64, f64) {
        match self {
            Self::A4 => (297.0, 210.0),
            Self::A3 => (420.0, 297.0),
        }
    }
}

/// White round the squares: the search for the board needs it (mm).
const MARGIN_MM: f64 = 8.0;
/// Strip below the squares for arrow, ruler and fields (mm).
const STRIP_MM: f64 = 14.0;
/// What printers leave white at the edge of the paper (mm).
const UNPRINTED_MM: f64 = 5.0;
/// Overlap of neighbouring pages (mm).
const OVERLAP_MM: f64 = 10.0;
/// Length of the ruler (mm).
const RULER_MM: f64 = 100.0;
/// Black round a target's white disc, as a share of the disc's diameter: a disc seen at a slant keeps dark on all sides.
pub const TARGET_GROUND: f64 = 1.75;
/// Smallest and largest white disc (mm).
pub const TARGETS_MM: (f64, f64) = (15.0, 80.0);
/// A quarter of a circle of radius one as a cubic Bézier curve: distance of its inner points from the outer ones
/// (4/3 (√2 − 1); off a circle by 0.03 %).
const QUARTER: f64 = 0.552_284_75;
/// PDF units (points) in a millimetre.
const POINTS_PER_MM: f64 = 72.0 / 25.4;

#[derive(Debug, Clone, PartialEq)]
enum Shape {
    /// Left, bottom, width, height; black.
    Box([f64; 4]),
    /// Corners; black.
    Triangle([[f64; 2]; 3]),
    /// Centre, radius, and whether it is white instead of black.
    Disc([f64; 2], f64, bool),
    /// Start of the baseline, height of the letters, words.
    Words([f64; 2], f64, String),
}

/// A board drawn to scale. Millimetres, `y` up, the board's `x` to the right.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    shapes: Vec<Shape>,
    size_mm: (f64, f64),
    paper: Paper,
}

impl Sheet {
    /// Draws a board.
    ///
    /// # Errors
    /// As [`Board::validate`].
    pub fn new(board: &Board, paper: Paper) -> Result<Self, CalibrationError> {
        board.validate()?;
        let pitch_mm = (board.pitch_x_m * 1000.0, board.pitch_y_m * 1000.0);
        let squares = (board.columns + 1, board.rows + 1);
        let extent = (squares.0 as f64 * pitch_mm.0, squares.1 as f64 * pitch_mm.1);
        let needed = (
            extent.0 + 2.0 * MARGIN_MM,
            extent.1 + 2.0 * MARGIN_MM + STRIP_MM,
        );
        let page = paper.size_mm();
        let fits = needed.0 <= page.0 && needed.1 <= page.1;
        let size_mm = if fits { page } else { needed };
        let left = (size_mm.0 - extent.0) / 2.0;
        let bottom = size_mm.1 - MARGIN_MM - extent.1;
        let mut shapes = Vec::new();
        for row in 0..squares.1 {
            for column in 0..squares.0 {
                // The lower left square is black.
                if (row + column) % 2 == 0 {
                    shapes.push(Shape::Box([
                        left + column as f64 * pitch_mm.0,
                        bottom + row as f64 * pitch_mm.1,
                        pitch_mm.0,
                        pitch_mm.1,
                    ]));
                }
            }
        }
        shapes.extend(strip(board, left, bottom - MARGIN_MM / 2.0, extent));
        Ok(Self {
            shapes,
            size_mm,
            paper,
        })
    }

    /// Draws as many round targets as the paper holds: a white disc of `disc_mm` on a black one of [`TARGET_GROUND`] times the
    /// size, along whose edge it is cut out.
    ///
    /// # Errors
    /// [`CalibrationError::Sheet`] where the disc is smaller than [`TARGETS_MM`] or larger.
    pub fn targets(disc_mm: f64, paper: Paper) -> Result<Self, CalibrationError> {
        // Written so that NaN is refused too.
        if !(TARGETS_MM.0..=TARGETS_MM.1).contains(&disc_mm) {
            return Err(CalibrationError::Sheet(format!(
                "a target of {disc_mm} mm; between {} and {} mm a camera sees it and an elbow carries it",
                TARGETS_MM.0, TARGETS_MM.1
            )));
        }
        let size_mm = paper.size_mm();
        let ground_mm = TARGET_GROUND * disc_mm;
        let step_mm = ground_mm + 8.0;
        let foot_mm = 2.0 * UNPRINTED_MM + 6.0;
        // One at least, and so many more.
        let more = |size: f64| (size - 2.0 * UNPRINTED_MM) / step_mm - 1.0;
        let places = |size: f64| -> Vec<f64> {
            let steps = std::iter::successors(Some(0.0), |at| Some(at + 1.0));
            steps.take_while(|at| *at <= more(size).max(0.0)).collect()
        };
        let (columns, rows) = (places(size_mm.0), places(size_mm.1 - foot_mm));
        let left = 0.5 * (size_mm.0 - (columns.len() - 1) as f64 * step_mm);
        let top = size_mm.1 - UNPRINTED_MM - 0.5 * step_mm;
        let mut shapes = Vec::new();
        for row in rows {
            for column in &columns {
                let centre = [left + column * step_mm, top - row * step_mm];
                shapes.push(Shape::Disc(centre, 0.5 * ground_mm, false));
                shapes.push(Shape::Disc(centre, 0.5 * disc_mm, true));
            }
        }
        let words = format!(
            "Printed at 100 % each white disc is {} mm wide: measure one, and write what it is into the manifest. Matt paper; cut along the black's edge.",
            trimmed(disc_mm)
        );
        shapes.push(Shape::Words(
            [2.0 * UNPRINTED_MM, 2.0 * UNPRINTED_MM],
            3.5,
            words,
        ));
        Ok(Self {
            shapes,
            size_mm,
            paper,
        })
    }

    /// Width and height of the whole drawing (mm).
    pub fn size_mm(&self) -> (f64, f64) {
        self.size_mm
    }

    /// Lower left corner of each page in the drawing (mm), in reading order; one where the board fits the paper.
    pub fn pages_mm(&self) -> Vec<(f64, f64)> {
        let page = self.paper.size_mm();
        if self.size_mm.0 <= page.0 && self.size_mm.1 <= page.1 {
            return vec![(0.0, 0.0)];
        }
        let starts = |size: f64, page: f64| {
            let printed = page - 2.0 * UNPRINTED_MM;
            let mut starts = vec![-UNPRINTED_MM];
            while starts[starts.len() - 1] + UNPRINTED_MM + printed < size {
                starts.push(starts[starts.len() - 1] + printed - OVERLAP_MM);
            }
            starts
        };
        let (columns, rows) = (
            starts(self.size_mm.0, page.0),
            starts(self.size_mm.1, page.1),
        );
        rows.iter()
            .rev()
            .flat_map(|y| columns.iter().map(move |x| (*x, *y)))
            .collect()
    }

    /// The whole drawing as SVG, to scale.
    pub fn to_svg(&self) -> String {
        let (width, height) = self.size_mm;
        let mut svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}mm\" height=\"{height}mm\" viewBox=\"0 0 {width} {height}\">\n<rect width=\"{width}\" height=\"{height}\" fill=\"#fff\"/>\n"
        );
        for shape in &self.shapes {
            let _ = match shape {
                Shape::Box([x, y, w, h]) => writeln!(
                    svg,
                    "<rect x=\"{x:.4}\" y=\"{:.4}\" width=\"{w:.4}\" height=\"{h:.4}\" shape-rendering=\"crispEdges\"/>",
                    height - y - h
                ),
                Shape::Triangle(corners) => {
                    let points: Vec<String> = corners
                        .iter()
                        .map(|[x, y]| format!("{x:.4},{:.4}", height - y))
                        .collect();
                    writeln!(svg, "<polygon points=\"{}\"/>", points.join(" "))
                }
                Shape::Disc([x, y], radius, white) => writeln!(
                    svg,
                    "<circle cx=\"{x:.4}\" cy=\"{:.4}\" r=\"{radius:.4}\" fill=\"{}\"/>",
                    height - y,
                    if *white { "#fff" } else { "#000" }
                ),
                Shape::Words([x, y], size, words) => writeln!(
                    svg,
                    "<text x=\"{x:.4}\" y=\"{:.4}\" font-family=\"Helvetica, Arial, sans-serif\" font-size=\"{size}\">{}</text>",
                    height - y,
                    words.replace('&', "&amp;").replace('<', "&lt;")
                ),
            };
        }
        svg.push_str("</svg>\n");
        svg
    }

    /// The pages as PDF (version 1.4, one standard font), to scale when printed at 100 %.
    pub fn to_pdf(&self) -> Vec<u8> {
        let pages = self.pages_mm();
        let (width, height) = self.paper.size_mm();
        let mut objects = vec![
            "<< /Type /Catalog /Pages 2 0 R >>".to_owned(),
            String::new(),
        ];
        objects.push(
            "<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>"
                .to_owned(),
        );
        let mut kids = String::new();
        for page in &pages {
            let content = self.page_content(*page);
            objects.push(format!(
                "<< /Length {} >>\nstream\n{content}endstream",
                content.len()
            ));
            let _ = write!(kids, "{} 0 R ", objects.len() + 1);
            objects.push(format!(
                "<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {:.4} {:.4}] /Contents {} 0 R /Resources << /Font << /F1 3 0 R >> >> >>",
                width * POINTS_PER_MM,
                height * POINTS_PER_MM,
                objects.len()
            ));
        }
        objects[1] = format!(
            "<< /Type /Pages /Kids [{}] /Count {} >>",
            kids.trim_end(),
            pages.len()
        );
        let mut pdf = "%PDF-1.4\n".to_owned();
        let mut places = Vec::new();
        for (index, object) in objects.iter().enumerate() {
            places.push(pdf.len());
            let _ = write!(pdf, "{} 0 obj\n{object}\nendobj\n", index + 1);
        }
        let start = pdf.len();
        let _ = write!(pdf, "xref\n0 {}\n0000000000 65535 f \n", places.len() + 1);
        for place in &places {
            let _ = writeln!(pdf, "{place:010} 00000 n ");
        }
        let _ = write!(
            pdf,
            "trailer\n<< /Size {} /Root 1 0 R >>\nstartxref\n{start}\n%%EOF\n",
            places.len() + 1
        );
        pdf.into_bytes()
    }

    fn page_content(&self, (left, bottom): (f64, f64)) -> String {
        let mut content = format!(
            "{POINTS_PER_MM:.6} 0 0 {POINTS_PER_MM:.6} {:.6} {:.6} cm\n0 g\n",
            -left * POINTS_PER_MM,
            -bottom * POINTS_PER_MM
        );
        for shape in &self.shapes {
            let _ = match shape {
                Shape::Box([x, y, w, h]) => {
                    writeln!(content, "{x:.4} {y:.4} {w:.4} {h:.4} re f")
                }
                Shape::Triangle([[ax, ay], [bx, by], [cx, cy]]) => writeln!(
                    content,
                    "{ax:.4} {ay:.4} m {bx:.4} {by:.4} l {cx:.4} {cy:.4} l h f"
                ),
                Shape::Disc(centre, radius, white) => {
                    content.push_str(&disc(*centre, *radius, *white));
                    Ok(())
                }
                Shape::Words([x, y], size, words) => {
                    let escaped: String = words
                        .chars()
                        .filter(char::is_ascii)
                        .flat_map(|c| {
                            let escape = matches!(c, '(' | ')' | '\\');
                            escape.then_some('\\').into_iter().chain([c])
                        })
                        .collect();
                    writeln!(
                        content,
                        "BT /F1 {size} Tf {x:.4} {y:.4} Td ({escaped}) Tj ET"
                    )
                }
            };
        }
        content
    }
}

/// A disc in PDF's operators: four curves, then black again.
fn disc([x, y]: [f64; 2], r: f64, white: bool) -> String {
    let k = QUARTER * r;
    let mut path = format!("{} g\n{:.4} {y:.4} m\n", u8::from(white), x + r);
    for (a, b) in [(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)] {
        // From the direction (a, b) a quarter turn on, to (-b, a).
        let _ = writeln!(
            path,
            "{:.4} {:.4} {:.4} {:.4} {:.4} {:.4} c",
            x + a * r - b * k,
            y + b * r + a * k,
            x - b * r + a * k,
            y + a * r + b * k,
            x - b * r,
            y + a * r
        );
    }
    path.push_str("h f\n0 g\n");
    path
}

/// Arrow, ruler and fields below the squares; `top` is the strip's upper edge.
fn strip(board: &Board, left: f64, top: f64, extent: (f64, f64)) -> Vec<Shape> {
    let mut shapes = Vec::new();
    let line = |from: [f64; 2], size: [f64; 2]| Shape::Box([from[0], from[1], size[0], size[1]]);
    // Arrow at the right end: shaft and head.
    let right = left + extent.0;
    let axis = top - 5.0;
    shapes.push(line([right - 45.0, axis - 0.75], [37.0, 1.5]));
    shapes.push(Shape::Triangle([
        [right, axis],
        [right - 9.0, axis + 3.5],
        [right - 9.0, axis - 3.5],
    ]));
    shapes.push(Shape::Words(
        [right - 45.0, axis - 6.5],
        4.0,
        "this way to the target".to_owned(),
    ));
    // Ruler at the left end: ticks each centimetre.
    let foot = top - 5.5;
    let length = RULER_MM.min((extent.0 - 50.0).max(50.0));
    shapes.push(line([left, foot], [length, 0.2]));
    let mut at = 0.0;
    while at <= length + 1e-9 {
        let tall = if (at / 50.0).fract() < 1e-9 { 4.0 } else { 2.5 };
        shapes.push(line([left + at - 0.1, foot], [0.2, tall]));
        at += 10.0;
    }
    let words = format!(
        "{length:.0} mm when printed at 100 %. Measured over {} x {} squares: along the arrow ________ mm, across ________ mm",
        board.columns + 1,
        board.rows + 1
    );
    shapes.push(Shape::Words([left, foot - 4.0], 3.0, words));
    let name = format!(
        "{}: {} x {} inner corners, {} x {} mm",
        board.name,
        board.columns,
        board.rows,
        trimmed(board.pitch_x_m * 1000.0),
        trimmed(board.pitch_y_m * 1000.0)
    );
    shapes.push(Shape::Words([left, foot - 8.0], 3.0, name));
    shapes
}

fn trimmed(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn squares_are_to_scale_and_the_lower_left_is_black() {
        let board = Board::new("A3, 9 x 6, 38 mm", 9, 6, 0.038).unwrap();
        let sheet = Sheet::new(&board, Paper::A3).unwrap();
        assert_eq!(sheet.pages_mm().len(), 1);
        let boxes: Vec<[f64; 4]> = sheet
            .shapes
            .iter()
            .filter_map(|shape| match shape {
                Shape::Box(size) if (size[2] - 38.0).abs() < 1e-9 => Some(*size),
                _ => None,
            })
            .collect();
        assert_eq!(boxes.len(), 35, "half of 10 x 7 squares");
        let least = |k: usize| boxes.iter().map(|b| b[k]).fold(f64::INFINITY, f64::min);
        assert!(
            boxes
                .iter()
                .any(|b| (b[0] - least(0)).abs() < 1e-9 && (b[1] - least(1)).abs() < 1e-9)
        );
        // Nothing outside the paper, the strip below the squares.
        for shape in &sheet.shapes {
            if let Shape::Box([x, y, w, h]) = shape {
                assert!(*x >= 5.0 && *y >= 5.0 && x + w <= 415.0 && y + h <= 292.0);
            }
        }
    }

    #[test]
    fn targets_are_to_scale_apart_and_on_the_paper() {
        for (disc_mm, paper, fewest) in [
            (40.0, Paper::A4, 6),
            (30.0, Paper::A3, 15),
            (80.0, Paper::A4, 1),
        ] {
            let sheet = Sheet::targets(disc_mm, paper).unwrap();
            let (width, height) = paper.size_mm();
            let discs: Vec<([f64; 2], f64, bool)> = sheet
                .shapes
                .iter()
                .filter_map(|shape| match shape {
                    Shape::Disc(centre, radius, white) => Some((*centre, *radius, *white)),
                    _ => None,
                })
                .collect();
            let black: Vec<_> = discs.iter().filter(|disc| !disc.2).collect();
            assert!(black.len() >= fewest, "{disc_mm} mm: {}", black.len());
            assert_eq!(discs.len(), 2 * black.len());
            for (k, ([x, y], r, _)) in black.iter().enumerate() {
                assert!((r - 0.5 * TARGET_GROUND * disc_mm).abs() < 1e-9);
                assert!(x - r >= UNPRINTED_MM && x + r <= width - UNPRINTED_MM);
                assert!(y - r >= UNPRINTED_MM + 10.0 && y + r <= height - UNPRINTED_MM);
                for ([u, v], s, _) in &black[k + 1..] {
                    assert!((x - u).hypot(y - v) > r + s);
                }
            }
            let white = discs.iter().filter(|disc| disc.2);
            assert!(
                white
                    .clone()
                    .all(|disc| (disc.1 - 0.5 * disc_mm).abs() < 1e-9)
            );
            let pdf = String::from_utf8(sheet.to_pdf()).unwrap();
            assert_eq!(pdf.matches(" c\n").count(), 4 * discs.len());
        }
        for wrong in [0.0, -3.0, 14.9, 500.0, f64::NAN] {
            assert!(Sheet::targets(wrong, Paper::A4).is_err());
        }
    }

    #[test]
    fn a_large_board_is_tiled_and_every_spot_is_printed() {
        let board = Board::new("A3 on A4", 9, 6, 0.038).unwrap();
        let sheet = Sheet::new(&board, Paper::A4).unwrap();
        let pages = sheet.pages_mm();
        assert_eq!(pages.len(), 4);
        let (width, height) = sheet.size_mm();
        for x in [0.1, width / 2.0, width - 0.1] {
            for y in [0.1, height / 2.0, height - 0.1] {
                let printed = pages.iter().any(|(left, bottom)| {
                    (5.0..=292.0).contains(&(x - left)) && (5.0..=205.0).contains(&(y - bottom))
                });
                assert!(printed, "{x} {y} is on no page {pages:?}");
            }
        }
    }

    #[test]
    fn the_pdf_points_to_its_objects() {
        let board = Board::new("brackets ( \\ )", 5, 4, 0.03).unwrap();
        let pdf = String::from_utf8(Sheet::new(&board, Paper::A4).unwrap().to_pdf()).unwrap();
        let start: usize = pdf
            .rsplit("startxref\n")
            .next()
            .and_then(|rest| rest.lines().next())
            .and_then(|line| line.parse().ok())
            .unwrap();
        assert!(pdf[start..].starts_with("xref\n0 "));
        for (index, line) in pdf[start..].lines().skip(3).take(5).enumerate() {
            let place: usize = line[..10].parse().unwrap();
            assert!(pdf[place..].starts_with(&format!("{} 0 obj", index + 1)));
        }
        assert!(pdf.contains("brackets \\( \\\\ \\)"));
    }
}
