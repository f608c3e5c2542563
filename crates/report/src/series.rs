//! Several shots: how alike, how they change from first to last arrow, and two series side by side.

use crate::measure_table::{ROWS, Row, Wanted};
use crate::sentences::Sentences;
use crate::series_sheet::{
    ChangeWord, Comparison, ComparisonRow, FeltRow, NextWork, PhaseSpread, SERIES_FORMAT,
    SeriesMeasure, SeriesSheet,
};
use crate::sheet::{FaultKind, Phase, ShotSheet, Verdict};
use crate::shot::at;
use crate::verdict::felt_right;
use crate::{Advice, Measure, Reading, ReportSettings};
use statrs::distribution::{ChiSquared, ContinuousCDF, StudentsT};
use std::collections::BTreeMap;

/// Places of a phase (0, 5, … 100 %) at which the spread is taken.
const PROFILE: usize = 21;

/// The series sheet of shots in order of time.
pub fn score_series(
    name: &str,
    shots: &[&ShotSheet],
    advice: &Advice,
    settings: &ReportSettings,
    words: &Sentences,
) -> SeriesSheet {
    let verdicts: Vec<Verdict> = shots.iter().map(|shot| shot.verdict).collect();
    let (felt, felt_sentence) = felt(shots, words);
    let (best, worst) = best_and_worst(shots, words);
    SeriesSheet {
        format: SERIES_FORMAT.to_owned(),
        name: name.to_owned(),
        shots: shots.iter().map(|shot| shot.id.clone()).collect(),
        few: (shots.len() < settings.few_shots)
            .then(|| words.fill("series-few", &[("n", shots.len().to_string())])),
        sentence: sentence(&verdicts, words),
        measures: ROWS
            .iter()
            .map(|row| series_measure(row, shots, words))
            .collect(),
        spread: [
            Phase::SetUp,
            Phase::Draw,
            Phase::Anchor,
            Phase::Expansion,
            Phase::FollowThrough,
        ]
        .into_iter()
        .filter_map(|phase| spread(phase, shots))
        .collect(),
        best,
        worst,
        felt,
        felt_sentence,
        next_work: next_work(shots, advice),
        verdicts,
    }
}

fn is_fault(verdict: Verdict) -> bool {
    verdict >= Verdict::Creep
}

fn sentence(verdicts: &[Verdict], words: &Sentences) -> String {
    let n = verdicts.len();
    let mut counts: BTreeMap<Verdict, usize> = BTreeMap::new();
    for verdict in verdicts.iter().copied().filter(|v| is_fault(*v)) {
        *counts.entry(verdict).or_default() += 1;
    }
    let most = counts
        .iter()
        .max_by_key(|(verdict, count)| (**count, **verdict));
    let Some((verdict, _)) = most else {
        let judged = verdicts.iter().any(|v| *v != Verdict::NotMeasurable);
        let key = if judged {
            "series-all-good"
        } else {
            "series-none-measurable"
        };
        return words.fill(key, &[("n", n.to_string())]);
    };
    let key = match verdict {
        Verdict::Stall => "fault-stall",
        Verdict::Collapse => "fault-collapse",
        Verdict::GaveWayAround => "fault-gave-way-around",
        Verdict::HookSlip => "fault-hook-slip",
        _ => "fault-creep",
    };
    words.fill(
        "series-some",
        &[
            ("faulty", counts.values().sum::<usize>().to_string()),
            ("n", n.to_string()),
            ("fault", words.plain(key)),
        ],
    )
}

/// Student's quantile of a two-sided 95 % interval.
fn student(freedom: f64) -> f64 {
    StudentsT::new(0.0, 1.0, freedom).map_or(f64::INFINITY, |t| t.inverse_cdf(0.975))
}

fn mean_and_variance(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let square: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    (mean, square / (n - 1.0).max(1.0))
}

fn measured<'a>(row: &Row, shots: &[&'a ShotSheet]) -> Vec<(usize, &'a Measure)> {
    shots
        .iter()
        .enumerate()
        .filter_map(|(i, shot)| (row.reading)(&shot.measures).measure().map(|m| (i, m)))
        .collect()
}

