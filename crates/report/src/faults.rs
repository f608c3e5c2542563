//! All rules on one shot.

use crate::Measure;
use crate::arrow_line::Line;
use crate::coordinates::Coordinate;
use crate::reversal::{Beside, Judged, Quantity, Reversal, family};
use crate::sheet::{BowStage, Fault, FaultCheck, FaultKind, Finding, Phase};
use crate::shot::{Shot, at};
use crate::smooth::LowPass;
use crate::stall::{Stall, StallSearch, find_stalls};
use crate::sway::random_sway;
use crate::track::Track;
use nalgebra::{Point3, Vector3};

/// Time (s) before the release that is left out: the release's own uncertainty.
const BEFORE_RELEASE_S: f64 = 0.012;
/// A smallest detectable depth beyond this (m) means that a shot shows nothing.
const USELESS_M: f64 = 0.02;
/// Length (s) of the reversals for which the smallest detectable depth is stated.
const COLLAPSE_LENGTH_S: f64 = 0.3;
const CREEP_LENGTH_S: f64 = 1.5;
/// From 5 % of false alarms to 80 % power: normal quantile.
const POWER: f64 = 0.842;

/// What the rules say.
pub(crate) struct FaultReport {
    pub(crate) faults: Vec<Fault>,
    pub(crate) checks: Vec<FaultCheck>,
    pub(crate) stalls: StallSearch,
    /// Where the hook must be, relative to bow hand or shoulder where tracked, else with sway in its draws.
    pub(crate) hook: Coordinate,
}

/// Applies all rules.
#[expect(
    clippy::too_many_lines,
    reason = "one rule after the other, each a few lines"
)]
pub(crate) fn find_faults(shot: &Shot<'_>) -> FaultReport {
    let relative = Relative::new(shot);
    let away = relative.along.off(&shot.coordinates.away);
    let hook = relative.along.off(&shot.coordinates.hook);
    let behind = relative.across.off(&shot.coordinates.behind);
    let draw_s = (
        shot.boundaries
            .start_s(Phase::Draw)
            .unwrap_or(shot.track.start_s),
        shot.anchor_s(),
    );
    let hold_s = (shot.anchor_s(), shot.hold_end_s() - BEFORE_RELEASE_S);
    let judge = |coordinate: &Coordinate, span: (f64, f64)| {
        Judged::new(Quantity::new(
            &shot.indices(span.0, span.1),
            |i| shot.track.time_s(i),
            &coordinate.mean,
            &coordinate.draws,
        ))
    };
    let compound = shot.context.stage == BowStage::Compound;
    let in_draw = judge(&away, draw_s);
    let in_hold = (!compound).then(|| judge(&hook, hold_s));
    let around = (!compound).then(|| judge(&behind, hold_s));
    let grip = if compound {
        None
    } else {
        nock_from_hand(shot).map(|distance| judge(&distance, hold_s))
    };
    let all: Vec<&Judged> = std::iter::once(&in_draw)
        .chain(&in_hold)
        .chain(&around)
        .chain(&grip)
        .collect();
    let (ratios, critical) = family(&all, shot.settings.false_alarms);
    let mut faults = Vec::new();
    let cutoff_hz = shot.settings.cutoff_hz;
    let mut collect = |judged: &Judged, kind: FaultKind, beside: Beside| {
        for reversal in judged.reversals(
            &ratios,
            critical,
            shot.settings.floor_m,
            (beside, cutoff_hz),
        ) {
            faults.push(reversal_fault(shot, &reversal, kind));
        }
    };
    collect(&in_draw, FaultKind::Collapse, Beside::Draw);
    if let Some(judged) = &in_hold {
        collect(judged, FaultKind::Creep, Beside::Hook);
    }
    if let Some(judged) = &around {
        collect(judged, FaultKind::GaveWayAround, Beside::Own);
    }
    if let Some(judged) = &grip {
        collect(judged, FaultKind::HookSlip, Beside::Own);
    }
    let stalls = find_stalls(&shot.track, shot.draw_up_s(), shot.settings);
    faults.extend(stalls.stalls.iter().map(|stall| stall_fault(shot, stall)));
    faults.sort_by(|a, b| a.start_s.total_cmp(&b.start_s).then(a.kind.cmp(&b.kind)));
    let smallest = |judged: &Judged, length_s: f64| {
        judged
            .typical_sigma(length_s)
            .map(|sigma| (critical * sigma).max(shot.settings.floor_m) + POWER * sigma)
    };
    let hold = in_hold.as_ref().unwrap_or(&in_draw);
    let checks = vec![
        stall_check(shot, &stalls),
        check(
            shot,
            FaultKind::Collapse,
            smallest(hold, COLLAPSE_LENGTH_S),
            &faults,
            (draw_s.0, hold_s.1),
        ),
        check(
            shot,
            FaultKind::GaveWayAround,
            around.as_ref().and_then(|j| smallest(j, COLLAPSE_LENGTH_S)),
            &faults,
            hold_s,
        ),
        check(
            shot,
            FaultKind::Creep,
            in_hold
                .as_ref()
                .and_then(|j| smallest(j, CREEP_LENGTH_S).or(smallest(j, COLLAPSE_LENGTH_S))),
            &faults,
            hold_s,
        ),
        match &grip {
            Some(judged) => check(
                shot,
                FaultKind::HookSlip,
                smallest(judged, COLLAPSE_LENGTH_S),
                &faults,
                hold_s,
            ),
            None => FaultCheck {
                kind: FaultKind::HookSlip,
                finding: if compound {
                    Finding::NotApplicable
                } else {
                    Finding::NotMeasurable
                },
                smallest_detectable: None,
                unit: "mm".to_owned(),
                shortest_s: None,
                why: Some(shot.words.plain(if compound {
                    "why-compound"
                } else {
                    "why-no-hand"
                })),
            },
        },
    ];
    FaultReport {
        faults,
        checks,
        stalls,
        hook,
    }
}

