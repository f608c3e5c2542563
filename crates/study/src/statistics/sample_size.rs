//! How many shots and archers a study needs for limits of agreement of a wanted width.

use super::{Z_95, check_confidence, chi_squared_quantile, t_quantile};
use crate::StudyError;
use serde::{Deserialize, Serialize};

/// What is known or guessed beforehand of the differences' spread.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Spread {
    /// SD of archers' mean differences.
    pub between_sd: f64,
    /// SD of one archer's differences from shot to shot.
    pub within_sd: f64,
}

/// No study is larger than this; beyond it the answer is "not with any number".
const MOST: usize = 100_000;

fn check_spread(what: &'static str, value: f64) -> Result<(), StudyError> {
    if value.is_finite() && value >= 0.0 {
        Ok(())
    } else {
        Err(StudyError::Value { what, value })
    }
}

/// Half the width of a limit's interval expected from `n` independent pairs whose differences have standard deviation
/// `sd`: `t · sd · √(1/n + 1.96²/2(n−1))` (Bland & Altman 1999, section 2 with the exact factor; 1986 has √3/√n).
///
/// # Errors
/// [`StudyError`] for fewer than three pairs or a negative spread.
pub fn half_width_of_limit(sd: f64, n: usize, confidence: f64) -> Result<f64, StudyError> {
    check_confidence(confidence)?;
    check_spread("standard deviation of differences", sd)?;
    if n < 3 {
        return Err(StudyError::TooFew {
            what: "pairs",
            found: n,
            needed: 3,
        });
    }
    let size = n as f64;
    let t = t_quantile(0.5 + 0.5 * confidence, size - 1.0);
    Ok(t * sd * (1.0 / size + Z_95 * Z_95 / (2.0 * (size - 1.0))).sqrt())
}

/// Half the mean width of a limit's interval expected from `archers` with `shots` each: both ends of the
/// variance's interval recovered from its parts (Zou 2013 \[from memory\]), with the parts at their expectations.
///
/// # Errors
/// [`StudyError`] for fewer than two archers, fewer than two shots, or a negative spread.
pub fn half_width_of_repeated_limit(
    spread: Spread,
    archers: usize,
    shots: usize,
    confidence: f64,
) -> Result<f64, StudyError> {
    check_confidence(confidence)?;
    check_spread("SD between archers", spread.between_sd)?;
    check_spread("SD within archers", spread.within_sd)?;
    if archers < 2 || shots < 2 {
        return Err(StudyError::TooFew {
            what: "archers and shots of each",
            found: archers.min(shots),
            needed: 2,
        });
    }
    let (k, m) = (archers as f64, shots as f64);
    let within = spread.within_sd.powi(2);
    let of_means = spread.between_sd.powi(2) + within / m;
    let parts = [
        (of_means, k - 1.0),
        ((1.0 - 1.0 / m) * within, k * (m - 1.0)),
    ];
    let total = parts[0].0 + parts[1].0;
    let sd = total.sqrt();
    let tail = 0.5 * (1.0 - confidence);
    let distance = |p: f64| {
        let squares = parts.iter().map(|(value, degrees)| {
            (value * (degrees / chi_squared_quantile(p, *degrees) - 1.0)).powi(2)
        });
        squares.sum::<f64>().sqrt()
    };
    let narrow = sd - (total - distance(1.0 - tail)).max(0.0).sqrt();
    let wide = (total + distance(tail)).sqrt() - sd;
    let of_bias = t_quantile(1.0 - tail, k - 1.0) * (of_means / k).sqrt();
    Ok(0.5 * (of_bias.hypot(Z_95 * narrow) + of_bias.hypot(Z_95 * wide)))
}

/// The fewest independent pairs whose limits have intervals no wider than `± half_width`.
///
/// # Errors
/// [`StudyError`] for a half width that is not positive, or where no number up to 100,000 is enough.
pub fn shots_for_limits(sd: f64, half_width: f64, confidence: f64) -> Result<usize, StudyError> {
    half_width_of_limit(sd, 3, confidence)?;
    fewest(3, half_width, |n| half_width_of_limit(sd, n, confidence))
}

/// The fewest archers, with `shots` each, whose limits have intervals no wider than `± half_width`.
///
/// # Errors
/// As [`shots_for_limits`].
pub fn archers_for_limits(
    spread: Spread,
    shots: usize,
    half_width: f64,
    confidence: f64,
) -> Result<usize, StudyError> {
    fewest(2, half_width, |archers| {
        half_width_of_repeated_limit(spread, archers, shots, confidence)
    })
}

/// Smallest `n` with `width(n) ≤ half_width`, for a width that falls with `n`.
fn fewest(
    from: usize,
    half_width: f64,
    width: impl Fn(usize) -> Result<f64, StudyError>,
) -> Result<usize, StudyError> {
    if half_width.is_nan() || half_width <= 0.0 {
        return Err(StudyError::Value {
            what: "wanted half width of the limits",
            value: half_width,
        });
    }
    if width(from)? <= half_width {
        return Ok(from);
    }
    let (mut short, mut enough) = (from, from * 2);
    while width(enough)? > half_width {
        short = enough;
        enough *= 2;
        if enough > MOST {
            return Err(StudyError::Value {
                what: "wanted half width of the limits",
                value: half_width,
            });
        }
    }
    while enough - short > 1 {
        let middle = usize::midpoint(short, enough);
        if width(middle)? <= half_width {
            enough = middle;
        } else {
            short = middle;
        }
    }
    Ok(enough)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// Bland's advice (web page "How can I decide the sample size for a study of agreement between two methods of
    /// measurement?" \[from memory\]): 100 pairs give ± 0.34 s, 200 pairs ± 0.24 s.
    #[test]
    fn a_hundred_pairs_give_a_third_of_the_sd() {
        assert_abs_diff_eq!(
            half_width_of_limit(1.0, 100, 0.95).unwrap(),
            0.34,
            epsilon = 0.005
        );
        assert_abs_diff_eq!(
            half_width_of_limit(1.0, 200, 0.95).unwrap(),
            0.24,
            epsilon = 0.005
        );
    }

    #[test]
    fn the_answer_is_the_fewest() {
        let n = shots_for_limits(2.0, 0.5, 0.95).unwrap();
        assert!(half_width_of_limit(2.0, n, 0.95).unwrap() <= 0.5);
        assert!(half_width_of_limit(2.0, n - 1, 0.95).unwrap() > 0.5);
        let spread = Spread {
            between_sd: 1.0,
            within_sd: 1.5,
        };
        let archers = archers_for_limits(spread, 12, 1.0, 0.95).unwrap();
        assert!(half_width_of_repeated_limit(spread, archers, 12, 0.95).unwrap() <= 1.0);
        assert!(half_width_of_repeated_limit(spread, archers - 1, 12, 0.95).unwrap() > 1.0);
    }

    /// More shots do not replace archers where archers differ.
    #[test]
    fn shots_do_not_replace_archers() {
        let spread = Spread {
            between_sd: 2.0,
            within_sd: 0.5,
        };
        let width =
            |archers, shots| half_width_of_repeated_limit(spread, archers, shots, 0.95).unwrap();
        assert!(width(4, 200) > 0.95 * width(4, 12));
        assert!(width(12, 12) < 0.5 * width(4, 12));
        assert!(shots_for_limits(1.0, 0.0, 0.95).is_err());
    }
}
