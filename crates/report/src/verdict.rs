//! The verdict in one word and in one sentence.

use crate::corrections::phase_key;
use crate::faults::FaultReport;
use crate::sentences::Sentences;
use crate::sheet::{
    BowStage, Fault, FaultCheck, FaultKind, Felt, Finding, ShotKind, ShotMeasures, Verdict,
};
use crate::shot::Shot;

/// The worst of what was found; what could not be judged weighs only where nothing was found.
pub(crate) fn verdict(shot: &Shot<'_>, kind: ShotKind, report: &FaultReport) -> Verdict {
    let worst = report.faults.iter().map(|fault| fault.kind.verdict()).max();
    if let Some(worst) = worst {
        return worst;
    }
    let limits = Limits::of(&report.checks);
    let slowed = report
        .stalls
        .slowest
        .is_some_and(|(speed, _)| speed[2] < shot.settings.slowed_speed_m_s);
    // "Never stopped" cannot be said where the elbow was out of sight.
    if slowed && limits.stop_s.is_some() {
        return Verdict::Slowed;
    }
    if shot.context.stage == BowStage::Compound {
        return Verdict::TravelOnly;
    }
    // Without a stall check or a collapse check there is no "good"; the sentence says what the other one shows.
    match kind {
        _ if limits.stop_s.is_none() || limits.collapse_mm.is_none() => Verdict::NotMeasurable,
        ShotKind::LetDown if shot.context.stage != BowStage::Band => Verdict::LetDown,
        _ => Verdict::Good,
    }
}

/// The smallest faults that a shot would have shown; `None` where it could not show any.
#[derive(Debug, Clone, Copy)]
struct Limits {
    stop_s: Option<f64>,
    collapse_mm: Option<f64>,
}

/// Coarser than this, "good" says what it does not rule out: a stop (s), a collapse (mm). Common practice, no source.
const COARSE: (f64, f64) = (0.3, 6.0);

impl Limits {
    fn of(checks: &[FaultCheck]) -> Self {
        let measurable = |kind: FaultKind| {
            checks
                .iter()
                .find(|check| check.kind == kind && check.finding != Finding::NotMeasurable)
        };
        Self {
            stop_s: measurable(FaultKind::Stall).and_then(|check| check.shortest_s),
            collapse_mm: measurable(FaultKind::Collapse)
                .and_then(|check| check.smallest_detectable),
        }
    }

    fn coarse(self) -> bool {
        self.stop_s.is_some_and(|s| s > COARSE.0)
            || self.collapse_mm.is_some_and(|mm| mm > COARSE.1)
    }
}

/// One sentence that an archer of twelve understands.
pub(crate) fn sentence(
    shot: &Shot<'_>,
    kind: ShotKind,
    verdict: Verdict,
    report: &FaultReport,
    measures: &ShotMeasures,
) -> String {
    let words = shot.words;
    let fault = main_fault(&report.faults, verdict);
    let phase = |fault: &Fault| words.plain(phase_key(fault.phase));
    let depth = |fault: &Fault| format!("{:.0}", fault.depth_mm.value);
    match (verdict, fault) {
        (Verdict::Stall, Some(fault)) => words.fill(
            "verdict-stall",
            &[
                ("phase", phase(fault)),
                ("seconds", format!("{:.1}", fault.length_s.value)),
            ],
        ),
        (Verdict::Collapse, Some(fault)) => words.fill(
            "verdict-collapse",
            &[("phase", phase(fault)), ("mm", depth(fault))],
        ),
        (Verdict::Creep, Some(fault)) => words.fill(
            "verdict-creep",
            &[("phase", phase(fault)), ("mm", depth(fault))],
        ),
        (Verdict::GaveWayAround, Some(fault)) => words.fill(
            "verdict-gave-way-around",
            &[("phase", phase(fault)), ("mm", depth(fault))],
        ),
        (Verdict::HookSlip, Some(fault)) => {
            words.fill("verdict-hook-slip", &[("mm", depth(fault))])
        }
        (Verdict::Slowed, _) => {
            let (speed, time_s) = report
                .stalls
                .slowest
                .map_or((0.0, 0.0), |(speed, time_s)| (speed[0], time_s));
            words.fill(
                "verdict-slowed",
                &[
                    (
                        "phase",
                        words.plain(phase_key(shot.boundaries.phase_at(time_s))),
                    ),
                    ("speed", format!("{:.0}", 1000.0 * speed)),
                ],
            )
        }
        (Verdict::NotMeasurable, _) => what_can_be_said(shot, report),
        (Verdict::TravelOnly, _) => {
            let travel = measures
                .slowest_mm_s
                .value()
                .map_or(0.0, |_| draw_travel(shot));
            words.fill(
                "verdict-travel-only",
                &[("mm", format!("{:.0}", 1000.0 * travel))],
            )
        }
        _ => no_fault(words, kind, verdict, Limits::of(&report.checks)),
    }
}

