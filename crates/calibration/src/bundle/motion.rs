//! Where the board is at an instant: at rest, or moving with constant acceleration over a few frames.

use drawarc_rig::skew;
use nalgebra::{Isometry3, Matrix3, Point3, Translation3, UnitQuaternion, Vector3};

/// How much of the board's motion is free.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Freedom {
    /// Held fixed: it fixes the gauge.
    Fixed,
    /// At rest: 6 parameters.
    Still,
    /// Velocity and acceleration: 18 parameters.
    Moving,
}

impl Freedom {
    /// Number of parameters.
    pub(crate) const fn count(self) -> usize {
        match self {
            Self::Fixed => 0,
            Self::Still => 6,
            Self::Moving => 18,
        }
    }
}

/// The board about a moment. With `τ` the time since the moment and `q` a point from the board's middle:
/// `X(τ) = c + v τ + ½ a τ² + exp([ω τ + ½ α τ²]×) R q`, all in the world frame (m, s, rad).
///
/// Parameters in the order `(δθ, δc, ω, v, α, a)`; `R ← exp([δθ]×) R`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct BoardMotion {
    pub(crate) freedom: Freedom,
    /// Range time of the moment (s).
    pub(crate) time_s: f64,
    pub(crate) rotation: UnitQuaternion<f64>,
    pub(crate) centre_in_world: Point3<f64>,
    pub(crate) turn: Vector3<f64>,
    pub(crate) velocity: Vector3<f64>,
    pub(crate) turn_rate: Vector3<f64>,
    pub(crate) acceleration: Vector3<f64>,
}

/// A point of the board with its derivatives.
#[derive(Debug, Clone, Copy)]
pub(crate) struct MovedPoint {
    pub(crate) point_in_world: Point3<f64>,
    /// By rotation `δθ`.
    by_rotation: Matrix3<f64>,
    /// By the turned angle `θ(τ)`.
    by_angle: Matrix3<f64>,
    /// By time (m/s).
    pub(crate) velocity: Vector3<f64>,
    tau_s: f64,
}

impl MovedPoint {
    /// Derivative by all parameters, as six 3×3 blocks.
    pub(crate) fn blocks(&self) -> [Matrix3<f64>; 6] {
        let (first, second) = (self.tau_s, 0.5 * self.tau_s * self.tau_s);
        [
            self.by_rotation,
            Matrix3::identity(),
            self.by_angle * first,
            Matrix3::identity() * first,
            self.by_angle * second,
            Matrix3::identity() * second,
        ]
    }
}

/// Left Jacobian of the rotation group: `exp([θ + δ]×) ≈ exp([J δ]×) exp([θ]×)` (Barfoot 2017, eq. 7.77).
fn left_jacobian(theta: &Vector3<f64>) -> Matrix3<f64> {
    let angle = theta.norm();
    let cross = skew(theta);
    let (b, c) = if angle < 1e-4 {
        (0.5 - angle * angle / 24.0, 1.0 / 6.0)
    } else {
        let square = angle * angle;
        (
            (1.0 - angle.cos()) / square,
            (angle - angle.sin()) / (square * angle),
        )
    };
    Matrix3::identity() + cross * b + cross * cross * c
}

impl BoardMotion {
    /// A board at rest at `world_from_board`, its middle at `middle_in_board`.
    pub(crate) fn at(
        world_from_board: &Isometry3<f64>,
        middle_in_board: &Point3<f64>,
        time_s: f64,
        freedom: Freedom,
    ) -> Self {
        Self {
            freedom,
            time_s,
            rotation: world_from_board.rotation,
            centre_in_world: world_from_board * middle_in_board,
            turn: Vector3::zeros(),
            velocity: Vector3::zeros(),
            turn_rate: Vector3::zeros(),
            acceleration: Vector3::zeros(),
        }
    }

