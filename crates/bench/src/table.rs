//! The one table: measure, n, ours, goal, verdict.

use crate::command::write;
use crate::comparison::{Compared, ComparedShot};
use crate::error::BenchError;
use crate::expectation::Agreement;
use crate::practices::Class;
use drawarc_study::statistics::proportion;
use serde::Serialize;
use std::fmt::{Display, Formatter, Write};
use std::path::Path;

/// A rate over fewer cases is not shown.
const ENOUGH_FOR_A_RATE: usize = 200;

/// One row.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct Row {
    measure: String,
    /// Of how many.
    pub(crate) n: usize,
    ours: String,
    goal: String,
    verdict: &'static str,
}

/// All rows.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct Table {
    /// In the order in which they are printed.
    pub(crate) rows: Vec<Row>,
}

/// One practice in a line, as soon as it is done.
pub(crate) fn line(result: &Compared) -> String {
    let shots: Vec<String> = result
        .shots
        .iter()
        .map(|shot| {
            let mut words = format!(
                "{} → {}",
                shot.earned,
                shot.said.as_deref().unwrap_or("not found")
            );
            if let (Some(absolute), Some(shape)) = (shot.absolute_mm, shot.shape_mm) {
                let _ = write!(words, ", path {absolute:.2}/{shape:.2} mm");
            }
            if let (Some(simple), Some(limit)) = (shot.simple_shape_mm, shot.limit_shape_mm) {
                let _ = write!(words, " (shape per instant {simple:.2}, limit {limit:.2})");
            }
            if let Some(ms) = shot.release_ms {
                let _ = write!(words, ", release {ms:+.1} ms");
            }
            if let Some(mm) = shot.depth_mm {
                let _ = write!(words, ", depth {mm:+.1} mm");
            }
            words
        })
        .collect();
    let clock = result
        .clock_ms
        .map_or(String::new(), |ms| format!(" · clock {ms:.2} ms"));
    let mut text = format!(
        "{} {:<20} {}{clock} · survey {:.0} s, page {:.0} s, decode {:.0} s, {:.0} MB",
        if result.passed { "ok  " } else { "FAIL" },
        result.name,
        shots.join(" | "),
        result.run.survey_s,
        result.run.page_s,
        result.run.decode_s,
        result.run.peak_mb,
    );
    for complaint in &result.complaints {
        let _ = write!(text, "\n       {complaint}");
    }
    text
}

impl Table {
    /// The table of these results.
    pub(crate) fn of(results: &[Compared]) -> Result<Self, BenchError> {
        let mut rows = Vec::new();
        for (class, words, absolute, shape) in [
            (Class::Phones, "two phones 1080p60", Some(1.0), Some(0.5)),
            (
                Class::Centre,
                "four genlocked 720p120",
                Some(0.6),
                Some(0.3),
            ),
            (Class::Other, "other conditions", None, None),
        ] {
            let of = |pick: fn(&ComparedShot) -> Option<f64>| shots(results, class, pick);
            rows.push(worst(
                format!("path, {words}, absolute rms"),
                &of(|s| s.absolute_mm),
                absolute,
                "mm",
            ));
            rows.push(worst(
                format!("path, {words}, shape rms"),
                &of(|s| s.shape_mm),
                shape,
                "mm",
            ));
            rows.extend(beside_the_limit(results, class, words));
            rows.push(worst(
                format!("release by motion alone, {words}"),
                &of(|s| s.motion_ms.map(f64::abs)),
                half_a_frame_ms(class),
                "ms",
            ));
            rows.push(worst(
                format!("release by motion and sound, {words}"),
                &of(|s| s.release_ms.map(f64::abs)),
                absolute.map(|_| 2.0),
                "ms",
            ));
            let tracked = class == Class::Centre;
            rows.push(worst(
                format!(
                    "depth of a fault, bow hand {}, {words}",
                    if tracked { "tracked" } else { "not tracked" }
                ),
                &of(|s| s.depth_mm.map(f64::abs)),
                tracked.then_some(0.5),
                "mm",
            ));
            rows.extend(per_practice(results, class, words));
        }
        rows.extend(rates(results)?);
        rows.extend(speed(results));
        rows.retain(|row| row.n > 0);
        Ok(Self { rows })
    }

    /// Writes rows and single results as JSON.
    pub(crate) fn write(&self, results: &[Compared], path: &Path) -> Result<(), BenchError> {
        let all = serde_json::json!({
            "format": "drawarc-bench/1",
            "rows": self.rows,
            "practices": results,
        });
        let text = serde_json::to_vec_pretty(&all)
            .map_err(|error| BenchError::Words(error.to_string()))?;
        write(path, &text)
    }
}

impl Row {
    /// A single figure beside its goal; not a number is none, and no goal is met by it.
    pub(crate) fn held(measure: String, n: usize, (value, most): (f64, f64), unit: &str) -> Self {
        Self {
            measure,
            n,
            ours: format!("{value:.2} {unit}"),
            goal: format!("≤ {most} {unit}"),
            verdict: verdict(value <= most),
        }
    }
}

