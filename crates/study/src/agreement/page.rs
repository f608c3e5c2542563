//! The study as one self-contained page: statements first, then dials, tables and difference plots.

use super::cell::AgreementCell;
use super::study::AgreementStudy;
use crate::StudyWords;
use crate::forecast::escape;
use crate::statistics::{Interval, Proportion};
use std::fmt::Write;

/// Figures keep their light paper in the dark: they are the files that go into a report.
const STYLE: &str = ":root{color-scheme:light dark;--ink:#1d2329;--soft:#5c656e;--paper:#f7f5ef;--sheet:#fff;--line:#d9d4c7}\
@media (prefers-color-scheme:dark){:root{--ink:#f0ede4;--soft:#a9afb4;--paper:#14181d;--sheet:#1d2329;--line:#3a434c}}\
body{font:17px/1.5 system-ui,sans-serif;max-width:72rem;margin:0 auto;padding:1.5rem 1rem 3rem;color:var(--ink);background:var(--paper)}\
h1{font-size:1.9rem;line-height:1.2;margin:.5rem 0}h2{font-size:1.3rem;margin:2.2rem 0 .4rem}.question{font-size:1.15rem;margin:.2rem 0 1rem}\
.first{border-inline-start:.3rem solid var(--ink);padding:.4rem 1rem .4rem 2rem;margin:1rem 0;background:var(--sheet)}.first li{margin:.3rem 0}\
.note{color:var(--soft);max-width:46rem}.tables{overflow-x:auto;background:var(--sheet);border:1px solid var(--line);border-radius:.4rem}\
table{border-collapse:collapse;font-size:.82rem;width:100%;font-variant-numeric:tabular-nums}td,th{padding:.25rem .6rem;border-bottom:1px solid var(--line);text-align:end;white-space:nowrap}\
th{position:sticky;top:0;background:var(--sheet);font-weight:600}tr:last-child td{border-bottom:0}td:nth-child(-n+4),th:nth-child(-n+4){text-align:start}\
figure{margin:1rem 0;overflow-x:auto}svg{width:100%;min-width:34rem;height:auto;border:1px solid var(--line);border-radius:.4rem}.dials{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(100%,34rem),1fr));gap:1rem}.dials figure{margin:0}.plots{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(100%,30rem),1fr));gap:1rem}.plots figure{margin:0}\
@media print{@page{size:A4 landscape;margin:12mm}:root{--ink:#000;--soft:#333;--paper:#fff;--sheet:#fff;--line:#999}body{font-size:10pt;padding:0;max-width:none}.tables{overflow:visible;border:0}table{font-size:6.5pt}td,th{padding:.1rem .25rem}tr,figure{break-inside:avoid}svg{min-width:0}}";

