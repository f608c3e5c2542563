use super::{
    Interval, Z_95, check, check_confidence, chi_squared_quantile, mean, t_quantile, variance,
};
use crate::StudyError;
use serde::Serialize;

/// Repeated readings by one method, one inner list a subject.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Replicates<'a>(pub &'a [Vec<f64>]);

/// How well one method repeats itself.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Repeatability {
    /// Standard deviation within a subject, from a one-way analysis of variance.
    pub within_sd: f64,
    /// Degrees of freedom behind it.
    pub degrees: usize,
    /// Two readings of one subject differ by less than this in 95 % of pairs: `1.96 √2 · within_sd`. (The paper of
    /// 1986 prints `2 √2 · within_sd`.)
    pub coefficient: f64,
    /// Interval of the coefficient (χ²).
    pub interval: Interval,
}

/// Limits of agreement where each subject was measured more than once (Bland & Altman 2007, J Biopharm Stat 17:571).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RepeatedLimits {
    /// Subjects.
    pub subjects: usize,
    /// Readings or pairs of readings.
    pub readings: usize,
    /// Mean difference.
    pub bias: f64,
    /// Interval of the bias: Student's t on the subjects' means.
    pub bias_interval: Interval,
    /// Standard deviation of the difference between two *single* readings on one subject.
    pub sd: f64,
    /// Part of it that differs between subjects (SD; 0 where the estimate of its variance is negative).
    pub between_sd: f64,
    /// Part of it within subjects (SD).
    pub within_sd: f64,
    /// `bias − 1.96 sd`.
    pub lower: f64,
    /// `bias + 1.96 sd`.
    pub upper: f64,
    /// Interval of the lower limit (variance estimates recovered, Zou 2013).
    pub lower_interval: Interval,
    /// Interval of the upper limit.
    pub upper_interval: Interval,
}

/// Sums of one-way analysis of variance over unequal groups.
struct OneWay {
    groups: usize,
    readings: usize,
    means: Vec<f64>,
    within: f64,
    /// Mean over groups of 1/m.
    mean_inverse_size: f64,
}

impl OneWay {
    fn of(what: &'static str, groups: &[Vec<f64>]) -> Result<Self, StudyError> {
        if groups.len() < 2 {
            return Err(StudyError::TooFew {
                what,
                found: groups.len(),
                needed: 2,
            });
        }
        for group in groups {
            check(what, group, 1)?;
        }
        let readings: usize = groups.iter().map(Vec::len).sum();
        if readings == groups.len() {
            return Err(StudyError::TooFew {
                what,
                found: readings,
                needed: groups.len() + 1,
            });
        }
        let means: Vec<f64> = groups.iter().map(|group| mean(group)).collect();
        let squares: f64 = groups
            .iter()
            .zip(&means)
            .flat_map(|(group, centre)| group.iter().map(move |value| (value - centre).powi(2)))
            .sum();
        let inverse: f64 = groups.iter().map(|group| 1.0 / group.len() as f64).sum();
        Ok(Self {
            groups: groups.len(),
            readings,
            means,
            within: squares / (readings - groups.len()) as f64,
            mean_inverse_size: inverse / groups.len() as f64,
        })
    }

    fn within_degrees(&self) -> f64 {
        (self.readings - self.groups) as f64
    }
}

/// Repeatability of one method.
///
/// # Errors
/// [`StudyError`] for fewer than two subjects, or nobody read twice.
pub fn repeatability(
    replicates: Replicates<'_>,
    confidence: f64,
) -> Result<Repeatability, StudyError> {
    check_confidence(confidence)?;
    let table = OneWay::of("repeated readings", replicates.0)?;
    let degrees = table.within_degrees();
    let within_sd = table.within.sqrt();
    let coefficient = Z_95 * std::f64::consts::SQRT_2 * within_sd;
    let tail = 0.5 * (1.0 - confidence);
    let end = |p| coefficient * (degrees / chi_squared_quantile(p, degrees)).sqrt();
    Ok(Repeatability {
        within_sd,
        degrees: table.readings - table.groups,
        coefficient,
        interval: Interval {
            low: end(1.0 - tail),
            high: end(tail),
        },
    })
}