    /// Pose at the moment itself.
    pub(crate) fn world_from_board(&self, middle_in_board: &Point3<f64>) -> Isometry3<f64> {
        let translation = self.centre_in_world.coords - self.rotation * middle_in_board.coords;
        Isometry3::from_parts(Translation3::from(translation), self.rotation)
    }

    /// The same motion seen from another world.
    pub(crate) fn seen_from(&self, other_from_world: &Isometry3<f64>) -> Self {
        let rotate = |v: &Vector3<f64>| other_from_world.rotation * v;
        Self {
            rotation: other_from_world.rotation * self.rotation,
            centre_in_world: other_from_world * self.centre_in_world,
            turn: rotate(&self.turn),
            velocity: rotate(&self.velocity),
            turn_rate: rotate(&self.turn_rate),
            acceleration: rotate(&self.acceleration),
            ..*self
        }
    }

    /// The point `from_middle` (m, board axes) `tau_s` after the moment.
    pub(crate) fn point(&self, from_middle: &Vector3<f64>, tau_s: f64) -> MovedPoint {
        if self.freedom != Freedom::Moving {
            let arm = self.rotation * from_middle;
            let cross = -skew(&arm);
            return MovedPoint {
                point_in_world: self.centre_in_world + arm,
                by_rotation: cross,
                by_angle: cross,
                velocity: Vector3::zeros(),
                tau_s: 0.0,
            };
        }
        let half_square = 0.5 * tau_s * tau_s;
        let angle = self.turn * tau_s + self.turn_rate * half_square;
        let turned = UnitQuaternion::from_scaled_axis(angle);
        let still_arm = self.rotation * from_middle;
        let arm = turned * still_arm;
        let by_angle = -skew(&arm) * left_jacobian(&angle);
        let angle_rate = self.turn + self.turn_rate * tau_s;
        MovedPoint {
            point_in_world: self.centre_in_world
                + self.velocity * tau_s
                + self.acceleration * half_square
                + arm,
            by_rotation: -(turned.to_rotation_matrix().matrix() * skew(&still_arm)),
            by_angle,
            velocity: self.velocity + self.acceleration * tau_s + by_angle * angle_rate,
            tau_s,
        }
    }

    /// Moved by a step in the parameters.
    pub(crate) fn stepped(&self, step: &[f64]) -> Self {
        let part = |k: usize| {
            step.get(3 * k..3 * k + 3)
                .map_or_else(Vector3::zeros, Vector3::from_column_slice)
        };
        Self {
            rotation: UnitQuaternion::from_scaled_axis(part(0)) * self.rotation,
            centre_in_world: self.centre_in_world + part(1),
            turn: self.turn + part(2),
            velocity: self.velocity + part(3),
            turn_rate: self.turn_rate + part(4),
            acceleration: self.acceleration + part(5),
            ..*self
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn derivatives_agree(values in prop::array::uniform18(-2f64..2.0), tau in -0.05f64..0.05, arm in prop::array::uniform3(-0.3f64..0.3)) {
            let start = BoardMotion::at(&Isometry3::identity(), &Point3::origin(), 3.0, Freedom::Moving).stepped(&values);
            let arm = Vector3::from(arm);
            let moved = start.point(&arm, tau);
            let blocks = moved.blocks();
            let ahead_time = start.point(&arm, tau + 1e-6).point_in_world;
            let back_time = start.point(&arm, tau - 1e-6).point_in_world;
            assert_relative_eq!((ahead_time - back_time) / 2e-6, moved.velocity, epsilon = 1e-6);
            for k in 0..18 {
                let mut step = [0.0; 18];
                step[k] = 1e-6;
                let ahead = start.stepped(&step).point(&arm, tau).point_in_world;
                step[k] = -1e-6;
                let back = start.stepped(&step).point(&arm, tau).point_in_world;
                let analytic: Vector3<f64> = blocks[k / 3].column(k % 3).into();
                assert_relative_eq!((ahead - back) / 2e-6, analytic, epsilon = 1e-7);
            }
        }
    }
}