fn series_measure(row: &Row, shots: &[&ShotSheet], words: &Sentences) -> SeriesMeasure {
    let found = measured(row, shots);
    let values: Vec<f64> = found.iter().map(|(_, m)| m.value).collect();
    let cameras = found.iter().map(|(_, m)| m.cameras).min().unwrap_or(0);
    let few =
        || Reading::not_measurable(words.fill("series-few", &[("n", values.len().to_string())]));
    let n = values.len() as f64;
    let (mean, spread) = if values.len() < 2 {
        (few(), few())
    } else {
        let (centre, variance) = mean_and_variance(&values);
        let half = student(n - 1.0) * (variance / n).sqrt();
        // What the measuring adds to the spread is known for each shot, and is taken off.
        let error = found
            .iter()
            .map(|(_, m)| (m.width() / 3.92).powi(2))
            .sum::<f64>()
            / n;
        let own = |v: f64| (v - error).max(0.0).sqrt();
        let (low, high) = ChiSquared::new(n - 1.0).map_or((0.0, f64::INFINITY), |chi| {
            let total = variance * (n - 1.0);
            (
                total / chi.inverse_cdf(0.975),
                total / chi.inverse_cdf(0.025),
            )
        });
        (
            Measure::new(centre, centre - half, centre + half, cameras).into(),
            Measure::new(own(variance), own(low), own(high), cameras).into(),
        )
    };
    let first_to_last = trend(&found, shots.len(), cameras).map_or_else(few, Reading::Measured);
    SeriesMeasure {
        key: row.key.to_owned(),
        words: words.plain(&format!("measure-{}", row.key)),
        unit: row.unit.to_owned(),
        values: shots
            .iter()
            .map(|shot| (row.reading)(&shot.measures).value())
            .collect(),
        mean,
        spread,
        tiring: word(first_to_last.measure(), row.wanted),
        first_to_last,
    }
}

/// Least-squares line over the order of the shots, carried from the first to the last.
fn trend(found: &[(usize, &Measure)], shots: usize, cameras: u8) -> Option<Measure> {
    if found.len() < 3 {
        return None;
    }
    let n = found.len() as f64;
    let centre = found.iter().map(|(i, _)| *i as f64).sum::<f64>() / n;
    let mean = found.iter().map(|(_, m)| m.value).sum::<f64>() / n;
    let square: f64 = found
        .iter()
        .map(|(i, _)| (*i as f64 - centre).powi(2))
        .sum();
    let slope = found
        .iter()
        .map(|(i, m)| (*i as f64 - centre) * (m.value - mean))
        .sum::<f64>()
        / square;
    let rest: f64 = found
        .iter()
        .map(|(i, m)| (m.value - mean - slope * (*i as f64 - centre)).powi(2))
        .sum();
    let way = shots as f64 - 1.0;
    let half = student(n - 2.0) * (rest / (n - 2.0) / square).sqrt() * way;
    Some(Measure::new(
        slope * way,
        slope * way - half,
        slope * way + half,
        cameras,
    ))
}

fn word(change: Option<&Measure>, wanted: Wanted) -> ChangeWord {
    match change {
        Some(change) if change.low > 0.0 || change.high < 0.0 => match wanted {
            Wanted::Neither => ChangeWord::Different,
            Wanted::More if change.value > 0.0 => ChangeWord::Better,
            Wanted::More => ChangeWord::Worse,
        },
        _ => ChangeWord::CannotTell,
    }
}

/// The path of each shot at the same shares of the phase.
fn spread(phase: Phase, shots: &[&ShotSheet]) -> Option<PhaseSpread> {
    let paths: Vec<Vec<[f64; 3]>> = shots
        .iter()
        .filter_map(|shot| {
            let span = shot.phase(phase)?;
            let curves = &shot.curves;
            let (first, second) = (*curves.time_s.first()?, *curves.time_s.get(1)?);
            let step_s = second - first;
            Some(
                (0..PROFILE)
                    .map(|p| {
                        let share = p as f64 / (PROFILE - 1) as f64;
                        let time_s = span.start_s + share * (span.end_s - span.start_s);
                        let index = (time_s - first) / step_s;
                        [
                            at(&curves.away_mm.value, index),
                            at(&curves.behind_mm.value, index),
                            at(&curves.height_mm.value, index),
                        ]
                    })
                    .collect(),
            )
        })
        .collect();
    if paths.len() < 2 {
        return None;
    }
    let variance = |p: usize, axis: usize| {
        let values: Vec<f64> = paths.iter().map(|path| path[p][axis]).collect();
        mean_and_variance(&values).1
    };
    let along = |axis: usize| {
        ((0..PROFILE).map(|p| variance(p, axis)).sum::<f64>() / PROFILE as f64).sqrt()
    };
    Some(PhaseSpread {
        phase,
        shots: paths.len(),
        away_mm: along(0),
        behind_mm: along(1),
        height_mm: along(2),
        profile_mm: (0..PROFILE)
            .map(|p| (0..3).map(|axis| variance(p, axis)).sum::<f64>().sqrt())
            .collect(),
    })
}

