//! The instant at which slow, straight movement breaks into a burst (or, backward in time, comes out of one).
//!
//! `e(t) = a + b τ + c τ₊^2.25`, `τ = t − t_b`, fitted by least squares in all three coordinates at once, scanned over `t_b`,
//! the minimum refined by a parabola. The power stands between an acceleration that is there at once (2) and one that
//! grows evenly from nothing (3): with 0.3 mm of noise, correlated over 20 ms, a free power or two terms scatter by 7 to
//! 20 ms, while this one errs by −6 ms for the first kind and +5 ms for the second with a scatter of 1 to 3 ms.

use nalgebra::Point3;

/// Error of the model that no draw shows (s), see above.
pub(crate) const MODEL_SD_S: f64 = 0.005;
const POWER: f64 = 2.25;
/// Unit of τ (s), so that the three shapes are of one size.
const SCALE_S: f64 = 0.1;

/// What is looked at around a break.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Search {
    /// Where the break is about (s).
    pub(crate) near_s: f64,
    /// How far from there it may lie (s).
    pub(crate) reach_s: f64,
    /// Step of the scan (s).
    pub(crate) step_s: f64,
    /// How much of the slow side is looked at (s).
    pub(crate) slow_s: f64,
    /// How much of the burst is looked at (s).
    pub(crate) burst_s: f64,
    /// The burst comes before the slow side.
    pub(crate) backward: bool,
}

/// The break (s) of the points at the given instants; `None` where either side holds fewer than three.
pub(crate) fn find_break(time_s: &[f64], points: &[Point3<f64>], search: Search) -> Option<f64> {
    let sign = if search.backward { -1.0 } else { 1.0 };
    // From here on time runs from the slow side into the burst.
    let local: Vec<(f64, &Point3<f64>)> = time_s
        .iter()
        .zip(points)
        .map(|(t, point)| (sign * (t - search.near_s), point))
        .filter(|(t, point)| *t >= -search.slow_s && *t <= search.burst_s && point.x.is_finite())
        .collect();
    let after = local.iter().filter(|(t, _)| *t > 0.0).count();
    if after < 3 || local.len() < after + 3 {
        return None;
    }
    let steps = (search.reach_s / search.step_s).round() as i32;
    let misfits: Vec<f64> = (-steps..=steps)
        .map(|i| misfit(&local, f64::from(i) * search.step_s))
        .collect();
    let (best, _) = misfits
        .iter()
        .enumerate()
        .min_by(|a, b| a.1.total_cmp(b.1))?;
    let mut shift = 0.0;
    if best > 0 && best + 1 < misfits.len() {
        let (a, b, c) = (misfits[best - 1], misfits[best], misfits[best + 1]);
        let curvature = a - 2.0 * b + c;
        if curvature > 0.0 {
            shift = 0.5 * (a - c) / curvature;
        }
    }
    Some(search.near_s + sign * (best as f64 - f64::from(steps) + shift) * search.step_s)
}

/// Sum of squared residuals with the break at `break_s` (modified Gram-Schmidt on the three shapes).
fn misfit(local: &[(f64, &Point3<f64>)], break_s: f64) -> f64 {
    let shape = |which: usize, t: f64| {
        let tau = (t - break_s) / SCALE_S;
        match which {
            0 => 1.0,
            1 => tau,
            _ => tau.max(0.0).powf(POWER),
        }
    };
    let mut basis: Vec<Vec<f64>> = Vec::with_capacity(3);
    for which in 0..3 {
        let mut column: Vec<f64> = local.iter().map(|(t, _)| shape(which, *t)).collect();
        let size = norm(&column);
        for earlier in &basis {
            take_off(&mut column, earlier);
        }
        let rest = norm(&column);
        if rest > 1e-9 * size.max(1e-12) {
            basis.push(column.iter().map(|value| value / rest).collect());
        }
    }
    (0..3)
        .map(|axis| {
            let origin = local[0].1[axis];
            let mut rest: Vec<f64> = local.iter().map(|(_, p)| p[axis] - origin).collect();
            for unit in &basis {
                take_off(&mut rest, unit);
            }
            dot(&rest, &rest)
        })
        .sum()
}

fn take_off(values: &mut [f64], unit: &[f64]) {
    let share = dot(values, unit);
    for (value, along) in values.iter_mut().zip(unit) {
        *value -= share * along;
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

fn norm(a: &[f64]) -> f64 {
    dot(a, a).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_break_is_found_forward_and_backward() {
        let time_s: Vec<f64> = (0..120).map(|i| f64::from(i) / 240.0).collect();
        for backward in [false, true] {
            let points: Vec<Point3<f64>> = time_s
                .iter()
                .map(|t| {
                    let tau = if backward { 0.253 - t } else { t - 0.253 };
                    Point3::new(0.01 * t + 10.0 * tau.max(0.0).powf(2.25), 0.0, 0.0)
                })
                .collect();
            let search = Search {
                near_s: 0.24,
                reach_s: 0.03,
                step_s: 0.001,
                slow_s: 0.1,
                burst_s: 0.075,
                backward,
            };
            let found = find_break(&time_s, &points, search).unwrap();
            assert!((found - 0.253).abs() < 5e-4, "{found}");
        }
    }
}
