//! The verdict in one word and in one sentence.

use crate::corrections::phase_key;
use crate::faults::FaultReport;
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
    let slowed = report
        .stalls
        .slowest
        .is_some_and(|(speed, _)| speed[2] < shot.settings.slowed_speed_m_s);
    if slowed {
        return Verdict::Slowed;
    }
    if shot.context.stage == BowStage::Compound {
        return Verdict::TravelOnly;
    }
    // Without a stall check or a collapse check there is no "good".
    let blind = report.checks.iter().any(|check| {
        matches!(check.kind, FaultKind::Stall | FaultKind::Collapse)
            && check.finding == Finding::NotMeasurable
    });
    match kind {
        _ if blind => Verdict::NotMeasurable,
        ShotKind::LetDown if shot.context.stage != BowStage::Band => Verdict::LetDown,
        _ => Verdict::Good,
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
        (Verdict::NotMeasurable, _) => {
            let why = report
                .checks
                .iter()
                .find_map(|check| {
                    (check.finding == Finding::NotMeasurable && check.kind != FaultKind::HookSlip)
                        .then(|| check.why.clone())
                        .flatten()
                })
                .unwrap_or_else(|| words.plain("why-noise"));
            words.fill("verdict-not-measurable", &[("why", why)])
        }
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
        _ => words.plain(match kind {
            ShotKind::Released => "verdict-good",
            ShotKind::LetDown if verdict == Verdict::LetDown => "verdict-let-down",
            ShotKind::LetDown => "verdict-good-let-down",
            ShotKind::Unfinished => "verdict-good-unfinished",
        }),
    }
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
    let of = |kind: FaultKind| {
        checks
            .iter()
            .find(|check| check.kind == kind && check.finding != Finding::NotMeasurable)
            .and_then(|check| check.smallest_detectable)
    };
    let s = shot.settings;
    // The slope's error falls with the window's length to the power 3/2; a full stop of length L is found where
    // 2.487 σ(L) reaches the limit.
    let stall = of(FaultKind::Stall).map(|mm_s| {
        let noise = (s.stall_speed_m_s - mm_s / 1000.0).max(0.0);
        (s.stall_probe_s * (noise / s.stall_speed_m_s).powf(2.0 / 3.0)).max(s.stall_length_s)
    });
    let collapse = (
        "collapse",
        of(FaultKind::Collapse).map(|mm| format!("{mm:.1}")),
    );
    let stall = ("stall", stall.map(|seconds| format!("{seconds:.2}")));
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