type Named = Option<(String, String)>;

fn best_and_worst(shots: &[&ShotSheet], words: &Sentences) -> (Named, Named) {
    let judged: Vec<&ShotSheet> = shots
        .iter()
        .copied()
        .filter(|shot| shot.verdict != Verdict::NotMeasurable)
        .collect();
    if judged.len() < 2 {
        return (None, None);
    }
    let size = |shot: &ShotSheet| {
        shot.main_fault().map_or(0.0, |fault| match fault.kind {
            FaultKind::Stall => fault.length_s.value,
            _ => fault.depth_mm.value,
        })
    };
    let slowest = |shot: &ShotSheet| shot.measures.slowest_mm_s.value().unwrap_or(0.0);
    let order = |a: &ShotSheet, b: &ShotSheet| {
        a.verdict
            .cmp(&b.verdict)
            .then(size(a).total_cmp(&size(b)))
            .then(slowest(b).total_cmp(&slowest(a)))
    };
    let named = |shot: &ShotSheet, key: &str| (shot.id.clone(), words.plain(key));
    let best = judged
        .iter()
        .copied()
        .min_by(|a, b| order(a, b))
        .map(|shot| {
            let key = if is_fault(shot.verdict) {
                "series-best-fault"
            } else {
                "series-best"
            };
            named(shot, key)
        });
    let worst = judged
        .iter()
        .copied()
        .max_by(|a, b| order(a, b))
        .filter(|shot| is_fault(shot.verdict))
        .map(|shot| named(shot, "series-worst"));
    (best, worst)
}

fn felt(shots: &[&ShotSheet], words: &Sentences) -> (Vec<FeltRow>, Option<String>) {
    let mut counts = BTreeMap::new();
    let (mut right, mut told) = (0, 0);
    for shot in shots {
        let Some(felt) = shot.felt else { continue };
        *counts.entry((felt, shot.verdict)).or_insert(0) += 1;
        if let Some(fits) = felt_right(felt, shot.verdict) {
            told += 1;
            right += usize::from(fits);
        }
    }
    let rows = counts
        .into_iter()
        .map(|((felt, verdict), shots)| FeltRow {
            felt,
            verdict,
            shots,
        })
        .collect();
    let sentence = (told > 0).then(|| {
        words.fill(
            "series-felt",
            &[("right", right.to_string()), ("n", told.to_string())],
        )
    });
    (rows, sentence)
}

/// The most frequent fault first; without any, what comes after "good".
fn next_work(shots: &[&ShotSheet], advice: &Advice) -> Vec<NextWork> {
    let mut counts: BTreeMap<(Verdict, crate::BowStage), usize> = BTreeMap::new();
    for shot in shots {
        *counts.entry((shot.verdict, shot.stage)).or_default() += 1;
    }
    let faulty = counts
        .keys()
        .any(|(verdict, _)| *verdict >= Verdict::Slowed);
    let mut found: Vec<NextWork> = counts
        .into_iter()
        .filter(|((verdict, _), _)| !faulty || *verdict >= Verdict::Slowed)
        .filter_map(|((because, stage), shots)| {
            advice.of(because, stage).map(|text| NextWork {
                because,
                shots,
                advice: text.to_owned(),
            })
        })
        .collect();
    found.sort_by(|a, b| b.shots.cmp(&a.shots).then(b.because.cmp(&a.because)));
    found.truncate(2);
    found
}