/// A variance component with its weight and degrees of freedom.
struct Component {
    value: f64,
    degrees: f64,
}

/// Interval of a sum of variances by recovery of variance estimates (Zou 2013, Stat Methods Med Res 22:630
/// \[from memory\]): each part's own χ² interval, distances added in squares.
fn interval_of_sum(parts: &[Component], confidence: f64) -> (f64, Interval) {
    let tail = 0.5 * (1.0 - confidence);
    let total: f64 = parts.iter().map(|part| part.value).sum();
    let distance = |p: f64| {
        let squares = parts.iter().map(|part| {
            let factor = part.degrees / chi_squared_quantile(p, part.degrees) - 1.0;
            (part.value * factor).powi(2)
        });
        squares.sum::<f64>().sqrt()
    };
    let interval = Interval {
        low: (total - distance(1.0 - tail)).max(0.0),
        high: total + distance(tail),
    };
    (total, interval)
}

/// Intervals of `bias ∓ z·sd` from the intervals of both.
fn intervals_of_limits(
    bias: f64,
    bias_interval: Interval,
    sd: f64,
    sd_interval: Interval,
) -> (Interval, Interval) {
    let (down, up) = (bias - bias_interval.low, bias_interval.high - bias);
    let narrow = Z_95 * (sd - sd_interval.low);
    let wide = Z_95 * (sd_interval.high - sd);
    let (lower, upper) = (bias - Z_95 * sd, bias + Z_95 * sd);
    (
        Interval {
            low: lower - down.hypot(wide),
            high: lower + up.hypot(narrow),
        },
        Interval {
            low: upper - down.hypot(narrow),
            high: upper + up.hypot(wide),
        },
    )
}

/// Puts a result together: `parts` sum to the variance of a single difference.
fn limits(
    subject_means: &[f64],
    bias: f64,
    readings: usize,
    parts: &[Component],
    within: f64,
    confidence: f64,
) -> RepeatedLimits {
    let n = subject_means.len() as f64;
    let t = t_quantile(0.5 + 0.5 * confidence, n - 1.0);
    let half = t * (variance(subject_means) / n).sqrt();
    let bias_interval = Interval::around(bias, half);
    let (total, of_total) = interval_of_sum(parts, confidence);
    let sd = total.sqrt();
    let (lower_interval, upper_interval) =
        intervals_of_limits(bias, bias_interval, sd, of_total.map(f64::sqrt));
    RepeatedLimits {
        subjects: subject_means.len(),
        readings,
        bias,
        bias_interval,
        sd,
        between_sd: (total - within).max(0.0).sqrt(),
        within_sd: within.sqrt(),
        lower: bias - Z_95 * sd,
        upper: bias + Z_95 * sd,
        lower_interval,
        upper_interval,
    }
}

