//! One cell of the tables: one camera, one estimate, one measure.

use super::pairs::{Angle, Pair};
use super::planar::NoEstimate;
use super::study_file::Analysis;
use super::track::StudyMeasure;
use crate::statistics::{
    Concordance, Interval, IntraclassCorrelation, IntraclassForm, LimitsOfAgreement, Line,
    MeasurementError, RepeatedLimits, Replicates, Spread, archers_for_limits, bland_altman,
    bootstrap_by_group, concordance, intraclass, measurement_error, proportional_bias,
    repeated_varying, rms, shots_for_limits,
};
use serde::Serialize;
use std::collections::BTreeMap;

/// How far a single camera can be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Trust {
    /// Both limits of agreement lie within the tolerance.
    Good,
    /// Within three times the tolerance.
    Coarse,
    /// Beyond.
    Poor,
    /// Not measurable from there, or too few shots to say.
    None,
}

/// Beyond this many tolerances a figure misleads.
const COARSE: f64 = 3.0;

/// All statistics of one camera, estimate and measure. A statistic that these numbers do not allow is absent.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AgreementCell {
    /// Camera.
    pub camera: String,
    /// Its place.
    pub angle: Angle,
    /// Estimate.
    pub estimate: String,
    /// Measure.
    pub measure: StudyMeasure,
    /// Unit of all lengths here.
    pub unit: &'static str,
    /// Share of a movement along the measure's coordinate that shows in this picture (0 to 1): mean over shots.
    pub shown_share: f64,
    /// All 3-D figures were made without this camera.
    pub independent: bool,
    /// The camera is stated, not standing.
    pub is_virtual: bool,
    /// Archers with at least one pair.
    pub archers: usize,
    /// Pairs.
    pub shots: usize,
    /// Shots without a single-camera figure, by reason.
    pub missing: BTreeMap<NoEstimate, usize>,
    /// Shots without a 3-D figure.
    pub reference_missing: usize,
    /// Bias and limits as if all shots were independent: proper only with one shot an archer.
    pub pooled: Option<LimitsOfAgreement>,
    /// Bias and limits in the form for repeated shots (true value varies): the form to quote.
    pub repeated: Option<RepeatedLimits>,
    /// Difference on mean.
    pub proportional: Option<Line>,
    /// Root mean square difference.
    pub rmse: Option<f64>,
    /// Its interval, archers and shots resampled.
    pub rmse_interval: Option<Interval>,
    /// ICC(A,1).
    pub icc: Option<IntraclassCorrelation>,
    /// Standard error of measurement and minimal detectable change.
    pub error: Option<MeasurementError>,
    /// Lin's coefficient.
    pub concordance: Option<Concordance>,
    /// Archers, with as many shots each as here on average, that limits of the wanted width would take; single shots
    /// where there is one archer.
    pub needed: Option<usize>,
    /// Verdict.
    pub trust: Trust,
}

impl AgreementCell {
    /// Lower and upper limit of agreement: the repeated form where there is one.
    pub fn limits(&self) -> Option<Interval> {
        let repeated = self.repeated.map(|r| (r.lower, r.upper));
        let (low, high) = repeated.or(self.pooled.map(|p| (p.lower, p.upper)))?;
        Some(Interval { low, high })
    }

    /// Bias: the repeated form where there is one.
    pub fn bias(&self) -> Option<f64> {
        self.repeated
            .map(|r| r.bias)
            .or(self.pooled.map(|p| p.bias))
    }
}

/// Computes a cell from its pairs.
pub(crate) fn cell(pairs: &[&Pair], analysis: &Analysis) -> Option<AgreementCell> {
    let first = pairs.first()?;
    let mut missing = BTreeMap::new();
    for why in pairs.iter().filter_map(|pair| pair.why_not) {
        *missing.entry(why).or_insert(0) += 1;
    }
    let mut by_archer: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    let (mut planar, mut reference) = (Vec::new(), Vec::new());
    for pair in pairs {
        if let (Some(p), Some(r)) = (pair.planar, pair.reference) {
            by_archer.entry(&pair.archer).or_default().push(p - r);
            planar.push(p);
            reference.push(r);
        }
    }
    let groups: Vec<Vec<f64>> = by_archer.into_values().collect();
    let differences: Vec<f64> = groups.concat();
    let table: Vec<Vec<f64>> = planar
        .iter()
        .zip(&reference)
        .map(|(p, r)| vec![*p, *r])
        .collect();
    let level = analysis.confidence;
    let some = !differences.is_empty();
    let repeated = repeated_varying(Replicates(&groups), level).ok();
    let pooled = bland_altman(&differences, level).ok();
    let mut cell = AgreementCell {
        camera: first.camera.clone(),
        angle: first.angle,
        estimate: first.estimate.clone(),
        measure: first.measure,
        unit: first.measure.unit(),
        shown_share: pairs.iter().map(|pair| pair.shown_share).sum::<f64>() / pairs.len() as f64,
        independent: pairs.iter().all(|pair| pair.independent),
        is_virtual: pairs.iter().any(|pair| pair.is_virtual),
        archers: groups.len(),
        shots: differences.len(),
        missing,
        reference_missing: pairs.iter().filter(|pair| pair.reference.is_none()).count(),
        pooled,
        repeated,
        proportional: proportional_bias(&planar, &reference, level).ok(),
        rmse: some.then(|| rms(&differences)),
        rmse_interval: bootstrap_by_group(&groups, rms, analysis.resamples, analysis.seed, level)
            .ok(),
        icc: intraclass(&table, IntraclassForm::Agreement, level).ok(),
        error: measurement_error(&table, level).ok(),
        concordance: concordance(&planar, &reference, level).ok(),
        needed: None,
        trust: Trust::None,
    };
    cell.needed = needed(&cell, analysis);
    cell.trust = trust(&cell, analysis.tolerance);
    Some(cell)
}

fn needed(cell: &AgreementCell, analysis: &Analysis) -> Option<usize> {
    let (wanted, level) = (analysis.wanted_half_width, analysis.confidence);
    match cell.repeated {
        Some(repeated) => {
            let spread = Spread {
                between_sd: repeated.between_sd,
                within_sd: repeated.within_sd,
            };
            let shots = cell.shots.checked_div(cell.archers)?.max(2);
            archers_for_limits(spread, shots, wanted, level).ok()
        }
        None => shots_for_limits(cell.pooled?.sd, wanted, level).ok(),
    }
}

fn trust(cell: &AgreementCell, tolerance: f64) -> Trust {
    let Some(limits) = cell.limits() else {
        return Trust::None;
    };
    let worst = limits.low.abs().max(limits.high.abs());
    if worst <= tolerance {
        Trust::Good
    } else if worst <= COARSE * tolerance {
        Trust::Coarse
    } else {
        Trust::Poor
    }
}