fn shots(results: &[Compared], class: Class, pick: fn(&ComparedShot) -> Option<f64>) -> Vec<f64> {
    results
        .iter()
        .filter(|result| result.class == class)
        .flat_map(|result| &result.shots)
        .filter_map(pick)
        .collect()
}

/// At 60 and 120 frames a second.
fn half_a_frame_ms(class: Class) -> Option<f64> {
    match class {
        Class::Phones => Some(8.3),
        Class::Centre => Some(4.2),
        Class::Other => None,
    }
}

/// Writes the errors of the elbow's sightings frame by frame, a line for each shot and camera, in thousandths of a pixel:
/// tests of intervals draw on them.
pub(crate) fn write_sighting_errors(results: &[Compared], path: &Path) -> Result<(), BenchError> {
    let mut text = String::from("# practice,class,camera,shot;x y;x y; ... (1/1000 px)");
    for result in results {
        let class = match result.class {
            Class::Phones => "phones",
            Class::Centre => "centre",
            Class::Other => "other",
        };
        let mut before = None;
        for one in &result.sighting_errors {
            if before != Some((one.camera, one.shot)) {
                let _ = write!(
                    text,
                    "\n{},{class},{},{}",
                    result.name, one.camera, one.shot
                );
                before = Some((one.camera, one.shot));
            }
            let [x, y] = one.error_px.map(|px| 1000.0 * px);
            let _ = write!(text, ";{x:.0} {y:.0}");
        }
    }
    text.push('\n');
    write(path, text.as_bytes())
}

/// The simple way, the limit, our shape error over the limit's, and what the sightings' own errors are.
fn beside_the_limit(results: &[Compared], class: Class, words: &str) -> Vec<Row> {
    let of = |pick: fn(&ComparedShot) -> Option<f64>| shots(results, class, pick);
    let ratio = match class {
        Class::Phones => Some(1.3),
        Class::Centre => Some(1.2),
        Class::Other => None,
    };
    let px = |pick: fn(&crate::limit::SightingError) -> f64| -> Vec<f64> {
        results
            .iter()
            .filter(|result| result.class == class)
            .filter_map(|result| result.sightings.as_ref().map(pick))
            .collect()
    };
    let plain =
        |what: &str, values: &[f64], unit| worst(format!("{what}, {words}"), values, None, unit);
    vec![
        plain(
            "path per instant, absolute rms",
            &of(|s| s.simple_absolute_mm),
            "mm",
        ),
        plain(
            "path per instant, shape rms",
            &of(|s| s.simple_shape_mm),
            "mm",
        ),
        plain("limit, absolute rms", &of(|s| s.limit_absolute_mm), "mm"),
        plain("limit, shape rms", &of(|s| s.limit_shape_mm), "mm"),
        worst(
            format!("shape over its limit, {words}"),
            &of(|s| Some(s.shape_mm? / s.limit_shape_mm?)),
            ratio,
            "×",
        ),
        plain("sightings, all of the error", &px(|s| s.all_px), "px"),
        plain("sightings, without a constant", &px(|s| s.shape_px), "px"),
        plain("sightings, frame to frame", &px(|s| s.white_px), "px"),
    ]
}

fn verdict(met: bool) -> &'static str {
    if met { "met" } else { "SHORT" }
}

/// Median and worst of a measure; the goal is held to the worst.
pub(crate) fn worst(measure: String, values: &[f64], goal: Option<f64>, unit: &str) -> Row {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let median = sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN);
    let worst = sorted.last().copied().unwrap_or(f64::NAN);
    Row {
        measure,
        n: values.len(),
        ours: format!("median {median:.2}, worst {worst:.2} {unit}"),
        goal: goal.map_or("none stated".to_owned(), |goal| format!("≤ {goal} {unit}")),
        verdict: goal.map_or("", |goal| verdict(worst <= goal)),
    }
}

fn per_practice(results: &[Compared], class: Class, words: &str) -> Vec<Row> {
    let of = |pick: fn(&Compared) -> Option<f64>| -> Vec<f64> {
        results
            .iter()
            .filter(|result| result.class == class)
            .filter_map(pick)
            .collect()
    };
    let goal = |value: f64| (class != Class::Other).then_some(value);
    vec![
        worst(
            format!("clock offset, {words}"),
            &of(|r| r.clock_ms),
            goal(0.5),
            "ms",
        ),
        worst(
            format!("survey: focal length, {words}"),
            &of(|r| r.survey.map(|s| s.focal_percent)),
            goal(0.1),
            "%",
        ),
        worst(
            format!("survey: principal point, {words}"),
            &of(|r| r.survey.map(|s| s.principal_px)),
            goal(1.0),
            "px",
        ),
        worst(
            format!("survey: epipolar residual of fresh points, {words}"),
            &of(|r| r.survey.map(|s| s.epipolar_px)),
            goal(0.15),
            "px",
        ),
        worst(
            format!("survey: 300 mm in the volume, {words}"),
            &of(|r| r.survey.map(|s| s.length_mm)),
            goal(0.3),
            "mm",
        ),
    ]
}

