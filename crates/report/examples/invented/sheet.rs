//! An invented shot sheet from an invented motion.

use drawarc_report::{
    AnglesSheet, ArrowLineSheet, ArrowLineSource, BowStage, Curve, Curves, Fault, FaultCheck,
    FaultKind, Felt, Finding, KeyInstant, Measure, MotionCurves, Phase, PhaseSheet, PhaseTravel,
    RawReversal, Reading, ReleaseSheet, SHOT_FORMAT, SeenVerdict, ShotKind, ShotMeasures,
    ShotSheet, Side, Verdict, ViewKind, ViewSheet,
};

use super::motion::Motion;

/// What is said about an invented shot.
pub(super) struct Told {
    pub(super) sentence: &'static str,
    pub(super) verdict: Verdict,
    pub(super) felt: Felt,
}

fn about(value: f64, half: f64) -> Measure {
    Measure::new(value, value - half, value + half, 2)
}

fn read(value: f64, half: f64) -> Reading {
    about(value, half).into()
}

/// The sheet of shot `number`, whose release is at `zero_s`.
pub(super) fn sheet(number: usize, motion: &Motion, told: &Told, zero_s: f64) -> ShotSheet {
    let side = motion.side();
    let curves = curves(motion, zero_s);
    ShotSheet {
        format: SHOT_FORMAT.to_owned(),
        id: format!("shot-{number:02}"),
        archer: "Wren".to_owned(),
        side: if side < 0.0 { Side::Left } else { Side::Right },
        stage: BowStage::OwnBow,
        draw_weight_lb: Some(38.0),
        felt: Some(told.felt),
        kind: ShotKind::Released,
        start_s: zero_s + motion.start(),
        end_s: zero_s + 0.7,
        release: Some(ReleaseSheet {
            time_s: about(zero_s, 0.002),
            motion_s: about(zero_s, 0.006),
            sound_minus_motion_s: Some(0.001),
            words: "Release from motion and sound.".to_owned(),
        }),
        verdict: told.verdict,
        sentence: told.sentence.to_owned(),
        felt_sentence: None,
        how_sure: "a stop of 0.15 s below 11 mm/s, a giving way of 2.8 mm".to_owned(),
        remarks: Vec::new(),
        phases: motion
            .phases()
            .into_iter()
            .map(|(phase, start, end)| PhaseSheet {
                phase,
                start_s: zero_s + start,
                start_sd_s: 0.01,
                end_s: zero_s + end,
                end_sd_s: 0.01,
                duration_s: about(end - start, 0.03),
                corrected: false,
            })
            .collect(),
        faults: fault(motion, told.verdict, zero_s).into_iter().collect(),
        checks: checks(told.verdict),
        raw_reversal: RawReversal {
            depth_mm: read(0.9, 0.4),
            explained_mm: read(0.6, 0.1),
            span_s: None,
        },
        travel: travel(motion),
        measures: measures(motion),
        shot_clock: None,
        arrow_line: ArrowLineSheet {
            source: ArrowLineSource::Markers,
            words: "The arrow line comes from markers at nock and rest.".to_owned(),
            away_in_range: [-1.0, 0.0, 0.0],
            point_mm: motion.line_mm(),
            sd_at_elbow_mm: 1.3,
            direction_sd_deg: 0.2,
        },
        angles: angles(),
        curves,
        second_way: None,
        key_instants: motion
            .moments()
            .into_iter()
            .map(|(time, words)| KeyInstant {
                key: words.to_owned(),
                words: words.to_owned(),
                time_s: zero_s + time,
            })
            .collect(),
        rejected: false,
        corrections: Vec::new(),
    }
}

fn fault(motion: &Motion, verdict: Verdict, zero_s: f64) -> Option<Fault> {
    let (start, end) = motion.fault()?;
    let collapse = verdict == Verdict::Collapse;
    Some(Fault {
        kind: if collapse {
            FaultKind::Collapse
        } else {
            FaultKind::Stall
        },
        phase: if collapse {
            Phase::Expansion
        } else {
            Phase::Draw
        },
        start_s: zero_s + start,
        start_sd_s: 0.008,
        start_between_s: None,
        length_s: about(end - start, 0.03),
        depth_mm: if collapse {
            about(6.2, 0.6)
        } else {
            about(1.2, 0.5)
        },
        speed_mm_s: about(4.0, 2.0),
        probability: 0.9996,
        hand_went_on_mm: None,
        place_mm: [motion.elbow_mm(start), motion.elbow_mm(end)],
    })
}

