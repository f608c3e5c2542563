//! Agreement statistics: values in, values with intervals out.
//!
//! Conventions: a *difference* is method minus reference. Every interval is two-sided at the level asked for
//! (`confidence`, 0.95 in the usual case). Standard deviations divide by `n − 1` unless a function says otherwise.
//! Limits of agreement are `bias ± multiplier · SD`; the multiplier is [`Z_95`] unless a caller repeats older work.

mod bland_altman;
mod bootstrap;
mod concordance;
mod distribution;
mod interval;
mod intraclass;
#[cfg(test)]
mod peak_flow;
mod proportion;
mod proportional;
mod repeated;
mod sample_size;

pub use bland_altman::{LimitsOfAgreement, bland_altman, bland_altman_with};
pub(crate) use bootstrap::sorted_quantile;
pub use bootstrap::{bootstrap_by_group, rms};
pub use concordance::{Concordance, concordance, pearson};
pub use distribution::{
    beta_cdf, beta_quantile, chi_squared_cdf, chi_squared_quantile, f_cdf, f_quantile,
    noncentral_t_cdf, noncentral_t_quantile, normal_cdf, normal_quantile, t_cdf, t_quantile,
};
pub use interval::Interval;
pub use intraclass::{
    Anova, IntraclassCorrelation, IntraclassForm, MeasurementError, intraclass, intraclass_table,
    measurement_error,
};
pub use proportion::{Proportion, proportion};
pub use proportional::{Line, proportional_bias, regression};
pub use repeated::{
    Repeatability, RepeatedLimits, Replicates, repeatability, repeated_constant, repeated_varying,
};
pub use sample_size::{
    Spread, archers_for_limits, half_width_of_limit, half_width_of_repeated_limit, shots_for_limits,
};

/// 97.5 % point of the normal distribution, to double precision.
pub const Z_95: f64 = 1.959_963_984_540_054;

/// Arithmetic mean; NaN of an empty slice.
pub fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Variance about the mean, divided by `n − 1`; NaN of fewer than two values.
pub fn variance(values: &[f64]) -> f64 {
    if values.len() < 2 {
        return f64::NAN;
    }
    let centre = mean(values);
    let sum: f64 = values.iter().map(|value| (value - centre).powi(2)).sum();
    sum / (values.len() - 1) as f64
}

/// Refuses a list that is too short or holds what is not a number.
pub(crate) fn check(
    what: &'static str,
    values: &[f64],
    needed: usize,
) -> Result<(), crate::StudyError> {
    if values.len() < needed {
        return Err(crate::StudyError::TooFew {
            what,
            found: values.len(),
            needed,
        });
    }
    match values.iter().find(|value| !value.is_finite()) {
        Some(value) => Err(crate::StudyError::Value {
            what,
            value: *value,
        }),
        None => Ok(()),
    }
}

/// Refuses pairs that do not belong together.
pub(crate) fn check_pairs(
    what: &'static str,
    left: &[f64],
    right: &[f64],
    needed: usize,
) -> Result<(), crate::StudyError> {
    if left.len() != right.len() {
        return Err(crate::StudyError::Lengths {
            what,
            left: left.len(),
            right: right.len(),
        });
    }
    check(what, left, needed)?;
    check(what, right, needed)
}

/// Refuses a level of confidence outside (0, 1).
pub(crate) fn check_confidence(confidence: f64) -> Result<(), crate::StudyError> {
    if confidence > 0.0 && confidence < 1.0 {
        Ok(())
    } else {
        Err(crate::StudyError::Value {
            what: "level of confidence",
            value: confidence,
        })
    }
}
