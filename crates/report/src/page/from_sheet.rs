//! From the shot sheet and the series sheet to what the page shows.

use crate::{
    ArrowLineSource, BowStage, ChangeWord, Curve, Fault, FaultKind, Felt, Measure, Phase, Reading,
    SeriesSheet, ShotMeasures, ShotSheet, Verdict, ViewKind,
};

use super::{
    card::{
        AngleShare, ArrowLine, BandCurve, Curves, FaultBar, Figure, Mark, PhaseBar, PhaseKey,
        ShotCard,
    },
    practice::{CameraStrip, PageShot, SeriesPart, SeriesRow},
    words::{MeasureWord, Words},
};

/// The measures in the list of shots.
const HEADLINE: [&str; 3] = ["slowest_mm_s", "behind_at_release_mm", "hold_s"];

impl From<Verdict> for Mark {
    fn from(verdict: Verdict) -> Self {
        match verdict {
            Verdict::Good => Self::Good,
            Verdict::TravelOnly | Verdict::NotMeasurable => Self::Unclear,
            Verdict::LetDown => Self::LetDown,
            Verdict::Slowed => Self::Slowed,
            Verdict::Creep => Self::Creep,
            Verdict::GaveWayAround => Self::GaveWay,
            Verdict::HookSlip => Self::HookSlip,
            Verdict::Stall => Self::Stall,
            Verdict::Collapse => Self::Collapse,
        }
    }
}

impl From<FaultKind> for Mark {
    fn from(kind: FaultKind) -> Self {
        kind.verdict().into()
    }
}

impl From<Phase> for PhaseKey {
    fn from(phase: Phase) -> Self {
        match phase {
            Phase::Raise => Self::Raise,
            Phase::SetUp => Self::SetUp,
            Phase::Draw => Self::Draw,
            Phase::Anchor => Self::Anchor,
            Phase::Expansion => Self::Expansion,
            Phase::Release => Self::Release,
            Phase::FollowThrough => Self::FollowThrough,
        }
    }
}

impl PageShot {
    /// A shot of the page from its sheet. `number` counts from 1; `body_height_m` is for the drawn figure.
    pub fn from_sheet(
        number: usize,
        sheet: &ShotSheet,
        body_height_m: Option<f64>,
        strips: Vec<CameraStrip>,
        words: &Words,
    ) -> Self {
        Self {
            card: card(number, sheet, body_height_m, words),
            strips,
        }
    }
}

impl SeriesPart {
    /// The series part of the page from its sheet and the sheets of the page's shots, in the page's order.
    pub fn from_sheet(series: &SeriesSheet, shots: &[ShotSheet], words: &Words) -> Self {
        let mut sentences = vec![series.sentence.clone()];
        sentences.extend(series.few.clone());
        sentences.extend(series.felt_sentence.clone());
        let rows = series
            .measures
            .iter()
            .map(|measure| -> SeriesRow {
                let readings = shots.iter().map(|shot| {
                    let found = readings(&shot.measures)
                        .into_iter()
                        .find(|(key, _)| *key == measure.key)?;
                    let figure = found.1.measure()?;
                    Some((figure.value, figure.width() / 2.0))
                });
                let word = words.measures.get(&measure.key).cloned();
                let word = word.unwrap_or_else(|| MeasureWord {
                    name: measure.words.clone(),
                    unit: measure.unit.clone(),
                    decimals: 1,
                });
                SeriesRow {
                    values: readings.collect(),
                    spread: with_interval(&measure.spread, &word, words),
                    trend: format!(
                        "{} ({})",
                        words
                            .few
                            .get(change_key(measure.tiring))
                            .map_or("", String::as_str),
                        with_interval(&measure.first_to_last, &word, words)
                    ),
                    name: word.name,
                    unit: word.unit,
                }
            })
            // What could be measured in no shot says nothing of the series.
            .filter(|row| row.values.iter().any(Option::is_some))
            .collect();
        Self {
            sentences,
            rows,
            next: series
                .next_work
                .iter()
                .map(|work| work.advice.clone())
                .collect(),
        }
    }
}

