use super::{Interval, Z_95, check, check_confidence, f_cdf, f_quantile};
use crate::StudyError;
use serde::Serialize;

/// The six forms of Shrout & Fleiss 1979 (Psychol Bull 86:420), with the names of `McGraw` & Wong 1996 (Psychol Methods
/// 1:30).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub enum IntraclassForm {
    /// ICC(1): each target by other judges; one judge. Shrout & Fleiss (1,1).
    #[serde(rename = "ICC(1)")]
    One,
    /// ICC(A,1): absolute agreement, one judge. Shrout & Fleiss (2,1).
    #[serde(rename = "ICC(A,1)")]
    Agreement,
    /// ICC(C,1): consistency, one judge. Shrout & Fleiss (3,1).
    #[serde(rename = "ICC(C,1)")]
    Consistency,
    /// ICC(k): as `One`, mean of all judges. Shrout & Fleiss (1,k).
    #[serde(rename = "ICC(k)")]
    OneOfMean,
    /// ICC(A,k): as `Agreement`, mean of all judges. Shrout & Fleiss (2,k).
    #[serde(rename = "ICC(A,k)")]
    AgreementOfMean,
    /// ICC(C,k): as `Consistency`, mean of all judges. Shrout & Fleiss (3,k).
    #[serde(rename = "ICC(C,k)")]
    ConsistencyOfMean,
}

impl IntraclassForm {
    /// All six, in the order of Shrout & Fleiss.
    pub const ALL: [Self; 6] = [
        Self::One,
        Self::Agreement,
        Self::Consistency,
        Self::OneOfMean,
        Self::AgreementOfMean,
        Self::ConsistencyOfMean,
    ];

    /// Name after `McGraw` & Wong.
    pub const fn name(self) -> &'static str {
        match self {
            Self::One => "ICC(1)",
            Self::Agreement => "ICC(A,1)",
            Self::Consistency => "ICC(C,1)",
            Self::OneOfMean => "ICC(k)",
            Self::AgreementOfMean => "ICC(A,k)",
            Self::ConsistencyOfMean => "ICC(C,k)",
        }
    }
}

/// Mean squares of a complete targets × judges table.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Anova {
    /// Targets (rows).
    pub targets: usize,
    /// Judges (columns).
    pub judges: usize,
    /// Between targets (BMS).
    pub between: f64,
    /// Within targets (WMS).
    pub within: f64,
    /// Between judges (JMS).
    pub judge: f64,
    /// Residual (EMS).
    pub error: f64,
}

/// An intraclass correlation with its interval and test.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct IntraclassCorrelation {
    /// Which form.
    pub form: IntraclassForm,
    /// The coefficient.
    pub value: f64,
    /// Its interval.
    pub interval: Interval,
    /// F of "the coefficient is 0".
    pub f: f64,
    /// Degrees of freedom of F.
    pub degrees: [f64; 2],
    /// p of that test.
    pub p: f64,
}

/// What a single reading is worth.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MeasurementError {
    /// Standard error of measurement, absolute agreement: `√(σ²judge + σ²error)`.
    pub sem_agreement: f64,
    /// Standard error of measurement, consistency: `√σ²error`.
    pub sem_consistency: f64,
    /// Minimal detectable change of two single readings by one judge, 95 %: `1.96 √2 · sem_consistency`.
    pub detectable_change: f64,
    /// The same where judge or camera may change between the readings: `1.96 √2 · sem_agreement`.
    pub detectable_change_agreement: f64,
    /// Interval of `sem_consistency` (χ²).
    pub sem_consistency_interval: Interval,
}

