use super::{Interval, beta_quantile, check_confidence};
use crate::StudyError;
use serde::Serialize;

/// So many of so many, with an exact interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Proportion {
    /// How many had it.
    pub hits: usize,
    /// Of how many.
    pub n: usize,
    /// Exact (Clopper-Pearson) interval of the rate.
    pub interval: Interval,
}

impl Proportion {
    /// Hits over n; NaN of nothing.
    pub fn rate(&self) -> f64 {
        self.hits as f64 / self.n as f64
    }
}

/// Exact binomial interval (Clopper & Pearson 1934, Biometrika 26:404), through beta quantiles. Of nothing the
/// interval is [0, 1].
///
/// # Errors
/// [`StudyError`] where there are more hits than trials.
pub fn proportion(hits: usize, n: usize, confidence: f64) -> Result<Proportion, StudyError> {
    check_confidence(confidence)?;
    if hits > n {
        return Err(StudyError::Lengths {
            what: "hits and trials",
            left: hits,
            right: n,
        });
    }
    let tail = 0.5 * (1.0 - confidence);
    let (h, m) = (hits as f64, (n - hits) as f64);
    let low = if hits == 0 {
        0.0
    } else {
        beta_quantile(tail, h, m + 1.0)
    };
    let high = if hits == n {
        1.0
    } else {
        beta_quantile(1.0 - tail, h + 1.0, m)
    };
    Ok(Proportion {
        hits,
        n,
        interval: Interval { low, high },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// `scipy.stats.binomtest(..).proportion_ci()` 1.17.1 (computed).
    #[test]
    fn agrees_with_scipy() {
        for (hits, n, confidence, low, high) in [
            (192, 200, 0.95, 0.922_708_031_774, 0.982_575_191_005_2),
            (0, 20, 0.95, 0.0, 0.168_433_470_983_1),
            (20, 20, 0.95, 0.831_566_529_016_9, 1.0),
            (1, 7, 0.9, 0.007_300_831_979_15, 0.520_702_973_591_3),
        ] {
            let result = proportion(hits, n, confidence).unwrap();
            assert_abs_diff_eq!(result.interval.low, low, epsilon = 1e-11);
            assert_abs_diff_eq!(result.interval.high, high, epsilon = 1e-11);
        }
        assert!(proportion(3, 2, 0.95).is_err());
        let nothing = proportion(0, 0, 0.95).unwrap();
        assert_abs_diff_eq!(nothing.interval.width(), 1.0);
    }
}