fn card(number: usize, sheet: &ShotSheet, body_height_m: Option<f64>, words: &Words) -> ShotCard {
    let start_of = |phase: Phase| sheet.phase(phase).map(|bar| bar.start_s);
    let line = &sheet.arrow_line;
    let line_known = line.source != ArrowLineSource::Assumed;
    ShotCard {
        number,
        archer: sheet.archer.clone(),
        side: sheet.side.sign(),
        bow: bow_words(sheet.stage, sheet.draw_weight_lb, words),
        body_height_m,
        mark: sheet.verdict.into(),
        sentence: sheet.sentence.clone(),
        felt: sheet.felt.map(|felt| felt_key(felt).to_owned()),
        release_s: sheet.release.as_ref().map(|release| release.time_s.value),
        set_up_s: sheet
            .phase(Phase::SetUp)
            .map(|bar| bar.end_s)
            .or(start_of(Phase::Draw)),
        anchor_s: start_of(Phase::Expansion).or(sheet.phase(Phase::Anchor).map(|bar| bar.end_s)),
        phases: sheet
            .phases
            .iter()
            .map(|bar| PhaseBar {
                phase: bar.phase.into(),
                start_s: bar.start_s,
                end_s: bar.end_s,
            })
            .collect(),
        faults: sheet
            .faults
            .iter()
            .map(|fault| fault_bar(fault, words))
            .collect(),
        curves: curves(sheet),
        arrow_line_known: line_known,
        arrow_line: line_known.then(|| ArrowLine {
            point_in_range_mm: line.point_mm,
            toward_target: line.away_in_range.map(|part| -part),
        }),
        headline: headline(sheet, words),
        figures: figures(sheet, words),
        angles: angles(sheet),
        angle_words: sheet.angles.words.clone(),
        smallest: Some(sheet.how_sure.clone()),
        remarks: sheet
            .felt_sentence
            .iter()
            .chain([&line.words])
            .chain(&sheet.remarks)
            .chain(&sheet.corrections)
            .cloned()
            .collect(),
    }
}

fn curves(sheet: &ShotSheet) -> Curves {
    let curves = &sheet.curves;
    let axis = |axis: usize| bridged(curves.elbow_mm.iter().map(|place| place[axis]).collect());
    let (x, y, z) = (axis(0), axis(1), axis(2));
    let places = x.into_iter().zip(y).zip(z).map(|((x, y), z)| [x, y, z]);
    Curves {
        time_s: curves.time_s.clone(),
        position_in_range_mm: places.collect(),
        away_mm: band(&curves.away_mm),
        behind_mm: band(&curves.behind_mm),
        height_mm: band(&curves.height_mm),
        speed_mm_s: band(&curves.speed_mm_s),
        in_gap: curves
            .in_gap
            .iter()
            .zip(&curves.away_mm.value)
            .map(|(&gap, value)| gap || !value.is_finite())
            .collect(),
    }
}

fn band(curve: &Curve) -> BandCurve {
    let widths = curve.low.iter().zip(&curve.high);
    BandCurve {
        value: bridged(curve.value.clone()),
        half_width: bridged(widths.map(|(low, high)| (high - low) / 2.0).collect()),
    }
}

/// Fills what is not a number by straight lines between its neighbours, so that a view has something to
/// draw under the veil with which it covers a gap.
fn bridged(mut values: Vec<f64>) -> Vec<f64> {
    let known: Vec<usize> = (0..values.len())
        .filter(|&index| values[index].is_finite())
        .collect();
    let (Some(&first), Some(&last)) = (known.first(), known.last()) else {
        return vec![0.0; values.len()];
    };
    let (start, end) = (values[first], values[last]);
    values[..first].fill(start);
    values[last + 1..].fill(end);
    for pair in known.windows(2) {
        let (from, to) = (values[pair[0]], values[pair[1]]);
        let inside = &mut values[pair[0] + 1..pair[1]];
        let steps = inside.len() as f64 + 1.0;
        for (step, value) in inside.iter_mut().enumerate() {
            *value = from + (step as f64 + 1.0) / steps * (to - from);
        }
    }
    values
}