impl Anova {
    /// Mean squares of `table[target][judge]`.
    ///
    /// # Errors
    /// [`StudyError`] for fewer than two targets or judges, or rows of different lengths.
    pub fn of(table: &[Vec<f64>]) -> Result<Self, StudyError> {
        let judges = table.first().map_or(0, Vec::len);
        if table.len() < 2 || judges < 2 {
            return Err(StudyError::TooFew {
                what: "targets and judges",
                found: table.len().min(judges),
                needed: 2,
            });
        }
        for row in table {
            check("readings of a target", row, 1)?;
            if row.len() != judges {
                return Err(StudyError::Lengths {
                    what: "readings of targets",
                    left: row.len(),
                    right: judges,
                });
            }
        }
        let (n, k) = (table.len() as f64, judges as f64);
        let grand = table.iter().flatten().sum::<f64>() / (n * k);
        let rows: Vec<f64> = table
            .iter()
            .map(|row| row.iter().sum::<f64>() / k)
            .collect();
        let columns: Vec<f64> = (0..judges)
            .map(|judge| table.iter().map(|row| row[judge]).sum::<f64>() / n)
            .collect();
        let between: f64 = rows.iter().map(|mean| (mean - grand).powi(2)).sum();
        let judge: f64 = columns.iter().map(|mean| (mean - grand).powi(2)).sum();
        let mut within = 0.0;
        let mut error = 0.0;
        for (row, row_mean) in table.iter().zip(&rows) {
            for (value, column_mean) in row.iter().zip(&columns) {
                within += (value - row_mean).powi(2);
                error += (value - row_mean - column_mean + grand).powi(2);
            }
        }
        Ok(Self {
            targets: table.len(),
            judges,
            between: k * between / (n - 1.0),
            within: within / (n * (k - 1.0)),
            judge: n * judge / (k - 1.0),
            error: error / ((n - 1.0) * (k - 1.0)),
        })
    }

    fn sizes(&self) -> (f64, f64) {
        (self.targets as f64, self.judges as f64)
    }
}

/// One form of the intraclass correlation of `table[target][judge]`.
///
/// # Errors
/// [`StudyError`] where the table is not one, or has no spread at all.
pub fn intraclass(
    table: &[Vec<f64>],
    form: IntraclassForm,
    confidence: f64,
) -> Result<IntraclassCorrelation, StudyError> {
    check_confidence(confidence)?;
    let anova = Anova::of(table)?;
    if anova.between <= 0.0 && anova.within <= 0.0 {
        return Err(StudyError::NoSpread {
            what: "intraclass correlation",
        });
    }
    Ok(of_form(&anova, form, confidence))
}

/// All six forms of `table[target][judge]`.
///
/// # Errors
/// As [`intraclass`].
pub fn intraclass_table(
    table: &[Vec<f64>],
    confidence: f64,
) -> Result<Vec<IntraclassCorrelation>, StudyError> {
    IntraclassForm::ALL
        .iter()
        .map(|form| intraclass(table, *form, confidence))
        .collect()
}

fn of_form(anova: &Anova, form: IntraclassForm, confidence: f64) -> IntraclassCorrelation {
    use IntraclassForm as F;
    let Anova {
        between: b,
        within: w,
        judge: j,
        error: e,
        ..
    } = *anova;
    let (n, k) = anova.sizes();
    let value = match form {
        F::One => (b - w) / (b + (k - 1.0) * w),
        F::Agreement => (b - e) / (b + (k - 1.0) * e + k * (j - e) / n),
        F::Consistency => (b - e) / (b + (k - 1.0) * e),
        F::OneOfMean => (b - w) / b,
        F::AgreementOfMean => (b - e) / (b + (j - e) / n),
        F::ConsistencyOfMean => (b - e) / b,
    };
    let of_rows = matches!(form, F::One | F::OneOfMean);
    let below = if of_rows {
        n * (k - 1.0)
    } else {
        (n - 1.0) * (k - 1.0)
    };
    let f = b / if of_rows { w } else { e };
    let upper = 0.5 + 0.5 * confidence;
    // F over and times its critical values (Shrout & Fleiss 1979, p. 424).
    let bounds = Interval {
        low: f / f_quantile(upper, n - 1.0, below),
        high: f * f_quantile(upper, below, n - 1.0),
    };
    let spearman_brown = |single: f64| k * single / (1.0 + (k - 1.0) * single);
    let interval = match form {
        F::One | F::Consistency => bounds.map(|end| (end - 1.0) / (end + k - 1.0)),
        F::OneOfMean | F::ConsistencyOfMean => bounds.map(|end| 1.0 - 1.0 / end),
        F::Agreement => agreement_interval(anova, upper),
        F::AgreementOfMean => agreement_interval(anova, upper).map(spearman_brown),
    };
    IntraclassCorrelation {
        form,
        value,
        interval,
        f,
        degrees: [n - 1.0, below],
        p: 1.0 - f_cdf(f, n - 1.0, below),
    }
}

