//! A fall in the fast draw: the elbow slows, goes back, and gathers speed again.
//!
//! The speed along the line is a straight line before `t₀`, bends until `t₁`, is steady until `t₂`, bends until `t₃` and is a
//! straight line after it; the place is its integral, seen through the one low-pass. For given knots that is linear; the knots
//! are searched. How a bend goes nobody knows: evenly, or more or less softly at both ends. What is said is where the elbow turned and turned
//! again: a straight ramp between two straight rises stood in the middle of both bends, 50 ms early and 50 ms late where the draw
//! slows over 0.1 s, and its depth was 1.3 mm off.

use crate::smooth::through_low_pass;
use nalgebra::{Matrix6, Vector6};

/// How much of the movement before and after the turns is looked at (s).
const AROUND_S: f64 = 0.3;
/// Shortest bend (s).
const SHORTEST_S: f64 = 0.02;
/// First step of a search for the knots (s), far from them and near, and the step below which it ends; halved in between.
const STEPS_S: (f64, f64, f64) = (0.04, 0.01, 0.0005);
/// Grid on which the turns are read off (s).
const GRID_S: f64 = 0.001;

/// How the speed goes from one to another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Bend {
    /// In a straight line.
    Even,
    /// By a cubic that is level at both ends.
    Soft,
    /// By a quintic whose slope is level at both ends, too: minimum jerk (Flash & Hogan 1985, from memory).
    Softest,
}

/// A way back: from the turn toward the target to the turn away from it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct WayBack {
    pub(crate) start_s: f64,
    pub(crate) length_s: f64,
    pub(crate) depth_m: f64,
    /// Sum of squared residuals (m²).
    misfit: f64,
    bend: Bend,
    knots: [f64; 4],
}

/// A curve and the low-pass that it went through (standard deviation, s).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Curve<'a> {
    pub(crate) time_s: &'a [f64],
    pub(crate) value: &'a [f64],
    pub(crate) low_pass_s: f64,
}

impl Curve<'_> {
    /// The way back about the pair of indices, with every bend.
    pub(crate) fn way_backs(&self, pair: (usize, usize)) -> Vec<WayBack> {
        let bends = [Bend::Even, Bend::Soft, Bend::Softest].into_iter();
        bends.filter_map(|bend| self.way_back(pair, bend)).collect()
    }

    fn way_back(&self, (s, t): (usize, usize), bend: Bend) -> Option<WayBack> {
        let (top, bottom) = (self.time_s[s], self.time_s[t]);
        // The low-pass draws the turns together.
        let third = (bottom - top) / 3.0;
        let starts = [
            [top - 0.08, top + 0.03, bottom - 0.03, bottom + 0.08],
            [top - 0.03, top + third, bottom - third, bottom + 0.03],
        ];
        let window = (top - AROUND_S, bottom + AROUND_S);
        starts
            .into_iter()
            .filter_map(|knots| self.searched(bend, (knots, STEPS_S.0), window))
            .min_by(|a, b| a.misfit.total_cmp(&b.misfit))
    }

    /// The way back of another curve at the same instants, with the bend of one that is known and not far from it.
    pub(crate) fn moved(&self, known: &WayBack) -> Option<WayBack> {
        let [start, end] = [known.start_s, known.start_s + known.length_s];
        let window = (start - AROUND_S, end + AROUND_S);
        self.searched(known.bend, (known.knots, STEPS_S.1), window)
    }

    /// Pattern search downhill.
    fn searched(
        &self,
        bend: Bend,
        (mut from, mut step_s): ([f64; 4], f64),
        window: (f64, f64),
    ) -> Option<WayBack> {
        let cost = |knots: [f64; 4]| {
            let [a, b, c, d] = knots;
            if b - a < SHORTEST_S || c < b || d - c < SHORTEST_S || a < window.0 || d > window.1 {
                return None;
            }
            self.solve(bend, knots, window)
        };
        from[2] = from[2].max(from[1]);
        let (mut least, mut solution) = cost(from)?;
        let mut knots = from;
        while step_s >= STEPS_S.2 {
            let mut better = None;
            for (k, sign) in (0..4).flat_map(|k| [(k, -1.0), (k, 1.0)]) {
                let mut tried = knots;
                tried[k] += sign * step_s;
                if let Some((misfit, solved)) = cost(tried)
                    && misfit < better.as_ref().map_or(least, |&(best, _, _)| best)
                {
                    better = Some((misfit, solved, tried));
                }
            }
            match better {
                Some((misfit, solved, tried)) => {
                    (least, solution, knots) = (misfit, solved, tried);
                }
                None => step_s *= 0.5,
            }
        }
        let [first, .., last] = knots;
        let seen = (
            first.max(*self.time_s.first()?),
            last.min(*self.time_s.last()?),
        );
        Some(WayBack {
            misfit: least,
            ..read_off(bend, knots, &solution, seen)
        })
    }

    /// Sum of squared residuals and solution at given knots; `None` where the instants do not determine it.
    fn solve(
        &self,
        bend: Bend,
        knots: [f64; 4],
        (from_s, to_s): (f64, f64),
    ) -> Option<(f64, Vector6<f64>)> {
        let from = self.time_s.partition_point(|&t| t < from_s);
        let to = self.time_s.partition_point(|&t| t <= to_s);
        let origin = *self.value.get(from)?;
        let (mut normal, mut right, mut square) = (Matrix6::zeros(), Vector6::zeros(), 0.0);
        for (&t, v) in self.time_s[from..to].iter().zip(&self.value[from..to]) {
            let row = through_low_pass(self.low_pass_s, |lag_s| place(t + lag_s, bend, knots));
            let v = v - origin;
            normal += row * row.transpose();
            right += row * v;
            square += v * v;
        }
        // Without instants before or after the fall, or in its last bend, nothing is known of the speed's slope there.
        for i in [2, 4, 5] {
            if normal[(i, i)] < 1e-12 {
                normal[(i, i)] = 1.0;
            }
        }
        let solution = normal.cholesky()?.solve(&right);
        Some((square - solution.dot(&right), solution))
    }
}

