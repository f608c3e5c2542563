//! Where in a picture a checkerboard may be: clusters of saddle points. Far cheaper than the search for the board itself,
//! which takes half a second over a brick wall.
//!
//! The response follows the idea of Bennett & Lasenby 2014 ("ChESS"): on a ring about a corner of a checkerboard opposite
//! samples are alike and samples a quarter turn apart differ.

use crate::detector::GrayView;

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
/// Saddles this near each other (px) belong together.
const REACH_PX: i32 = 26;
/// Share of the board's corners that a cluster must have.
const LEAST_SHARE: f64 = 0.6;
/// A cluster of more than this many times the board's corners is a wall or a floor, not the board.
const MOST_SHARE: f64 = 2.5;
/// Room about a cluster (px).
const ROOM_PX: i32 = 30;

/// A part of a picture: left, top, right, bottom (px, the last two excluded).
pub(crate) type Part = [i32; 4];

/// Parts of the picture that hold enough saddles for a board of `corners` inner corners, most saddles first.
pub(crate) fn parts(picture: GrayView<'_>, corners: usize) -> Vec<Part> {
    let (Ok(width), Ok(height)) = (
        i32::try_from(picture.width_px()),
        i32::try_from(picture.height_px()),
    ) else {
        return Vec::new();
    };
    let saddles = saddles(picture);
    let mut group: Vec<usize> = (0..saddles.len()).collect();
    for a in 0..saddles.len() {
        // In order of rows: look ahead no farther than the reach.
        for b in a + 1..saddles.len() {
            if saddles[b].1 - saddles[a].1 > REACH_PX {
                break;
            }
            if (saddles[b].0 - saddles[a].0).abs() <= REACH_PX {
                let (x, y) = (root(&mut group, a), root(&mut group, b));
                let (low, high) = (x.min(y), x.max(y));
                group[high] = low;
            }
        }
    }
    let mut found: std::collections::BTreeMap<usize, (usize, Part)> =
        std::collections::BTreeMap::new();
    for (at, (x, y)) in saddles.iter().enumerate() {
        let of = root(&mut group, at);
        let (count, part) = found.entry(of).or_insert((0, [*x, *y, *x, *y]));
        *count += 1;
        *part = [
            part[0].min(*x),
            part[1].min(*y),
            part[2].max(*x),
            part[3].max(*y),
        ];
    }
    let mut enough: Vec<(usize, Part)> = found
        .into_values()
        .filter(|(count, _)| (LEAST_SHARE..=MOST_SHARE).contains(&(*count as f64 / corners as f64)))
        .collect();
    enough.sort_by_key(|(count, _)| std::cmp::Reverse(*count));
    enough
        .into_iter()
        .map(|(_, [left, top, right, bottom])| {
            [
                (left - ROOM_PX).max(0),
                (top - ROOM_PX).max(0),
                (right + ROOM_PX).min(width),
                (bottom + ROOM_PX).min(height),
            ]
        })
        .collect()
}

fn root(group: &mut [usize], mut at: usize) -> usize {
    while group[at] != at {
        group[at] = group[group[at]];
        at = group[at];
    }
    at
}

/// Local maxima of the response, row by row.
fn saddles(picture: GrayView<'_>) -> Vec<(i32, i32)> {
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
            if greatest && let (Ok(x), Ok(y)) = (i32::try_from(x), i32::try_from(y)) {
                found.push((x, y));
            }
        }
    }
    found
}