/// Satterthwaite degrees of freedom of the denominator of ICC(A,1): `McGraw` & Wong 1996, table 7, case 2A.
fn agreement_degrees(anova: &Anova) -> f64 {
    let (n, k) = anova.sizes();
    let r = of_agreement(anova);
    let a = k * r / (n * (1.0 - r));
    let b = 1.0 + k * r * (n - 1.0) / (n * (1.0 - r));
    let (aj, be) = (a * anova.judge, b * anova.error);
    (aj + be).powi(2) / (aj * aj / (k - 1.0) + be * be / ((n - 1.0) * (k - 1.0)))
}

fn of_agreement(anova: &Anova) -> f64 {
    let (n, k) = anova.sizes();
    let top = anova.between - anova.error;
    top / (anova.between + (k - 1.0) * anova.error + k * (anova.judge - anova.error) / n)
}

/// Interval of ICC(A,1): `McGraw` & Wong 1996, table 7, case 2A.
fn agreement_interval(anova: &Anova, upper: f64) -> Interval {
    let (n, k) = anova.sizes();
    let (b, j, e) = (anova.between, anova.judge, anova.error);
    let degrees = agreement_degrees(anova);
    if !degrees.is_finite() {
        // Perfect agreement: no error to speak of.
        let value = of_agreement(anova);
        return Interval::around(value, 0.0);
    }
    let above = f_quantile(upper, n - 1.0, degrees);
    let below = f_quantile(upper, degrees, n - 1.0);
    let spread = k * j + (k * n - k - n) * e;
    Interval {
        low: n * (b - above * e) / (above * spread + n * b),
        high: n * (below * b - e) / (spread + n * below * b),
    }
}

