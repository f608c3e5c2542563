//! Rise, ramp down, rise: the shape of a reversal, by least squares.
//!
//! `w(t) = a + b (t − t₁)₋ − D ρ(t) + c (t − t₂)₊` with `ρ` going from 0 at t₁ to 1 at t₂ in a straight line. For given
//! knots this is linear; the knots are searched. `D` is the net depth: a regression on all instants around the reversal,
//! not the difference of two extremes.

use nalgebra::{Matrix4, Vector4};

/// How much of the movement before and after the ramp is looked at (s).
const AROUND_S: f64 = 0.4;
/// Shortest ramp (s).
const SHORTEST_S: f64 = 0.03;
/// Most instants between which the knots are searched on either side.
const KNOTS: usize = 40;

/// A fitted reversal.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Ramp {
    pub(crate) start_s: f64,
    pub(crate) end_s: f64,
    pub(crate) depth_m: f64,
}

/// Fits the ramp that starts and ends between the indices of the pair, give or take a tenth of a second.
pub(crate) fn fit_ramp(time_s: &[f64], value: &[f64], (s, t): (usize, usize)) -> Option<Ramp> {
    let early = time_s.partition_point(|&x| x < time_s[s] - 0.1);
    let late = time_s.partition_point(|&x| x <= time_s[t] + 0.1);
    let candidates: Vec<f64> = {
        let inside = &time_s[early..late];
        let thin = inside.len().div_ceil(2 * KNOTS).max(1);
        inside.iter().copied().step_by(thin).collect()
    };
    // The window stays the same for all knots: misfits over different instants cannot be compared.
    let window = (time_s[s] - AROUND_S, time_s[t] + AROUND_S);
    let mut best: Option<(f64, Ramp)> = None;
    for (i, &start_s) in candidates.iter().enumerate() {
        for &end_s in &candidates[i + 1..] {
            if end_s - start_s < SHORTEST_S {
                continue;
            }
            if let Some((misfit, depth_m)) = solve(time_s, value, (start_s, end_s), window)
                && best.is_none_or(|(least, _)| misfit < least)
            {
                let ramp = Ramp {
                    start_s,
                    end_s,
                    depth_m,
                };
                best = Some((misfit, ramp));
            }
        }
    }
    let (_, rough) = best?;
    // Knots between instants, and a window that fits the ramp.
    Some(rough.moved(time_s, value))
}

fn around(start_s: f64, end_s: f64) -> (f64, f64) {
    (start_s - AROUND_S, end_s + AROUND_S)
}

impl Ramp {
    /// The ramp nearby that fits the values best: a pattern search from 40 ms down to 5 ms.
    pub(crate) fn moved(&self, time_s: &[f64], value: &[f64]) -> Self {
        let window = around(self.start_s, self.end_s);
        let cost = |knots: (f64, f64)| {
            if knots.1 - knots.0 < SHORTEST_S {
                return f64::INFINITY;
            }
            solve(time_s, value, knots, window).map_or(f64::INFINITY, |(misfit, _)| misfit)
        };
        let mut knots = (self.start_s, self.end_s);
        let mut least = cost(knots);
        let mut step_s = 0.04;
        while step_s >= 0.005 {
            let tried = [(-step_s, 0.0), (step_s, 0.0), (0.0, -step_s), (0.0, step_s)]
                .map(|(a, b)| (knots.0 + a, knots.1 + b));
            let better = tried
                .into_iter()
                .map(|knots| (cost(knots), knots))
                .min_by(|a, b| a.0.total_cmp(&b.0))
                .filter(|(misfit, _)| *misfit < least);
            match better {
                Some((misfit, moved)) => (least, knots) = (misfit, moved),
                None => step_s *= 0.5,
            }
        }
        let (start_s, end_s) = knots;
        let depth_m = solve(time_s, value, knots, around(start_s, end_s))
            .map_or(self.depth_m, |(_, depth_m)| depth_m);
        Self {
            start_s,
            end_s,
            depth_m,
        }
    }
}

/// Sum of squared residuals and depth at given knots; `None` where the instants do not determine them.
fn solve(
    time_s: &[f64],
    value: &[f64],
    (start_s, end_s): (f64, f64),
    (from_s, to_s): (f64, f64),
) -> Option<(f64, f64)> {
    let from = time_s.partition_point(|&t| t < from_s);
    let to = time_s.partition_point(|&t| t <= to_s);
    let origin = *value.get(from)?;
    let row = |t: f64| {
        Vector4::new(
            1.0,
            (t - start_s).min(0.0),
            -((t - start_s) / (end_s - start_s)).clamp(0.0, 1.0),
            (t - end_s).max(0.0),
        )
    };
    let (mut normal, mut right, mut square) = (Matrix4::zeros(), Vector4::zeros(), 0.0);
    for (&t, v) in time_s[from..to].iter().zip(&value[from..to]) {
        let (row, v) = (row(t), v - origin);
        normal += row * row.transpose();
        right += row * v;
        square += v * v;
    }
    // Without instants before or after the ramp its slope there is nought.
    for i in [1, 3] {
        if normal[(i, i)] < 1e-9 {
            normal[(i, i)] = 1.0;
        }
    }
    let solution = normal.cholesky()?.solve(&right);
    Some((square - solution.dot(&right), solution[2]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ramp_is_read_off() {
        let time_s: Vec<f64> = (0..200).map(|i| f64::from(i) * 0.01).collect();
        let value: Vec<f64> = time_s
            .iter()
            .map(|t| {
                0.005 * (t - 0.7).min(0.0) - 0.004 * ((t - 0.7) / 0.25).clamp(0.0, 1.0)
                    + 0.01 * (t - 0.95).max(0.0)
            })
            .collect();
        let ramp = fit_ramp(&time_s, &value, (60, 105)).unwrap();
        assert!((ramp.depth_m - 0.004).abs() < 2e-5, "{ramp:?}");
        assert!((ramp.start_s - 0.7).abs() < 0.006 && (ramp.end_s - 0.95).abs() < 0.006);
        // Twice the values, twice the depth, at the same knots.
        let twice: Vec<f64> = value.iter().map(|v| 2.0 * v).collect();
        assert!((ramp.moved(&time_s, &twice).depth_m - 2.0 * ramp.depth_m).abs() < 1e-9);
    }
}