/// What the body does along the line and across it: its own movement where a marker on it is tracked, else no
/// movement in the best estimate and random sway in every draw.
struct Relative {
    along: Body,
    across: Body,
}

struct Body {
    mean: Option<Vec<f64>>,
    draws: Vec<Vec<f64>>,
}

impl Body {
    /// The coordinate relative to the body.
    fn off(&self, coordinate: &Coordinate) -> Coordinate {
        let minus =
            |a: &[f64], b: &[f64]| -> Vec<f64> { a.iter().zip(b).map(|(a, b)| a - b).collect() };
        Coordinate {
            mean: self.mean.as_ref().map_or_else(
                || coordinate.mean.clone(),
                |body| minus(&coordinate.mean, body),
            ),
            draws: coordinate
                .draws
                .iter()
                .zip(&self.draws)
                .map(|(a, b)| minus(a, b))
                .collect(),
        }
    }
}

impl Relative {
    fn new(shot: &Shot<'_>) -> Self {
        let companion = shot
            .companions
            .bow_hand
            .as_ref()
            .or(shot.companions.draw_shoulder.as_ref());
        let Some(body) = companion else {
            let random = |stream| Body {
                mean: None,
                draws: random_sway(
                    (shot.track.len(), shot.track.step_s),
                    shot.draws.len(),
                    shot.sway,
                    stream,
                    shot.settings,
                ),
            };
            return Self {
                along: random(1),
                across: random(2),
            };
        };
        let side = shot.context.side.sign();
        let tracked = |direction: &dyn Fn(&Line) -> Vector3<f64>| Body {
            mean: Some(smooth_along(shot, &body.mean, &direction(&shot.line.mean))),
            draws: shot
                .line
                .draws
                .iter()
                .enumerate()
                .map(|(k, line)| {
                    smooth_along(shot, &body.draws[k % body.draws.len()], &direction(line))
                })
                .collect(),
        };
        Self {
            along: tracked(&|line| line.away.into_inner()),
            across: tracked(&|line| line.behind_direction(side)),
        }
    }
}