/// Standard error of measurement and minimal detectable change of `table[target][judge]`, from its variance components
/// (de Vet et al. 2006, J Clin Epidemiol 59:1033 \[from memory\]). With two judges `sem_consistency` is the SD of
/// their differences over √2.
///
/// # Errors
/// As [`Anova::of`].
pub fn measurement_error(
    table: &[Vec<f64>],
    confidence: f64,
) -> Result<MeasurementError, StudyError> {
    check_confidence(confidence)?;
    let anova = Anova::of(table)?;
    let (n, k) = anova.sizes();
    let judge_variance = ((anova.judge - anova.error) / n).max(0.0);
    let sem_consistency = anova.error.sqrt();
    let sem_agreement = (judge_variance + anova.error).sqrt();
    let factor = Z_95 * std::f64::consts::SQRT_2;
    let degrees = (n - 1.0) * (k - 1.0);
    let tail = 0.5 * (1.0 - confidence);
    let end = |p| sem_consistency * (degrees / super::chi_squared_quantile(p, degrees)).sqrt();
    Ok(MeasurementError {
        sem_agreement,
        sem_consistency,
        detectable_change: factor * sem_consistency,
        detectable_change_agreement: factor * sem_agreement,
        sem_consistency_interval: Interval {
            low: end(1.0 - tail),
            high: end(tail),
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// Shrout & Fleiss 1979, table 2: six targets, four judges.
    fn shrout_fleiss() -> Vec<Vec<f64>> {
        vec![
            vec![9.0, 2.0, 5.0, 8.0],
            vec![6.0, 1.0, 3.0, 2.0],
            vec![8.0, 4.0, 6.0, 8.0],
            vec![7.0, 1.0, 2.0, 6.0],
            vec![10.0, 5.0, 6.0, 9.0],
            vec![6.0, 2.0, 4.0, 7.0],
        ]
    }

    /// Mean squares and the six coefficients of Shrout & Fleiss 1979, to their digits and beyond (pingouin 0.7.0, computed).
    #[test]
    fn all_six_of_shrout_and_fleiss() {
        let anova = Anova::of(&shrout_fleiss()).unwrap();
        assert_abs_diff_eq!(anova.between, 11.2417, epsilon = 5e-5);
        assert_abs_diff_eq!(anova.within, 6.2639, epsilon = 5e-5);
        assert_abs_diff_eq!(anova.judge, 32.4861, epsilon = 5e-5);
        assert_abs_diff_eq!(anova.error, 1.01944, epsilon = 5e-6);
        let results = intraclass_table(&shrout_fleiss(), 0.95).unwrap();
        let printed = [0.1657, 0.2898, 0.7148, 0.4428, 0.6201, 0.9093];
        let pingouin = [
            0.165_741_768_405,
            0.289_763_779_528,
            0.714_840_714_841,
            0.442_797_133_679,
            0.620_050_547_599,
            0.909_315_542_377,
        ];
        for ((result, printed), exact) in results.iter().zip(printed).zip(pingouin) {
            assert_abs_diff_eq!(result.value, printed, epsilon = 5e-5);
            assert_abs_diff_eq!(result.value, exact, epsilon = 1e-11);
        }
        assert_abs_diff_eq!(results[0].p, 0.164_768_808_345, epsilon = 1e-10);
        assert_abs_diff_eq!(results[1].f, 11.027_247_956_403, epsilon = 1e-10);
    }

    /// `McGraw` & Wong 1996 on the same table: v = 4.78514, ICC(A,1) from .01879 to .76108; all six as R's psych prints them
    /// (`ICC(lmer = FALSE)`, computed; pingouin 0.7.0 prints [-.13 .72] [.02 .76] [.34 .95] [-.88 .91] [.07 .93] [.68 .99]).
    #[test]
    fn intervals() {
        let anova = Anova::of(&shrout_fleiss()).unwrap();
        assert_abs_diff_eq!(
            agreement_degrees(&anova),
            4.785_143_862_213,
            epsilon = 1e-10
        );
        let ends = [
            [-0.132_932_324_875, 0.722_560_062_328],
            [0.018_786_513_375, 0.761_084_369_649],
            [0.342_464_765_034, 0.945_858_259_955],
            [-0.884_442_155_238, 0.912_415_420_341],
            [0.071_136_815_303, 0.927_232_040_168],
            [0.675_674_713_816, 0.985_891_678_169],
        ];
        let results = intraclass_table(&shrout_fleiss(), 0.95).unwrap();
        for (result, [low, high]) in results.iter().zip(ends) {
            assert_abs_diff_eq!(result.interval.low, low, epsilon = 1e-9);
            assert_abs_diff_eq!(result.interval.high, high, epsilon = 1e-9);
        }
    }

    #[test]
    fn error_of_measurement() {
        let result = measurement_error(&shrout_fleiss(), 0.95).unwrap();
        assert_abs_diff_eq!(result.sem_consistency, 1.009_675_415_391, epsilon = 1e-10);
        assert_abs_diff_eq!(result.sem_agreement, 2.502_776_236_280, epsilon = 1e-10);
        assert_abs_diff_eq!(
            result.detectable_change / result.sem_consistency,
            2.771_807_648,
            epsilon = 1e-8
        );
        assert!(
            result
                .sem_consistency_interval
                .holds(result.sem_consistency)
        );
    }

    #[test]
    fn two_judges_give_the_sd_of_differences() {
        let table = vec![
            vec![1.0, 1.5],
            vec![2.0, 2.1],
            vec![3.0, 2.2],
            vec![5.0, 5.7],
        ];
        let differences: Vec<f64> = table.iter().map(|row| row[0] - row[1]).collect();
        let sd = super::super::variance(&differences).sqrt();
        let result = measurement_error(&table, 0.95).unwrap();
        assert_abs_diff_eq!(
            result.sem_consistency,
            sd / std::f64::consts::SQRT_2,
            epsilon = 1e-12
        );
    }

    #[test]
    fn perfect_agreement_is_one() {
        let table: Vec<Vec<f64>> = (0..5).map(|k| vec![f64::from(k); 2]).collect();
        let result = intraclass(&table, IntraclassForm::Agreement, 0.95).unwrap();
        assert_abs_diff_eq!(result.value, 1.0, epsilon = 1e-12);
        assert!(intraclass(&vec![vec![1.0, 1.0]; 4], IntraclassForm::Agreement, 0.95).is_err());
    }
}
