//! Travel and timing: what is measured whether or not anything is wrong.

use crate::coordinates::Coordinate;
use crate::reversal::deepest_pair;
use crate::sheet::{Phase, PhaseTravel, RawReversal, ShotMeasures};
use crate::shot::{Shot, at};
use crate::stall::{Speeds, StallSearch};
use crate::{Measure, Reading};
use nalgebra::{Point3, Vector3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Upper arm of an archer of unknown height: as for 1.70 m.
const USUAL_HEIGHT_M: f64 = 1.70;
/// Draw shoulder behind the line from elbow toward the target, as an angle (rad): mean and standard deviation.
/// Common practice, no source.
const SHOULDER_ANGLE_RAD: [f64; 2] = [0.35, 0.2];
/// Relative standard deviation of the upper arm's length.
const UPPER_ARM_SD: f64 = 0.07;

/// Travel in each phase.
pub(crate) fn phase_travel(shot: &Shot<'_>) -> Vec<PhaseTravel> {
    shot.boundaries
        .phases
        .iter()
        .map(|(phase, _)| travel_in(shot, *phase))
        .collect()
}

fn travel_in(shot: &Shot<'_>, phase: Phase) -> PhaseTravel {
    let c = &shot.coordinates;
    let span = span_of(shot, phase).unwrap_or((0.0, 0.0));
    let speeds = Speeds::new(&shot.track, span, shot.settings.stall_probe_s);
    let cameras = shot.track.cameras_between(span.0, span.1);
    let extreme = |lowest: bool| match speeds.extreme(lowest) {
        Some(w) => {
            let [value, low, high] = speeds.interval(w);
            Measure::new(1000.0 * value, 1000.0 * low, 1000.0 * high, cameras).into()
        }
        None => Reading::not_measurable(shot.words.plain("why-gap")),
    };
    let length = |points: &[Point3<f64>]| -> f64 {
        let (from, to) = (shot.index(span.0) as usize, shot.index(span.1) as usize);
        points[from..=to]
            .windows(2)
            .map(|pair| (pair[1] - pair[0]).norm())
            .sum()
    };
    let path_length = shot.reading(
        length(&shot.mean.point),
        shot.draws.iter().map(|draw| length(&draw.point)),
        1000.0,
        span,
    );
    let seconds = (span.1 - span.0).max(1e-3);
    let mean_speed = match &path_length {
        Reading::Measured(measure) => Reading::Measured(measure.clone().scaled(1.0 / seconds)),
        Reading::NotMeasurable { .. } => path_length.clone(),
    };
    PhaseTravel {
        phase,
        away_mm: change(shot, &c.away, phase),
        behind_mm: change(shot, &c.behind, phase),
        height_mm: change(shot, &c.height, phase),
        path_length_mm: path_length,
        lowest_speed_mm_s: extreme(true),
        mean_speed_mm_s: mean_speed,
        highest_speed_mm_s: extreme(false),
    }
}

fn span_of(shot: &Shot<'_>, phase: Phase) -> Option<(f64, f64)> {
    shot.boundaries
        .of(phase)
        .map(|(start, end)| (start.time_s, end.time_s))
}

/// Net change of a coordinate over a phase (mm); the draws use their own boundaries.
fn change(shot: &Shot<'_>, coordinate: &Coordinate, phase: Phase) -> Reading {
    let Some((start, end)) = shot.boundaries.of(phase) else {
        return Reading::not_measurable(shot.words.plain("why-no-phase"));
    };
    let between = |values: &[f64], from_s: f64, to_s: f64| {
        at(values, shot.index(to_s)) - at(values, shot.index(from_s))
    };
    let centred = coordinate.centred();
    shot.reading(
        between(&coordinate.mean, start.time_s, end.time_s),
        centred
            .draws
            .iter()
            .enumerate()
            .map(|(k, draw)| between(draw, start.draws[k], end.draws[k])),
        1000.0,
        (start.time_s, end.time_s),
    )
}

/// The figures of the whole shot. `hook` is relative to the body, as the rules saw it.
pub(crate) fn shot_measures(
    shot: &Shot<'_>,
    stalls: &StallSearch,
    hook: &Coordinate,
) -> ShotMeasures {
    let words = shot.words;
    let none = |key: &str| Reading::not_measurable(words.plain(key));
    let (from_s, to_s) = shot.draw_up_s();
    let slowest_mm_s = match stalls.slowest {
        Some(([value, low, high], _)) => Measure::new(
            1000.0 * value,
            1000.0 * low,
            1000.0 * high,
            shot.track.cameras_between(from_s, to_s),
        )
        .into(),
        None => none("why-gap"),
    };
    let has_expansion = span_of(shot, Phase::Expansion).is_some();
    let expansion = |coordinate: &Coordinate| {
        if has_expansion {
            change(shot, coordinate, Phase::Expansion)
        } else {
            none("why-no-phase")
        }
    };
    let behind_at = |time_s: Option<f64>| match time_s {
        _ if !shot.line.is_absolute() => none("why-no-line"),
        None => none("why-no-phase"),
        Some(time_s) => shot.reading(
            at(&shot.coordinates.behind.mean, shot.index(time_s)),
            shot.coordinates
                .behind
                .draws
                .iter()
                .map(|draw| at(draw, shot.index(time_s))),
            1000.0,
            (time_s, time_s),
        ),
    };
    let hook_note = if shot.companions.bow_hand.is_some() {
        None
    } else {
        Some(words.plain("note-hook-sway"))
    };
    ShotMeasures {
        slowest_mm_s,
        v_depth_mm: v_depth(shot),
        behind_at_anchor_mm: behind_at(
            shot.boundaries
                .start_s(Phase::Expansion)
                .or_else(|| shot.boundaries.start_s(Phase::Anchor)),
        ),
        behind_at_release_mm: behind_at(Some(shot.hold_end_s())),
        expansion_behind_mm: expansion(&shot.coordinates.behind),
        expansion_away_mm: expansion(&shot.coordinates.away),
        expansion_around_deg: around(shot),
        hook_travel_mm: with_note(expansion(hook), hook_note),
        alignment_deg: alignment(shot),
        draw_up_s: duration(shot, Phase::Draw, Phase::Draw),
        hold_s: duration(
            shot,
            Phase::Anchor,
            if has_expansion {
                Phase::Expansion
            } else {
                Phase::Anchor
            },
        ),
        shot_s: duration(
            shot,
            Phase::Raise,
            if has_expansion {
                Phase::Expansion
            } else {
                Phase::Anchor
            },
        ),
    }
}

fn with_note(reading: Reading, note: Option<String>) -> Reading {
    match (reading, note) {
        (Reading::Measured(measure), Some(note)) => Reading::Measured(measure.with_note(note)),
        (reading, _) => reading,
    }
}

/// From the start of one phase to the end of another (s).
fn duration(shot: &Shot<'_>, first: Phase, last: Phase) -> Reading {
    match (shot.boundaries.of(first), shot.boundaries.of(last)) {
        (Some((start, _)), Some((_, end))) => shot.reading(
            end.time_s - start.time_s,
            end.draws.iter().zip(&start.draws).map(|(e, s)| e - s),
            1.0,
            (start.time_s, end.time_s),
        ),
        _ => Reading::not_measurable(shot.words.plain("why-no-phase")),
    }
}

/// How far height dips below the lower of its two shoulders around anchor (mm); the bias of looking for the deepest
/// dip, as large as the draws say, is taken off.
fn v_depth(shot: &Shot<'_>) -> Reading {
    let anchor_s = shot.anchor_s();
    let to_s = shot
        .boundaries
        .start_s(Phase::Expansion)
        .map_or(anchor_s + 1.0, |start| start + 0.2)
        .min(shot.hold_end_s() - 0.02);
    let from = shot.index(anchor_s - 0.4) as usize;
    let to = shot.index(to_s) as usize;
    if to <= from + 4 {
        return Reading::not_measurable(shot.words.plain("why-no-hold"));
    }
    let height = shot.coordinates.height.centred();
    let value = dip(&height.mean[from..=to]);
    let each: Vec<f64> = height
        .draws
        .iter()
        .map(|draw| dip(&draw[from..=to]))
        .collect();
    let bias = each.iter().sum::<f64>() / each.len().max(1) as f64 - value;
    shot.reading(
        (value - bias).max(0.0),
        each.into_iter(),
        1000.0,
        (anchor_s - 0.4, to_s),
    )
}

/// Depth of the deepest dip below the lower of its shoulders.
fn dip(values: &[f64]) -> f64 {
    let mut right = vec![f64::NEG_INFINITY; values.len()];
    for i in (0..values.len()).rev() {
        right[i] = values[i].max(right.get(i + 1).copied().unwrap_or(f64::NEG_INFINITY));
    }
    let mut left = f64::NEG_INFINITY;
    let mut deepest = 0.0_f64;
    for (value, right) in values.iter().zip(right) {
        left = left.max(*value);
        deepest = deepest.max(left.min(right) - value);
    }
    deepest
}

/// Degrees that the elbow travels around the draw shoulder in expansion, positive to the archer's back.
fn around(shot: &Shot<'_>) -> Reading {
    let Some((start, end)) = shot.boundaries.of(Phase::Expansion) else {
        return Reading::not_measurable(shot.words.plain("why-no-phase"));
    };
    let side = shot.context.side.sign();
    let span = (start.time_s, end.time_s);
    let (from, to) = (shot.index(span.0) as usize, shot.index(span.1) as usize);
    let turn = |elbow: &[Point3<f64>], shoulder: &dyn Fn(usize) -> Point3<f64>| {
        let (a, b) = (elbow[from] - shoulder(from), elbow[to] - shoulder(to));
        let azimuth = (a.x * b.y - a.y * b.x).atan2(a.x * b.x + a.y * b.y);
        // From the shoulder the elbow lies away from the target (−x): going toward the back turns it against the
        // mathematical sense for a right-hander.
        (-azimuth * side).to_degrees()
    };
    if let Some(shoulder) = &shot.companions.draw_shoulder {
        return shot.reading(
            turn(&shot.mean.point, &|i| shoulder.mean[i]),
            (0..shot.draws.len()).map(|k| {
                turn(&shot.draws[k].point, &|i| {
                    shoulder.draws[k % shoulder.draws.len()][i]
                })
            }),
            1.0,
            span,
        );
    }
    let length =
        shot.settings.upper_arm_share * shot.context.body_height_m.unwrap_or(USUAL_HEIGHT_M);
    let place = |elbow: &Point3<f64>, length: f64, angle: f64| {
        let back = shot.line.mean.behind_direction(side);
        let forward = -shot.line.mean.away.into_inner();
        elbow + (forward * angle.cos() + back * angle.sin()) * length
    };
    let [angle, angle_sd] = SHOULDER_ANGLE_RAD;
    let mut rng = ChaCha8Rng::seed_from_u64(shot.settings.seed ^ 0x0580_01de);
    let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
    let own = place(&shot.mean.point[from], length, angle);
    let each: Vec<f64> = shot
        .draws
        .iter()
        .map(|draw| {
            let guess = place(
                &draw.point[from],
                length * (1.0 + UPPER_ARM_SD * normal()),
                angle + angle_sd * normal(),
            );
            turn(&draw.point, &|_| guess)
        })
        .collect();
    with_note(
        shot.reading(
            turn(&shot.mean.point, &|_| own),
            each.into_iter(),
            1.0,
            span,
        ),
        Some(shot.words.plain("note-shoulder")),
    )
}

/// Forearm against arrow at release, seen from overhead (degrees).
fn alignment(shot: &Shot<'_>) -> Reading {
    if !shot.line.is_absolute() {
        return Reading::not_measurable(shot.words.plain("why-no-line"));
    }
    let time_s = shot.hold_end_s();
    let i = shot.index(time_s);
    let side = shot.context.side.sign();
    let angle = |elbow: Point3<f64>, line: &crate::arrow_line::Line, forearm: f64| {
        let (_, behind, r) = line.coordinates(&elbow, side);
        behind
            .atan2((forearm * forearm - r * r).max(1e-6).sqrt())
            .to_degrees()
    };
    let point = |points: &[Point3<f64>]| points[i.floor() as usize];
    with_note(
        shot.reading(
            angle(point(&shot.mean.point), &shot.line.mean, shot.forearm.mean),
            shot.draws.iter().enumerate().map(|(k, draw)| {
                angle(
                    point(&draw.point),
                    &shot.line.draws[k],
                    shot.forearm.draws[k],
                )
            }),
            1.0,
            (time_s, time_s),
        ),
        Some(shot.words.plain("remark-marker-skin")),
    )
}

/// What a naive rule would mark, and how much of it a hook at rest explains.
pub(crate) fn raw_reversal(shot: &Shot<'_>) -> RawReversal {
    let (from_s, to_s) = (shot.anchor_s(), shot.hold_end_s());
    let (from, to) = (
        shot.index(from_s).ceil() as usize,
        shot.index(to_s) as usize,
    );
    if to <= from + 2 {
        let none = Reading::not_measurable(shot.words.plain("why-no-hold"));
        return RawReversal {
            depth_mm: none.clone(),
            explained_mm: none,
            span_s: None,
        };
    }
    let along_x =
        |points: &[Point3<f64>]| -> Vec<f64> { points[from..=to].iter().map(|p| -p.x).collect() };
    let own = along_x(&shot.mean.point);
    let (depth, s, t) = deepest_pair(&own);
    let span = (shot.track.time_s(from + s), shot.track.time_s(from + t));
    let depth_mm = shot.reading(
        depth,
        shot.draws.iter().map(|draw| {
            let values = along_x(&draw.point);
            values[s] - values[t]
        }),
        1000.0,
        span,
    );
    // The elbow stands `reach` behind the hook; where reach shrinks, the elbow comes forward and the hook does not.
    let hook = &shot.coordinates.hook;
    let away = &shot.coordinates.away;
    let explained_mm = shot.reading(
        shot.coordinates.reach[from + s] - shot.coordinates.reach[from + t],
        away.draws.iter().zip(&hook.draws).map(|(away, hook)| {
            (away[from + s] - hook[from + s]) - (away[from + t] - hook[from + t])
        }),
        1000.0,
        span,
    );
    RawReversal {
        depth_mm,
        explained_mm,
        span_s: (depth > 0.0).then_some([span.0, span.1]),
    }
}

/// Direction helper for tests and views: unit vector of the arrow toward the target.
pub(crate) fn toward_target(shot: &Shot<'_>) -> Vector3<f64> {
    -shot.line.mean.away.into_inner()
}

#[cfg(test)]
mod tests {
    use super::dip;

    #[test]
    fn the_dip_is_measured_from_its_lower_shoulder() {
        assert!((dip(&[5.0, 4.0, 1.0, 3.0, 2.5]) - 2.0).abs() < 1e-12);
        assert!(dip(&[5.0, 4.0, 3.0]).abs() < 1e-12);
        assert!(dip(&[1.0, 2.0, 3.0]).abs() < 1e-12);
    }
}