/// Limits of agreement where the **true value is constant** within a subject and the two methods were read
/// separately, any number of times each (Bland & Altman 2007, section 2): the variance of a single difference is
/// `s²(x̄−ȳ) + (1 − mean 1/mx) s²xw + (1 − mean 1/my) s²yw`.
///
/// With two readings each this is the "corrected SD" of the paper of 1986. The bias is the mean of the subjects'
/// differences.
///
/// # Errors
/// [`StudyError`] where the lists do not belong together or nobody was read twice.
pub fn repeated_constant(
    method: Replicates<'_>,
    reference: Replicates<'_>,
    confidence: f64,
) -> Result<RepeatedLimits, StudyError> {
    check_confidence(confidence)?;
    if method.0.len() != reference.0.len() {
        return Err(StudyError::Lengths {
            what: "subjects by method and by reference",
            left: method.0.len(),
            right: reference.0.len(),
        });
    }
    let x = OneWay::of("repeated readings by the method", method.0)?;
    let y = OneWay::of("repeated readings by the reference", reference.0)?;
    let differences: Vec<f64> = x.means.iter().zip(&y.means).map(|(a, b)| a - b).collect();
    let single = |table: &OneWay| Component {
        value: (1.0 - table.mean_inverse_size) * table.within,
        degrees: table.within_degrees(),
    };
    let parts = [
        Component {
            value: variance(&differences),
            degrees: differences.len() as f64 - 1.0,
        },
        single(&x),
        single(&y),
    ];
    Ok(limits(
        &differences,
        mean(&differences),
        x.readings + y.readings,
        &parts,
        x.within + y.within,
        confidence,
    ))
}

/// Limits of agreement where the **true value varies** from reading to reading and readings come in pairs (Bland &
/// Altman 2007, section 3): one-way analysis of variance of the differences. This is the form for shots by archers:
/// each shot has its own true value. `differences[i]` are the differences of subject `i`.
///
/// The point estimate of the variance between subjects is the moment estimate `(MSB − MSW)/m₀`; the interval is that
/// of Zou 2013 (\[from memory\]), built on the unweighted means.
///
/// # Errors
/// [`StudyError`] for fewer than two subjects or nobody read twice.
pub fn repeated_varying(
    differences: Replicates<'_>,
    confidence: f64,
) -> Result<RepeatedLimits, StudyError> {
    check_confidence(confidence)?;
    let groups = differences.0;
    let table = OneWay::of("differences of repeated pairs", groups)?;
    let total_readings = table.readings as f64;
    let n = table.groups as f64;
    let bias = groups.iter().flatten().sum::<f64>() / total_readings;
    let between: f64 = groups
        .iter()
        .zip(&table.means)
        .map(|(group, centre)| group.len() as f64 * (centre - bias).powi(2))
        .sum::<f64>()
        / (n - 1.0);
    let squares: f64 = groups
        .iter()
        .map(|group| (group.len() as f64).powi(2))
        .sum();
    let typical_size = (total_readings.powi(2) - squares) / ((n - 1.0) * total_readings);
    let between_variance = ((between - table.within) / typical_size).max(0.0);
    let parts = [
        Component {
            value: variance(&table.means),
            degrees: n - 1.0,
        },
        Component {
            value: (1.0 - table.mean_inverse_size) * table.within,
            degrees: table.within_degrees(),
        },
    ];
    let interval = limits(
        &table.means,
        bias,
        table.readings,
        &parts,
        table.within,
        confidence,
    );
    let sd = (between_variance + table.within).sqrt();
    // The interval is centred on the unweighted estimate; it is moved onto the point estimate, which differs from
    // it only where the groups are unequal.
    let moved = |bounds: Interval, from: f64, to: f64| bounds.map(|end| end + to - from);
    let (lower, upper) = (bias - Z_95 * sd, bias + Z_95 * sd);
    Ok(RepeatedLimits {
        sd,
        between_sd: between_variance.sqrt(),
        lower,
        upper,
        lower_interval: moved(interval.lower_interval, interval.lower, lower),
        upper_interval: moved(interval.upper_interval, interval.upper, upper),
        ..interval
    })
}

#[cfg(test)]
mod tests {
    use super::super::peak_flow::{MINI_1, MINI_2, WRIGHT_1, WRIGHT_2};
    use super::*;
    use approx::assert_abs_diff_eq;

    fn pairs(first: &[f64], second: &[f64]) -> Vec<Vec<f64>> {
        let both = first.iter().zip(second);
        both.map(|(a, b)| vec![*a, *b]).collect()
    }

