//! The archer: where everything is at any instant.

use crate::body::{Body, Palette, middle_joint};
use crate::profile::{Profile, ease};
use crate::scenario::{MarkerLook, MarkerPlace, MarkerPlan, Scenario, ShotKind};
use crate::shot::{Arms, PhaseTimes, Reach, Shot};
use crate::wobble::Wobble;
use nalgebra::{Point3, UnitQuaternion, Vector3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// Skin at the tip of the elbow stands this far beyond the joint (m, for a body of 1.75 m): radius of the arm there.
const SKIN_BEYOND_JOINT_M: f64 = 0.036;

/// The archer's motion.
#[derive(Debug, Clone)]
pub(crate) struct Archer {
    pub(crate) shots: Vec<Shot>,
    height: f64,
    reach: Reach,
    side: f64,
    breathing_m: f64,
    /// Middle of the elbow marker beyond the joint, along the forearm (m).
    marker_beyond_joint_m: f64,
    range_from_arrow: UnitQuaternion<f64>,
    jaw: Point3<f64>,
    tremor: Wobble,
    hand_tremor: Wobble,
    sway: Wobble,
    /// Walk to the line: share of the way.
    walk: Profile,
    walk_from: Vector3<f64>,
}

/// Where everything of the archer is at one instant, in the range frame (m), already mirrored for a left-hander
/// where `side` is −1.
#[derive(Debug, Clone)]
pub(crate) struct ArcherState {
    pub(crate) body: Body,
    pub(crate) elbow_marker: Point3<f64>,
    pub(crate) elbow_joint: Point3<f64>,
    pub(crate) hook: Point3<f64>,
    pub(crate) grip: Point3<f64>,
    pub(crate) nock: Option<Point3<f64>>,
    pub(crate) string: Point3<f64>,
    /// Unit vector along the arrow.
    pub(crate) arrow: Vector3<f64>,
    /// Unit vector along the bow, upward.
    pub(crate) bow_up: Vector3<f64>,
    /// Unit vector from string to bow.
    pub(crate) bow_forward: Vector3<f64>,
    pub(crate) band: bool,
    pub(crate) bow_shown: bool,
}

/// Thickness of a target's ground, which stands off the skin as a sheet on a stiff backing does (m).
pub(crate) const TARGET_GROUND_M: f64 = 0.004;

/// A ball and a dot rest on the skin at the tip of the elbow; a band lies around the forearm beside it.
fn marker_beyond_joint_m(scenario: &Scenario) -> f64 {
    let skin = SKIN_BEYOND_JOINT_M * scenario.archer.height_m / 1.75;
    let elbow = |plan: &&MarkerPlan| plan.place == MarkerPlace::Elbow;
    match scenario.markers.iter().find(elbow).map(|plan| plan.look) {
        Some(MarkerLook::Ball { diameter_m }) => skin + 0.5 * diameter_m + 0.001,
        Some(MarkerLook::Band { .. }) => -0.020,
        Some(MarkerLook::Dot { .. }) | None => skin + 0.001,
        Some(MarkerLook::Target { .. }) => skin + TARGET_GROUND_M + 0.001,
    }
}

impl Archer {
    pub(crate) fn new(scenario: &Scenario) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(scenario.seed ^ 0x0061_7263_6865);
        let who = &scenario.archer;
        let reach = Reach::of(who.height_m, who.forearm_m());
        let shots: Vec<Shot> = scenario
            .shots
            .iter()
            .map(|plan| Shot::new(plan, reach))
            .collect();
        // Physiological tremor is strongest at 8 to 12 Hz (from memory); sway of standing people falls off
        // above 1 Hz (from memory); sizes are the scenario's.
        let tremor = Wobble::new(&mut rng, [who.tremor_m; 3], (8.0, 12.0), 0.0);
        let hand_tremor = Wobble::new(&mut rng, [0.7 * who.tremor_m; 3], (8.0, 12.0), 0.0);
        let sway = Wobble::new(&mut rng, [who.sway_m, who.sway_m, 0.0], (0.12, 1.0), -0.8);
        let first = shots
            .first()
            .map_or(f64::INFINITY, |shot| shot.times.raise_s);
        let board_end = scenario
            .board
            .as_ref()
            .map_or(f64::NEG_INFINITY, |board| board.on_line_until_s);
        let walk_end = (first - 0.35).max(board_end + 0.3);
        let walk_start = (walk_end - 2.4).max(board_end - 0.5);
        let walk = if board_end.is_finite() {
            Profile::step(walk_start, walk_end.max(walk_start + 0.5), 1.0)
        } else {
            Profile::new(1.0, &[(0.0, 0.0)])
        };
        let elevation = who.arrow_elevation_deg.to_radians();
        Self {
            shots,
            height: who.height_m,
            reach,
            side: scenario.side(),
            breathing_m: who.breathing_m,
            marker_beyond_joint_m: marker_beyond_joint_m(scenario),
            range_from_arrow: UnitQuaternion::from_axis_angle(&Vector3::y_axis(), -elevation),
            jaw: Point3::new(0.0, -0.10 * reach.scale, 0.862 * who.height_m),
            tremor,
            hand_tremor,
            sway,
            walk,
            walk_from: Vector3::new(-1.0, 1.75, 0.0),
        }
    }

    /// The shot to which an instant belongs: the last whose raise has begun, else the first.
    fn shot_at(&self, time_s: f64) -> Option<&Shot> {
        let begun = self
            .shots
            .partition_point(|shot| shot.times.raise_s <= time_s);
        if begun == 0 {
            return self.shots.first();
        }
        let current = &self.shots[begun - 1];
        match self.shots.get(begun) {
            Some(next) if time_s > current.times.down_s => Some(next),
            _ => Some(current),
        }
    }

    /// Phase times of every shot.
    pub(crate) fn phases(&self) -> Vec<PhaseTimes> {
        self.shots.iter().map(|shot| shot.times).collect()
    }

    fn arms(&self, time_s: f64) -> (Arms, ShotKind) {
        let Some(shot) = self.shot_at(time_s) else {
            let still = Vector3::new(0.27, 0.02, -0.47) * self.reach.scale;
            let arms = Arms {
                hook: still,
                forearm: Vector3::new(-0.9, -0.3, -0.3).normalize() * self.reach.forearm,
                grip: still + Vector3::new(self.reach.brace, 0.0, -0.04),
                nock: None,
                string: still,
                bow_tilt: 0.0,
                raised: 0.0,
            };
            return (arms, ShotKind::Shot);
        };
        let mut arms = shot.arms(time_s);
        let nocked = time_s > shot.times.raise_s - 1.5;
        if !nocked || time_s > shot.times.down_s {
            arms.nock = None;
        }
        (arms, shot.plan.kind)
    }

    /// A point of the arrow line at full draw and its direction, without sway; mirrored for a left-hander.
    pub(crate) fn arrow_line(&self) -> (Point3<f64>, Vector3<f64>) {
        let (mut point, mut direction) = (self.jaw, self.range_from_arrow * Vector3::x());
        point.y *= self.side;
        direction.y *= self.side;
        (point, direction)
    }

    /// Everything of the right-handed original at an instant; mirrored at the end.
    pub(crate) fn at(&self, time_s: f64) -> ArcherState {
        let (arms, kind) = self.arms(time_s);
        let breath = self.breathing_m * (time_s * std::f64::consts::TAU * 0.24).sin();
        let walked = self.walk.value(time_s);
        let sway = self.sway.at(time_s);
        let root = self.walk_from * (1.0 - walked);
        let lift = Vector3::new(0.0, 0.0, 0.3 * breath);
        let carry = root + sway + lift;
        let place = |p: Vector3<f64>| self.jaw + self.range_from_arrow * p + carry;
        let tremor = self.tremor.at(time_s);
        let hand = self.hand_tremor.at(time_s);
        let hook = place(arms.hook) + 0.3 * tremor;
        let elbow_marker = place(arms.hook + arms.forearm) + tremor;
        let bone = (elbow_marker - hook).normalize();
        let elbow_joint = elbow_marker - bone * self.marker_beyond_joint_m;
        let grip = place(arms.grip) + hand;
        let string = place(arms.string)
            + if arms.string == arms.hook {
                0.3 * tremor
            } else {
                hand
            };
        let nock = arms.nock.map(|n| {
            place(n)
                + if n == arms.hook {
                    0.3 * tremor
                } else {
                    Vector3::zeros()
                }
        });
        let rest = grip + Vector3::new(0.0, 0.0, 0.04);
        let arrow = match nock {
            Some(n)
                if time_s
                    <= self
                        .shot_at(time_s)
                        .map_or(f64::INFINITY, |shot| shot.times.release_s) =>
            {
                (rest - n).normalize()
            }
            _ => self.range_from_arrow * Vector3::x(),
        };
        let body = self.body(&arms, carry, breath, walked, [grip, hook, elbow_joint]);
        // Down, the bow leans; raised, it stands upright; after release it tips forward.
        let lean = 0.55 * (1.0 - ease(arms.raised));
        let tilt = UnitQuaternion::from_axis_angle(&Vector3::y_axis(), arms.bow_tilt + lean)
            * UnitQuaternion::from_axis_angle(&Vector3::x_axis(), 0.05);
        let state = ArcherState {
            body,
            elbow_marker,
            elbow_joint,
            hook,
            grip,
            nock,
            string,
            arrow,
            bow_up: tilt * Vector3::z(),
            bow_forward: tilt * Vector3::x(),
            band: kind == ShotKind::Band,
            bow_shown: kind != ShotKind::Band,
        };
        if self.side < 0.0 {
            state.mirrored()
        } else {
            state
        }
    }

    fn body(
        &self,
        arms: &Arms,
        carry: Vector3<f64>,
        breath: f64,
        walked: f64,
        [grip, hook, elbow]: [Point3<f64>; 3],
    ) -> Body {
        let (h, s) = (self.height, self.reach.scale);
        let up = Vector3::z();
        let facing = -Vector3::y();
        let at = |x: f64, y: f64, z: f64| Point3::new(x * s, y * s, z * h) + carry;
        // The feet stand still: the hips follow a part of the sway only.
        let root = self.walk_from * (1.0 - walked);
        let pelvis = Point3::new(0.005 * s, 0.05 * s, 0.53 * h) + root + 0.6 * (carry - root);
        let chest = at(0.015, 0.045, 0.715) + up * breath;
        let neck = at(0.02, 0.06, 0.825) + up * breath;
        let head = at(0.005, -0.02, 0.925);
        let raised = ease(arms.raised);
        let bow_shoulder0 = at(0.165, 0.02 + 0.03 * (1.0 - raised), 0.805) + up * breath;
        let draw_shoulder0 = at(-0.135, 0.075 - 0.03 * (1.0 - raised), 0.805) + up * breath;
        let upper = 0.172 * h;
        let draw_shoulder = elbow + (draw_shoulder0 - elbow).normalize() * upper;
        let (lower_bow, upper_bow) = (0.150 * h, 0.172 * h);
        let wrist_bow = grip + (bow_shoulder0 - grip).normalize() * (0.055 * s);
        let gap = (wrist_bow - bow_shoulder0).norm() - (lower_bow + upper_bow) * 0.997;
        let bow_shoulder = if gap > 0.0 {
            bow_shoulder0 + (wrist_bow - bow_shoulder0).normalize() * gap
        } else {
            bow_shoulder0
        };
        let bow_elbow = middle_joint(
            bow_shoulder,
            wrist_bow,
            upper_bow,
            lower_bow,
            Vector3::new(0.0, -0.55, -1.0),
        );
        let wrist_draw = hook + (elbow - hook).normalize() * (0.085 * s);
        let stride = self.walk_from.norm() * walked;
        let mut ankles = [Point3::origin(); 2];
        let mut toes = [Point3::origin(); 2];
        let walking = walked > 0.0 && walked < 1.0;
        for k in 0..2 {
            let side = if k == 0 { 1.0 } else { -1.0 };
            let stance = Point3::new(0.19 * s * side, 0.04 * s, 0.052 * h);
            let swing = if walking {
                let phase = stride / 0.62 * std::f64::consts::PI
                    + if k == 0 { 0.0 } else { std::f64::consts::PI };
                let amount = (walked * (1.0 - walked) * 8.0).min(1.0);
                let forward = -self.walk_from.normalize() * (0.20 * phase.sin() * amount);
                forward + up * (0.06 * phase.cos().max(0.0) * amount)
            } else {
                Vector3::zeros()
            };
            ankles[k] = stance + self.walk_from * (1.0 - walked) + swing;
            toes[k] =
                ankles[k] + facing * (0.15 * s) + Vector3::new(0.04 * s * side, 0.0, -0.055 * s);
        }
        let spread = Vector3::x() * (0.085 * s);
        let mut body = Body {
            height: h,
            facing,
            gaze: (Vector3::x() * (0.15 + 0.85 * raised) + facing * (0.9 - 0.6 * raised))
                .normalize(),
            pelvis,
            chest,
            neck,
            head,
            shoulders: [bow_shoulder, draw_shoulder],
            elbows: [bow_elbow, elbow],
            wrists: [wrist_bow, wrist_draw],
            fingers: [grip + (grip - wrist_bow) * 0.25, hook],
            hips: [
                pelvis + spread - up * (0.01 * s),
                pelvis - spread - up * (0.01 * s),
            ],
            knees: [Point3::origin(); 2],
            ankles,
            toes,
        };
        body.bend_knees();
        body
    }
}