/// Two series side by side: second minus first.
pub fn compare_series(
    first: (&str, &[&ShotSheet]),
    second: (&str, &[&ShotSheet]),
    settings: &ReportSettings,
    words: &Sentences,
) -> Comparison {
    let rows: Vec<ComparisonRow> = ROWS
        .iter()
        .map(|row| {
            let values = |shots: &[&ShotSheet]| -> (Vec<f64>, u8) {
                let found = measured(row, shots);
                let cameras = found.iter().map(|(_, m)| m.cameras).min().unwrap_or(0);
                (found.iter().map(|(_, m)| m.value).collect(), cameras)
            };
            let ((a, a_cameras), (b, b_cameras)) = (values(first.1), values(second.1));
            let difference = welch(&a, &b, a_cameras.min(b_cameras));
            let mean = |v: &[f64]| (!v.is_empty()).then(|| v.iter().sum::<f64>() / v.len() as f64);
            ComparisonRow {
                key: row.key.to_owned(),
                words: words.plain(&format!("measure-{}", row.key)),
                unit: row.unit.to_owned(),
                first: mean(&a),
                second: mean(&b),
                word: word(difference.as_ref(), row.wanted),
                difference: difference.map_or_else(
                    || Reading::not_measurable(few_words(a.len(), b.len(), words)),
                    Reading::Measured,
                ),
            }
        })
        .collect();
    let count = |shots: &[&ShotSheet]| shots.iter().filter(|shot| is_fault(shot.verdict)).count();
    let faulty_share = newcombe(
        (count(first.1), first.1.len()),
        (count(second.1), second.1.len()),
    );
    let mut notes = Vec::new();
    if first.1.len().min(second.1.len()) < settings.few_shots {
        notes.push(few_words(first.1.len(), second.1.len(), words));
    }
    notes.push(words.fill("comparison-many", &[("rows", rows.len().to_string())]));
    Comparison {
        first: first.0.to_owned(),
        second: second.0.to_owned(),
        shots: [first.1.len(), second.1.len()],
        // Fewer faults are wanted.
        faulty_word: match word(Some(&faulty_share), Wanted::More) {
            ChangeWord::Better => ChangeWord::Worse,
            ChangeWord::Worse => ChangeWord::Better,
            other => other,
        },
        faulty_share,
        rows,
        notes,
    }
}

fn few_words(a: usize, b: usize, words: &Sentences) -> String {
    words.fill(
        "comparison-few",
        &[("a", a.to_string()), ("b", b.to_string())],
    )
}

/// Difference of means with unequal variances (Welch 1947, from memory).
fn welch(a: &[f64], b: &[f64], cameras: u8) -> Option<Measure> {
    if a.len() < 2 || b.len() < 2 {
        return None;
    }
    let ((mean_a, var_a), (mean_b, var_b)) = (mean_and_variance(a), mean_and_variance(b));
    let (n, m) = (a.len() as f64, b.len() as f64);
    let (u, v) = (var_a / n, var_b / m);
    let change = mean_b - mean_a;
    if u + v <= 0.0 {
        return Some(Measure::new(change, change, change, cameras));
    }
    let freedom = (u + v).powi(2) / (u * u / (n - 1.0) + v * v / (m - 1.0));
    let half = student(freedom) * (u + v).sqrt();
    Some(Measure::new(change, change - half, change + half, cameras))
}

/// Difference of two shares from their Wilson intervals (Newcombe 1998, method 10, from memory).
fn newcombe(first: (usize, usize), second: (usize, usize)) -> Measure {
    let wilson = |(hits, n): (usize, usize)| {
        if n == 0 {
            return (0.5, 0.0, 1.0);
        }
        let (p, n, z) = (hits as f64 / n as f64, n as f64, 1.96_f64);
        let centre = (p + z * z / (2.0 * n)) / (1.0 + z * z / n);
        let half = z / (1.0 + z * z / n) * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
        (p, centre - half, centre + half)
    };
    let ((p1, l1, u1), (p2, l2, u2)) = (wilson(first), wilson(second));
    let change = p2 - p1;
    let low = change - (p2 - l2).hypot(u1 - p1);
    let high = change + (u2 - p2).hypot(p1 - l1);
    Measure::new(change, low, high, 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn newcombe_on_his_own_example() {
        // Newcombe 1998, table II (a): 56/70 against 48/80, method 10: 0.2, 0.0524 to 0.3339 (from memory).
        let found = newcombe((48, 80), (56, 70));
        assert!((found.value - 0.2).abs() < 1e-12);
        assert!((found.low - 0.0524).abs() < 1e-3, "{}", found.low);
        assert!((found.high - 0.3339).abs() < 1e-3, "{}", found.high);
    }

    #[test]
    fn welch_sees_a_large_difference_and_not_a_small_one() {
        let a = [10.0, 11.0, 9.0, 10.5, 9.5];
        let far = welch(&a, &a.map(|v| v + 5.0), 2).unwrap();
        assert!(far.low > 0.0 && (far.value - 5.0).abs() < 1e-12);
        let near = welch(&a, &a.map(|v| v + 0.2), 2).unwrap();
        assert!(near.low < 0.0 && near.high > 0.0);
        assert!(welch(&a, &[1.0], 2).is_none());
    }
}
