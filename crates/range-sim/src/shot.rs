//! One shot as exact functions of time: what hook, forearm, bow hand and nock do.
//!
//! Everything is written for a right-handed archer, in the **arrow frame**: origin at the hook's place at
//! anchor, `x` along the arrow toward the target, `y` behind the archer's back, `z` up. The elbow (middle of
//! its marker) is `hook + (−√(d² − b² − h²), b, h)`: a rigid forearm of length `d` whose end stands `b` behind
//! and `h` above the arrow line. A hook at rest while `b` grows is therefore a perfect expansion.

use crate::profile::{Profile, bump, ease};
use crate::scenario::{CollapsePhase, FaultPlan, ShotKind, ShotPlan};
use nalgebra::Vector3;

/// From the release of the string until it stops (s): the power stroke. Common practice, no source.
pub(crate) const POWER_STROKE_S: f64 = 0.015;
/// Follow-through until still (s).
pub(crate) const FOLLOW_THROUGH_S: f64 = 0.9;
/// From the end of follow-through until the arms are down (s).
const LOWER_S: f64 = 1.3;

/// Instants at which the phases of a shot begin (range time, s).
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct PhaseTimes {
    /// Raise begins.
    pub raise_s: f64,
    /// Set-up begins.
    pub set_up_s: f64,
    /// Draw begins.
    pub draw_s: f64,
    /// Anchor begins.
    pub anchor_s: f64,
    /// Expansion begins.
    pub expansion_s: f64,
    /// The fingers open (or letting down begins).
    pub release_s: f64,
    /// Follow-through is over.
    pub still_s: f64,
    /// Arms are down.
    pub down_s: f64,
}

/// What the arms do at one instant, in the arrow frame (m).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Arms {
    /// Where the fingers hold (or held) the string.
    pub(crate) hook: Vector3<f64>,
    /// From hook to the middle of the elbow marker.
    pub(crate) forearm: Vector3<f64>,
    /// Where the hand presses into the grip.
    pub(crate) grip: Vector3<f64>,
    /// Nock of the arrow, while there is one on the string or in flight.
    pub(crate) nock: Option<Vector3<f64>>,
    /// Where the string is held or stands: its middle.
    pub(crate) string: Vector3<f64>,
    /// Tilt of the bow forward after release (rad).
    pub(crate) bow_tilt: f64,
    /// 0: arms down, 1: at set-up or later. For the body's posture.
    pub(crate) raised: f64,
}

/// Sizes that follow from the body (m).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Reach {
    pub(crate) forearm: f64,
    pub(crate) draw_length: f64,
    pub(crate) brace: f64,
    pub(crate) scale: f64,
}

impl Reach {
    pub(crate) fn of(height_m: f64, forearm_m: f64) -> Self {
        let scale = height_m / 1.75;
        Self {
            forearm: forearm_m,
            draw_length: 0.72 * scale,
            brace: 0.215,
            scale,
        }
    }
}

/// One shot, ready to be evaluated.
#[derive(Debug, Clone)]
pub(crate) struct Shot {
    pub(crate) plan: ShotPlan,
    pub(crate) times: PhaseTimes,
    reach: Reach,
    raise: Profile,
    draw: Profile,
    /// Hook along the arrow line, positive away from the target, from anchor on.
    hook_away: Profile,
    around: Profile,
    slip: Profile,
    push: Profile,
    loose: Profile,
    lower: Profile,
}

impl Shot {
    pub(crate) fn new(plan: &ShotPlan, reach: Reach) -> Self {
        let raise_s = plan.start_s;
        let set_up_s = raise_s + plan.raise_s;
        let draw_s = set_up_s + plan.set_up_s;
        let anchor_s = draw_s + plan.draw_s;
        let expansion_s = anchor_s + plan.anchor_s;
        let release_s = expansion_s + plan.expansion_s;
        let still_s = release_s
            + match plan.kind {
                ShotKind::Shot => FOLLOW_THROUGH_S,
                ShotKind::LetDown | ShotKind::Band => 1.2,
            };
        let times = PhaseTimes {
            raise_s,
            set_up_s,
            draw_s,
            anchor_s,
            expansion_s,
            release_s,
            still_s,
            down_s: still_s + LOWER_S,
        };
        let mut shot = Self {
            plan: plan.clone(),
            times,
            reach,
            raise: Profile::step(raise_s, set_up_s + 0.25 * plan.set_up_s, 1.0),
            draw: Profile::step(set_up_s, anchor_s + 0.3 * plan.anchor_s, 1.0),
            hook_away: Profile::new(0.0, &[]),
            around: Profile::new(0.0, &[]),
            slip: Profile::new(0.0, &[]),
            push: Profile::new(0.0, &[]),
            loose: Profile::step(release_s, release_s + 0.26, 1.0),
            lower: Profile::step(still_s, still_s + LOWER_S, 1.0),
        };
        shot.set_draw();
        shot.set_expansion();
        shot
    }