    /// Bland & Altman 1986: coefficients of repeatability (printed with a multiplier of 2) computed from the table:
    /// 43.29 (Wright), 56.32 (mini).
    #[test]
    fn lancet_1986_repeatability() {
        for (first, second, coefficient) in [(WRIGHT_1, WRIGHT_2, 43.29), (MINI_1, MINI_2, 56.32)] {
            let result = repeatability(Replicates(&pairs(&first, &second)), 0.95).unwrap();
            assert_eq!(result.degrees, 17);
            let as_in_1986 = 2.0 * std::f64::consts::SQRT_2 * result.within_sd;
            assert_abs_diff_eq!(as_in_1986, coefficient, epsilon = 0.005);
            assert!(result.interval.holds(result.coefficient));
        }
    }

    /// Bland & Altman 1986, means of two: bias −6.03, SD of the means' differences 33.20, corrected SD 37.65.
    #[test]
    fn lancet_1986_means_of_two() {
        let wright = pairs(&WRIGHT_1, &WRIGHT_2);
        let mini = pairs(&MINI_1, &MINI_2);
        let result = repeated_constant(Replicates(&wright), Replicates(&mini), 0.95).unwrap();
        assert_abs_diff_eq!(result.bias, -6.03, epsilon = 0.005);
        assert_abs_diff_eq!(result.sd, 37.65, epsilon = 0.005);
        let of_means: Vec<f64> = wright
            .iter()
            .zip(&mini)
            .map(|(w, m)| mean(w) - mean(m))
            .collect();
        assert_abs_diff_eq!(variance(&of_means).sqrt(), 33.20, epsilon = 0.005);
        assert!(result.lower_interval.holds(result.lower));
        assert!(result.upper_interval.holds(result.upper));
    }

    /// Unequal groups: mean squares against `scipy.stats.f_oneway`, χ² from `SciPy` 1.17.1 (computed).
    #[test]
    fn unequal_groups_agree_with_scipy() {
        let groups = [
            vec![1.2, 0.4, 2.1],
            vec![-0.3, 0.8],
            vec![3.1, 2.2, 2.9, 3.3],
            vec![0.1, -1.0, 0.6],
        ];
        let result = repeated_varying(Replicates(&groups), 0.95).unwrap();
        assert_abs_diff_eq!(result.bias, 1.283_333_333_333, epsilon = 1e-11);
        assert_abs_diff_eq!(result.sd, 1.541_570_836_729_239_6, epsilon = 1e-11);
        assert_abs_diff_eq!(result.within_sd.powi(2), 0.509_895_833_333, epsilon = 1e-11);
        assert_abs_diff_eq!(
            result.between_sd.powi(2),
            1.866_544_811_320_8,
            epsilon = 1e-11
        );
        let table = OneWay::of("", &groups).unwrap();
        let parts = [
            Component {
                value: variance(&table.means),
                degrees: 3.0,
            },
            Component {
                value: (1.0 - table.mean_inverse_size) * table.within,
                degrees: 8.0,
            },
        ];
        let (total, interval) = interval_of_sum(&parts, 0.95);
        assert_abs_diff_eq!(total, 2.104_602_864_583_3, epsilon = 1e-10);
        assert_abs_diff_eq!(interval.low, 0.885_792_926_670_14, epsilon = 1e-9);
        assert_abs_diff_eq!(interval.high, 25.026_447_687_711, epsilon = 1e-8);
    }

    /// The naive SD of all differences taken together is too small when archers differ.
    #[test]
    fn archers_that_differ_widen_the_limits() {
        let groups: Vec<Vec<f64>> = [-3.0, 0.0, 3.0]
            .iter()
            .map(|offset| (0..40).map(|k| offset + f64::from(k % 5) * 0.1).collect())
            .collect();
        let result = repeated_varying(Replicates(&groups), 0.95).unwrap();
        let pooled: Vec<f64> = groups.concat();
        assert!(result.sd > 1.15 * variance(&pooled).sqrt());
    }
}
