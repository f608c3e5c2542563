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
const LEAST_RESPONSE: i32 = 45;
/// Local maxima of the response, row by row.
pub(crate) fn saddles(picture: GrayView<'_>) -> Vec<Saddle> {
    let (width, height) = (picture.width_px() as usize, picture.height_px() as usize);
    let data = picture.data();
    let mut response = vec![0i16; width * height];
    for y in 4..height.saturating_sub(4) {
        for x in 4..width.saturating_sub(4) {
            let at = y * width + x;
            let ring = RING.map(|(dx, dy)| {
                let place = at.wrapping_add_signed(dy * width.cast_signed() + dx);
                i32::from(data[place])
            });
            let cross = (ring[0] + ring[4] - ring[2] - ring[6]).abs()
                + (ring[1] + ring[5] - ring[3] - ring[7]).abs();
            let across: i32 = (0..4).map(|k| (ring[k] - ring[k + 4]).abs()).sum();
            let value = cross - across;
            if value > LEAST_RESPONSE {
                response[at] = i16::try_from(value).unwrap_or(i16::MAX);
            }
        }
    }
    let mut found = Vec::new();
    for y in 4..height.saturating_sub(4) {
        for x in 4..width.saturating_sub(4) {
            let value = response[y * width + x];
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
