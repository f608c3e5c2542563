//! From saddle points to the grid of a checkerboard: a grid is grown from a seed, neighbour by neighbour, each predicted from
//! those that stand already. Fast, and at home in a textured room, where a search over the whole picture is not.

use nalgebra::{DMatrix, DVector, Matrix3, Point2, Vector2};
use std::collections::{BTreeMap, VecDeque};

/// A neighbour is accepted this near its prediction (share of the step that led there).
const TOLERANCE: f64 = 0.25;
/// Steps of a seed differ in length by this factor at most: a board tilted by 75 degrees.
const STEEPEST: f64 = 4.5;
/// The sine of the angle between the steps of a seed is at least this.
const LEAST_SINE: f64 = 0.3;
/// Share of the corners that must have been seen; the rest is filled in by the homography of those.
const LEAST_SEEN: f64 = 0.8;
/// The homography must fit the corners that were seen to this share of the shortest step (rms).
const FIT: f64 = 0.15;
/// A corner this far from where the others put it (share of the shortest step) is a stray.
const STRAY: f64 = 0.25;
/// Share of each border line's corners that must have been seen.
const LEAST_ON_BORDER: f64 = 0.6;
/// Corners that make a homography worth the name: four are the minimum, six leave residuals.
const FEWEST: usize = 6;
/// Neighbours of a seed that are tried as first steps.
const SEED_NEIGHBOURS: usize = 6;
/// Longest step between corners in the screened picture (px).
const LONGEST_PX: f64 = 120.0;
/// Seeds tried, at most.
const SEEDS: usize = 120;

/// Cosine between the phases of neighbours: opposite, as their colours are, up to noise and perspective.
const OPPOSITE: f64 = -0.5;

/// A saddle point of a picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Saddle {
    /// Where (px).
    pub(crate) point: Point2<f64>,
    /// Unit vector at twice the angle of its bright axis. Neighbours on a checkerboard have opposite ones.
    pub(crate) phase: Vector2<f64>,
}

/// A size, columns and rows, and its grid.
type Found = ((usize, usize), Vec<Point2<f64>>);

type Cells = BTreeMap<(i32, i32), Saddle>;

/// The grid of `columns × rows` inner corners among `saddles`, row by row, in any of its orders, that `is_board` accepts; `None`
/// where there is none.
pub(crate) fn grow(
    saddles: &[Saddle],
    (columns, rows): (usize, usize),
    is_board: impl Fn(&[Point2<f64>]) -> bool,
) -> Option<Vec<Point2<f64>>> {
    let wanted = columns * rows;
    if (saddles.len() as f64) < LEAST_SEEN * wanted as f64 {
        return None;
    }
    seeds(saddles).find_map(|seed| {
        from_seed(saddles, saddles[seed], wanted, &mut |cells| {
            complete(cells, columns, rows).filter(|grid| is_board(grid))
        })
    })
}

/// The first of `sizes` whose grid is among `saddles` and accepted by `is_board`, and that grid. Every seed is grown once, for
/// all of them: in a picture full of saddles that are no board's, growing is what takes the time.
pub(crate) fn grow_any(
    saddles: &[Saddle],
    sizes: &[(usize, usize)],
    is_board: impl Fn((usize, usize), &[Point2<f64>]) -> bool,
) -> Option<Found> {
    let mut found = None;
    // Only what stands before the best so far is still asked for.
    let mut before = sizes.len();
    for seed in seeds(saddles) {
        let most = sizes[..before].iter().map(|(c, r)| c * r).max()?;
        let better = from_seed(saddles, saddles[seed], most, &mut |cells| {
            sizes[..before]
                .iter()
                .enumerate()
                .find_map(|(place, &(columns, rows))| {
                    let grid = complete(cells, columns, rows)?;
                    is_board((columns, rows), &grid).then_some((place, grid))
                })
        });
        if let Some((place, grid)) = better {
            found = Some((sizes[place], grid));
            before = place;
        }
    }
    found
}

fn seeds(saddles: &[Saddle]) -> impl Iterator<Item = usize> {
    (0..saddles.len()).step_by((saddles.len() / SEEDS).max(1))
}

