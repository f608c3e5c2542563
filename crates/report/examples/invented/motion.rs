//! The way of an invented elbow: minimum-jerk steps between postures, with a fault dialled in.

use drawarc_report::page::{ArrowLine, BandCurve, Curves, PhaseBar, PhaseKey};

/// What happens in the shot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Plan {
    draw_s: f64,
    hold_s: f64,
    /// Share of the draw at which it slows, for how long, and the share of speed that is left.
    pause: Option<(f64, f64, f64)>,
    collapse_mm: f64,
    around_mm: f64,
}

impl Plan {
    pub(super) const GOOD: Self = Self { draw_s: 1.5, hold_s: 2.2, pause: None, collapse_mm: 0.0, around_mm: 22.0 };
    pub(super) const QUICK: Self = Self { draw_s: 1.3, hold_s: 2.1, ..Self::GOOD };
    pub(super) const STALL: Self = Self { pause: Some((0.5, 0.31, 0.01)), hold_s: 2.4, around_mm: 18.0, ..Self::GOOD };
    pub(super) const LATE: Self = Self { pause: Some((0.72, 0.42, 0.01)), hold_s: 2.6, around_mm: 17.0, ..Self::GOOD };
    pub(super) const SLOWED: Self = Self { pause: Some((0.55, 0.3, 0.14)), hold_s: 2.3, around_mm: 20.0, ..Self::GOOD };
    pub(super) const COLLAPSE: Self = Self { collapse_mm: 6.2, hold_s: 3.1, around_mm: 13.0, ..Self::GOOD };
}

/// The elbow over time; release is at zero.
#[derive(Debug, Clone, Copy)]
pub(super) struct Motion {
    plan: Plan,
    side: f64,
}

/// Minimum-jerk step from 0 to 1 between two times.
fn step(time: f64, start: f64, end: f64) -> f64 {
    let share = ((time - start) / (end - start)).clamp(0.0, 1.0);
    share.powi(3) * (10.0 - 15.0 * share + 6.0 * share * share)
}

const LINE_MM: [f64; 3] = [0.0, -40.0, 1490.0];

impl Motion {
    pub(super) fn new(plan: Plan, side: f64) -> Self {
        Self { plan, side }
    }

    fn pause_s(&self) -> f64 {
        self.plan.pause.map_or(0.0, |pause| pause.1)
    }

    fn draw_span(&self) -> (f64, f64) {
        let end = -self.plan.hold_s - 0.35;
        (end - self.plan.draw_s - self.pause_s(), end)
    }

    pub(super) fn start(&self) -> f64 {
        self.draw_span().0 - 2.1
    }

    pub(super) fn set_up(&self) -> f64 {
        self.draw_span().0
    }

    pub(super) fn anchor(&self) -> f64 {
        -self.plan.hold_s
    }

    /// Share of the draw that is done, with its pause.
    fn drawn(&self, time: f64) -> f64 {
        let (start, end) = self.draw_span();
        let Some((share, length, left)) = self.plan.pause else {
            return step(time, start, end);
        };
        let before = start + share * self.plan.draw_s;
        // Two steps with little between them.
        share * (1.0 - left) * step(time, start, before + 0.06)
            + (1.0 - share) * step(time, before + length - 0.06, end)
            + left * share * step(time, before, before + length)
    }

    pub(super) fn elbow_mm(&self, time: f64) -> [f64; 3] {
        let (draw_start, draw_end) = self.draw_span();
        let raised = step(time, self.start() + 0.2, draw_start - 0.35);
        let creep_up = step(time, draw_start - 0.5, draw_start + 0.4);
        let drawn = self.drawn(time);
        let expanded = step(time, draw_end - 0.1, 0.6);
        let around = expanded / step(0.0, draw_end - 0.1, 0.6);
        let collapse = self.plan.collapse_mm * step(time, -0.62, -0.2);
        let released = step(time, 0.0, 0.16);
        let vee = (-((time - draw_end) / 0.14).powi(2)).exp();
        let tremor = 0.12 * (time * 61.0).sin() + 0.1 * (time * 57.0 + 1.0).cos();
        let x = -95.0 + 190.0 * raised - 12.0 * creep_up - 455.0 * drawn - 5.0 * around + collapse - 46.0 * released + tremor;
        let out = 60.0 * raised * (1.0 - drawn) + 14.0 * drawn + self.plan.around_mm * around + 52.0 * released + 0.7 * tremor;
        let z = 1130.0 + 465.0 * raised - 84.0 * drawn - 9.0 * vee - 18.0 * released + 0.5 * tremor;
        [x, LINE_MM[1] * self.side + out * self.side, z]
    }