fn smooth_along(shot: &Shot<'_>, points: &[Point3<f64>], direction: &Vector3<f64>) -> Vec<f64> {
    let low_pass = LowPass::new(shot.settings.cutoff_hz, shot.track.step_s);
    let origin = points[points.len() / 2];
    let along: Vec<f64> = points
        .iter()
        .map(|point| (point - origin).dot(direction))
        .collect();
    let split = shot.index(shot.hold_end_s()) as usize + 1;
    low_pass.apply(&along, &[split])
}

/// Minus the distance from string hand to nock: a slip makes it fall.
fn nock_from_hand(shot: &Shot<'_>) -> Option<Coordinate> {
    let (hand, nock) = (
        shot.companions.string_hand.as_ref()?,
        shot.companions.nock.as_ref()?,
    );
    let low_pass = LowPass::new(shot.settings.cutoff_hz, shot.track.step_s);
    let split = shot.index(shot.hold_end_s()) as usize + 1;
    let distance = |a: &[Point3<f64>], b: &[Point3<f64>]| {
        let values: Vec<f64> = a.iter().zip(b).map(|(a, b)| -(a - b).norm()).collect();
        low_pass.apply(&values, &[split])
    };
    Some(Coordinate {
        mean: distance(&hand.mean, &nock.mean),
        draws: (0..shot.draws.len())
            .map(|k| {
                let of = |track: &Track| k % track.draws.len();
                distance(&hand.draws[of(hand)], &nock.draws[of(nock)])
            })
            .collect(),
    })
}

fn reversal_fault(shot: &Shot<'_>, reversal: &Reversal, kind: FaultKind) -> Fault {
    let [shortest_s, length_s, longest_s] = reversal.length_s;
    let [least_m, depth_m, most_m] = reversal.depth_m;
    // Within the hold the rate tells a collapse from creep: tenths of a second, or seconds.
    let slow = depth_m <= shot.settings.creep_speed_m_s * length_s;
    let kind = match kind {
        FaultKind::Creep if !slow && length_s < shot.settings.creep_length_s => FaultKind::Collapse,
        other => other,
    };
    let span = (reversal.start_s, reversal.start_s + length_s);
    let cameras = shot.track.cameras_between(span.0, span.1);
    let mm = |m: f64| 1000.0 * m;
    let depth = Measure::new(mm(depth_m), mm(least_m), mm(most_m), cameras);
    let length = Measure::new(length_s, shortest_s, longest_s, cameras);
    let slowest = length.high.max(1e-3);
    let fastest = length.low.max(0.5 * shot.track.step_s);
    let speed = Measure::new(
        depth.value / length.value.max(1e-3),
        depth.low / slowest,
        depth.high / fastest,
        cameras,
    );
    Fault {
        kind,
        phase: shot.boundaries.phase_at(reversal.start_s),
        start_s: reversal.start_s,
        start_sd_s: reversal.start_sd_s,
        start_between_s: reversal.start_between_s,
        length_s: length,
        depth_mm: depth,
        speed_mm_s: speed,
        probability: reversal.probability,
        hand_went_on_mm: None,
        place_mm: [place(shot, span.0), place(shot, span.1)],
    }
}

fn stall_fault(shot: &Shot<'_>, stall: &Stall) -> Fault {
    let span = (stall.start_s, stall.end_s);
    let length_s = span.1 - span.0;
    let half = 1.96 * stall.length_sd_s;
    let cameras = shot.track.cameras_between(span.0, span.1);
    let net = |points: &[Point3<f64>]| {
        let (from, to) = (shot.index(span.0) as usize, shot.index(span.1) as usize);
        (points[to] - points[from]).norm()
    };
    let [speed, low, high] = stall.speed_m_s;
    Fault {
        kind: FaultKind::Stall,
        phase: shot.boundaries.phase_at(0.5 * (span.0 + span.1)),
        start_s: span.0,
        start_sd_s: stall.start_sd_s,
        start_between_s: None,
        length_s: Measure::new(
            length_s,
            (length_s - half).max(0.0),
            length_s + half,
            cameras,
        ),
        depth_mm: shot.measure(
            net(&shot.track.mean),
            shot.track.draws.iter().map(|draw| net(draw)),
            1000.0,
            span,
        ),
        speed_mm_s: Measure::new(1000.0 * speed, 1000.0 * low, 1000.0 * high, cameras),
        probability: stall.probability,
        hand_went_on_mm: hand_went_on(shot, span),
        place_mm: [place(shot, span.0), place(shot, span.1)],
    }
}

