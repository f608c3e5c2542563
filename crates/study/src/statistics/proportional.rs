use super::{Interval, check_confidence, check_pairs, mean, t_cdf, t_quantile};
use crate::StudyError;
use serde::Serialize;

/// A straight line by least squares.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Line {
    /// Points.
    pub n: usize,
    /// Value at 0.
    pub intercept: f64,
    /// Rise for each unit.
    pub slope: f64,
    /// Standard error of the slope.
    pub slope_se: f64,
    /// Interval of the slope (Student's t, n − 2).
    pub slope_interval: Interval,
    /// Two-sided p of "slope is 0".
    pub slope_p: f64,
    /// Standard error of the intercept.
    pub intercept_se: f64,
    /// Standard deviation about the line (n − 2).
    pub residual_sd: f64,
}

/// Least squares of `y` on `x`, intervals at `confidence`.
///
/// # Errors
/// [`StudyError`] for fewer than three pairs, or `x` without spread.
pub fn regression(x: &[f64], y: &[f64], confidence: f64) -> Result<Line, StudyError> {
    check_pairs("pairs for a line", x, y, 3)?;
    check_confidence(confidence)?;
    let n = x.len() as f64;
    let (x_mean, y_mean) = (mean(x), mean(y));
    let xx: f64 = x.iter().map(|v| (v - x_mean).powi(2)).sum();
    let xy: f64 = x
        .iter()
        .zip(y)
        .map(|(a, b)| (a - x_mean) * (b - y_mean))
        .sum();
    let largest = x.iter().fold(0.0, |most: f64, v| most.max(v.abs()));
    if xx <= n * (f64::EPSILON * largest).powi(2) {
        return Err(StudyError::NoSpread {
            what: "values along the line",
        });
    }
    let slope = xy / xx;
    let intercept = y_mean - slope * x_mean;
    let left: f64 = x
        .iter()
        .zip(y)
        .map(|(a, b)| (b - intercept - slope * a).powi(2))
        .sum();
    let residual = left / (n - 2.0);
    let slope_se = (residual / xx).sqrt();
    let t = t_quantile(0.5 + 0.5 * confidence, n - 2.0);
    let slope_p = if slope_se > 0.0 {
        2.0 * t_cdf(-(slope / slope_se).abs(), n - 2.0)
    } else {
        f64::from(u8::from(slope == 0.0))
    };
    Ok(Line {
        n: x.len(),
        intercept,
        slope,
        slope_se,
        slope_interval: Interval::around(slope, t * slope_se),
        slope_p,
        intercept_se: (residual * (1.0 / n + x_mean * x_mean / xx)).sqrt(),
        residual_sd: residual.sqrt(),
    })
}

/// Proportional bias: the difference (method minus reference) regressed on the mean of both (Bland & Altman 1999, Stat
/// Methods Med Res 8:135, section 3.2). A slope of 0 is a bias that does not depend on the size.
///
/// # Errors
/// As [`regression`].
pub fn proportional_bias(
    method: &[f64],
    reference: &[f64],
    confidence: f64,
) -> Result<Line, StudyError> {
    check_pairs("pairs for proportional bias", method, reference, 3)?;
    let both = || method.iter().zip(reference);
    let means: Vec<f64> = both().map(|(m, r)| 0.5 * (m + r)).collect();
    let differences: Vec<f64> = both().map(|(m, r)| m - r).collect();
    regression(&means, &differences, confidence)
}

#[cfg(test)]
mod tests {
    use super::super::peak_flow::{MINI_1, WRIGHT_1};
    use super::*;
    use approx::assert_abs_diff_eq;

    /// `scipy.stats.linregress` 1.17.1 on the peak flow table of Bland & Altman 1986 (computed).
    #[test]
    fn agrees_with_scipy() {
        let line = proportional_bias(&WRIGHT_1, &MINI_1, 0.95).unwrap();
        assert_abs_diff_eq!(line.slope, 0.028_687_445_152_549, epsilon = 1e-12);
        assert_abs_diff_eq!(line.intercept, -15.067_497_300_039, epsilon = 1e-9);
        assert_abs_diff_eq!(line.slope_se, 0.088_206_408_276_547, epsilon = 1e-12);
        assert_abs_diff_eq!(line.intercept_se, 40.976_276_116_866, epsilon = 1e-9);
        assert_abs_diff_eq!(line.slope_p, 0.749_498_533_649, epsilon = 1e-9);
        assert_abs_diff_eq!(line.slope_interval.low, -0.159_320_063_684, epsilon = 1e-9);
        assert_abs_diff_eq!(line.slope_interval.high, 0.216_694_953_989, epsilon = 1e-9);
    }

    #[test]
    fn no_spread_is_said() {
        let flat = regression(&[2.0, 2.0, 2.0], &[1.0, 2.0, 3.0], 0.95);
        assert!(matches!(flat, Err(StudyError::NoSpread { .. })));
    }
}
