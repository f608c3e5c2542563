//! The elbow's movement below the tremor band, seen along the axes of the range.

use crate::smooth::{LowPass, rate};
use nalgebra::{Point3, Vector3};

/// Smoothed coordinates and rates on an even grid. `away` is against `x`.
#[derive(Debug, Clone)]
pub(crate) struct Motion {
    pub(crate) point: Vec<Point3<f64>>,
    pub(crate) away_rate: Vec<f64>,
    pub(crate) height_rate: Vec<f64>,
    pub(crate) speed: Vec<f64>,
}

impl Motion {
    /// Smooths each coordinate, stretch by stretch between the splits.
    pub(crate) fn new(
        points: &[Point3<f64>],
        step_s: f64,
        low_pass: &LowPass,
        splits: &[usize],
    ) -> Self {
        let axis = |axis: usize| -> Vec<f64> {
            let values: Vec<f64> = points.iter().map(|point| point[axis]).collect();
            low_pass.apply(&values, splits)
        };
        let (x, y, z) = (axis(0), axis(1), axis(2));
        let (vx, vy, vz) = (
            rate(&x, step_s, splits),
            rate(&y, step_s, splits),
            rate(&z, step_s, splits),
        );
        Self {
            point: (0..points.len())
                .map(|i| Point3::new(x[i], y[i], z[i]))
                .collect(),
            away_rate: vx.iter().map(|v| -v).collect(),
            speed: (0..points.len())
                .map(|i| Vector3::new(vx[i], vy[i], vz[i]).norm())
                .collect(),
            height_rate: vz,
        }
    }

    /// Number of instants.
    pub(crate) fn len(&self) -> usize {
        self.point.len()
    }

    /// Distance away from the target (m), arbitrary zero.
    pub(crate) fn away(&self, i: usize) -> f64 {
        -self.point[i].x
    }
}

/// Where `values` passes `level` between samples `i` and `i + 1` (fraction of an index), if it does.
pub(crate) fn crossing(values: &[f64], level: f64, i: usize, rising: bool) -> Option<f64> {
    let (a, b) = (values[i] - level, values[i + 1] - level);
    let passes = if rising {
        a < 0.0 && b >= 0.0
    } else {
        a >= 0.0 && b < 0.0
    };
    passes.then(|| i as f64 + a / (a - b))
}

/// The crossing nearest to index `near`, at most `reach` samples away.
pub(crate) fn crossing_near(
    values: &[f64],
    level: f64,
    rising: bool,
    near: f64,
    reach: f64,
) -> Option<f64> {
    if values.len() < 2 {
        return None;
    }
    let from = (near - reach).max(0.0) as usize;
    let to = ((near + reach).max(0.0) as usize).min(values.len() - 2);
    (from..=to)
        .filter_map(|i| crossing(values, level, i, rising))
        .filter(|at| (at - near).abs() <= reach)
        .min_by(|a, b| (a - near).abs().total_cmp(&(b - near).abs()))
}