fn angles(sheet: &ShotSheet) -> Vec<AngleShare> {
    let views = sheet.angles.views.iter();
    views
        .filter(|view| view.kind != ViewKind::Camera)
        .map(|view| AngleShare {
            hours: view.clock_hours,
            giving_way: Some(view.collapse_share),
            around: Some(view.around_share),
            v: Some(view.v_share),
        })
        .collect()
}

fn fault_bar(fault: &Fault, words: &Words) -> FaultBar {
    let mark = Mark::from(fault.kind);
    let (unit_mm, unit_s) = (words.few("mm", &[]), words.few("s", &[]));
    let in_mm = |figure: &Measure| plus_minus(figure, &unit_mm, 1);
    let phase = capitalised(words.phase_name(PhaseKey::from(fault.phase).key()));
    let length = plus_minus(&fault.length_s, &unit_s, 2);
    let depth = in_mm(&fault.depth_mm);
    let probability = probability_words(fault.probability, words);
    let values = [
        ("phase", phase.as_str()),
        ("length", length.as_str()),
        ("depth", depth.as_str()),
        ("probability", probability.as_str()),
    ];
    let mut text = Words::filled(&words.found, mark.key(), &values);
    if let Some(hand) = &fault.hand_went_on_mm {
        text.push(' ');
        text.push_str(&Words::filled(
            &words.found,
            "hand_went_on",
            &[("depth", &in_mm(hand))],
        ));
    }
    FaultBar {
        mark,
        start_s: fault.start_s,
        end_s: fault.start_s + fault.length_s.value,
        text,
    }
}

