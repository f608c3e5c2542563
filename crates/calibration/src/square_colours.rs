//! Do the squares look as a checkerboard's must? Points on a grid are not enough: every second line of a board is a grid, too,
//! and so is a board counted from one line too far.

use crate::corner_order::GridShape;
use nalgebra::Point2;

/// Places within a square that are looked at, from its corner (share of the square): a square is of one colour all over. A
/// grid of every second line has cells of both.
const PLACES: [(f64, f64); 5] = [
    (0.5, 0.5),
    (0.25, 0.25),
    (0.75, 0.25),
    (0.25, 0.75),
    (0.75, 0.75),
];
/// Share of the places that must show their square's colour: fingers, shade and glare may spoil a few.
const LEAST_AGREEING: f64 = 0.88;
/// Share of the black squares outside each border that must look black. Counted from one line too far they are the white
/// margin, on a whole side; a hand hides some.
const LEAST_BLACK_OUTSIDE: f64 = 0.5;
/// Where all squares two lines outside a border have their colours, apart by this share of the board's contrast, the board
/// goes on: it is another, larger one.
const GOES_ON: f64 = 0.5;

/// About a corner, both white squares must be brighter than both black ones by this share of the board's contrast.
const LEAST_SADDLE: f64 = 0.25;
/// How far from a corner, along both directions of the grid, and outside a border squares are looked at (share of a square):
/// outermost squares are cut to half their width on some sheets.
const NEAR_CORNER: f64 = 0.3;
/// Squares along a border, and where in each to look.
type Side = (Vec<(i32, i32)>, (f64, f64));
/// Grey levels about a corner: in its two black squares, and in its two white ones.
type Cross = ([f64; 2], [f64; 2]);

/// The squares about a grid of corners that stands in the board's order.
struct Squares<'a> {
    shape: GridShape,
    corners: &'a [Point2<f64>],
}

impl Squares<'_> {
    /// Where grid place `(u, v)` is in the picture (px): between four corners, or a square or two beyond the outermost.
    fn at(&self, u: f64, v: f64) -> Point2<f64> {
        let cell = |value: f64, count: usize| {
            let last = count.saturating_sub(2);
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "clamped to the grid"
            )]
            let cell = value.floor().clamp(0.0, last as f64) as usize;
            (cell, value - cell as f64)
        };
        let (column, s) = cell(u, self.shape.columns);
        let (row, t) = cell(v, self.shape.rows);
        let corner =
            |c: usize, r: usize| self.corners[(row + r) * self.shape.columns + column + c].coords;
        let low = corner(0, 0) * (1.0 - s) + corner(1, 0) * s;
        let high = corner(0, 1) * (1.0 - s) + corner(1, 1) * s;
        Point2::from(low * (1.0 - t) + high * t)
    }
}

/// Is the square whose lower left corner is corner `(column, row)` black? That outside corner `(0, 0)`, `(−1, −1)`, is.
fn black(column: i32, row: i32) -> bool {
    (column + row).rem_euclid(2) == 0
}

/// Are the squares within `corners`, and those around them, those of a board of just this size? `corners` stand in the
/// board's order; `grey` samples the picture.
pub(crate) fn show_a_board(
    shape: GridShape,
    corners: &[Point2<f64>],
    grey: impl Fn(Point2<f64>) -> f64,
) -> bool {
    let (Ok(columns), Ok(rows)) = (i32::try_from(shape.columns), i32::try_from(shape.rows)) else {
        return false;
    };
    let squares = Squares { shape, corners };
    let look = |column: i32, row: i32, (s, t): (f64, f64)| {
        grey(squares.at(f64::from(column) + s, f64::from(row) + t))
    };
    let inner: Vec<(i32, i32)> = (0..rows - 1)
        .flat_map(|row| (0..columns - 1).map(move |column| (column, row)))
        .collect();
    let mean = |want: bool| {
        let own = inner.iter().filter(|(c, r)| black(*c, *r) == want);
        let count = own.clone().count().max(1) as f64;
        own.map(|(c, r)| look(*c, *r, PLACES[0])).sum::<f64>() / count
    };
    let middle = f64::midpoint(mean(true), mean(false));

    let agreeing = inner
        .iter()
        .flat_map(|(c, r)| PLACES.map(|place| (look(*c, *r, place) < middle) == black(*c, *r)))
        .filter(|agrees| *agrees)
        .count();
    if (agreeing as f64) < LEAST_AGREEING * (PLACES.len() * inner.len()) as f64 {
        return false;
    }
    // Lines of squares along a border, `beyond` squares outside of it, and where in them to look.
    let sides = |beyond: i32, near: f64| -> [Side; 4] {
        let far = 1.0 - near;
        let along = |count: i32| 0..count - 1;
        [
            (along(rows).map(|row| (-beyond, row)).collect(), (far, 0.5)),
            (
                along(rows).map(|row| (columns - 2 + beyond, row)).collect(),
                (near, 0.5),
            ),
            (
                along(columns).map(|column| (column, -beyond)).collect(),
                (0.5, far),
            ),
            (
                along(columns)
                    .map(|column| (column, rows - 2 + beyond))
                    .collect(),
                (0.5, near),
            ),
        ]
    };
    let whole = sides(1, NEAR_CORNER).iter().all(|(side, place)| {
        let dark = side.iter().filter(|(c, r)| black(*c, *r));
        let seen = dark.clone().filter(|(c, r)| look(*c, *r, *place) < middle);
        seen.count() as f64 >= LEAST_BLACK_OUTSIDE * dark.count() as f64
    });
    let larger = sides(2, 0.5).iter().any(|(side, place)| {
        let levels = |want: bool| {
            side.iter()
                .filter(move |(c, r)| black(*c, *r) == want)
                .map(|(c, r)| look(*c, *r, *place))
        };
        let darkest_white = levels(false).fold(f64::INFINITY, f64::min);
        let brightest_black = levels(true).fold(f64::NEG_INFINITY, f64::max);
        darkest_white - brightest_black > GOES_ON * (mean(false) - mean(true))
    });
    whole && !larger
}