fn checks(verdict: Verdict) -> Vec<FaultCheck> {
    let row = |kind: FaultKind| FaultCheck {
        kind,
        finding: match kind {
            FaultKind::HookSlip => Finding::NotMeasurable,
            _ if kind.verdict() == verdict => Finding::Found,
            _ => Finding::NotFound,
        },
        smallest_detectable: (kind != FaultKind::HookSlip).then_some(2.8),
        unit: if kind == FaultKind::Stall {
            "mm/s"
        } else {
            "mm"
        }
        .to_owned(),
        shortest_s: (kind == FaultKind::Stall).then_some(0.15),
        why: (kind == FaultKind::HookSlip).then(|| "needs markers at nock and hand".to_owned()),
    };
    FaultKind::ALL.into_iter().map(row).collect()
}

fn travel(motion: &Motion) -> Vec<PhaseTravel> {
    let spans = motion.phases().into_iter();
    spans
        .filter(|(phase, _, _)| matches!(phase, Phase::Draw | Phase::Expansion))
        .map(|(phase, start, end)| {
            let (from, to) = (motion.elbow_mm(start), motion.elbow_mm(end));
            let speed = (from[0] - to[0]) / (end - start);
            PhaseTravel {
                phase,
                away_mm: read(from[0] - to[0], 0.6),
                behind_mm: read(motion.behind_mm(end) - motion.behind_mm(start), 0.7),
                height_mm: read(to[2] - from[2], 0.5),
                path_length_mm: read((from[0] - to[0]).abs() + 8.0, 2.0),
                lowest_speed_mm_s: read(motion.slowest_mm_s(), 6.0),
                mean_speed_mm_s: read(speed, 3.0),
                highest_speed_mm_s: read(2.0 * speed, 8.0),
            }
        })
        .collect()
}

fn measures(motion: &Motion) -> ShotMeasures {
    let behind = |time: f64| motion.behind_mm(time);
    let anchor = motion.anchor();
    ShotMeasures {
        slowest_mm_s: read(motion.slowest_mm_s(), 6.0),
        v_depth_mm: read(7.9, 0.5),
        behind_at_anchor_mm: read(behind(anchor), 2.6),
        behind_at_release_mm: read(behind(0.0), 2.6),
        expansion_behind_mm: read(behind(0.0) - behind(anchor), 0.5),
        expansion_away_mm: read(motion.elbow_mm(anchor)[0] - motion.elbow_mm(0.0)[0], 0.5),
        expansion_around_deg: Reading::not_measurable("needs a marker at the draw shoulder"),
        hook_travel_mm: Reading::not_measurable("needs a marker at the string hand"),
        alignment_deg: read(3.1, 0.4),
        draw_up_s: read(1.6, 0.03),
        hold_s: read(-anchor, 0.03),
        shot_s: read(-motion.start(), 0.04),
    }
}