impl ArcherState {
    /// Left and right exchanged: the mirror image at the plane y = 0.
    fn mirrored(mut self) -> Self {
        let flip = |p: &mut Point3<f64>| p.y = -p.y;
        for p in [
            &mut self.elbow_marker,
            &mut self.elbow_joint,
            &mut self.hook,
            &mut self.grip,
            &mut self.string,
        ] {
            flip(p);
        }
        if let Some(nock) = self.nock.as_mut() {
            flip(nock);
        }
        self.arrow.y = -self.arrow.y;
        self.bow_up.y = -self.bow_up.y;
        self.bow_forward.y = -self.bow_forward.y;
        let body = &mut self.body;
        for p in [
            &mut body.pelvis,
            &mut body.chest,
            &mut body.neck,
            &mut body.head,
        ] {
            flip(p);
        }
        for pair in [
            &mut body.shoulders,
            &mut body.elbows,
            &mut body.wrists,
            &mut body.fingers,
            &mut body.hips,
            &mut body.knees,
            &mut body.ankles,
            &mut body.toes,
        ] {
            pair.iter_mut().for_each(flip);
        }
        body.facing.y = -body.facing.y;
        body.gaze.y = -body.gaze.y;
        self
    }

    /// Centre of a marker of the archer (m); `None` where there is none then (no arrow).
    pub(crate) fn marker(&self, place: MarkerPlace) -> Option<Point3<f64>> {
        let back = Vector3::new(0.0, 0.0, 0.02);
        match place {
            MarkerPlace::Elbow => Some(self.elbow_marker),
            MarkerPlace::BowHand => Some(self.grip + back + self.body.facing * -0.035),
            MarkerPlace::StringHand => {
                let hand = self.hook + (self.elbow_joint - self.hook).normalize() * 0.06;
                Some(hand + Vector3::new(0.0, 0.0, 0.045))
            }
            MarkerPlace::Nock => self.nock,
            MarkerPlace::ArrowRest => {
                Some(self.grip + Vector3::new(0.0, 0.0, 0.04) + self.body.facing * 0.025)
            }
            MarkerPlace::DrawShoulder => {
                let out = (self.body.shoulders[1] - self.body.shoulders[0]).normalize();
                Some(self.body.shoulders[1] + out * 0.045 + Vector3::new(0.0, 0.0, 0.052))
            }
            MarkerPlace::WandFirst | MarkerPlace::WandSecond | MarkerPlace::AtRest => None,
        }
    }