/// Is every corner there to be seen? A corner under a hand was put where the others' plane has it, and refined onto whatever
/// edge was near: its squares do not show. `corners` stand in the board's order.
pub(crate) fn every_corner_shows(
    shape: GridShape,
    corners: &[Point2<f64>],
    grey: impl Fn(Point2<f64>) -> f64,
) -> bool {
    let squares = Squares { shape, corners };
    let mut crosses = Vec::with_capacity(corners.len());
    for row in 0..shape.rows {
        for column in 0..shape.columns {
            let look = |s: f64, t: f64| {
                grey(squares.at(
                    column as f64 + NEAR_CORNER * s,
                    row as f64 + NEAR_CORNER * t,
                ))
            };
            // The square above and to the right is that of this corner.
            let (one, other) = (
                [look(1.0, 1.0), look(-1.0, -1.0)],
                [look(-1.0, 1.0), look(1.0, -1.0)],
            );
            let dark_first = (column + row) % 2 == 0;
            crosses.push(if dark_first {
                (one, other)
            } else {
                (other, one)
            });
        }
    }
    let mean = |pick: fn(&Cross) -> [f64; 2]| {
        let sum: f64 = crosses
            .iter()
            .map(|cross| pick(cross).iter().sum::<f64>())
            .sum();
        sum / (2 * crosses.len()) as f64
    };
    let least = LEAST_SADDLE * (mean(|cross| cross.1) - mean(|cross| cross.0));
    crosses
        .iter()
        .all(|([a, b], [c, d])| c.min(*d) - a.max(*b) >= least)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 20 px squares on a white sheet on a grey floor; board 9 × 6, corner (0, 0) at (100, 300), `y` up.
    fn grey(p: Point2<f64>) -> f64 {
        let (u, v) = ((p.x - 100.0) / 20.0, (300.0 - p.y) / 20.0);
        if !(-1.7..9.7).contains(&u) || !(-1.7..6.7).contains(&v) {
            return 120.0;
        }
        let inside = (-1.0..9.0).contains(&u) && (-1.0..6.0).contains(&v);
        #[expect(clippy::cast_possible_truncation, reason = "a handful of squares")]
        let dark = inside && black(u.floor() as i32, v.floor() as i32);
        if dark { 20.0 } else { 230.0 }
    }

    fn grid(
        (columns, rows): (usize, usize),
        place: impl Fn(f64, f64) -> (f64, f64),
    ) -> (GridShape, Vec<Point2<f64>>) {
        let corners = (0..rows)
            .flat_map(|row| (0..columns).map(move |column| (column as f64, row as f64)))
            .map(|(column, row)| {
                let (u, v) = place(column, row);
                Point2::new(100.0 + 20.0 * u, 300.0 - 20.0 * v)
            })
            .collect();
        (GridShape { columns, rows }, corners)
    }

    #[test]
    fn the_board_itself_with_and_without_a_hand() {
        let (shape, corners) = grid((9, 6), |c, r| (c, r));
        assert!(show_a_board(shape, &corners, grey));
        // A hand over four squares of the right border and two within.
        let hand = |p: Point2<f64>| {
            if p.x > 240.0 && (215.0..255.0).contains(&p.y) {
                150.0
            } else {
                grey(p)
            }
        };
        assert!(show_a_board(shape, &corners, hand));
    }

    #[test]
    fn a_corner_under_a_hand_and_one_that_ran_off() {
        let (shape, corners) = grid((9, 6), |c, r| (c, r));
        assert!(every_corner_shows(shape, &corners, grey));
        let hand = |p: Point2<f64>| {
            if p.x > 252.0 && p.y < 212.0 {
                150.0
            } else {
                grey(p)
            }
        };
        assert!(!every_corner_shows(shape, &corners, hand));
        let mut moved = corners.clone();
        moved[8].x += 7.0;
        assert!(!every_corner_shows(shape, &moved, grey));
        // Squares a little apart in brightness: a lamp on one side.
        let lamp = |p: Point2<f64>| grey(p) * (0.5 + 0.5 * (p.x - 60.0) / 240.0);
        assert!(every_corner_shows(shape, &corners, lamp));
    }

    #[test]
    fn grids_that_are_not_the_board() {
        // From one line too far, along and across; by two, so that the colours come out right again.
        for (along, across) in [(2.0, 0.0), (0.0, 2.0), (1.0, 1.0), (-1.0, 1.0), (1.0, -1.0)] {
            let (shape, corners) = grid((9, 6), |c, r| (c + along, r + across));
            assert!(!show_a_board(shape, &corners, grey), "{along} {across}");
        }
        // Every second line, aslant: neighbours have opposite phases, as on the board.
        let (shape, corners) = grid((6, 3), |c, r| (c + r, 2.0 * r));
        assert!(!show_a_board(shape, &corners, grey));
        // Every line, but sheared.
        let (shape, corners) = grid((4, 3), |c, r| (c + 2.0 * r, r));
        assert!(!show_a_board(shape, &corners, grey));
        // A part of a larger board.
        let (shape, corners) = grid((3, 3), |c, r| (c + 2.0, r + 2.0));
        assert!(!show_a_board(shape, &corners, grey));
    }
}