/// Place over time, per unit of each parameter: the place at `t₀`, the speed there, the speed's slopes before, in the two bends
/// and after.
fn place(t: f64, bend: Bend, [a, b, c, d]: [f64; 4]) -> Vector6<f64> {
    let bent = |from: f64, to: f64| {
        let length = to - from;
        let share = ((t - from) / length).clamp(0.0, 1.0);
        let within = match bend {
            Bend::Even => 0.5 * share * share,
            Bend::Soft => share.powi(3) * (1.0 - 0.5 * share),
            Bend::Softest => share.powi(4) * (2.5 - 3.0 * share + share * share),
        };
        length * (length * within + (t - to).max(0.0))
    };
    Vector6::new(
        1.0,
        t - a,
        0.5 * (t - a).min(0.0).powi(2),
        bent(a, b),
        bent(c, d),
        0.5 * (t - d).max(0.0).powi(2),
    )
}

/// The largest fall between two instants.
fn read_off(
    bend: Bend,
    knots: [f64; 4],
    solution: &Vector6<f64>,
    (first, last): (f64, f64),
) -> WayBack {
    let instants = ((last - first) / GRID_S).ceil().max(1.0) as usize;
    let at = |i: usize| first + (last - first) * i as f64 / instants as f64;
    let values: Vec<f64> = (0..=instants)
        .map(|i| place(at(i), bend, knots).dot(solution))
        .collect();
    let (depth_m, top, bottom) = crate::reversal::deepest_pair(&values);
    WayBack {
        start_s: at(top),
        length_s: at(bottom) - at(top),
        depth_m,
        misfit: 0.0,
        bend,
        knots,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Speed over time, per unit of each parameter but the first.
    fn speed(t: f64, bend: Bend, [a, b, c, d]: [f64; 4]) -> [f64; 5] {
        let bent = |from: f64, to: f64| {
            let share = ((t - from) / (to - from)).clamp(0.0, 1.0);
            let gone = match bend {
                Bend::Even => share,
                Bend::Soft => share * share * (3.0 - 2.0 * share),
                Bend::Softest => share.powi(3) * (10.0 - 15.0 * share + 6.0 * share * share),
            };
            (to - from) * gone
        };
        [
            1.0,
            (t - a).min(0.0),
            bent(a, b),
            bent(c, d),
            (t - d).max(0.0),
        ]
    }

    /// Fast, slower from 0.6 s on, back at 30 mm/s from 0.7 s, away again from 0.95 s, fast from 1.05 s.
    const KNOTS: [f64; 4] = [0.6, 0.7, 0.95, 1.05];

    #[test]
    fn the_turns_are_read_off_whatever_the_low_pass() {
        let time_s: Vec<f64> = (0..180).map(|i| f64::from(i) * 0.01).collect();
        // 0.4 m/s at the first knot; down to -0.03 in 0.1 s, up to 0.5 in 0.1 s.
        let solution = Vector6::new(0.0, 0.4, 0.1, -4.3, 5.3, -0.2);
        // Turns where the speed is nought.
        let (start, end) = (0.6 + 0.4 / 4.3, 0.95 + 0.03 / 5.3);
        let depth = 0.03 * 0.25 + 0.5 * 0.03 * (0.7 - start) + 0.5 * 0.03 * (end - 0.95);
        for low_pass_s in [1e-6, 0.022] {
            let at = |t: f64| {
                through_low_pass(low_pass_s, |lag| place(t + lag, Bend::Even, KNOTS)).dot(&solution)
            };
            let value: Vec<f64> = time_s.iter().map(|&t| at(t)).collect();
            let curve = Curve {
                time_s: &time_s,
                value: &value,
                low_pass_s,
            };
            let found = curve.way_back((70, 95), Bend::Even).unwrap();
            assert!((found.start_s - start).abs() < 0.003, "{found:?}");
            assert!((found.length_s - (end - start)).abs() < 0.004, "{found:?}");
            assert!((found.depth_m - depth).abs() < 1e-4, "{found:?} {depth}");
            // Through the other bend it is another fall, but not by much.
            let soft = curve.way_back((70, 95), Bend::Soft).unwrap();
            assert!((soft.depth_m - depth).abs() < 1e-3, "{soft:?} {depth}");
            // Twice the values, twice the depth, at the same knots.
            let value: Vec<f64> = value.iter().map(|v| 2.0 * v).collect();
            let twice = Curve {
                value: &value,
                ..curve
            };
            let twice = twice.moved(&found).unwrap();
            assert!((twice.depth_m - 2.0 * found.depth_m).abs() < 1e-4);
        }
    }

    #[test]
    fn a_fall_that_the_draw_ends_in_is_as_long_as_it_was_seen() {
        let time_s: Vec<f64> = (0..=90).map(|i| f64::from(i) * 0.01).collect();
        let solution = Vector6::new(0.0, 0.4, 0.1, -4.3, 5.3, -0.2);
        let at = |t: f64| place(t, Bend::Even, KNOTS).dot(&solution);
        let value: Vec<f64> = time_s.iter().map(|&t| at(t)).collect();
        let curve = Curve {
            time_s: &time_s,
            value: &value,
            low_pass_s: 1e-6,
        };
        let found = curve.way_back((70, 90), Bend::Even).unwrap();
        let top = 0.6 + 0.4 / 4.3;
        assert!((found.start_s - top).abs() < 0.005, "{found:?}");
        assert!(
            (found.depth_m - (at(top) - at(0.9))).abs() < 1e-4,
            "{found:?}"
        );
        assert!(found.start_s + found.length_s <= 0.9 + 1e-9, "{found:?}");
    }

    #[test]
    fn place_is_the_integral_of_speed() {
        let step = 1e-5;
        for bend in [Bend::Even, Bend::Soft, Bend::Softest] {
            for i in 0..60 {
                let t = 0.4 + 0.0151 * f64::from(i);
                let [before, after] = [t - step, t + step].map(|t| place(t, bend, KNOTS));
                let slope = (after - before) / (2.0 * step);
                for (k, speed) in speed(t, bend, KNOTS).into_iter().enumerate() {
                    assert!((slope[k + 1] - speed).abs() < 1e-6, "{t} {k}");
                }
            }
        }
    }
}
