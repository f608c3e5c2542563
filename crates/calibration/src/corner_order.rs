//! Which corner is which: from a grid found in any of its four orders to the board's own.

use crate::square_colours;
use nalgebra::{Point2, Vector2};

/// A grid of image points, `columns × rows`, row by row.
#[derive(Debug, Clone, Copy)]
pub(crate) struct GridShape {
    pub(crate) columns: usize,
    pub(crate) rows: usize,
}

/// Contrast between the two colours below which the ends stay unresolved (grey levels of 255).
const LEAST_CONTRAST: f64 = 8.0;

/// Share of the squares that must show their colour: shade and glare may spoil a few.
const LEAST_AGREEING: f64 = 0.93;

impl GridShape {
    fn at(self, column: usize, row: usize) -> usize {
        row * self.columns + column
    }

    /// Twice the signed area of the outline in the picture. The picture's `y` runs down, so a board seen from
    /// its printed side (`x` right, `y` up) has a *negative* area.
    fn signed_area(self, corners: &[Point2<f64>]) -> f64 {
        let outline = [
            corners[self.at(0, 0)],
            corners[self.at(self.columns - 1, 0)],
            corners[self.at(self.columns - 1, self.rows - 1)],
            corners[self.at(0, self.rows - 1)],
        ];
        (0..4)
            .map(|i| {
                let (p, q) = (outline[i], outline[(i + 1) % 4]);
                p.x * q.y - q.x * p.y
            })
            .sum()
    }

    fn flip_rows(self, corners: &[Point2<f64>]) -> Vec<Point2<f64>> {
        (0..self.rows)
            .rev()
            .flat_map(|row| corners[row * self.columns..(row + 1) * self.columns].iter())
            .copied()
            .collect()
    }

    /// Distance from corner `index` to its nearest neighbour in the grid (px).
    pub(crate) fn nearest_neighbour_px(self, corners: &[Point2<f64>], index: usize) -> f64 {
        let (column, row) = (index % self.columns, index / self.columns);
        let mut nearest = f64::INFINITY;
        let mut look = |other: usize| {
            nearest = nearest.min((corners[other] - corners[index]).norm());
        };
        if column > 0 {
            look(index - 1);
        }
        if column + 1 < self.columns {
            look(index + 1);
        }
        if row > 0 {
            look(index - self.columns);
        }
        if row + 1 < self.rows {
            look(index + self.columns);
        }
        nearest
    }