    pub(super) fn behind_mm(&self, time: f64) -> f64 {
        (self.elbow_mm(time)[1] - LINE_MM[1] * self.side) * self.side
    }

    pub(super) fn fault(&self) -> Option<(f64, f64)> {
        if self.plan.collapse_mm > 0.0 {
            return Some((-0.56, -0.26));
        }
        let (share, length, left) = self.plan.pause?;
        let before = self.draw_span().0 + share * self.plan.draw_s;
        (left < 0.05).then_some((before, before + length))
    }

    pub(super) fn slowest_mm_s(&self) -> f64 {
        self.plan.pause.map_or(66.0 / self.plan.draw_s, |pause| if pause.2 < 0.05 { 4.0 } else { 27.0 })
    }

    pub(super) fn moments(&self) -> Vec<(f64, &'static str, Option<drawarc_report::page::Mark>)> {
        let (draw_start, draw_end) = self.draw_span();
        vec![
            (draw_start - 1.2, "raise", None),
            (draw_start, "set-up", None),
            (draw_start + 0.3 * (draw_end - draw_start), "draw", None),
            (self.anchor(), "anchor", None),
            (0.45 * self.anchor(), "expansion", None),
            (0.0, "release", None),
            (0.25, "follow-through", None),
        ]
    }

    pub(super) fn phases(&self, zero_s: f64) -> Vec<PhaseBar> {
        let (draw_start, draw_end) = self.draw_span();
        let ends = [
            (PhaseKey::Raise, self.start() + 0.2, draw_start - 0.4),
            (PhaseKey::SetUp, draw_start - 0.4, draw_start),
            (PhaseKey::Draw, draw_start, draw_end),
            (PhaseKey::Anchor, draw_end, self.anchor()),
            (PhaseKey::Expansion, self.anchor(), 0.0),
            (PhaseKey::Release, 0.0, 0.12),
            (PhaseKey::FollowThrough, 0.12, 0.7),
        ];
        let bar = |(phase, start, end): (PhaseKey, f64, f64)| PhaseBar { phase, start_s: zero_s + start, end_s: zero_s + end };
        ends.into_iter().map(bar).collect()
    }

    pub(super) fn arrow_line(&self) -> ArrowLine {
        ArrowLine {
            point_in_range_mm: [LINE_MM[0], LINE_MM[1] * self.side, LINE_MM[2]],
            toward_target: [1.0, 0.0, 0.0],
        }
    }

    pub(super) fn curves(&self, zero_s: f64) -> Curves {
        let count = ((0.7 - self.start()) * 60.0) as usize;
        let times: Vec<f64> = (0..count).map(|index| self.start() + index as f64 / 60.0).collect();
        let raise_end_x = self.elbow_mm(self.set_up() - 0.4)[0];
        let of = |value: &dyn Fn(f64) -> f64, half: f64| BandCurve {
            value: times.iter().map(|&time| value(time)).collect(),
            half_width: vec![half; count],
        };
        let speed = |time: f64| {
            let (before, after) = (self.elbow_mm(time - 0.04), self.elbow_mm(time + 0.04));
            let squares: f64 = before.iter().zip(after).map(|(a, b)| (b - a).powi(2)).sum();
            squares.sqrt() / 0.08
        };
        Curves {
            time_s: times.iter().map(|time| zero_s + time).collect(),
            position_in_range_mm: times.iter().map(|&time| self.elbow_mm(time)).collect(),
            away_mm: of(&|time| raise_end_x - self.elbow_mm(time)[0], 0.5),
            behind_mm: of(&|time| self.behind_mm(time), 2.6),
            height_mm: of(&|time| self.elbow_mm(time)[2], 0.4),
            speed_mm_s: of(&speed, 6.0),
            in_gap: vec![false; count],
        }
    }
}
