//! B-splines on evenly spaced knots (de Boor, A Practical Guide to Splines, ch. X).

/// Highest degree supported.
pub(crate) const MOST_WEIGHTS: usize = 6;

/// Values of the basis functions that are not zero at an instant.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Weights {
    /// Coefficient to which the first weight belongs, within the piece.
    pub(crate) first: usize,
    /// Weights of position, velocity (1/s) and acceleration (1/s²).
    pub(crate) by_derivative: [[f64; MOST_WEIGHTS]; 3],
}

/// A stretch of time with its evenly spaced knots.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Grid {
    pub(crate) start_s: f64,
    pub(crate) knot_s: f64,
    pub(crate) intervals: usize,
    pub(crate) degree: usize,
}

impl Grid {
    /// Knots over `[from_s, to_s]`, spaced `knot_s` or a little less.
    pub(crate) fn over(from_s: f64, to_s: f64, knot_s: f64, degree: usize) -> Self {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "number of knots: positive and far below 2⁵³"
        )]
        let intervals = ((to_s - from_s) / knot_s).ceil().max(1.0) as usize;
        Self {
            start_s: from_s,
            knot_s: (to_s - from_s) / intervals as f64,
            intervals,
            degree,
        }
    }

    pub(crate) fn end_s(&self) -> f64 {
        self.start_s + self.knot_s * self.intervals as f64
    }

    pub(crate) fn coefficients(&self) -> usize {
        self.intervals + self.degree
    }

    /// Middle of the support of coefficient `index` (s): where it mostly acts.
    pub(crate) fn centre_s(&self, index: usize) -> f64 {
        self.start_s + self.knot_s * (index as f64 + 0.5 - self.degree as f64 / 2.0)
    }

    /// Weights at an instant; beyond the ends the outermost polynomials go on.
    pub(crate) fn weights(&self, time_s: f64) -> Weights {
        let u = (time_s - self.start_s) / self.knot_s;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to the number of intervals"
        )]
        let interval = u.floor().clamp(0.0, (self.intervals - 1) as f64) as usize;
        let s = u - interval as f64;
        let p = self.degree;
        // lower[d] holds the basis of degree p − d.
        let mut lower = [[0.0; MOST_WEIGHTS]; 3];
        let mut basis = [0.0; MOST_WEIGHTS];
        basis[0] = 1.0;
        for d in 0..=p {
            if d > 0 {
                let mut next = [0.0; MOST_WEIGHTS];
                for (j, value) in next.iter_mut().enumerate().take(d + 1) {
                    let left = if j > 0 { basis[j - 1] } else { 0.0 };
                    let right = if j < d { basis[j] } else { 0.0 };
                    let (df, jf) = (d as f64, j as f64);
                    *value = ((s + df - jf) * left + (jf + 1.0 - s) * right) / df;
                }
                basis = next;
            }
            if p - d < 3 {
                lower[p - d] = basis;
            }
        }
        let pick = |row: &[f64; MOST_WEIGHTS], j: usize, back: usize| {
            if j >= back { row[j - back] } else { 0.0 }
        };
        let mut by_derivative = [[0.0; MOST_WEIGHTS]; 3];
        let h = self.knot_s;
        for j in 0..=p {
            by_derivative[0][j] = lower[0][j];
            by_derivative[1][j] = (pick(&lower[1], j, 1) - lower[1][j]) / h;
            by_derivative[2][j] =
                (pick(&lower[2], j, 2) - 2.0 * pick(&lower[2], j, 1) + lower[2][j]) / (h * h);
        }
        Weights {
            first: interval,
            by_derivative,
        }
    }
}

/// `Δᵐ`: binomial coefficients with alternating sign, the last positive.
pub(crate) fn difference(order: usize) -> Vec<f64> {
    let mut row = vec![1.0];
    for _ in 0..order {
        let mut next = vec![0.0; row.len() + 1];
        for (i, value) in row.iter().enumerate() {
            next[i] -= value;
            next[i + 1] += value;
        }
        row = next;
    }
    row
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn weights_sum_to_one_and_differentiate() {
        for degree in [2, 3, 4, 5] {
            let grid = Grid::over(1.0, 2.0, 0.07, degree);
            let coefficients: Vec<f64> = (0..grid.coefficients())
                .map(|i| (i as f64 * 0.7).sin())
                .collect();
            let value = |t: f64, d: usize| -> f64 {
                let w = grid.weights(t);
                (0..=degree)
                    .map(|j| w.by_derivative[d][j] * coefficients[w.first + j])
                    .sum()
            };
            for step in 1..40 {
                let t = 1.0 + f64::from(step) * 0.0249;
                let w = grid.weights(t);
                assert_relative_eq!(w.by_derivative[0].iter().sum::<f64>(), 1.0, epsilon = 1e-12);
                let h = 1e-5;
                for d in 0..2 {
                    let numeric = (value(t + h, d) - value(t - h, d)) / (2.0 * h);
                    let scale = 1.0 + value(t, d + 1).abs();
                    // A quadratic's second derivative steps at knots.
                    if degree > 2 || d == 0 {
                        assert_relative_eq!(
                            numeric / scale,
                            value(t, d + 1) / scale,
                            epsilon = 1e-2
                        );
                    }
                }
            }
        }
    }

    #[test]
    fn a_spline_holds_a_straight_line() {
        let grid = Grid::over(0.0, 1.0, 0.1, 3);
        let t = 0.437;
        let w = grid.weights(t);
        let value: f64 = (0..4)
            .map(|j| w.by_derivative[0][j] * grid.centre_s(w.first + j))
            .sum();
        assert_relative_eq!(value, t, epsilon = 1e-12);
        assert_eq!(difference(3), vec![-1.0, 3.0, -3.0, 1.0]);
    }
}