/// A count with its exact interval; as a rate only over enough cases.
fn rate(measure: &str, (hits, n): (usize, usize), goal: &str) -> Result<Row, BenchError> {
    let exact = proportion(hits, n, 0.95).map_err(|error| BenchError::Words(error.to_string()))?;
    let interval = format!(
        "{:.0} to {:.0} %",
        100.0 * exact.interval.low,
        100.0 * exact.interval.high
    );
    Ok(Row {
        measure: measure.to_owned(),
        n,
        ours: format!("{hits} of {n} (95 %: {interval})"),
        goal: goal.to_owned(),
        verdict: if n < ENOUGH_FOR_A_RATE {
            "not shown"
        } else {
            ""
        },
    })
}

fn rates(results: &[Compared]) -> Result<Vec<Row>, BenchError> {
    let all: Vec<&ComparedShot> = results.iter().flat_map(|result| &result.shots).collect();
    let count = |good: bool, wanted: &dyn Fn(&ComparedShot) -> bool| {
        let of: Vec<_> = all
            .iter()
            .filter(|shot| ["good", "let-down", "slowed"].contains(&shot.earned.as_str()) == good)
            .collect();
        (of.iter().filter(|shot| wanted(shot)).count(), of.len())
    };
    let marked = |shot: &ComparedShot| {
        shot.said
            .as_deref()
            .is_none_or(|said| !["good", "let-down", "slowed", "not-measurable"].contains(&said))
    };
    let is = |wanted: Agreement| move |shot: &ComparedShot| shot.agreement == wanted;
    let placed: Vec<bool> = all.iter().filter_map(|shot| shot.place_covered).collect();
    let covered: Vec<bool> = all.iter().filter_map(|shot| shot.depth_covered).collect();
    let released: Vec<bool> = all
        .iter()
        .filter_map(|shot| Some(shot.release_ms?.abs() <= shot.release_half_ms?))
        .collect();
    let held = |of: &[bool]| (of.iter().filter(|held| **held).count(), of.len());
    Ok(vec![
        rate(
            "shots without a fault that were marked",
            count(true, &marked),
            "≤ 5 %",
        )?,
        rate(
            "faults named rightly",
            count(false, &is(Agreement::Right)),
            "≥ 95 %",
        )?,
        rate(
            "faults said to be too small to show",
            count(false, &is(Agreement::Honest)),
            "",
        )?,
        rate(
            "faults missed or misnamed",
            count(false, &is(Agreement::Wrong)),
            "≤ 5 %",
        )?,
        rate(
            "one coordinate of one instant a shot within its 95 % interval",
            held(&placed),
            "95 %, none below 92 %",
        )?,
        rate("depth within its 95 % interval", held(&covered), "95 %")?,
        rate("release within its 95 % interval", held(&released), "95 %")?,
        rate(
            "practices that came out as they must",
            (results.iter().filter(|r| r.passed).count(), results.len()),
            "all",
        )?,
    ])
}

fn speed(results: &[Compared]) -> Vec<Row> {
    let of = |pick: fn(&Compared) -> f64| -> Vec<f64> {
        let done = results.iter().filter(|result| result.run.exit == 0);
        done.map(pick).filter(|value| value.is_finite()).collect()
    };
    vec![
        worst(
            "footage and rig → page, times FFmpeg's decode of the same files".to_owned(),
            &of(|r| r.run.page_s / r.run.decode_s),
            Some(1.3),
            "×",
        ),
        worst(
            "footage → rig (board for 10 s), times FFmpeg's decode".to_owned(),
            &of(|r| r.run.survey_s / r.run.decode_s),
            Some(2.0),
            "×",
        ),
        worst(
            "peak memory of the command".to_owned(),
            &of(|r| r.run.peak_mb),
            Some(500.0),
            "MB",
        ),
    ]
}

impl Display for Table {
    fn fmt(&self, f: &mut Formatter<'_>) -> std::fmt::Result {
        let width = |cell: fn(&Row) -> &str| {
            let widest = self.rows.iter().map(|row| cell(row).chars().count()).max();
            widest.unwrap_or(0)
        };
        let (measure, ours) = (width(|row| &row.measure), width(|row| &row.ours));
        let goal = width(|row| &row.goal);
        writeln!(
            f,
            "{:<measure$}  {:>3}  {:<ours$}  {:<goal$}  verdict",
            "measure", "n", "ours", "goal"
        )?;
        for row in &self.rows {
            writeln!(
                f,
                "{:<measure$}  {:>3}  {:<ours$}  {:<goal$}  {}",
                row.measure, row.n, row.ours, row.goal, row.verdict
            )?;
        }
        Ok(())
    }
}
