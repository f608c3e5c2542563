//! Tables as CSV and JSON, so that any program can repeat every number.

use super::pairs::Pair;
use super::study::AgreementStudy;
use crate::StudyError;
use crate::statistics::Interval;
use std::fmt::Write;

/// A field for CSV (RFC 4180); what a spreadsheet would take for a formula is defused.
fn field(text: &str) -> String {
    let risky = text.starts_with(['=', '+', '-', '@', '\t', '\r']) && text.parse::<f64>().is_err();
    let text = if risky {
        format!("'{text}")
    } else {
        text.to_owned()
    };
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text
    }
}

fn number(value: Option<f64>) -> String {
    value
        .filter(|v| v.is_finite())
        .map_or_else(String::new, |v| v.to_string())
}

fn row(out: &mut String, fields: &[String]) {
    // Writing to a String cannot fail.
    let _ = writeln!(out, "{}", fields.join(","));
}

fn word(value: impl serde::Serialize) -> String {
    serde_json::to_value(value)
        .ok()
        .and_then(|value| value.as_str().map(str::to_owned))
        .unwrap_or_default()
}

impl AgreementStudy {
    /// Everything as JSON.
    ///
    /// # Errors
    /// [`StudyError::Syntax`] if it cannot be written, which no study was seen to do.
    pub fn to_json(&self) -> Result<String, StudyError> {
        serde_json::to_string_pretty(self).map_err(|source| StudyError::Syntax {
            file: "study result",
            message: source.to_string(),
        })
    }

    /// Every pair, one row each.
    pub fn pairs_csv(&self) -> String {
        let mut out = "practice,archer,shot,camera,angle,estimate,measure,unit,single_camera,three_d,difference,independent,virtual,why_not\n".to_owned();
        for pair in &self.pairs {
            row(&mut out, &pair_row(pair));
        }
        out
    }

    /// The tables, one row a cell.
    pub fn cells_csv(&self) -> String {
        let mut out = "camera,angle,estimate,measure,unit,shown_share,independent,virtual,archers,shots,bias,bias_low,bias_high,sd,lower,lower_low,lower_high,upper,upper_low,upper_high,between_sd,within_sd,pooled_bias,pooled_sd,pooled_lower,pooled_upper,slope,slope_low,slope_high,slope_p,rmse,rmse_low,rmse_high,icc_a1,icc_low,icc_high,sem,mdc,ccc,ccc_low,ccc_high,needed,trust,not_measurable\n".to_owned();
        for cell in &self.cells {
            let ends = |interval: Option<Interval>| {
                [interval.map(|i| i.low), interval.map(|i| i.high)].map(number)
            };
            let repeated = cell.repeated;
            let mut fields = vec![
                field(&cell.camera),
                cell.angle.to_string(),
                field(&cell.estimate),
                cell.measure.name().to_owned(),
                cell.unit.to_owned(),
                cell.shown_share.to_string(),
                cell.independent.to_string(),
                cell.is_virtual.to_string(),
                cell.archers.to_string(),
                cell.shots.to_string(),
                number(repeated.map(|r| r.bias)),
            ];
            fields.extend(ends(repeated.map(|r| r.bias_interval)));
            fields.push(number(repeated.map(|r| r.sd)));
            fields.push(number(repeated.map(|r| r.lower)));
            fields.extend(ends(repeated.map(|r| r.lower_interval)));
            fields.push(number(repeated.map(|r| r.upper)));
            fields.extend(ends(repeated.map(|r| r.upper_interval)));
            fields.extend([
                number(repeated.map(|r| r.between_sd)),
                number(repeated.map(|r| r.within_sd)),
                number(cell.pooled.map(|p| p.bias)),
                number(cell.pooled.map(|p| p.sd)),
                number(cell.pooled.map(|p| p.lower)),
                number(cell.pooled.map(|p| p.upper)),
                number(cell.proportional.map(|line| line.slope)),
            ]);
            fields.extend(ends(cell.proportional.map(|line| line.slope_interval)));
            fields.push(number(cell.proportional.map(|line| line.slope_p)));
            fields.push(number(cell.rmse));
            fields.extend(ends(cell.rmse_interval));
            fields.push(number(cell.icc.map(|icc| icc.value)));
            fields.extend(ends(cell.icc.map(|icc| icc.interval)));
            fields.push(number(cell.error.map(|error| error.sem_agreement)));
            fields.push(number(
                cell.error.map(|error| error.detectable_change_agreement),
            ));
            fields.push(number(cell.concordance.map(|ccc| ccc.coefficient)));
            fields.extend(ends(cell.concordance.map(|ccc| ccc.interval)));
            fields.push(cell.needed.map_or_else(String::new, |n| n.to_string()));
            fields.push(word(cell.trust));
            let why: Vec<String> = cell
                .missing
                .iter()
                .map(|(why, n)| format!("{}: {n}", word(why)))
                .collect();
            fields.push(field(&why.join("; ")));
            row(&mut out, &fields);
        }
        out
    }

    /// Faults found, missed, invented.
    pub fn faults_csv(&self) -> String {
        let mut out = "camera,angle,estimate,collapses,found,found_low,found_high,missed,missed_low,missed_high,clean,invented,invented_low,invented_high,not_judged\n".to_owned();
        for cell in &self.faults {
            let rate = |p: &crate::statistics::Proportion| {
                [
                    p.hits.to_string(),
                    p.interval.low.to_string(),
                    p.interval.high.to_string(),
                ]
            };
            let mut fields = vec![
                field(&cell.camera),
                cell.angle.to_string(),
                field(&cell.estimate),
                cell.found.n.to_string(),
            ];
            fields.extend(rate(&cell.found));
            fields.extend(rate(&cell.missed));
            fields.push(cell.invented.n.to_string());
            fields.extend(rate(&cell.invented));
            fields.push(cell.not_judged.to_string());
            row(&mut out, &fields);
        }
        out
    }
}

fn pair_row(pair: &Pair) -> Vec<String> {
    vec![
        field(&pair.practice),
        field(&pair.archer),
        field(&pair.shot),
        field(&pair.camera),
        pair.angle.to_string(),
        field(&pair.estimate),
        pair.measure.name().to_owned(),
        pair.measure.unit().to_owned(),
        number(pair.planar),
        number(pair.reference),
        number(pair.planar.zip(pair.reference).map(|(p, r)| p - r)),
        pair.independent.to_string(),
        pair.is_virtual.to_string(),
        pair.why_not.map_or_else(String::new, word),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_quoted_and_formulas_defused() {
        assert_eq!(field("a,b"), "\"a,b\"");
        assert_eq!(field("=1+1"), "'=1+1");
        assert_eq!(field("-3.5"), "-3.5");
        assert_eq!(field("say \"no\""), "\"say \"\"no\"\"\"");
        assert_eq!(number(Some(f64::NAN)), "");
    }
}