/// Where one rule could not judge, what the other one can say.
fn what_can_be_said(shot: &Shot<'_>, report: &FaultReport) -> String {
    let words = shot.words;

    let why = report
        .checks
        .iter()
        .find_map(|check| {
            (check.finding == Finding::NotMeasurable && check.kind != FaultKind::HookSlip)
                .then(|| check.why.clone())
                .flatten()
        })
        .unwrap_or_else(|| words.plain("why-noise"));
    let limits = Limits::of(&report.checks);
    match (limits.collapse_mm, limits.stop_s) {
        (Some(mm), _) => words.fill(
            "verdict-no-collapse-but",
            &[("mm", above(mm)), ("why", why)],
        ),
        (_, Some(seconds)) => words.fill(
            "verdict-no-stop-but",
            &[("seconds", format!("{seconds:.2}")), ("why", why)],
        ),
        _ => words.fill("verdict-not-measurable", &[("why", why)]),
    }
}

/// No fault: plainly, or with what the shot does not rule out.
fn no_fault(words: &Sentences, kind: ShotKind, verdict: Verdict, limits: Limits) -> String {
    if limits.coarse() {
        let key = match kind {
            ShotKind::Released => "verdict-good-coarse",
            ShotKind::LetDown => "verdict-let-down-coarse",
            ShotKind::Unfinished => "verdict-unfinished-coarse",
        };
        let seconds = (10.0 * limits.stop_s.unwrap_or_default()).ceil() / 10.0;
        return words.fill(
            key,
            &[
                ("mm", above(limits.collapse_mm.unwrap_or_default())),
                ("seconds", format!("{seconds:.1}")),
            ],
        );
    }
    words.plain(match kind {
        ShotKind::Released => "verdict-good",
        ShotKind::LetDown if verdict == Verdict::LetDown => "verdict-let-down",
        ShotKind::LetDown => "verdict-good-let-down",
        ShotKind::Unfinished => "verdict-good-unfinished",
    })
}

/// A limit in whole millimetres, rounded to the safe side.
fn above(mm: f64) -> String {
    format!("{:.0}", mm.ceil())
}

fn draw_travel(shot: &Shot<'_>) -> f64 {
    let (from, to) = shot.draw_up_s();
    let away = &shot.coordinates.away.mean;
    away[shot.index(to) as usize] - away[shot.index(from) as usize]
}

fn main_fault(faults: &[Fault], verdict: Verdict) -> Option<&Fault> {
    let size = |fault: &Fault| match fault.kind {
        FaultKind::Stall => fault.length_s.value,
        _ => fault.depth_mm.value,
    };
    faults
        .iter()
        .filter(|fault| fault.kind.verdict() == verdict)
        .max_by(|a, b| size(a).total_cmp(&size(b)))
}

/// How sure, in one sentence.
pub(crate) fn how_sure(shot: &Shot<'_>, checks: &[FaultCheck]) -> String {
    let limits = Limits::of(checks);
    let collapse = ("collapse", limits.collapse_mm.map(|mm| format!("{mm:.1}")));
    let stall = (
        "stall",
        limits.stop_s.map(|seconds| format!("{seconds:.2}")),
    );
    match (collapse, stall) {
        ((a, Some(x)), (b, Some(y))) => shot.words.fill("how-sure", &[(a, x), (b, y)]),
        ((a, Some(x)), _) => shot.words.fill("how-sure-no-stall", &[(a, x)]),
        (_, (b, Some(y))) => shot.words.fill("how-sure-no-collapse", &[(b, y)]),
        _ => shot.words.plain("how-sure-nothing"),
    }
}

/// Does what was felt fit what was measured? `None` where it cannot be told.
pub(crate) fn felt_right(felt: Felt, verdict: Verdict) -> Option<bool> {
    let gave_way = matches!(
        verdict,
        Verdict::Collapse | Verdict::Creep | Verdict::GaveWayAround | Verdict::HookSlip
    );
    match (felt, verdict) {
        (Felt::Unsure, _) | (_, Verdict::NotMeasurable | Verdict::TravelOnly) => None,
        (Felt::Stopped, _) => Some(verdict == Verdict::Stall),
        (Felt::GaveWay, _) => Some(gave_way),
        (Felt::Moved, _) => Some(!gave_way && verdict != Verdict::Stall),
    }
}

/// Felt beside measured, in one sentence.
pub(crate) fn felt_sentence(shot: &Shot<'_>, felt: Felt, verdict: Verdict) -> String {
    let key = match (felt, felt_right(felt, verdict)) {
        (Felt::Unsure, _) => "felt-unsure",
        (_, None) => "felt-not-settled",
        (_, Some(true)) => "felt-right",
        (Felt::Moved, _) if verdict == Verdict::Stall => "felt-moved-but-stopped",
        (Felt::Moved, _) => "felt-moved-but-gave-way",
        _ if verdict <= Verdict::Slowed => "felt-fault-but-good",
        _ => "felt-other",
    };
    shot.words.plain(key)
}