    /// The archer's solids in the colours given.
    pub(crate) fn body_solids(&self, palette: &Palette) -> Vec<crate::solid::Solid> {
        self.body.solids(palette)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_left_hander_has_the_mirror_images_body() {
        let right = Scenario::club_five_three(3);
        let mut left = right.clone();
        left.archer.left_handed = true;
        let (right, left) = (Archer::new(&right), Archer::new(&left));
        let palette = Palette {
            skin: [0.1; 3],
            shirt: [0.2; 3],
            trousers: [0.3; 3],
            shoes: [0.4; 3],
            hair: [0.5; 3],
            cap: Some([0.6; 3]),
        };
        for time_s in [0.5, 19.0, 22.6, 24.0, 27.5] {
            let mirrored = left.at(time_s).body_solids(&palette);
            for solid in right.at(time_s).body_solids(&palette) {
                let flip = |p: Point3<f64>| Point3::new(p.x, -p.y, p.z);
                let (a, b) = (flip(solid.a), flip(solid.b));
                // The image of a solid across the body may run from its other end.
                let found = mirrored.iter().any(|image| {
                    let same = (a - image.a).norm() + (b - image.b).norm() < 1e-9
                        && (solid.ra - image.ra).abs() + (solid.rb - image.rb).abs() < 1e-12;
                    let turned = (a - image.b).norm() + (b - image.a).norm() < 1e-9
                        && (solid.ra - image.rb).abs() + (solid.rb - image.ra).abs() < 1e-12;
                    (same || turned) && image.paint == solid.paint
                });
                assert!(found, "{time_s}: {solid:?}");
            }
        }
    }
}