impl AgreementStudy {
    /// One HTML file without any address in it. Plots stand in it where there are at least three shots behind them.
    pub fn page(&self, words: &StudyWords) -> String {
        let mut out = String::new();
        // Writing to a String cannot fail.
        let _ = write!(
            out,
            "<!DOCTYPE html><html lang=\"{lang}\" dir=\"{direction}\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width\"><title>{title}</title><style>{STYLE}</style></head><body><h1>{title}</h1><p class=\"question\">{question}</p><ul class=\"first\">",
            lang = escape(&words.language),
            direction = escape(&words.direction),
            title = escape(&self.title),
            question = escape(&self.question)
        );
        for statement in &self.statements {
            let _ = write!(out, "<li>{}</li>", escape(statement));
        }
        for [practice, archer, shot, reason] in &self.excluded {
            let values = [
                ("practice", practice.as_str()),
                ("archer", archer),
                ("shot", shot),
                ("reason", reason),
            ];
            let _ = write!(out, "<li>{}</li>", escape(&words.say("left_out", &values)));
        }
        out.push_str("</ul>");
        out.push_str("<div class=\"dials\">");
        for estimate in self.estimates() {
            let dial = self.dial(&estimate, words);
            let _ = write!(out, "<figure tabindex=\"0\">{dial}</figure>");
        }
        out.push_str("</div>");
        self.table(&mut out, words);
        self.faults_table(&mut out, words);
        out.push_str("<div class=\"plots\">");
        for cell in self.cells.iter().filter(|cell| cell.shots >= 3) {
            let plot = self.difference_plot(&cell.camera, &cell.estimate, cell.measure, words);
            if let Some(plot) = plot {
                let _ = write!(out, "<figure>{plot}</figure>");
            }
        }
        out.push_str("</div></body></html>\n");
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

    fn table(&self, out: &mut String, words: &StudyWords) {
        let head = [
            "camera",
            "place",
            "estimate",
            "measure",
            "shown",
            "without_it",
            "shots",
            "bias",
            "lower",
            "upper",
            "rmse",
            "icc",
            "sem",
            "mdc",
            "needed",
            "trust",
        ];
        open_table(out, words, "single_minus", &head);
        for cell in &self.cells {
            let measure = format!(
                "{} ({})",
                words.measure(cell.measure),
                words.unit(cell.measure)
            );
            let place = words.angle(cell.angle);
            let first = [cell.camera.as_str(), &place, &cell.estimate, &measure];
            row(
                out,
                first
                    .into_iter()
                    .chain(figures(cell, words).iter().map(String::as_str)),
            );
        }
        out.push_str("</table></div>");
        let _ = write!(
            out,
            "<p class=\"note\">{}</p>",
            escape(words.plain("head_note"))
        );
    }

    fn faults_table(&self, out: &mut String, words: &StudyWords) {
        let head = [
            "camera",
            "place",
            "estimate",
            "found_of",
            "found",
            "invented_of",
            "invented",
            "not_judged",
        ];
        open_table(out, words, "collapses", &head);
        for cell in &self.faults {
            let rate = |share: &Proportion| {
                let percent = |share: f64| format!("{:.0}", 100.0 * share);
                words.say(
                    "rate",
                    &[
                        ("hits", &share.hits.to_string()),
                        ("low", &percent(share.interval.low)),
                        ("high", &percent(share.interval.high)),
                    ],
                )
            };
            let texts = [
                cell.camera.clone(),
                words.angle(cell.angle),
                cell.estimate.clone(),
                cell.found.n.to_string(),
                rate(&cell.found),
                cell.invented.n.to_string(),
                rate(&cell.invented),
                cell.not_judged.to_string(),
            ];
            row(out, texts.iter().map(String::as_str));
        }
        out.push_str("</table></div>");
    }
}

/// A heading and the first row of a table.
fn open_table(out: &mut String, words: &StudyWords, heading: &str, head: &[&str]) {
    let _ = write!(
        out,
        "<h2>{}</h2><div class=\"tables\" tabindex=\"0\"><table><tr>",
        escape(words.plain(heading))
    );
    for key in head {
        let _ = write!(out, "<th>{}</th>", escape(words.plain(key)));
    }
    out.push_str("</tr>");
}

fn row<'a>(out: &mut String, texts: impl Iterator<Item = &'a str>) {
    out.push_str("<tr>");
    for text in texts {
        let _ = write!(out, "<td>{}</td>", escape(text));
    }
    out.push_str("</tr>");
}

fn number(value: Option<f64>, digits: usize) -> String {
    value
        .filter(|v| v.is_finite())
        .map_or_else(|| "–".to_owned(), |v| format!("{v:.digits$}"))
}

/// The figures of a row, as text.
fn figures(cell: &AgreementCell, words: &StudyWords) -> [String; 12] {
    let with_interval = |value: Option<f64>, interval: Option<Interval>, digits: usize| {
        let value = number(value, digits);
        match interval {
            Some(i) if i.low.is_finite() && i.high.is_finite() => words.say(
                "interval",
                &[
                    ("value", &value),
                    ("low", &number(Some(i.low), digits)),
                    ("high", &number(Some(i.high), digits)),
                ],
            ),
            _ => value,
        }
    };
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
        words.say(
            "percent",
            &[("value", &format!("{:.0}", 100.0 * cell.shown_share))],
        ),
        words.say(if cell.independent { "yes" } else { "no" }, &[]),
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
        words.trust(cell.trust).to_owned(),
    ]
}