/// What `accept` makes of the cells about a seed: every pair of first steps that has a fourth corner is tried, shortest first.
/// Grown to four times the corners `wanted`.
fn from_seed<T>(
    saddles: &[Saddle],
    origin: Saddle,
    wanted: usize,
    accept: &mut impl FnMut(&Cells) -> Option<T>,
) -> Option<T> {
    let mut near: Vec<Vector2<f64>> = saddles
        .iter()
        .filter(|other| other.phase.dot(&origin.phase) < OPPOSITE)
        .map(|other| other.point - origin.point)
        .filter(|step| (4.0..LONGEST_PX * LONGEST_PX).contains(&step.norm_squared()))
        .collect();
    near.sort_by(|a, b| a.norm_squared().total_cmp(&b.norm_squared()));
    near.truncate(SEED_NEIGHBOURS);
    for (index, first) in near.iter().enumerate() {
        for second in &near[index + 1..] {
            let sine = first.perp(second).abs() / (first.norm() * second.norm());
            if sine < LEAST_SINE || second.norm() > STEEPEST * first.norm() {
                continue;
            }
            // A true cell has a fourth corner.
            let fourth = origin.point + first + second;
            let reach = TOLERANCE * first.norm().min(second.norm());
            if nearest(saddles, fourth, reach, &-origin.phase).is_none() {
                continue;
            }
            let cells = spread(saddles, origin, (*first, *second), 4 * wanted);
            if let Some(accepted) = accept(&cells) {
                return Some(accepted);
            }
        }
    }
    None
}

/// Grows in all four directions, nearest cells first, until nothing fits or there are more than `most`.
fn spread(
    saddles: &[Saddle],
    origin: Saddle,
    (first, second): (Vector2<f64>, Vector2<f64>),
    most: usize,
) -> Cells {
    let mut cells = Cells::from([((0, 0), origin)]);
    let mut edge = VecDeque::from([(0, 0)]);
    while let Some(at) = edge.pop_front() {
        for (dx, dy) in [(1, 0), (-1, 0), (0, 1), (0, -1)] {
            let to = (at.0 + dx, at.1 + dy);
            if cells.contains_key(&to) || cells.len() > most {
                continue;
            }
            let step = step(&cells, at, (dx, dy), (first, second));
            let from = cells[&at];
            let Some(found) = nearest(
                saddles,
                from.point + step,
                TOLERANCE * step.norm(),
                &from.phase,
            ) else {
                continue;
            };
            if cells.values().any(|cell| *cell == found) {
                continue;
            }
            cells.insert(to, found);
            edge.push_back(to);
        }
    }
    cells
}

/// The step from a cell in a direction: as the step behind it, else as the parallel one beside it, else as the first cell's.
fn step(
    cells: &Cells,
    at: (i32, i32),
    (dx, dy): (i32, i32),
    (first, second): (Vector2<f64>, Vector2<f64>),
) -> Vector2<f64> {
    let here = cells[&at].point;
    if let Some(behind) = cells.get(&(at.0 - dx, at.1 - dy)) {
        return here - behind.point;
    }
    for side in [1, -1] {
        let beside = (at.0 + dy * side, at.1 + dx * side);
        let ahead = (beside.0 + dx, beside.1 + dy);
        if let (Some(from), Some(to)) = (cells.get(&beside), cells.get(&ahead)) {
            return to.point - from.point;
        }
    }
    first * f64::from(dx) + second * f64::from(dy)
}

/// The nearest saddle with the phase opposite to `phase`.
fn nearest(
    saddles: &[Saddle],
    to: Point2<f64>,
    reach: f64,
    phase: &Vector2<f64>,
) -> Option<Saddle> {
    // Saddles stand in order of rows, to a pixel.
    let from = saddles.partition_point(|saddle| saddle.point.y < to.y - reach - 1.5);
    saddles[from..]
        .iter()
        .take_while(|saddle| saddle.point.y < to.y + reach + 1.5)
        .filter(|saddle| saddle.phase.dot(phase) < OPPOSITE)
        .map(|saddle| (saddle, (saddle.point - to).norm_squared()))
        .filter(|(_, distance)| *distance < reach * reach)
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(saddle, _)| *saddle)
}

/// The wanted grid within what was grown: the window of its size that holds most corners, in either orientation, the
/// missing ones filled in.
fn complete(cells: &Cells, columns: usize, rows: usize) -> Option<Vec<Point2<f64>>> {
    if (cells.len() as f64) < LEAST_SEEN * (columns * rows) as f64 {
        return None;
    }
    let (c, r) = (i32::try_from(columns).ok()?, i32::try_from(rows).ok()?);
    let range = |pick: fn(&(i32, i32)) -> i32| {
        let low = cells.keys().map(pick).min()?;
        let high = cells.keys().map(pick).max()?;
        Some((low, high))
    };
    let (x, y) = (range(|cell| cell.0)?, range(|cell| cell.1)?);
    for turned in [false, true] {
        let (width, height) = if turned { (r, c) } else { (c, r) };
        if x.1 - x.0 + 1 < width || y.1 - y.0 + 1 < height {
            continue;
        }
        let count = |left: i32, top: i32| {
            cells
                .range((left, i32::MIN)..(left + width, i32::MIN))
                .filter(|((_, row), _)| (top..top + height).contains(row))
                .count()
        };
        let places = (x.0..=x.1 - width + 1)
            .flat_map(|left| (y.0..=y.1 - height + 1).map(move |top| (left, top)));
        let best = places.max_by_key(|(left, top)| count(*left, *top))?;
        if (count(best.0, best.1) as f64) < LEAST_SEEN * (columns * rows) as f64 {
            continue;
        }
        if goes_on(cells, best, (width, height)) {
            continue;
        }
        let cell_of = |column: i32, row: i32| {
            if turned {
                (best.0 + row, best.1 + column)
            } else {
                (best.0 + column, best.1 + row)
            }
        };
        if let Some(grid) = fill(cells, cell_of, (c, r)) {
            return Some(grid);
        }
    }
    None
}