    /// Middles of the inner edges along the columns, each with the vector from the centre of the square on one
    /// side to that on the other.
    pub(crate) fn edges(
        self,
        corners: &[Point2<f64>],
    ) -> impl Iterator<Item = (Point2<f64>, Vector2<f64>)> + '_ {
        (1..self.rows - 1).flat_map(move |row| {
            (0..self.columns - 1).map(move |column| {
                let mean = |r: usize| {
                    0.5 * (corners[self.at(column, r)].coords
                        + corners[self.at(column + 1, r)].coords)
                };
                (
                    Point2::from(mean(row)),
                    (mean(row + 1) - mean(row - 1)) / 2.0,
                )
            })
        })
    }

    /// Centres of the inner squares, `true` where they have the colour of the first.
    pub(crate) fn square_centres(
        self,
        corners: &[Point2<f64>],
    ) -> impl Iterator<Item = (Point2<f64>, bool)> + '_ {
        (0..self.rows - 1).flat_map(move |row| {
            (0..self.columns - 1).map(move |column| {
                let sum = [(0, 0), (1, 0), (0, 1), (1, 1)]
                    .iter()
                    .map(|(c, r)| corners[self.at(column + c, row + r)].coords)
                    .sum::<Vector2<f64>>();
                (Point2::from(sum / 4.0), (column + row) % 2 == 0)
            })
        })
    }

    /// Puts corners into the board's order: seen from the printed side, black square at the outside of the first
    /// corner. `grey` samples the picture. `None` where the squares differ too little to tell, or are not those of a board.
    pub(crate) fn resolve(
        self,
        found: &[Point2<f64>],
        grey: impl Fn(Point2<f64>) -> f64,
    ) -> Option<Vec<Point2<f64>>> {
        let mut corners = if self.signed_area(found) < 0.0 {
            found.to_vec()
        } else {
            self.flip_rows(found)
        };
        // The outer square of corner (0, 0) and the inner square (0, 0) touch at that corner: same colour.
        let mut sums = [(0.0, 0usize); 2];
        for (centre, even) in self.square_centres(&corners) {
            let cell = &mut sums[usize::from(!even)];
            *cell = (cell.0 + grey(centre), cell.1 + 1);
        }
        let [even, odd] = sums.map(|(sum, count)| sum / count.max(1) as f64);
        if (even - odd).abs() < LEAST_CONTRAST {
            return None;
        }
        // On a board every square is on its colour's side of the middle; a grid that is shifted by a line, or no board at
        // all, has squares that are not.
        let middle = f64::midpoint(even, odd);
        let total = (self.rows - 1) * (self.columns - 1);
        let agree = self
            .square_centres(&corners)
            .filter(|(centre, is_even)| (grey(*centre) > middle) == ((even > odd) == *is_even))
            .count();
        if (agree as f64) < LEAST_AGREEING * total as f64 {
            return None;
        }
        if even > odd {
            corners.reverse();
        }
        square_colours::show_a_board(self, &corners, grey).then_some(corners)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A board drawn by its rule: `x` right, `y` up, 20 px squares, lower left outer square black.
    fn grey(shape: GridShape, p: Point2<f64>) -> f64 {
        let column = ((p.x - 100.0) / 20.0).floor();
        let row = ((300.0 - p.y) / 20.0).floor();
        let inside = column >= -1.0
            && row >= -1.0
            && column < shape.columns as f64
            && row < shape.rows as f64;
        // Outer square (−1, −1) is black, so squares of even parity are black.
        if inside && (column + row).rem_euclid(2.0) < 0.5 {
            20.0
        } else {
            230.0
        }
    }

    #[test]
    fn all_four_orders_come_out_as_one() {
        for (columns, rows) in [(9, 6), (8, 5), (6, 9), (5, 4)] {
            let shape = GridShape { columns, rows };
            let truth: Vec<_> = (0..rows)
                .flat_map(|r| {
                    (0..columns)
                        .map(move |c| Point2::new(100.0 + 20.0 * c as f64, 300.0 - 20.0 * r as f64))
                })
                .collect();
            let half_turn: Vec<_> = truth.iter().rev().copied().collect();
            let mirrored = shape.flip_rows(&truth);
            let both: Vec<_> = mirrored.iter().rev().copied().collect();
            for order in [&truth, &half_turn, &mirrored, &both] {
                assert_eq!(shape.resolve(order, |p| grey(shape, p)).unwrap(), truth);
            }
            // The board upside down in the picture: the same squares, so the same corners.
            let turned: Vec<_> = truth
                .iter()
                .map(|p| Point2::new(600.0 - p.x, 500.0 - p.y))
                .collect();
            let seen = |p: Point2<f64>| grey(shape, Point2::new(600.0 - p.x, 500.0 - p.y));
            let reversed: Vec<_> = turned.iter().rev().copied().collect();
            assert_eq!(shape.resolve(&reversed, seen).unwrap(), turned);
        }
    }

    #[test]
    fn grey_mush_stays_unresolved() {
        let shape = GridShape {
            columns: 4,
            rows: 3,
        };
        let points: Vec<_> = (0..12)
            .map(|i| Point2::new(f64::from(i % 4) * 9.0, f64::from(i / 4) * 9.0))
            .collect();
        assert!(shape.resolve(&points, |_| 100.0).is_none());
    }
}
