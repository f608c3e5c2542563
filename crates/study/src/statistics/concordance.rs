use super::{Interval, check_confidence, check_pairs, mean, normal_quantile};
use crate::StudyError;
use serde::Serialize;

/// Lin's concordance correlation coefficient and its parts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Concordance {
    /// Pairs.
    pub n: usize,
    /// The coefficient, 1 for points on the line of identity.
    pub coefficient: f64,
    /// Interval through Fisher's z.
    pub interval: Interval,
    /// Pearson's correlation.
    pub pearson: f64,
    /// Interval of Pearson's correlation through Fisher's z.
    pub pearson_interval: Interval,
    /// Bias correction: coefficient / pearson (accuracy, where pearson is precision).
    pub accuracy: f64,
}

/// Means, variances (÷n) and covariance (÷n) of pairs.
fn moments(x: &[f64], y: &[f64]) -> [f64; 5] {
    let n = x.len() as f64;
    let (x_mean, y_mean) = (mean(x), mean(y));
    let xx: f64 = x.iter().map(|v| (v - x_mean).powi(2)).sum();
    let yy: f64 = y.iter().map(|v| (v - y_mean).powi(2)).sum();
    let xy: f64 = x
        .iter()
        .zip(y)
        .map(|(a, b)| (a - x_mean) * (b - y_mean))
        .sum();
    [x_mean, y_mean, xx / n, yy / n, xy / n]
}

/// Pearson's correlation.
///
/// # Errors
/// [`StudyError`] for fewer than three pairs or no spread.
pub fn pearson(x: &[f64], y: &[f64]) -> Result<f64, StudyError> {
    check_pairs("pairs for a correlation", x, y, 3)?;
    let [_, _, xx, yy, xy] = moments(x, y);
    if xx <= 0.0 || yy <= 0.0 {
        return Err(StudyError::NoSpread {
            what: "correlation",
        });
    }
    Ok(xy / (xx * yy).sqrt())
}

/// Lin's coefficient `2 s_xy / (s_x² + s_y² + (x̄ − ȳ)²)` with variances ÷n (Lin 1989, Biometrics 45:255), interval through
/// Fisher's z with the asymptotic variance of Lin 1989 as corrected in Biometrics 2000, 56:324 \[formula from memory;
/// checked against R's epiR below\].
///
/// # Errors
/// [`StudyError`] for fewer than four pairs or no spread.
pub fn concordance(x: &[f64], y: &[f64], confidence: f64) -> Result<Concordance, StudyError> {
    check_pairs("pairs for concordance", x, y, 4)?;
    check_confidence(confidence)?;
    let r = pearson(x, y)?;
    let [x_mean, y_mean, xx, yy, xy] = moments(x, y);
    let shift = x_mean - y_mean;
    let c = 2.0 * xy / (xx + yy + shift * shift);
    let n = x.len() as f64;
    let z = normal_quantile(0.5 + 0.5 * confidence);
    let fisher = |value: f64, sd: f64| {
        if value.abs() >= 1.0 {
            return Interval::around(value, 0.0);
        }
        Interval::around(value.atanh(), z * sd).map(f64::tanh)
    };
    let u2 = shift * shift / (xx * yy).sqrt();
    let (r2, c2) = (r * r, c * c);
    let rest = 1.0 - c2;
    let variance = ((1.0 - r2) * c2 / (rest * r2)
        + 2.0 * c * c2 * (1.0 - c) * u2 / (r * rest * rest)
        - 0.5 * c2 * c2 * u2 * u2 / (r2 * rest * rest))
        / (n - 2.0);
    Ok(Concordance {
        n: x.len(),
        coefficient: c,
        interval: fisher(c, variance.max(0.0).sqrt()),
        pearson: r,
        pearson_interval: fisher(r, 1.0 / (n - 3.0).sqrt()),
        accuracy: c / r,
    })
}

#[cfg(test)]
mod tests {
    use super::super::peak_flow::{MINI_1, WRIGHT_1};
    use super::*;
    use approx::assert_abs_diff_eq;
    use proptest::prelude::*;

    /// Peak flow of Bland & Altman 1986: r = .9433 (printed .94), Lin's .942742 (÷n); value and interval as R's epiR 2.0.57
    /// prints them (`epi.ccc`, computed).
    #[test]
    fn peak_flow() {
        let result = concordance(&WRIGHT_1, &MINI_1, 0.95).unwrap();
        assert_abs_diff_eq!(result.pearson, 0.943_279_446_890_9, epsilon = 1e-11);
        assert_abs_diff_eq!(result.coefficient, 0.942_742_431_427_5, epsilon = 1e-11);
        assert_abs_diff_eq!(result.interval.low, 0.850_491_873_168_6, epsilon = 1e-9);
        assert_abs_diff_eq!(result.interval.high, 0.978_726_279_170_1, epsilon = 1e-9);
        assert_abs_diff_eq!(
            result.pearson_interval.low,
            0.846_358_808_79,
            epsilon = 1e-9
        );
    }

    proptest! {
        #[test]
        fn never_better_than_correlation(pairs in prop::collection::vec((-5f64..5.0, -5f64..5.0), 5..40)) {
            let (x, y): (Vec<f64>, Vec<f64>) = pairs.into_iter().unzip();
            if let Ok(result) = concordance(&x, &y, 0.9) {
                prop_assert!(result.coefficient.abs() <= result.pearson.abs() + 1e-12);
                prop_assert!(result.interval.low <= result.coefficient + 1e-12);
            }
        }
    }
}
