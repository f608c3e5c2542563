use super::{
    Interval, Z_95, check, check_confidence, mean, noncentral_t_quantile, t_quantile, variance,
};
use crate::StudyError;
use serde::Serialize;

/// Limits of agreement of independent pairs, one pair a subject (Bland & Altman 1986, Lancet 327:307).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LimitsOfAgreement {
    /// Number of differences.
    pub n: usize,
    /// Mean difference.
    pub bias: f64,
    /// Standard error of the bias, `s/√n`.
    pub bias_se: f64,
    /// Interval of the bias (Student's t).
    pub bias_interval: Interval,
    /// Standard deviation of the differences.
    pub sd: f64,
    /// `bias − multiplier · sd`.
    pub lower: f64,
    /// `bias + multiplier · sd`.
    pub upper: f64,
    /// Standard error of a limit, `s √(1/n + m²/2(n−1))` with the multiplier `m` (1986 prints `√3 s/√n`, see
    /// [`Self::limit_se_1986`]).
    pub limit_se: f64,
    /// Approximate interval of the lower limit, `± t · limit_se_1986` as Bland & Altman print it.
    pub lower_approximate: Interval,
    /// Approximate interval of the upper limit.
    pub upper_approximate: Interval,
    /// Exact interval of the lower limit for normal differences (non-central t).
    pub lower_exact: Interval,
    /// Exact interval of the upper limit.
    pub upper_exact: Interval,
}

impl LimitsOfAgreement {
    /// Standard error of a limit as printed in 1986, `√(3 s²/n)`.
    pub fn limit_se_1986(&self) -> f64 {
        (3.0 / self.n as f64).sqrt() * self.sd
    }
}

/// Bias and 95 % limits of agreement of `differences` (method minus reference), intervals at `confidence`.
///
/// # Errors
/// [`StudyError`] for fewer than three differences, numbers that are none, or a level outside (0, 1).
pub fn bland_altman(differences: &[f64], confidence: f64) -> Result<LimitsOfAgreement, StudyError> {
    bland_altman_with(differences, Z_95, confidence)
}

/// As [`bland_altman`] with limits `bias ± multiplier · SD` (2 in the paper of 1986).
///
/// The exact interval of `μ + m σ` follows from `√n (x̄ − μ − m σ)/s`, whose distribution is a non-central t with
/// `n − 1` degrees of freedom and non-centrality `m √n` (with a minus sign): Carkeet 2015, Optom Vis Sci 92:e71
/// \[from memory\].
///
/// # Errors
/// As [`bland_altman`].
pub fn bland_altman_with(
    differences: &[f64],
    multiplier: f64,
    confidence: f64,
) -> Result<LimitsOfAgreement, StudyError> {
    check("differences for limits of agreement", differences, 3)?;
    check_confidence(confidence)?;
    let n = differences.len() as f64;
    let degrees = n - 1.0;
    let bias = mean(differences);
    let sd = variance(differences).sqrt();
    let tail = 0.5 * (1.0 - confidence);
    let t = t_quantile(1.0 - tail, degrees);
    let bias_se = sd / n.sqrt();
    let (lower, upper) = (bias - multiplier * sd, bias + multiplier * sd);
    let half = t * (3.0 / n).sqrt() * sd;
    let shift = multiplier * n.sqrt();
    let near = bias_se * noncentral_t_quantile(tail, degrees, shift);
    let far = bias_se * noncentral_t_quantile(1.0 - tail, degrees, shift);
    Ok(LimitsOfAgreement {
        n: differences.len(),
        bias,
        bias_se,
        bias_interval: Interval::around(bias, t * bias_se),
        sd,
        lower,
        upper,
        limit_se: sd * (1.0 / n + multiplier * multiplier / (2.0 * degrees)).sqrt(),
        lower_approximate: Interval::around(lower, half),
        upper_approximate: Interval::around(upper, half),
        lower_exact: Interval {
            low: bias - far,
            high: bias - near,
        },
        upper_exact: Interval {
            low: bias + near,
            high: bias + far,
        },
    })
}

#[cfg(test)]
mod tests {
    use super::super::peak_flow::{MINI_1, WRIGHT_1};
    use super::*;
    use approx::assert_abs_diff_eq;

    fn peak_flow() -> Vec<f64> {
        WRIGHT_1.iter().zip(MINI_1).map(|(w, m)| w - m).collect()
    }

    /// Bland & Altman, Lancet 1986, peak flow, n = 17, as printed: they round to one digit and go on with what they
    /// printed, so every step is checked from the printed step before it, to half a unit of the last digit.
    #[test]
    fn lancet_1986_as_printed() {
        let limits = bland_altman_with(&peak_flow(), 2.0, 0.95).unwrap();
        let near = |value: f64, printed: f64| assert_abs_diff_eq!(value, printed, epsilon = 0.0501);
        near(limits.bias, -2.1);
        near(limits.sd, 38.8);
        near(-2.1 - 2.0 * 38.8, -79.7);
        near(-2.1 + 2.0 * 38.8, 75.5);
        near(limits.bias_se, 9.4);
        near(limits.limit_se_1986(), 16.3);
        let t = t_quantile(0.975, 16.0);
        near(-2.1 - t * 9.4, -22.0);
        near(-2.1 + t * 9.4, 17.8);
        near(75.5 - t * 16.3, 40.9);
        near(75.5 + t * 16.3, 110.1);
        near(-79.7 - t * 16.3, -114.3);
        near(-79.7 + t * 16.3, -45.1);
        // And without their rounding.
        assert_abs_diff_eq!(
            limits.upper_approximate.high,
            limits.upper + t * limits.limit_se_1986(),
            epsilon = 1e-10
        );
    }

    /// The same table with ±1.96, figures to seven digits as packages print them.
    #[test]
    fn lancet_1986_with_1_96() {
        let limits = bland_altman_with(&peak_flow(), 1.96, 0.95).unwrap();
        assert_abs_diff_eq!(limits.bias, -2.117_647, epsilon = 5e-7);
        assert_abs_diff_eq!(limits.sd, 38.765_13, epsilon = 5e-6);
        assert_abs_diff_eq!(limits.lower, -78.097_3, epsilon = 5e-5);
        assert_abs_diff_eq!(limits.upper, 73.862_01, epsilon = 5e-6);
        // This figure was printed with the exact 1.959964 in the standard error.
        let exact = bland_altman(&peak_flow(), 0.95).unwrap();
        assert_abs_diff_eq!(exact.limit_se, 16.394_91, epsilon = 5e-6);
        // Non-central t of SciPy 1.17.1 (computed).
        assert_abs_diff_eq!(limits.upper_exact.low, 48.860_767_069_9, epsilon = 1e-7);
        assert_abs_diff_eq!(limits.upper_exact.high, 119.927_533_666_8, epsilon = 1e-7);
        assert_abs_diff_eq!(limits.lower_exact.low, -124.162_827_784_5, epsilon = 1e-7);
        assert_abs_diff_eq!(limits.lower_exact.high, -53.096_061_187_6, epsilon = 1e-7);
    }

    #[test]
    fn too_few_and_not_a_number_are_refused() {
        assert!(bland_altman(&[1.0, 2.0], 0.95).is_err());
        assert!(bland_altman(&[1.0, f64::NAN, 3.0], 0.95).is_err());
        assert!(bland_altman(&[1.0, 2.0, 3.0], 1.0).is_err());
    }
}
