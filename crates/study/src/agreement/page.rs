//! The study as one self-contained page: statements first, then dials, tables and difference plots.

use super::cell::AgreementCell;
use super::study::AgreementStudy;
use crate::forecast::escape;
use crate::statistics::Interval;
use std::fmt::Write;

const STYLE: &str = "body{font:15px/1.45 sans-serif;max-width:70rem;margin:2rem auto;padding:0 1rem;color:#222}table{border-collapse:collapse;font-size:13px}td,th{padding:.2rem .6rem;border-bottom:1px solid #ddd;text-align:right}td:nth-child(-n+4),th:nth-child(-n+4){text-align:left}svg{max-width:100%;height:auto}figure{margin:1rem 0}.tables{overflow-x:auto}";

impl AgreementStudy {
    /// One HTML file without any address in it. Plots stand in it where there are at least three shots behind them.
    pub fn page(&self) -> String {
        let mut out = String::new();
        // Writing to a String cannot fail.
        let _ = write!(
            out,
            "<!DOCTYPE html><html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width\"><title>{title}</title><style>{STYLE}</style></head><body><h1>{title}</h1><p>{question}</p><ul>",
            title = escape(&self.title),
            question = escape(&self.question)
        );
        for statement in &self.statements {
            let _ = write!(out, "<li>{}</li>", escape(statement));
        }
        for [practice, archer, shot, reason] in &self.excluded {
            let words = format!("left out: {practice} {archer} {shot}: {reason}");
            let _ = write!(out, "<li>{}</li>", escape(&words));
        }
        out.push_str("</ul>");
        for estimate in self.estimates() {
            let _ = write!(out, "<figure>{}</figure>", self.dial(&estimate));
        }
        self.table(&mut out);
        self.faults_table(&mut out);
        for cell in self.cells.iter().filter(|cell| cell.shots >= 3) {
            if let Some(plot) = self.difference_plot(&cell.camera, &cell.estimate, cell.measure) {
                let _ = write!(out, "<figure>{plot}</figure>");
            }
        }
        out.push_str("</body></html>\n");
        out
    }

    /// Names of the estimates, in their order.
    pub fn estimates(&self) -> Vec<String> {
        let mut names: Vec<String> = Vec::new();
        for cell in &self.cells {
            if !names.contains(&cell.estimate) {
                names.push(cell.estimate.clone());
            }
        }
        names
    }

    fn table(&self, out: &mut String) {
        out.push_str("<h2>Single camera minus 3-D</h2><div class=\"tables\"><table><tr><th>camera</th><th>place</th><th>estimate</th><th>measure</th><th>shown</th><th>without it</th><th>shots</th><th>bias</th><th>lower limit</th><th>upper limit</th><th>RMSE</th><th>ICC(A,1)</th><th>SEM</th><th>MDC</th><th>needed</th><th>trust</th></tr>");
        for cell in &self.cells {
            let _ = write!(
                out,
                "<tr><td>{}</td><td>{}</td><td>{}</td><td>{} ({})</td>",
                escape(&cell.camera),
                cell.angle,
                escape(&cell.estimate),
                cell.measure.words(),
                cell.unit
            );
            for text in figures(cell) {
                let _ = write!(out, "<td>{text}</td>");
            }
            out.push_str("</tr>");
        }
        out.push_str("</table></div>");
    }

    fn faults_table(&self, out: &mut String) {
        out.push_str("<h2>Collapses</h2><div class=\"tables\"><table><tr><th>camera</th><th>place</th><th>estimate</th><th>found of</th><th>found</th><th>invented of</th><th>invented</th><th>not judged</th></tr>");
        for cell in &self.faults {
            let rate = |p: &crate::statistics::Proportion| {
                format!(
                    "{} ({:.0}–{:.0} %)",
                    p.hits,
                    100.0 * p.interval.low,
                    100.0 * p.interval.high
                )
            };
            let _ = write!(
                out,
                "<tr><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>",
                escape(&cell.camera),
                cell.angle,
                escape(&cell.estimate),
                cell.found.n,
                rate(&cell.found),
                cell.invented.n,
                rate(&cell.invented),
                cell.not_judged
            );
        }
        out.push_str("</table></div>");
    }
}

fn number(value: Option<f64>, digits: usize) -> String {
    value
        .filter(|v| v.is_finite())
        .map_or_else(|| "–".to_owned(), |v| format!("{v:.digits$}"))
}

fn with_interval(value: Option<f64>, interval: Option<Interval>, digits: usize) -> String {
    match interval {
        Some(i) if i.low.is_finite() && i.high.is_finite() => format!(
            "{} ({:.digits$} to {:.digits$})",
            number(value, digits),
            i.low,
            i.high
        ),
        _ => number(value, digits),
    }
}

/// The figures of a row, as text.
fn figures(cell: &AgreementCell) -> [String; 12] {
    let repeated = cell.repeated;
    let pooled = cell.pooled;
    let limits = cell.limits();
    let bias = repeated
        .map(|r| r.bias_interval)
        .or(pooled.map(|p| p.bias_interval));
    let lower = repeated
        .map(|r| r.lower_interval)
        .or(pooled.map(|p| p.lower_exact));
    let upper = repeated
        .map(|r| r.upper_interval)
        .or(pooled.map(|p| p.upper_exact));
    [
        format!("{:.0} %", 100.0 * cell.shown_share),
        if cell.independent { "yes" } else { "no" }.to_owned(),
        cell.shots.to_string(),
        with_interval(cell.bias(), bias, 1),
        with_interval(limits.map(|l| l.low), lower, 1),
        with_interval(limits.map(|l| l.high), upper, 1),
        with_interval(cell.rmse, cell.rmse_interval, 1),
        with_interval(
            cell.icc.map(|icc| icc.value),
            cell.icc.map(|icc| icc.interval),
            2,
        ),
        number(cell.error.map(|error| error.sem_agreement), 1),
        number(cell.error.map(|error| error.detectable_change_agreement), 1),
        cell.needed
            .map_or_else(|| "–".to_owned(), |n| n.to_string()),
        cell.trust.word().to_owned(),
    ]
}
