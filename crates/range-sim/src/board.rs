//! The checkerboard and how it is shown.

use crate::film_camera::FilmCamera;
use crate::profile::ease;
use crate::scenario::{BoardPlan, Scenario};
use crate::view::View;
use crate::wobble::Wobble;
use nalgebra::{
    Isometry3, Matrix3, Point2, Point3, Rotation3, Translation3, UnitQuaternion, Vector3,
};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A pose held for a while.
#[derive(Debug, Clone, Copy)]
struct Key {
    from_s: f64,
    until_s: f64,
    /// Board's middle and axes.
    range_from_middle: Isometry3<f64>,
}

/// The board's motion; its frame is that of the printed sheet: corner (0, 0) at the origin, `x` along the arrow,
/// `z` out of the printed side.
#[derive(Debug, Clone)]
pub(crate) struct BoardMotion {
    pub(crate) plan: BoardPlan,
    keys: Vec<Key>,
    shake: Wobble,
    turn: Wobble,
}

/// A rotation whose third axis is `normal` and whose first axis lies as near `right` as it can.
fn facing(normal: Vector3<f64>, right: Vector3<f64>) -> UnitQuaternion<f64> {
    let z = normal.normalize();
    let x = (right - z * right.dot(&z)).normalize();
    let y = z.cross(&x);
    let matrix = Matrix3::from_columns(&[x, y, z]);
    UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(matrix))
}