/// Does the grid go on beyond the window? Then this is another, larger board.
fn goes_on(cells: &Cells, (left, top): (i32, i32), (width, height): (i32, i32)) -> bool {
    let column = |x: i32| {
        (top..top + height)
            .filter(|y| cells.contains_key(&(x, *y)))
            .count()
    };
    let row = |y: i32| {
        (left..left + width)
            .filter(|x| cells.contains_key(&(*x, y)))
            .count()
    };
    let full = |count: usize, length: i32| count as f64 >= LEAST_ON_BORDER * f64::from(length);
    [left - 1, left + width]
        .into_iter()
        .any(|x| full(column(x), height))
        || [top - 1, top + height]
            .into_iter()
            .any(|y| full(row(y), width))
}

/// Reads the window row by row, filling holes; `None` where the corners do not lie on one plane's grid.
fn fill(
    cells: &Cells,
    cell_of: impl Fn(i32, i32) -> (i32, i32),
    (columns, rows): (i32, i32),
) -> Option<Vec<Point2<f64>>> {
    let places: Vec<(i32, i32)> = (0..rows)
        .flat_map(|row| (0..columns).map(move |column| (column, row)))
        .collect();
    let seen: Vec<((i32, i32), Point2<f64>)> = places
        .iter()
        .filter_map(|place| {
            cells
                .get(&cell_of(place.0, place.1))
                .map(|saddle| (*place, saddle.point))
        })
        .collect();
    // Two rounds: strays that took a corner's place are put aside by the first.
    let first = Projective(homography(&seen)?);
    let stray = (STRAY * first.shortest_step()).max(1.2);
    let seen: Vec<_> = seen
        .into_iter()
        .filter(|(place, point)| (first.map(*place) - point).norm() < stray)
        .collect();
    let fitted = Projective(homography(&seen)?);
    let squares: f64 = seen
        .iter()
        .map(|(place, point)| (fitted.map(*place) - point).norm_squared())
        .sum();
    let rms = (squares / seen.len() as f64).sqrt();
    // Saddles stand on whole pixels before refinement: half of one is always allowed.
    if rms.is_nan() || rms > (FIT * fitted.shortest_step()).max(0.8) {
        return None;
    }
    // A border that hardly anything stands on may be one line outside the board.
    let borders = [
        (places_on(&seen, |(column, _)| column == 0), rows),
        (places_on(&seen, |(column, _)| column == columns - 1), rows),
        (places_on(&seen, |(_, row)| row == 0), columns),
        (places_on(&seen, |(_, row)| row == rows - 1), columns),
    ];
    if borders
        .iter()
        .any(|(count, length)| (*count as f64) < LEAST_ON_BORDER * f64::from(*length))
    {
        return None;
    }
    if (seen.len() as f64) < LEAST_SEEN * places.len() as f64 {
        return None;
    }
    let known: BTreeMap<(i32, i32), Point2<f64>> = seen.into_iter().collect();
    let corner = |place: (i32, i32)| {
        known
            .get(&place)
            .copied()
            .unwrap_or_else(|| fitted.map(place))
    };
    Some(places.into_iter().map(corner).collect())
}

fn places_on(seen: &[((i32, i32), Point2<f64>)], on: impl Fn((i32, i32)) -> bool) -> usize {
    seen.iter().filter(|(place, _)| on(*place)).count()
}

/// From grid to picture.
struct Projective(Matrix3<f64>);

impl Projective {
    fn map(&self, (column, row): (i32, i32)) -> Point2<f64> {
        let mapped = self.0 * nalgebra::Vector3::new(f64::from(column), f64::from(row), 1.0);
        Point2::new(mapped.x / mapped.z, mapped.y / mapped.z)
    }

    fn shortest_step(&self) -> f64 {
        let origin = self.map((0, 0));
        (self.map((1, 0)) - origin)
            .norm()
            .min((self.map((0, 1)) - origin).norm())
    }
}