/// How far the string hand went away from the bow hand between two instants (mm).
fn hand_went_on(shot: &Shot<'_>, span: (f64, f64)) -> Option<Measure> {
    let (hand, bow) = (
        shot.companions.string_hand.as_ref()?,
        shot.companions.bow_hand.as_ref()?,
    );
    let (from, to) = (shot.index(span.0) as usize, shot.index(span.1) as usize);
    let gap =
        |a: &[Point3<f64>], b: &[Point3<f64>]| (a[to] - b[to]).norm() - (a[from] - b[from]).norm();
    Some(shot.measure(
        gap(&hand.mean, &bow.mean),
        (0..shot.draws.len()).map(|k| {
            gap(
                &hand.draws[k % hand.draws.len()],
                &bow.draws[k % bow.draws.len()],
            )
        }),
        1000.0,
        span,
    ))
}

/// The elbow at an instant (mm).
fn place(shot: &Shot<'_>, time_s: f64) -> [f64; 3] {
    let index = shot.index(time_s);
    std::array::from_fn(|axis| {
        let values: Vec<f64> = shot.mean.point.iter().map(|p| p[axis]).collect();
        1000.0 * at(&values, index)
    })
}

fn stall_check(shot: &Shot<'_>, search: &StallSearch) -> FaultCheck {
    let (from_s, to_s) = shot.draw_up_s();
    let gap_s = shot.gap(from_s, to_s).map_or(0.0, |(_, length)| length);
    let hidden = gap_s >= shot.settings.stall_length_s;
    // A stop about a gap shows on one side of it only, in half of what is left of it at worst.
    let shortest_s = search
        .shortest_s
        .map(|s| if gap_s > 0.0 { gap_s + 2.0 * s } else { s })
        .filter(|_| !hidden);
    let finding = if !search.stalls.is_empty() {
        Finding::Found
    } else if shortest_s.is_none() {
        Finding::NotMeasurable
    } else {
        Finding::NotFound
    };
    FaultCheck {
        kind: FaultKind::Stall,
        finding,
        smallest_detectable: (search.detectable_m_s > 0.0)
            .then_some(1000.0 * search.detectable_m_s),
        unit: "mm/s".to_owned(),
        shortest_s,
        why: (finding == Finding::NotMeasurable).then(|| {
            shot.words
                .plain(if hidden { "why-gap" } else { "why-noise" })
        }),
    }
}

fn check(
    shot: &Shot<'_>,
    kind: FaultKind,
    smallest_m: Option<f64>,
    faults: &[Fault],
    span_s: (f64, f64),
) -> FaultCheck {
    let found = faults.iter().any(|fault| fault.kind == kind);
    let hidden = shot
        .gap(span_s.0, span_s.1)
        .is_some_and(|(_, length)| length >= 0.1);
    let (finding, why) = if found {
        (Finding::Found, None)
    } else if shot.context.stage == BowStage::Compound && kind != FaultKind::Collapse {
        (Finding::NotApplicable, Some("why-compound"))
    } else if hidden {
        (Finding::NotMeasurable, Some("why-gap"))
    } else {
        match smallest_m {
            None => (Finding::NotMeasurable, Some("why-no-hold")),
            Some(smallest) if smallest > USELESS_M => (Finding::NotMeasurable, Some("why-noise")),
            Some(_) => (Finding::NotFound, None),
        }
    };
    FaultCheck {
        kind,
        finding,
        smallest_detectable: smallest_m.map(|m| 1000.0 * m),
        unit: "mm".to_owned(),
        shortest_s: None,
        why: why.map(|key| shot.words.plain(key)),
    }
}