/// What each angle shows of movements along x, y and z.
fn angles() -> AnglesSheet {
    let clock = |half: u32| {
        let hours = f64::from(half) / 2.0;
        let angle = hours * std::f64::consts::PI / 6.0;
        let minutes = if half % 2 == 1 { "30" } else { "00" };
        let hour = if half < 2 { 12 } else { half / 2 };
        ViewSheet {
            name: format!("{hour}:{minutes}"),
            kind: ViewKind::Clock,
            clock_hours: Some(hours),
            toward_camera: [angle.cos(), -angle.sin(), 0.0],
            collapse_share: angle.sin().abs(),
            around_share: angle.cos().abs(),
            v_share: 1.0,
            reversal_seen_mm: 0.9 * angle.sin().abs(),
            pixels: None,
            person: if angle.sin().abs() > 0.3 {
                SeenVerdict::Good
            } else {
                SeenVerdict::CannotTell
            },
            misleads: false,
        }
    };
    let overhead = ViewSheet {
        name: "overhead".to_owned(),
        kind: ViewKind::Overhead,
        clock_hours: None,
        toward_camera: [0.0, 0.0, 1.0],
        collapse_share: 1.0,
        around_share: 1.0,
        v_share: 0.0,
        reversal_seen_mm: 0.9,
        pixels: None,
        person: SeenVerdict::Good,
        misleads: false,
    };
    AnglesSheet {
        views: (0..24).map(clock).chain([overhead]).collect(),
        best: 6,
        blind: vec![0, 12],
        words: "Best seen from 3 o'clock and overhead; from 12 and 6 o'clock a giving way cannot be seen.".to_owned(),
    }
}

fn curves(motion: &Motion, zero_s: f64) -> Curves {
    let times: Vec<f64> = (0_u16..1200)
        .map(|index| motion.start() + f64::from(index) / 60.0)
        .take_while(|time| *time < 0.7)
        .collect();
    let count = times.len();
    let raise_end_x = motion.elbow_mm(motion.set_up() - 0.4)[0];
    let of = |value: &dyn Fn(f64) -> f64, half: f64| {
        let value: Vec<f64> = times.iter().map(|&time| value(time)).collect();
        Curve {
            low: value.iter().map(|value| value - half).collect(),
            high: value.iter().map(|value| value + half).collect(),
            value,
        }
    };
    let speed = |time: f64| {
        let (before, after) = (motion.elbow_mm(time - 0.04), motion.elbow_mm(time + 0.04));
        let squares: f64 = before.iter().zip(after).map(|(a, b)| (b - a).powi(2)).sum();
        squares.sqrt() / 0.08
    };
    Curves {
        zero_s,
        elbow_mm: times.iter().map(|&time| motion.elbow_mm(time)).collect(),
        elbow_sd_mm: vec![[0.25; 3]; count],
        simple_mm: Vec::new(),
        motion: Some(motion_curves(motion, &times)),
        away_mm: of(&|time| raise_end_x - motion.elbow_mm(time)[0], 0.5),
        behind_mm: of(&|time| motion.behind_mm(time), 2.6),
        height_mm: of(&|time| motion.elbow_mm(time)[2], 0.4),
        speed_mm_s: of(&speed, 6.0),
        hook_mm: Curve {
            value: Vec::new(),
            low: Vec::new(),
            high: Vec::new(),
        },
        hook_from: count,
        // The raise begins before the second camera sees the marker.
        in_gap: (0..count).map(|index| index < 8).collect(),
        cameras: (0..count)
            .map(|index| if index < 8 { 1 } else { 2 })
            .collect(),
        time_s: times.iter().map(|time| zero_s + time).collect(),
    }
}

/// Velocity and acceleration by differences; none in the gap.
fn motion_curves(motion: &Motion, times: &[f64]) -> MotionCurves {
    const H: f64 = 0.01;
    let of = |value: &dyn Fn(f64) -> [f64; 3]| {
        times
            .iter()
            .enumerate()
            .map(|(index, &time)| (index >= 8).then(|| value(time)))
            .collect()
    };
    let around = |time: f64| [-H, 0.0, H].map(|step| motion.elbow_mm(time + step));
    let axes = [0, 1, 2];
    MotionCurves {
        velocity_mm_s: of(&|time| {
            let [before, _, after] = around(time);
            axes.map(|axis| (after[axis] - before[axis]) / (2.0 * H))
        }),
        velocity_sd_mm_s: of(&|_| [4.0; 3]),
        acceleration_m_s2: of(&|time| {
            let [before, now, after] = around(time);
            axes.map(|axis| 0.001 * (after[axis] - 2.0 * now[axis] + before[axis]) / (H * H))
        }),
        acceleration_sd_m_s2: of(&|_| [0.5; 3]),
        position_factor: 3.0,
        velocity_factor: 3.4,
        acceleration_factor: 3.6,
    }
}
