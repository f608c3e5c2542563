//! The helper who claps, waves the board and lays it on the line.

use crate::board::BoardMotion;
use crate::body::{Body, Palette, middle_joint};
use crate::profile::{bump, ease};
use crate::solid::Solid;
use nalgebra::{Point3, Vector3};

const HEIGHT_M: f64 = 1.72;
const PALETTE: Palette = Palette {
    skin: [0.42, 0.24, 0.16],
    shirt: [0.05, 0.22, 0.20],
    trousers: [0.035, 0.035, 0.045],
    shoes: [0.30, 0.30, 0.30],
    hair: [0.10, 0.06, 0.035],
    cap: None,
};

/// The helper.
#[derive(Debug, Clone)]
pub(crate) struct Helper {
    board: BoardMotion,
    claps_s: Vec<f64>,
    /// Horizontal direction toward the cameras.
    ahead: Vector3<f64>,
}

impl Helper {
    pub(crate) fn new(board: &BoardMotion, claps_s: &[f64], cameras: &[Point3<f64>]) -> Self {
        let middle = Point3::from(board.plan.middle_m);
        let sum = cameras.iter().fold(Vector3::zeros(), |sum, at| {
            let way = at - middle;
            sum + Vector3::new(way.x, way.y, 0.0) / way.norm()
        });
        Self {
            board: board.clone(),
            claps_s: claps_s.to_vec(),
            ahead: sum.try_normalize(0.05).unwrap_or(-Vector3::y()),
        }
    }

    /// Where the helper stands: behind the board as the cameras see it; smoothed by looking at the board's place
    /// around the instant.
    fn root(&self, time_s: f64) -> Vector3<f64> {
        let mut sum = Vector3::zeros();
        for k in -2..=2 {
            let t = time_s + 0.12 * f64::from(k);
            let at = self.board.middle_at(t).translation.vector;
            sum += Vector3::new(at.x, at.y, 0.0);
        }
        let plan = &self.board.plan;
        let back = 0.40 + 0.55 * self.released(time_s);
        let gone = ease((time_s - plan.on_line_until_s - 0.4) / 1.5);
        sum / 5.0 - self.ahead * (back * (1.0 - gone)) + Vector3::y() * (0.38 * gone)
    }

    /// 1 while the board lies on the line by itself.
    fn released(&self, time_s: f64) -> f64 {
        let plan = &self.board.plan;
        ease((time_s - plan.on_line_from_s) / 0.7) * ease((plan.on_line_until_s - time_s) / 0.6)
    }

    /// Middle of the palms at a clap (m).
    pub(crate) fn clap_place(&self, time_s: f64) -> Point3<f64> {
        Point3::from(self.root(time_s)) + self.ahead * 0.36 + Vector3::new(0.0, 0.0, 1.22)
    }

    fn hands(&self, time_s: f64, right: Vector3<f64>) -> [Point3<f64>; 2] {
        let pose = self.board.middle_at(time_s);
        let half = self.board.half_sheet();
        let hold = self.board.in_hands(time_s);
        // Left and right rim, whichever way the board is turned.
        let x = pose.rotation * Vector3::x();
        let y = pose.rotation * Vector3::y();
        let (edge, out) = if x.dot(&right).abs() >= y.dot(&right).abs() {
            (x, half.0)
        } else {
            (y, half.1)
        };
        let edge = if edge.dot(&right) > 0.0 { edge } else { -edge };
        let middle = Point3::from(pose.translation.vector) - pose.rotation * Vector3::z() * 0.012;
        let to_clap = self
            .claps_s
            .iter()
            .map(|clap| bump((time_s - clap) / 0.30))
            .fold(0.0, f64::max);
        let rest = self.clap_place(time_s);
        [-1.0, 1.0].map(|side| {
            let on_board = middle + edge * (side * (out + 0.012));
            let free = rest + right * (side * (0.045 + 0.24 * (1.0 - to_clap)))
                - Vector3::z() * (0.18 * (1.0 - to_clap));
            on_board + (free - on_board) * (1.0 - hold)
        })
    }

    pub(crate) fn solids(&self, time_s: f64) -> Vec<Solid> {
        self.body(time_s).solids(&PALETTE)
    }

    /// Joints at an instant.
    pub(crate) fn body(&self, time_s: f64) -> Body {
        let h = HEIGHT_M;
        let up = Vector3::z();
        let facing = self.ahead;
        let right = facing.cross(&up);
        let hands = self.hands(time_s, right);
        let mean_z = f64::midpoint(hands[0].z, hands[1].z);
        let root = self.root(time_s);
        let before = self.root(time_s - 0.05);
        let speed = (root - before).norm() / 0.05;
        // Crouch and lean as the hands go down.
        let low = ((1.02 - mean_z) / 0.9).clamp(0.0, 1.0);
        let low = low * low * (3.0 - 2.0 * low);
        let pelvis = Point3::from(root) - facing * (0.16 * low) + up * (0.53 * h - 0.36 * low);
        let trunk = (up * (1.0 - 0.55 * low) + facing * (0.02 + 0.95 * low)).normalize();
        let chest = pelvis + trunk * (0.185 * h);
        let neck = pelvis + trunk * (0.295 * h);
        let head = neck + (trunk + up * 0.5 + facing * 0.1).normalize() * (0.105 * h);
        let shoulders = [-right, right].map(|side| pelvis + trunk * (0.275 * h) + side * 0.165);
        // Person's left hand is on the left of the facing direction.
        let (upper, lower) = (0.172 * h, 0.150 * h);
        let mut elbows = [Point3::origin(); 2];
        let mut wrists = [Point3::origin(); 2];
        let mut roots = shoulders;
        for k in 0..2 {
            let side = if k == 0 { -right } else { right };
            let wrist = hands[k] + (shoulders[k] - hands[k]).normalize() * 0.07;
            let gap = (wrist - shoulders[k]).norm() - (upper + lower) * 0.995;
            if gap > 0.0 {
                roots[k] += (wrist - shoulders[k]).normalize() * gap.min(0.25);
            }
            elbows[k] = middle_joint(roots[k], wrist, upper, lower, side * 0.8 - up);
            wrists[k] = wrist;
        }
        let phase = (root.x + root.y) / 0.5 * std::f64::consts::PI;
        let step = (speed / 0.8).min(1.0);
        let mut ankles = [Point3::origin(); 2];
        let mut toes = [Point3::origin(); 2];
        for k in 0..2 {
            let side = if k == 0 { -1.0 } else { 1.0 };
            let beat = phase + if k == 0 { 0.0 } else { std::f64::consts::PI };
            ankles[k] = Point3::from(root)
                + right * (0.13 * side)
                + facing * (0.10 * beat.sin() * step - 0.02)
                + up * (0.09 + 0.04 * beat.cos().max(0.0) * step);
            toes[k] = ankles[k] + facing * 0.15 + right * (0.03 * side) - up * 0.055;
        }
        let mut body = Body {
            height: h,
            facing,
            gaze: (facing - up * 0.15).normalize(),
            pelvis,
            chest,
            neck,
            head,
            shoulders: roots,
            elbows,
            wrists,
            fingers: hands,
            hips: [pelvis - right * 0.085, pelvis + right * 0.085],
            knees: [Point3::origin(); 2],
            ankles,
            toes,
        };
        body.bend_knees();
        body
    }
}