impl BoardMotion {
    pub(crate) fn new(plan: &BoardPlan, scenario: &Scenario) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(scenario.seed ^ 0x0062_6f61_7264);
        let mut motion = Self {
            plan: plan.clone(),
            keys: Vec::new(),
            shake: Wobble::new(&mut rng, [0.0015; 3], (0.7, 3.5), -0.7),
            turn: Wobble::new(&mut rng, [0.006; 3], (0.7, 3.5), -0.7),
        };
        motion.choose_keys(&mut rng, &scenario.cameras);
        motion
    }

    fn choose_keys(&mut self, rng: &mut ChaCha8Rng, cameras: &[FilmCamera]) {
        let plan = &self.plan;
        let views: Vec<View> = cameras.iter().map(View::new).collect();
        let middle = Point3::from(plan.middle_m);
        let all = views.iter().fold(Vector3::zeros(), |sum, view| {
            sum + (view.centre_in_range() - middle).normalize()
        });
        let all = all.normalize();
        // Before: it leans against the helper's legs.
        let ahead = Vector3::new(all.x, all.y, 0.0)
            .try_normalize(0.05)
            .unwrap_or(-Vector3::y());
        let start = Point3::new(middle.x, middle.y, 0.17) + ahead * 0.05;
        self.keys.push(Key {
            from_s: f64::NEG_INFINITY,
            until_s: plan.waved_from_s - 0.2,
            range_from_middle: Isometry3::from_parts(
                Translation3::from(start.coords),
                facing(
                    ahead + Vector3::z() * 0.25,
                    ahead.cross(&Vector3::z()) * -1.0,
                ),
            ),
        });
        self.wave(rng, &views, all);
        self.lay_on_line();
    }

    /// Shown to the cameras in many places, held still every other time.
    fn wave(&mut self, rng: &mut ChaCha8Rng, views: &[View], all: Vector3<f64>) {
        let plan = &self.plan;
        let middle = Point3::from(plan.middle_m);
        let mut at_s = plan.waved_from_s + 0.7;
        let mut count = 0;
        while at_s < plan.waved_until_s - 0.3 {
            let range_from_middle = if count % 5 < 3 {
                let aim = if rng.random::<f64>() < 0.7 {
                    all
                } else {
                    let weights: Vec<f64> =
                        views.iter().map(|_| 0.15 + rng.random::<f64>()).collect();
                    views
                        .iter()
                        .zip(&weights)
                        .fold(Vector3::zeros(), |sum, (view, weight)| {
                            sum + (view.centre_in_range() - middle).normalize() * *weight
                        })
                };
                let spot = Point3::from(std::array::from_fn::<f64, 3, _>(|k| {
                    plan.middle_m[k] + plan.reach_m[k] * (2.0 * rng.random::<f64>() - 1.0)
                }));
                Self::presented(rng, spot, aim, 0.62)
            } else {
                let view = &views[(count / 5 + count) % views.len()];
                let spot = Self::spot_in_picture(rng, view, plan);
                let aim = view.centre_in_range() - spot;
                Self::presented(rng, spot, aim, 0.75)
            };
            let still = if count % 2 == 0 {
                rng.random_range(0.30..0.50)
            } else {
                0.0
            };
            self.keys.push(Key {
                from_s: at_s,
                until_s: at_s + still,
                range_from_middle,
            });
            at_s += still + rng.random_range(0.60..0.95);
            count += 1;
        }
    }

    /// Laid on the shooting line, then taken away.
    fn lay_on_line(&mut self) {
        let plan = &self.plan;
        let lying = Isometry3::from_parts(
            Translation3::identity(),
            UnitQuaternion::from_axis_angle(
                &Vector3::z_axis(),
                if plan.wrong_way_round {
                    std::f64::consts::PI
                } else {
                    0.0
                },
            ),
        );
        let over = Isometry3::from_parts(Translation3::new(0.0, 0.0, 0.35), lying.rotation);
        let down_from = plan.waved_until_s.min(plan.on_line_from_s - 0.8);
        self.keys.push(Key {
            from_s: down_from,
            until_s: down_from,
            range_from_middle: over,
        });
        self.keys.push(Key {
            from_s: plan.on_line_from_s,
            until_s: plan.on_line_until_s,
            range_from_middle: lying,
        });
        // Taken away: its printed side turned from the cameras.
        let aside = Point3::new(0.9, 1.6, 0.95);
        let away = Isometry3::from_parts(
            Translation3::from(aside.coords),
            facing(Vector3::y(), Vector3::x()),
        );
        let lifted = Isometry3::from_parts(Translation3::new(0.25, 0.6, 0.7), away.rotation);
        self.keys.push(Key {
            from_s: plan.on_line_until_s + 0.9,
            until_s: plan.on_line_until_s + 0.9,
            range_from_middle: lifted,
        });
        self.keys.push(Key {
            from_s: plan.on_line_until_s + 2.4,
            until_s: f64::INFINITY,
            range_from_middle: away,
        });
    }

    fn presented(
        rng: &mut ChaCha8Rng,
        spot: Point3<f64>,
        aim: Vector3<f64>,
        tilt: f64,
    ) -> Isometry3<f64> {
        let aim = aim.normalize();
        let level = Vector3::z().cross(&aim);
        let right = level.try_normalize(0.2).unwrap_or(-Vector3::y());
        let spin = match rng.random_range(0..8_u32) {
            0 => std::f64::consts::PI,
            1 => 1.4,
            _ => 0.0,
        } + rng.random_range(-0.45..0.45);
        let lean_about = UnitQuaternion::from_axis_angle(
            &nalgebra::Unit::new_normalize(aim),
            rng.random_range(0.0..std::f64::consts::TAU),
        ) * right;
        let lean =
            UnitQuaternion::from_scaled_axis(lean_about * (tilt * rng.random::<f64>().sqrt()));
        let base = facing(aim, right);
        let spun = base * UnitQuaternion::from_axis_angle(&Vector3::z_axis(), spin);
        Isometry3::from_parts(Translation3::from(spot.coords), lean * spun)
    }

    /// A place that one camera sees in a chosen part of its picture, half out of it at times.
    fn spot_in_picture(rng: &mut ChaCha8Rng, view: &View, plan: &BoardPlan) -> Point3<f64> {
        let size = view.camera.image_size;
        let mut best = Point3::from(plan.middle_m);
        for _ in 0..40 {
            let pixel = Point2::new(
                rng.random_range(0.06..0.94) * f64::from(size.width_px),
                rng.random_range(0.08..0.92) * f64::from(size.height_px),
            );
            let Some(ray) = view.ray_in_range(&pixel) else {
                continue;
            };
            let far = (view.centre_in_range() - Point3::from(plan.middle_m)).norm();
            let spot = view.centre_in_range() + ray * (far * rng.random_range(0.55..1.05));
            best = spot;
            let inside = spot.z > 0.35 && spot.z < 2.0 && spot.x.abs() < 1.7 && spot.y.abs() < 1.5;
            if inside {
                return spot;
            }
        }
        best.z = best.z.clamp(0.4, 1.9);
        best.x = best.x.clamp(-1.5, 1.5);
        best.y = best.y.clamp(-1.4, 1.4);
        best
    }

    /// Pose of the board's middle (axes as the board's frame) at an instant.
    pub(crate) fn middle_at(&self, time_s: f64) -> Isometry3<f64> {
        let after = self
            .keys
            .partition_point(|key| key.until_s < time_s)
            .min(self.keys.len() - 1);
        let key = &self.keys[after];
        let mut held = 0.0;
        let mut pose = if time_s >= key.from_s || after == 0 {
            if key.until_s.is_finite() && key.until_s > key.from_s && key.from_s.is_finite() {
                // Hands calm down while holding still.
                let middle = f64::midpoint(key.from_s, key.until_s);
                let half = 0.5 * (key.until_s - key.from_s);
                held = crate::profile::bump((time_s - middle) / (half + 0.15));
            }
            key.range_from_middle
        } else {
            let before = &self.keys[after - 1];
            let share = ease((time_s - before.until_s) / (key.from_s - before.until_s));
            Isometry3::from_parts(
                Translation3::from(
                    before
                        .range_from_middle
                        .translation
                        .vector
                        .lerp(&key.range_from_middle.translation.vector, share),
                ),
                before
                    .range_from_middle
                    .rotation
                    .try_slerp(&key.range_from_middle.rotation, share, 1e-9)
                    .unwrap_or(key.range_from_middle.rotation),
            )
        };
        let alive = self.in_hands(time_s) * (1.0 - 0.85 * held);
        let turn = UnitQuaternion::from_scaled_axis(self.turn.at(time_s) * alive);
        pose.rotation = turn * pose.rotation;
        pose.translation.vector += self.shake.at(time_s) * alive;
        pose
    }

    /// 1 in somebody's hands, 0 at rest, eased.
    pub(crate) fn in_hands(&self, time_s: f64) -> f64 {
        let plan = &self.plan;
        if time_s < plan.waved_from_s - 0.2 {
            return 0.0;
        }
        let lifted = ease((time_s - (plan.waved_from_s - 0.2)) / 0.5);
        let laid = ease((plan.on_line_from_s - time_s) / 0.4);
        let taken = ease((time_s - plan.on_line_until_s) / 0.4);
        lifted * laid.max(taken)
    }

    /// `point_in_range = range_from_board(t) * point_in_board`.
    pub(crate) fn range_from_board(&self, time_s: f64) -> Isometry3<f64> {
        let half = self.half_corners();
        self.middle_at(time_s) * Translation3::new(-half.x, -half.y, 0.0)
    }

    fn half_corners(&self) -> Vector3<f64> {
        let plan = &self.plan;
        Vector3::new(
            0.5 * (plan.columns as f64 - 1.0) * plan.pitch_x_m,
            0.5 * (plan.rows as f64 - 1.0) * plan.pitch_y_m,
            0.0,
        )
    }

    /// Half size of the sheet with its rim (m).
    pub(crate) fn half_sheet(&self) -> (f64, f64) {
        let plan = &self.plan;
        (
            0.5 * (plan.columns as f64 + 1.0) * plan.pitch_x_m + plan.rim_m,
            0.5 * (plan.rows as f64 + 1.0) * plan.pitch_y_m + plan.rim_m,
        )
    }

    /// Height of the bent sheet over its plane at `x` from the middle (m), and its slope.
    pub(crate) fn bend(&self, x_m: f64) -> (f64, f64) {
        let half = self.half_sheet().0;
        let share = x_m / half;
        (
            self.plan.bend_m * (1.0 - share * share),
            -2.0 * self.plan.bend_m * share / half,
        )
    }

    /// Inner corner `(column, row)` in the frame of the board's middle (m), bend included.
    pub(crate) fn corner_from_middle(&self, column: usize, row: usize) -> Point3<f64> {
        let half = self.half_corners();
        let x = column as f64 * self.plan.pitch_x_m - half.x;
        let y = row as f64 * self.plan.pitch_y_m - half.y;
        Point3::new(x, y, self.bend(x).0)
    }
}
