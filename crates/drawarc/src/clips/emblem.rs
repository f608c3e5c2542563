//! The marks of the page as shapes: the same shape means the same in page, print and clip.

use crate::clips::canvas::{ACCENT, Canvas, DARK, Ink, LIGHT};
use crate::clips::ink::{Mask, Spot};
use drawarc_report::page::Mark;

/// The marks are drawn in a box of so many units, as on the page.
const UNITS: f64 = 24.0;

/// Draws a mark into the box of `size_px` whose upper left corner is at `corner`.
pub(crate) fn draw(canvas: &mut Canvas, mask: &mut Mask, mark: Mark, corner: Spot, size_px: f64) {
    let scale = size_px / UNITS;
    let at = |x: f64, y: f64| (corner.0 + x * scale, corner.1 + y * scale);
    let pen = |width: f64| width / 2.0 * scale;
    let ink: Ink = if mark.is_fault() { ACCENT } else { LIGHT };
    let many =
        |spots: &[(f64, f64)]| -> Vec<Spot> { spots.iter().map(|(x, y)| at(*x, *y)).collect() };
    // A dark halo first: marks stand on pictures, too.
    let outline = outline(mark, &at);
    let closed: Vec<Spot> = outline.iter().chain(outline.first()).copied().collect();
    mask.clear();
    mask.shape(&outline);
    mask.polyline(&closed, pen(4.4));
    canvas.lay(mask, DARK);
    mask.clear();
    let filled = matches!(
        mark,
        Mark::Stall | Mark::Collapse | Mark::GaveWay | Mark::HookSlip
    );
    if filled {
        mask.shape(&outline);
        canvas.lay(mask, ink);
        mask.clear();
    } else if mark == Mark::Unclear {
        for side in outline.chunks_exact(2) {
            mask.line(side[0], side[1], pen(2.2));
        }
    } else {
        mask.polyline(&closed, pen(2.4));
    }
    match mark {
        Mark::Good => mask.polyline(&many(&[(7.4, 12.4), (10.6, 15.7), (16.6, 8.7)]), pen(2.6)),
        Mark::Slowed => {
            mask.line(at(9.0, 8.0), at(9.0, 16.0), pen(2.2));
            mask.line(at(15.0, 8.0), at(15.0, 16.0), pen(2.2));
        }
        Mark::Stall => {
            mask.line(at(8.6, 7.0), at(8.6, 17.0), pen(3.6));
            mask.line(at(15.4, 7.0), at(15.4, 17.0), pen(3.6));
        }
        Mark::Collapse => {
            mask.line(at(12.0, 6.0), at(12.0, 12.5), pen(2.4));
            mask.polyline(&many(&[(8.4, 9.9), (12.0, 13.4), (15.6, 9.9)]), pen(2.4));
        }
        Mark::GaveWay => {
            mask.polyline(&arc(&at, (12.0, 12.6), 4.6, (150.0, 395.0)), pen(2.2));
            mask.polyline(&many(&[(16.0, 11.7), (15.7, 15.2), (12.3, 14.8)]), pen(2.2));
        }
        Mark::Creep => mask.line(at(12.0, 8.0), at(12.0, 12.5), pen(2.4)),
        Mark::HookSlip => {
            mask.line(at(14.0, 6.0), at(14.0, 13.5), pen(2.8));
            mask.polyline(&arc(&at, (10.8, 13.5), 3.2, (0.0, 180.0)), pen(2.8));
        }
        Mark::LetDown => mask.line(at(7.0, 12.0), at(17.0, 12.0), pen(2.6)),
        Mark::Unclear => {
            mask.polyline(&arc(&at, (12.1, 9.6), 2.9, (180.0, 420.0)), pen(2.2));
            mask.line(at(12.2, 12.6), at(12.0, 14.1), pen(2.2));
            mask.disc(at(12.0, 17.2), 1.4 * scale);
        }
    }
    canvas.lay(mask, if filled { DARK } else { ink });
}

/// The corners of a mark's outline.
fn outline(mark: Mark, at: &impl Fn(f64, f64) -> Spot) -> Vec<Spot> {
    let many =
        |spots: &[(f64, f64)]| -> Vec<Spot> { spots.iter().map(|(x, y)| at(*x, *y)).collect() };
    match mark {
        Mark::Stall => many(&[(1.4, 1.4), (22.6, 1.4), (22.6, 22.6), (1.4, 22.6)]),
        Mark::Slowed => many(&[(2.6, 2.6), (21.4, 2.6), (21.4, 21.4), (2.6, 21.4)]),
        Mark::Collapse => many(&[(0.9, 2.4), (23.1, 2.4), (12.0, 22.4)]),
        Mark::Creep => many(&[(2.3, 4.2), (21.7, 4.2), (12.0, 20.8)]),
        Mark::GaveWay => many(&[(12.0, 0.8), (23.2, 12.0), (12.0, 23.2), (0.8, 12.0)]),
        Mark::HookSlip => many(&[
            (7.0, 1.4),
            (17.0, 1.4),
            (22.6, 7.0),
            (22.6, 17.0),
            (17.0, 22.6),
            (7.0, 22.6),
            (1.4, 17.0),
            (1.4, 7.0),
        ]),
        Mark::Good | Mark::LetDown | Mark::Unclear => (0..24)
            .map(|step| {
                let angle = f64::from(step) * std::f64::consts::TAU / 24.0;
                at(12.0 + 9.5 * angle.cos(), 12.0 + 9.5 * angle.sin())
            })
            .collect(),
    }
}

/// Part of a circle, from one angle to another (degrees, clockwise from the right as the picture shows it).
fn arc(
    at: &impl Fn(f64, f64) -> Spot,
    middle: Spot,
    radius: f64,
    (from_deg, to_deg): (f64, f64),
) -> Vec<Spot> {
    (0..=12)
        .map(|step| {
            let angle = (from_deg + (to_deg - from_deg) * f64::from(step) / 12.0).to_radians();
            at(
                middle.0 + radius * angle.cos(),
                middle.1 + radius * angle.sin(),
            )
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_mark_has_a_shape_of_its_own() {
        let drawn: Vec<_> = Mark::ALL
            .into_iter()
            .map(|mark| {
                let mut canvas = Canvas::new(64, 64, DARK);
                draw(&mut canvas, &mut Mask::new(64, 64), mark, (8.0, 8.0), 48.0);
                // Shape alone: colours are left out.
                canvas.view().luma.to_plane()
            })
            .collect();
        for (index, one) in drawn.iter().enumerate() {
            for other in &drawn[..index] {
                let (one, other) = (one.as_u8().unwrap(), other.as_u8().unwrap());
                let apart = one
                    .iter()
                    .zip(other)
                    .filter(|(a, b)| a.abs_diff(**b) > 60)
                    .count();
                assert!(
                    apart > 100,
                    "{:?} differs in {apart} pixels",
                    Mark::ALL[index]
                );
            }
        }
    }
}
