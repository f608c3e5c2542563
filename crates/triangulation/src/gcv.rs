//! The smoothing spline with generalised cross-validation, the other habit of biomechanists, for comparison.

use crate::PathError;

/// Decimal exponents of the smoothing parameter that are tried, in units of the data's own spacing.
const EXPONENTS: (f64, f64) = (-10.0, 10.0);

/// Natural cubic smoothing spline of evenly or unevenly spaced values, at the same instants: the least
/// `Σ (y − f)² + λ ∫ f″²`, with the λ of the least generalised cross-validation score (Craven & Wahba 1979; form of Green &
/// Silverman, Nonparametric Regression and Generalized Linear Models, §2.3: `(R + λQᵀQ) γ = Qᵀy`, `f = y − λQγ`).
/// Linear in the number of values. Compared with `SciPy` in `tests/outside_smoothing.rs`.
///
/// # Errors
/// [`PathError::Value`] for fewer than five values, lists of different lengths, or instants that do not rise.
pub fn gcv_spline(time_s: &[f64], values: &[f64]) -> Result<Vec<f64>, PathError> {
    let n = time_s.len();
    if n < 5 || values.len() != n {
        return Err(PathError::Value {
            what: "values for a smoothing spline",
            value: values.len() as f64,
            why: "five or more, one for each instant",
        });
    }
    if let Some(pair) = time_s
        .windows(2)
        .find(|p| p[1].partial_cmp(&p[0]) != Some(std::cmp::Ordering::Greater))
    {
        return Err(PathError::Value {
            what: "instant (s)",
            value: pair[1],
            why: "later than the one before",
        });
    }
    // In units of the mean spacing, so that one range of λ serves all data.
    let unit = (time_s[n - 1] - time_s[0]) / (n as f64 - 1.0);
    let steps: Vec<f64> = time_s.windows(2).map(|p| (p[1] - p[0]) / unit).collect();
    let system = System::new(&steps, values);
    let score = |exponent: f64| system.smooth(10f64.powf(exponent)).1;
    let mut best = (f64::INFINITY, EXPONENTS.0);
    let (mut from, mut to, mut step) = (EXPONENTS.0, EXPONENTS.1, 0.5);
    while step > 1e-7 {
        let mut exponent = from;
        while exponent <= to {
            let found = score(exponent);
            if found < best.0 {
                best = (found, exponent);
            }
            exponent += step;
        }
        (from, to) = (best.1 - step, best.1 + step);
        step /= 5.0;
    }
    Ok(system.smooth(10f64.powf(best.1)).0)
}

/// Columns of Q hold three numbers; R has a diagonal and one beside it; `QᵀQ` has two beside it.
struct System<'a> {
    values: &'a [f64],
    q: Vec<[f64; 3]>,
    r: Vec<[f64; 2]>,
    qq: Vec<[f64; 3]>,
    right: Vec<f64>,
}

impl<'a> System<'a> {
    fn new(steps: &[f64], values: &'a [f64]) -> Self {
        let m = steps.len() - 1;
        let q: Vec<[f64; 3]> = (0..m)
            .map(|j| {
                let (before, after) = (1.0 / steps[j], 1.0 / steps[j + 1]);
                [before, -before - after, after]
            })
            .collect();
        let r = (0..m)
            .map(|j| [(steps[j] + steps[j + 1]) / 3.0, steps[j + 1] / 6.0])
            .collect();
        let qq = (0..m)
            .map(|j| {
                let next = |k: usize| q.get(j + k).copied().unwrap_or_default();
                [
                    q[j].iter().map(|v| v * v).sum::<f64>(),
                    q[j][1] * next(1)[0] + q[j][2] * next(1)[1],
                    q[j][2] * next(2)[0],
                ]
            })
            .collect();
        let right = (0..m)
            .map(|j| (0..3).map(|k| q[j][k] * values[j + k]).sum())
            .collect();
        Self {
            values,
            q,
            r,
            qq,
            right,
        }
    }

    /// The smooth values and the score of generalised cross-validation.
    fn smooth(&self, lambda: f64) -> (Vec<f64>, f64) {
        let m = self.q.len();
        let n = self.values.len() as f64;
        // R + λQᵀQ = L D Lᵀ, L with two numbers below its diagonal of ones.
        let mut d = vec![0.0; m];
        let mut l = vec![[0.0; 2]; m];
        for j in 0..m {
            let one = if j >= 1 { l[j - 1][0] } else { 0.0 };
            let two = if j >= 2 { l[j - 2][1] } else { 0.0 };
            let (d1, d2) = (
                if j >= 1 { d[j - 1] } else { 0.0 },
                if j >= 2 { d[j - 2] } else { 0.0 },
            );
            d[j] = self.r[j][0] + lambda * self.qq[j][0] - one * one * d1 - two * two * d2;
            let cross = if j >= 1 { l[j - 1][1] * one * d1 } else { 0.0 };
            l[j] = [
                (self.r[j][1] + lambda * self.qq[j][1] - cross) / d[j],
                lambda * self.qq[j][2] / d[j],
            ];
        }
        let mut gamma = self.right.clone();
        for j in 0..m {
            let one = if j >= 1 {
                l[j - 1][0] * gamma[j - 1]
            } else {
                0.0
            };
            let two = if j >= 2 {
                l[j - 2][1] * gamma[j - 2]
            } else {
                0.0
            };
            gamma[j] -= one + two;
        }
        for (value, d) in gamma.iter_mut().zip(&d) {
            *value /= d;
        }
        for j in (0..m).rev() {
            for k in 0..2 {
                if j + k + 1 < m {
                    gamma[j] -= l[j][k] * gamma[j + k + 1];
                }
            }
        }
        // Band of the inverse (Hutchinson & de Hoog 1985), for the trace of λQᵀQ(R + λQᵀQ)⁻¹.
        let mut inverse = vec![[0.0; 3]; m + 2];
        let mut left = 0.0;
        for j in (0..m).rev() {
            let [a, b] = [
                if j + 1 < m { l[j][0] } else { 0.0 },
                if j + 2 < m { l[j][1] } else { 0.0 },
            ];
            let (next, after) = (inverse[j + 1], inverse[j + 2]);
            let first = -a * next[0] - b * next[1];
            let second = -a * next[1] - b * after[0];
            inverse[j] = [1.0 / d[j] - a * first - b * second, first, second];
            left += lambda
                * (self.qq[j][0] * inverse[j][0]
                    + 2.0 * self.qq[j][1] * first
                    + 2.0 * self.qq[j][2] * second);
        }
        let mut smooth = self.values.to_vec();
        let mut rough = vec![0.0; smooth.len()];
        for (j, (q, g)) in self.q.iter().zip(&gamma).enumerate() {
            for k in 0..3 {
                rough[j + k] += lambda * q[k] * g;
            }
        }
        for (value, off) in smooth.iter_mut().zip(&rough) {
            *value -= off;
        }
        let square = rough.iter().map(|v| v * v).sum::<f64>();
        (smooth, square / n / (left / n).powi(2))
    }
}
