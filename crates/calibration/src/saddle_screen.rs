//! Saddle points of a picture: where the corners of a checkerboard may be.
//!
//! The response follows the idea of Bennett & Lasenby 2014 ("ChESS"): on a ring about a corner of a checkerboard opposite
//! samples are alike and samples a quarter turn apart differ.

use crate::detector::GrayView;
use crate::grid_growth::Saddle;
use nalgebra::{Point2, Vector2};

/// Ring about a pixel, an eighth of a turn apart (px).
const RING: [(isize, isize); 8] = [
    (3, 0),
    (2, 2),
    (0, 3),
    (-2, 2),
    (-3, 0),
    (-2, -2),
    (0, -3),
    (2, -2),
];
/// Response from which a pixel counts as a saddle (grey levels).
const LEAST_RESPONSE: i16 = 45;
/// Pixels along the border of the picture that have no whole ring and no neighbours to compare with.
const MARGIN: usize = 4;

/// How much each pixel is like a saddle, row by row; 0 below [`LEAST_RESPONSE`].
fn responses(data: &[u8], width: usize, height: usize) -> Vec<i16> {
    let mut response = vec![0; width * height];
    if width <= 2 * MARGIN || height <= 2 * MARGIN {
        return response;
    }
    let count = width - 2 * MARGIN;
    for y in MARGIN..height - MARGIN {
        let first = y * width + MARGIN;
        // Slices of one length side by side: the compiler takes sixteen pixels at a time.
        let ring = RING.map(|(dx, dy)| {
            let from = first.wrapping_add_signed(dy * width.cast_signed() + dx);
            &data[from..from + count]
        });
        let [e, se, s, sw, w, nw, n, ne] = ring;
        let row = &mut response[first..first + count];
        for (k, place) in row.iter_mut().enumerate() {
            let [e, se, s, sw, w, nw, n, ne] =
                [e[k], se[k], s[k], sw[k], w[k], nw[k], n[k], ne[k]].map(i16::from);
            let cross = (e + w - s - n).abs() + (se + nw - sw - ne).abs();
            let across = (e - w).abs() + (se - nw).abs() + (s - n).abs() + (sw - ne).abs();
            let value = cross - across;
            *place = if value > LEAST_RESPONSE { value } else { 0 };
        }
    }
    response
}

/// Local maxima of the response, row by row.
pub(crate) fn saddles(picture: GrayView<'_>) -> Vec<Saddle> {
    let (width, height) = (picture.width_px() as usize, picture.height_px() as usize);
    let data = picture.data();
    let response = responses(data, width, height);
    let mut found = Vec::new();
    for y in MARGIN..height.saturating_sub(MARGIN) {
        let row = &response[y * width..(y + 1) * width];
        for (x, value) in row.iter().copied().enumerate() {
            if value == 0 {
                continue;
            }
            let greatest = (y - 2..=y + 2).all(|row| {
                (x - 2..=x + 2).all(|column| {
                    let other = response[row * width + column];
                    // Of equals the first stays.
                    other < value || (other == value && (row, column) >= (y, x))
                })
            });
            if greatest {
                found.push(Saddle {
                    point: centre(&response, width, (x, y)),
                    phase: phase(data, width, (x, y)),
                });
            }
        }
    }
    found
}

/// Centre of gravity of the response about its maximum.
fn centre(response: &[i16], width: usize, (x, y): (usize, usize)) -> Point2<f64> {
    let (mut sum, mut sx, mut sy) = (0.0, 0.0, 0.0);
    for row in y - 1..=y + 1 {
        for column in x - 1..=x + 1 {
            let value = f64::from(response[row * width + column]);
            sum += value;
            sx += value * column as f64;
            sy += value * row as f64;
        }
    }
    Point2::new(sx / sum, sy / sum)
}

/// Second harmonic of the grey levels on the ring: for a saddle, twice the angle of its bright axis.
fn phase(data: &[u8], width: usize, (x, y): (usize, usize)) -> Vector2<f64> {
    let at = y * width + x;
    let ring =
        RING.map(|(dx, dy)| f64::from(data[at.wrapping_add_signed(dy * width.cast_signed() + dx)]));
    let harmonic = Vector2::new(
        ring[0] + ring[4] - ring[2] - ring[6],
        ring[1] + ring[5] - ring[3] - ring[7],
    );
    harmonic.try_normalize(1e-9).unwrap_or_else(Vector2::x)
}