/// All measures of a shot with the names of their fields, in the order of the page.
pub(crate) fn readings(measures: &ShotMeasures) -> [(&'static str, &Reading); 12] {
    [
        ("slowest_mm_s", &measures.slowest_mm_s),
        ("v_depth_mm", &measures.v_depth_mm),
        ("behind_at_anchor_mm", &measures.behind_at_anchor_mm),
        ("behind_at_release_mm", &measures.behind_at_release_mm),
        ("expansion_behind_mm", &measures.expansion_behind_mm),
        ("expansion_away_mm", &measures.expansion_away_mm),
        ("expansion_around_deg", &measures.expansion_around_deg),
        ("hook_travel_mm", &measures.hook_travel_mm),
        ("alignment_deg", &measures.alignment_deg),
        ("draw_up_s", &measures.draw_up_s),
        ("hold_s", &measures.hold_s),
        ("shot_s", &measures.shot_s),
    ]
}

fn headline(sheet: &ShotSheet, words: &Words) -> Vec<(String, String)> {
    readings(&sheet.measures)
        .into_iter()
        .filter(|(key, _)| HEADLINE.contains(key))
        .filter_map(|(key, reading)| {
            let word = words.measures.get(key)?;
            let figure = reading.measure()?;
            Some((
                word.name.clone(),
                plus_minus(figure, &word.unit, word.decimals),
            ))
        })
        .collect()
}

fn figures(sheet: &ShotSheet, words: &Words) -> Vec<Figure> {
    let whole = readings(&sheet.measures)
        .into_iter()
        .filter_map(|(key, reading)| {
            let word = words.measures.get(key)?;
            Some(figure(
                &capitalised(&word.name),
                reading,
                &word.unit,
                word.decimals,
                words,
            ))
        });
    let travel = sheet.travel.iter().flat_map(|travel| {
        let phase = capitalised(words.phase_name(PhaseKey::from(travel.phase).key()));
        let named = matches!(travel.phase, Phase::Draw | Phase::Expansion);
        [
            ("away", &travel.away_mm),
            ("behind", &travel.behind_mm),
            ("height", &travel.height_mm),
        ]
        .into_iter()
        .filter(move |_| named)
        .map(move |(axis, reading)| {
            let name = Words::filled(&words.travel, axis, &[("phase", &phase)]);
            figure(&name, reading, &words.few("mm", &[]), 1, words)
        })
    });
    whole.chain(travel).collect()
}

fn figure(name: &str, reading: &Reading, unit: &str, decimals: u8, words: &Words) -> Figure {
    match reading {
        Reading::Measured(measure) => {
            let mut interval = interval(measure, unit, decimals, words);
            if let Some(note) = &measure.note {
                interval = format!("{interval}; {note}");
            }
            Figure {
                name: name.to_owned(),
                value: Some(format!("{} {unit}", number(measure.value, decimals))),
                interval,
                cameras: Some(measure.cameras),
            }
        }
        Reading::NotMeasurable { why } => Figure {
            name: name.to_owned(),
            value: None,
            interval: why.clone(),
            cameras: None,
        },
    }
}

fn with_interval(reading: &Reading, word: &MeasureWord, words: &Words) -> String {
    match reading {
        Reading::Measured(measure) => format!(
            "{} {}, {}",
            number(measure.value, word.decimals.max(1)),
            word.unit,
            interval(measure, &word.unit, word.decimals.max(1), words)
        ),
        Reading::NotMeasurable { why } => why.clone(),
    }
}

fn interval(measure: &Measure, unit: &str, decimals: u8, words: &Words) -> String {
    let (low, high) = (
        number(measure.low, decimals),
        number(measure.high, decimals),
    );
    Words::filled(
        &words.few,
        "to",
        &[("low", &low), ("high", &high), ("unit", unit)],
    )
}

/// `31 ± 3 mm`: half the width of the 95 % interval.
fn plus_minus(measure: &Measure, unit: &str, decimals: u8) -> String {
    let half = measure.width() / 2.0;
    format!(
        "{} ± {} {unit}",
        number(measure.value, decimals),
        number(half, decimals)
    )
}

/// A number with a true minus sign and no negative zero.
fn number(value: f64, decimals: u8) -> String {
    let text = format!("{value:.*}", usize::from(decimals));
    match text.strip_prefix('-') {
        Some(digits) if digits.chars().all(|digit| matches!(digit, '0' | '.')) => digits.to_owned(),
        Some(digits) => format!("−{digits}"),
        None => text,
    }
}

fn probability_words(probability: f64, words: &Words) -> String {
    if probability > 0.999 {
        words.few("above_percent", &[("value", "99.9")])
    } else {
        let value = format!("{:.1}", 100.0 * probability);
        words.few("percent", &[("value", &value)])
    }
}

fn capitalised(text: &str) -> String {
    let mut characters = text.chars();
    characters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(characters).collect()
    })
}

fn bow_words(stage: BowStage, draw_weight_lb: Option<f64>, words: &Words) -> String {
    let key = match stage {
        BowStage::Band => "band",
        BowStage::LightBow => "light-bow",
        BowStage::OwnBow => "own-bow",
        BowStage::Compound => "compound",
    };
    let name = words.stages.get(key).map_or(key, String::as_str);
    draw_weight_lb.map_or_else(
        || name.to_owned(),
        |weight| {
            let value = weight.to_string();
            format!("{name}, {}", words.few("weight", &[("value", &value)]))
        },
    )
}

fn felt_key(felt: Felt) -> &'static str {
    match felt {
        Felt::Moved => "moved",
        Felt::Stopped => "stopped",
        Felt::GaveWay => "gave-way",
        Felt::Unsure => "unsure",
    }
}

fn change_key(change: ChangeWord) -> &'static str {
    match change {
        ChangeWord::Better => "better",
        ChangeWord::Worse => "worse",
        ChangeWord::Different => "different",
        ChangeWord::CannotTell => "unsure_trend",
    }
}