    /// Metres of elbow path per unit of draw progress.
    fn path_per_progress(&self, progress: f64) -> f64 {
        let at = |p: f64| {
            let (hook, forearm) = self.drawn(1.0, p);
            hook + forearm
        };
        (at(progress + 1e-4) - at(progress - 1e-4)).norm() / 2e-4
    }

    /// Draw progress: slow in set-up, a bell through the draw, slow again into anchor; slow stretches and
    /// reversals cut in; the height of the bell makes the whole way exactly 1.
    fn set_draw(&mut self) {
        let t = self.times;
        let slow = self.plan.set_up_speed_m_s / self.path_per_progress(0.02);
        let (from, to) = (t.draw_s, t.anchor_s);
        let end = t.anchor_s + 0.55 * self.plan.anchor_s;
        let into_anchor = 0.035 / self.path_per_progress(0.97);
        let build = |shot: &Self, top: f64| {
            // (time, rate) of the undisturbed draw.
            let ramp = 0.34 * (to - from);
            let mut knots = vec![
                (t.raise_s + 0.6 * shot.plan.raise_s, 0.0),
                (t.set_up_s, slow),
                (from, slow),
                (from + ramp, top),
                (to - ramp, top),
                (to, into_anchor),
                (end, 0.0),
            ];
            for fault in &shot.plan.faults {
                let (start, length, rate_in) = match *fault {
                    FaultPlan::Slow {
                        after_s,
                        length_s,
                        speed_m_s,
                        ..
                    } => (from + after_s, length_s, Some(speed_m_s)),
                    FaultPlan::Collapse {
                        phase: CollapsePhase::Draw,
                        after_s,
                        length_s,
                        ..
                    } => (from + after_s, length_s, None),
                    _ => continue,
                };
                let before = Profile::new(0.0, &knots).value(start);
                let steep = shot.path_per_progress(before.clamp(0.01, 0.98));
                let edge = 0.09;
                let rate_at = |knots: &[(f64, f64)], time: f64| {
                    let profile = Profile::new(0.0, knots);
                    (profile.value(time + 1e-4) - profile.value(time - 1e-4)) / 2e-4
                };
                let enter = start - edge;
                let leave = start + length + edge;
                let (rate_before, rate_after) = (rate_at(&knots, enter), rate_at(&knots, leave));
                knots.retain(|knot| knot.0 < enter || knot.0 > leave);
                knots.push((enter, rate_before));
                knots.push((leave, rate_after));
                match (rate_in, *fault) {
                    (Some(speed), _) => {
                        knots.push((start, speed / steep));
                        knots.push((start + length, speed / steep));
                    }
                    (None, FaultPlan::Collapse { depth_m, .. }) => {
                        // A reversed bell: zero, −depth/(0.65 length), zero.
                        let along = shot.away_per_progress(before.clamp(0.01, 0.98));
                        let rate = -depth_m / along / (0.65 * length);
                        knots.push((start, 0.0));
                        knots.push((start + 0.35 * length, rate));
                        knots.push((start + 0.65 * length, rate));
                        knots.push((start + length, 0.0));
                    }
                    _ => {}
                }
                knots.sort_by(|a, b| a.0.total_cmp(&b.0));
            }
            Profile::new(0.0, &knots)
        };
        let (mut low, mut high) = (0.0, 20.0);
        for _ in 0..60 {
            let middle = f64::midpoint(low, high);
            if build(self, middle).end() < 1.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        self.draw = build(self, f64::midpoint(low, high));
    }

    fn away_per_progress(&self, progress: f64) -> f64 {
        let at = |p: f64| {
            let (hook, forearm) = self.drawn(1.0, p);
            -(hook + forearm).x
        };
        (at(progress + 1e-4) - at(progress - 1e-4)) / 2e-4
    }

    fn set_expansion(&mut self) {
        let t = self.times;
        let plan = &self.plan;
        let mut hook = steady(&t, plan.expansion_s, plan.hook_travel_m);
        let mut around = steady(&t, plan.expansion_s, plan.around_m);
        let mut slip = Vec::new();
        let mut push = Vec::new();
        for fault in &plan.faults {
            match *fault {
                FaultPlan::Collapse {
                    phase: CollapsePhase::Expansion,
                    after_s,
                    length_s,
                    depth_m,
                }
                | FaultPlan::Creep {
                    after_s,
                    length_s,
                    depth_m,
                } => {
                    with_lobe(&mut hook, t.expansion_s + after_s, length_s, depth_m);
                }
                FaultPlan::GivesWayAround {
                    after_s,
                    length_s,
                    depth_m,
                } => {
                    with_lobe(&mut around, t.expansion_s + after_s, length_s, depth_m);
                }
                FaultPlan::HookSlip {
                    after_s,
                    length_s,
                    slip_m,
                    drag_m,
                } => {
                    slip.extend(bell(t.expansion_s + after_s, length_s, slip_m));
                    with_lobe(&mut hook, t.expansion_s + after_s, length_s, drag_m);
                }
                FaultPlan::Slow {
                    after_s,
                    length_s,
                    push_m,
                    ..
                } => {
                    push.extend(bell(t.draw_s + after_s, length_s, push_m));
                }
                FaultPlan::Collapse {
                    phase: CollapsePhase::Draw,
                    ..
                } => {}
            }
        }
        self.hook_away = Profile::new(0.0, &hook);
        self.around = Profile::new(0.0, &around);
        self.slip = Profile::new(0.0, &slip);
        self.push = Profile::new(0.0, &push);
    }

    /// Hook and forearm for a raise progress and a draw progress, before anything of expansion.
    fn drawn(&self, raise: f64, draw: f64) -> (Vector3<f64>, Vector3<f64>) {
        let s = self.reach.scale;
        let low = Vector3::new(0.27, 0.02, -0.47) * s;
        let ready = Vector3::new(
            self.reach.draw_length - self.reach.brace - 0.09,
            0.0,
            0.075 * s,
        );
        // On the way up the hands swing out a little; on the way back the hook sinks to the jaw.
        let hook = low
            + (ready - low) * raise
            + Vector3::new(0.10, -0.03, 0.0) * (s * raise * (1.0 - raise))
            - ready * draw
            + Vector3::new(0.0, -0.012, 0.0) * (4.0 * draw * (1.0 - draw));
        let d = self.reach.forearm;
        let behind = (-0.10 + raise * -0.09) * d / 0.38
            + draw * (self.plan.behind_at_anchor_m + 0.19 * d / 0.38);
        let over_ready = 0.10 * d / 0.38;
        let over = (-0.11 * d / 0.38) * (1.0 - raise)
            + over_ready * raise
            + draw * (self.plan.elbow_over_line_m - over_ready)
            + 0.022 * 4.0 * draw * (1.0 - draw);
        (hook, forearm(d, behind, over))
    }

    /// Hook, forearm and the rest at an instant, arrow frame.
    pub(crate) fn arms(&self, time_s: f64) -> Arms {
        let t = self.times;
        let letting_down = self.plan.kind != ShotKind::Shot && time_s > t.release_s;
        let down = self.lower.value(time_s);
        let raise = self.raise.value(time_s) * (1.0 - down);
        let back = if letting_down {
            ease((time_s - t.release_s) / 1.2)
        } else {
            0.0
        };
        let gone = if self.plan.kind == ShotKind::Shot {
            self.loose.value(time_s)
        } else {
            0.0
        };
        let draw = self.draw.value(time_s) * (1.0 - back) * (1.0 - down);
        let fade = (1.0 - back) * (1.0 - down);
        let (hook, base) = self.drawn(raise, draw);
        let v = bump(
            (time_s - (t.anchor_s + 0.45 * self.plan.anchor_s))
                / (0.75 * self.plan.anchor_s + 0.05),
        );
        let d = self.reach.forearm;
        let behind = base.y + (self.around.value(time_s) + 0.045 * gone) * fade;
        let over = base.z - self.plan.v_depth_m * v + (-0.05 * gone) * fade;
        let away = self.hook_away.value(time_s) * fade + 0.075 * gone * (1.0 - down);
        let hook = hook + Vector3::new(-away, 0.03 * gone * fade, -0.015 * gone * fade);
        let s = self.reach.scale;
        let grip_low = Vector3::new(0.27 * s + self.reach.brace, 0.02 * s, -0.47 * s - 0.04);
        let grip_ready = Vector3::new(self.reach.draw_length, 0.0, 0.035 * s);
        let kick = gone * (1.0 - down);
        let grip = grip_low
            + (grip_ready - grip_low) * raise
            + Vector3::new(0.10, -0.03, 0.0) * (s * raise * (1.0 - raise))
            + Vector3::new(0.0, 0.0, -0.075 * s) * draw
            + Vector3::new(self.push.value(time_s) * fade, 0.0, 0.0)
            + Vector3::new(0.014, 0.010, -0.02) * kick;
        let slip = self.slip.value(time_s);
        let (nock, string) = self.string(time_s, hook, grip, slip);
        Arms {
            hook,
            forearm: forearm(d, behind, over),
            grip,
            nock,
            string,
            bow_tilt: 0.35 * kick * ease((time_s - t.release_s - 0.03) / 0.5),
            raised: raise,
        }
    }

    /// Nock and string: held by the hook until release, then driven through the power stroke; the arrow flies
    /// on at its speed, the string stays at brace height and hums.
    fn string(
        &self,
        time_s: f64,
        hook: Vector3<f64>,
        grip: Vector3<f64>,
        slip: f64,
    ) -> (Option<Vector3<f64>>, Vector3<f64>) {
        let rest = grip + Vector3::new(-self.reach.brace, 0.0, 0.04);
        if self.plan.kind == ShotKind::Band {
            return (None, hook);
        }
        if self.plan.kind == ShotKind::LetDown || time_s <= self.times.release_s {
            let held = hook + Vector3::new(slip, 0.0, 0.0);
            return (Some(held), held);
        }
        let since = time_s - self.times.release_s;
        let start = -self.hook_away.value(self.times.release_s) + slip;
        let way = self.reach.draw_length - self.reach.brace - start;
        let share = since / POWER_STROKE_S;
        let speed = 2.0 * way / POWER_STROKE_S;
        let nock_x = if share < 1.0 {
            start + way * share * share
        } else {
            start + way + speed * (since - POWER_STROKE_S)
        };
        let nock = Vector3::new(nock_x, 0.0, 0.0);
        let string = if share < 1.0 {
            nock
        } else {
            let hum = 0.008 * (-(since - POWER_STROKE_S) / 0.06).exp();
            rest + Vector3::new(hum * (since * 700.0).sin(), 0.0, 0.0)
        };
        ((nock_x < 30.0).then_some(nock), string)
    }
}

/// From hook to elbow, for an elbow `behind` and `over` the line.
fn forearm(length: f64, behind: f64, over: f64) -> Vector3<f64> {
    let along = (length * length - behind * behind - over * over)
        .max(0.0)
        .sqrt();
    Vector3::new(-along, behind, over)
}

/// A steady movement through the expansion; it runs until release without stopping, the ease-out lies just behind.
fn steady(t: &PhaseTimes, length_s: f64, travel_m: f64) -> Vec<(f64, f64)> {
    let rate = travel_m / (length_s - 0.1 - 0.02);
    vec![
        (t.expansion_s - 0.02, 0.0),
        (t.expansion_s + 0.2_f64.min(0.3 * length_s), rate),
        (t.release_s, rate),
        (t.release_s + 0.04, 0.0),
    ]
}

/// A lobe cuts a steady movement to zero, reverses it by `depth_m`, and lets it go on.
fn with_lobe(knots: &mut Vec<(f64, f64)>, start_s: f64, length_s: f64, depth_m: f64) {
    let edge = 0.05;
    let end_s = start_s + length_s;
    let profile = Profile::new(0.0, knots);
    let rate_at = |time: f64| (profile.value(time + 1e-4) - profile.value(time - 1e-4)) / 2e-4;
    let (before, behind) = (rate_at(start_s - edge), rate_at(end_s + edge));
    knots.retain(|knot| knot.0 < start_s - edge || knot.0 > end_s + edge);
    let rate = -depth_m / (0.65 * length_s);
    knots.extend([
        (start_s - edge, before),
        (start_s, 0.0),
        (start_s + 0.35 * length_s, rate),
        (end_s - 0.35 * length_s, rate),
        (end_s, 0.0),
        (end_s + edge, behind),
    ]);
    knots.sort_by(|a, b| a.0.total_cmp(&b.0));
}

/// One eased move as rates at knots.
fn bell(start_s: f64, length_s: f64, travel_m: f64) -> [(f64, f64); 4] {
    let rate = travel_m / (0.65 * length_s);
    [
        (start_s, 0.0),
        (start_s + 0.35 * length_s, rate),
        (start_s + 0.65 * length_s, rate),
        (start_s + length_s, 0.0),
    ]
}