/// Homography from grid to picture by linear least squares with its last element 1 (Hartley & Zisserman 2004, 4.1.2): the
/// grid's origin is on the board, so that element is never 0.
fn homography(seen: &[((i32, i32), Point2<f64>)]) -> Option<Matrix3<f64>> {
    let n = seen.len();
    if n < FEWEST {
        return None;
    }
    let mut rows = DMatrix::zeros(2 * n, 8);
    let mut right = DVector::zeros(2 * n);
    for (k, ((column, row), point)) in seen.iter().enumerate() {
        let (c, r) = (f64::from(*column), f64::from(*row));
        let lines = [
            ([c, r, 1.0, 0.0, 0.0, 0.0], point.x),
            ([0.0, 0.0, 0.0, c, r, 1.0], point.y),
        ];
        for (line, (front, value)) in lines.into_iter().enumerate() {
            let at = 2 * k + line;
            for (j, entry) in front.into_iter().enumerate() {
                rows[(at, j)] = entry;
            }
            rows[(at, 6)] = -c * value;
            rows[(at, 7)] = -r * value;
            right[at] = value;
        }
    }
    let h = rows.svd(true, true).solve(&right, 1e-12).ok()?;
    Some(Matrix3::new(
        h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], 1.0,
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::seq::SliceRandom;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    fn stray(rng: &mut ChaCha8Rng) -> Saddle {
        let angle: f64 = rng.random_range(0.0..std::f64::consts::TAU);
        Saddle {
            point: Point2::new(rng.random_range(0.0..900.0), rng.random_range(0.0..500.0)),
            phase: Vector2::new(angle.cos(), angle.sin()),
        }
    }

    fn scene(seed: u64, lost: usize, strays: usize) -> (Vec<Point2<f64>>, Vec<Saddle>) {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let tilt = Matrix3::new(14.0, 3.0, 200.0, -2.0, 9.0, 150.0, 0.006, -0.01, 1.0);
        let board: Vec<Point2<f64>> = (0..6)
            .flat_map(|row| (0..9).map(move |column| (column, row)))
            .map(|(column, row)| {
                let mapped = tilt * nalgebra::Vector3::new(f64::from(column), f64::from(row), 1.0);
                Point2::new(mapped.x / mapped.z, mapped.y / mapped.z)
            })
            .collect();
        let mut seen: Vec<Saddle> = board
            .iter()
            .enumerate()
            .map(|(index, p)| {
                let sign = if (index % 9 + index / 9).is_multiple_of(2) {
                    0.0
                } else {
                    std::f64::consts::PI
                };
                let angle: f64 = sign + 0.4 + rng.random_range(-0.4..0.4);
                Saddle {
                    point: Point2::new(
                        p.x + rng.random_range(-0.5..0.5),
                        p.y + rng.random_range(-0.5..0.5),
                    ),
                    phase: Vector2::new(angle.cos(), angle.sin()),
                }
            })
            .collect();
        seen.shuffle(&mut rng);
        seen.truncate(54 - lost);
        for _ in 0..strays {
            seen.push(stray(&mut rng));
        }
        seen.sort_by(|a, b| a.point.y.total_cmp(&b.point.y));
        (board, seen)
    }

    #[test]
    fn a_tilted_board_is_found_among_strays_with_corners_missing() {
        let (mut right, mut wrong) = (0, 0);
        for seed in 0..40 {
            let (board, seen) = scene(seed, 4, 300);
            let Some(grid) = grow(&seen, (9, 6), |_| true) else {
                continue;
            };
            // In any order: every true corner has a found one near it.
            if board
                .iter()
                .all(|corner| grid.iter().any(|p| (p - corner).norm() < 1.5))
            {
                right += 1;
            } else {
                wrong += 1;
            }
        }
        // Points alone cannot always tell a border from a line of strays; the squares' colours, which the detector asks
        // next, can.
        assert!(
            right >= 36 && wrong <= 2,
            "{right} right, {wrong} wrong of 40"
        );
    }

    #[test]
    fn strays_alone_and_another_size_make_no_board() {
        for seed in 0..20 {
            let (_, seen) = scene(seed, 0, 200);
            assert!(grow(&seen[..], (11, 8), |_| true).is_none());
            assert!(grow(&seen[..], (8, 5), |_| true).is_none());
            let any = |sizes: &[(usize, usize)]| {
                grow_any(&seen[..], sizes, |_, _| true).map(|(size, _)| size)
            };
            assert_eq!(any(&[(11, 8), (9, 6), (8, 5)]), Some((9, 6)));
            assert_eq!(any(&[(11, 8), (8, 5)]), None);
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            let mut strays: Vec<_> = (0..400).map(|_| stray(&mut rng)).collect();
            strays.sort_by(|a, b| a.point.y.total_cmp(&b.point.y));
            assert!(grow(&strays, (9, 6), |_| true).is_none());
        }
    }
}
