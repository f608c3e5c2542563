//! The way of an invented elbow: minimum-jerk steps between postures, with a fault dialled in.

use drawarc_report::Phase;

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
    pub(super) const GOOD: Self = Self {
        draw_s: 1.5,
        hold_s: 2.2,
        pause: None,
        collapse_mm: 0.0,
        around_mm: 22.0,
    };
    pub(super) const QUICK: Self = Self {
        draw_s: 1.3,
        hold_s: 2.1,
        ..Self::GOOD
    };
    pub(super) const STALL: Self = Self {
        pause: Some((0.5, 0.31, 0.01)),
        hold_s: 2.4,
        around_mm: 18.0,
        ..Self::GOOD
    };
    pub(super) const LATE: Self = Self {
        pause: Some((0.72, 0.42, 0.01)),
        hold_s: 2.6,
        around_mm: 17.0,
        ..Self::GOOD
    };
    pub(super) const SLOWED: Self = Self {
        pause: Some((0.55, 0.3, 0.14)),
        hold_s: 2.3,
        around_mm: 20.0,
        ..Self::GOOD
    };
    pub(super) const COLLAPSE: Self = Self {
        collapse_mm: 6.2,
        hold_s: 3.1,
        around_mm: 13.0,
        ..Self::GOOD
    };
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
        let x = -95.0 + 190.0 * raised - 12.0 * creep_up - 455.0 * drawn - 5.0 * around + collapse
            - 46.0 * released
            + tremor;
        let out = 60.0 * raised * (1.0 - drawn)
            + 14.0 * drawn
            + self.plan.around_mm * around
            + 52.0 * released
            + 0.7 * tremor;
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
        self.plan.pause.map_or(66.0 / self.plan.draw_s, |pause| {
            if pause.2 < 0.05 { 4.0 } else { 27.0 }
        })
    }

    pub(super) fn side(&self) -> f64 {
        self.side
    }

    pub(super) fn line_mm(&self) -> [f64; 3] {
        [LINE_MM[0], LINE_MM[1] * self.side, LINE_MM[2]]
    }

    pub(super) fn moments(&self) -> Vec<(f64, &'static str)> {
        let (draw_start, draw_end) = self.draw_span();
        let mut moments = vec![
            (draw_start - 1.2, "raise"),
            (draw_start, "set-up"),
            (draw_start + 0.3 * (draw_end - draw_start), "draw"),
            (self.anchor(), "anchor"),
            (0.45 * self.anchor(), "expansion"),
            (0.0, "release"),
            (0.25, "follow-through"),
        ];
        if let Some((start, end)) = self.fault() {
            moments.push((start.midpoint(end), "the mark"));
            moments.sort_by(|a, b| a.0.total_cmp(&b.0));
        }
        moments
    }

    pub(super) fn phases(&self) -> [(Phase, f64, f64); 7] {
        let (draw_start, draw_end) = self.draw_span();
        [
            (Phase::Raise, self.start() + 0.2, draw_start - 0.4),
            (Phase::SetUp, draw_start - 0.4, draw_start),
            (Phase::Draw, draw_start, draw_end),
            (Phase::Anchor, draw_end, self.anchor()),
            (Phase::Expansion, self.anchor(), 0.0),
            (Phase::Release, 0.0, 0.12),
            (Phase::FollowThrough, 0.12, 0.7),
        ]
    }
}
