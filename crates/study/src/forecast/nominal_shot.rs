//! A nominal shot by a nominal archer: where the elbow and the body are, as functions of time. It exists so that a rig
//! can be judged before anybody has been filmed; it is the forecast's own and no evidence about people.

use nalgebra::{Point3, Vector3};
use serde::{Deserialize, Serialize};

/// Height to which all lengths below refer (m).
const REFERENCE_HEIGHT_M: f64 = 1.72;
/// Height of the shoulder joint over body height (Winter, Biomechanics and Motor Control, fig. 4.1 \[from memory\]).
const SHOULDER_HEIGHT: f64 = 0.818;
/// Length of the upper arm over body height (the same figure \[from memory\]).
const UPPER_ARM: f64 = 0.186;
/// Length from hook to elbow, for the reference height (m): common practice, no source.
const FOREARM_M: f64 = 0.38;

/// Who shoots.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NominalArcher {
    /// Body height (m).
    pub height_m: f64,
    /// Which hand draws.
    #[serde(default)]
    pub hand: Hand,
}

/// The hand that draws.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Hand {
    /// Right-handed: the chest faces 3 o'clock.
    #[default]
    Right,
    /// Left-handed: the chest faces 9 o'clock.
    Left,
}

impl Hand {
    /// +1 for right-handed, −1 for left-handed.
    pub const fn sign(self) -> f64 {
        match self {
            Self::Right => 1.0,
            Self::Left => -1.0,
        }
    }
}

/// Phases of the nominal shot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum NominalPhase {
    /// The bow comes up.
    Raise,
    /// The elbow slows.
    SetUp,
    /// The hook comes back.
    Draw,
    /// End of the draw, with the V.
    Anchor,
    /// Slow travel around.
    Expansion,
    /// The burst.
    Release,
    /// Until still.
    FollowThrough,
}

impl NominalPhase {
    /// All phases with start and end (s).
    pub const TIMES_S: [(Self, f64, f64); 7] = [
        (Self::Raise, 0.0, 1.0),
        (Self::SetUp, 1.0, 1.6),
        (Self::Draw, 1.6, 2.7),
        (Self::Anchor, 2.7, 3.1),
        (Self::Expansion, 3.1, 4.9),
        (Self::Release, 4.9, 5.0),
        (Self::FollowThrough, 5.0, 5.7),
    ];

    /// The word for a person.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Raise => "raise",
            Self::SetUp => "set-up",
            Self::Draw => "draw",
            Self::Anchor => "anchor",
            Self::Expansion => "expansion",
            Self::Release => "release",
            Self::FollowThrough => "follow-through",
        }
    }
}

/// The body at one instant, range frame (m).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Body {
    /// The marker at the tip of the draw elbow.
    pub elbow: Point3<f64>,
    /// Draw shoulder.
    pub draw_shoulder: Point3<f64>,
    /// Where the fingers hold the string.
    pub hook: Point3<f64>,
    /// Bow shoulder.
    pub bow_shoulder: Point3<f64>,
    /// Bow hand.
    pub bow_hand: Point3<f64>,
    /// Body height (m).
    pub height_m: f64,
}

impl Body {
    /// Unit vector out of the tip of the elbow, away from both bones.
    pub fn out_of_elbow(&self) -> Vector3<f64> {
        let upper = (self.draw_shoulder - self.elbow).normalize();
        let fore = (self.hook - self.elbow).normalize();
        let out = -(upper + fore);
        // A straight arm has no tip; then it points down.
        out.try_normalize(1e-6).unwrap_or(-Vector3::z())
    }
}

/// Smooth step from 0 to 1 with no speed or acceleration at its ends (Flash & Hogan 1985, minimum jerk).
fn step(t: f64, from: f64, to: f64) -> f64 {
    let s = ((t - from) / (to - from)).clamp(0.0, 1.0);
    s * s * s * (10.0 - s * (15.0 - 6.0 * s))
}

/// A movement as a start and smooth steps `(size, from, to)`.
fn along(t: f64, start: f64, steps: &[(f64, f64, f64)]) -> f64 {
    steps.iter().fold(start, |value, (size, from, to)| {
        value + size * step(t, *from, *to)
    })
}

impl NominalArcher {
    /// A right-handed archer.
    pub const fn right_handed(height_m: f64) -> Self {
        Self {
            height_m,
            hand: Hand::Right,
        }
    }

    fn scale(&self) -> f64 {
        self.height_m / REFERENCE_HEIGHT_M
    }

    /// Height of the arrow line and its `y` (m).
    fn arrow_line(&self) -> (f64, f64) {
        (
            0.865 * self.height_m,
            -0.10 * self.scale() * self.hand.sign(),
        )
    }

    /// A point on the arrow line beside the jaw (m): `behind` is measured from the vertical plane through it along x.
    pub fn anchor_in_range(&self) -> Point3<f64> {
        let (z, y) = self.arrow_line();
        Point3::new(-0.05 * self.scale(), y, z)
    }

    /// The body at `t` (s from the start of the raise).
    ///
    /// The elbow turns about a resting draw shoulder: azimuth from straight away from the target toward the back, and
    /// elevation, both sums of smooth steps; the V is a bell of 6 mm (reference height) before expansion.
    pub fn body(&self, t: f64) -> Body {
        let (scale, side) = (self.scale(), self.hand.sign());
        let azimuth_deg = along(
            t,
            -112.0,
            &[
                (10.0, 0.0, 1.1),
                (9.0, 0.8, 2.0),
                (71.0, 1.5, 2.8),
                (2.0, 2.5, 3.3),
                (7.0, 2.8, 5.3),
                (24.0, 4.9, 5.03),
                (7.0, 4.98, 5.6),
            ],
        );
        let v = -1.1 * (-0.5 * ((t - 2.92) / 0.09).powi(2)).exp();
        let elevation_deg = v + along(
            t,
            -58.0,
            &[
                (72.0, 0.0, 1.1),
                (-5.0, 1.5, 2.9),
                (-5.0, 4.9, 5.05),
                (-8.0, 5.0, 5.7),
            ],
        );
        let (sin_a, cos_a) = azimuth_deg.to_radians().sin_cos();
        let (sin_e, cos_e) = elevation_deg.to_radians().sin_cos();
        let shoulder_z = SHOULDER_HEIGHT * self.height_m;
        let draw_shoulder = Point3::new(-0.17 * scale, 0.0, shoulder_z);
        let reach = UPPER_ARM * self.height_m;
        let elbow =
            draw_shoulder + reach * Vector3::new(-cos_e * cos_a, side * cos_e * sin_a, sin_e);
        let (line_z, line_y) = self.arrow_line();
        let raised = step(t, 0.0, 1.1);
        let drawn = step(t, 1.4, 2.9);
        let aim_z = line_z - (1.0 - raised) * 0.38 * self.height_m;
        let aim = Point3::new(scale * (0.60 - 0.65 * drawn), line_y, aim_z);
        let hook = elbow + FOREARM_M * scale * (aim - elbow).normalize();
        Body {
            elbow,
            draw_shoulder,
            hook,
            bow_shoulder: Point3::new(0.17 * scale, 0.0, shoulder_z),
            bow_hand: Point3::new(0.68 * scale, line_y, aim_z),
            height_m: self.height_m,
        }
    }

    /// Velocity of the elbow (m/s), by central difference.
    pub fn elbow_velocity(&self, t: f64) -> Vector3<f64> {
        const HALF_S: f64 = 1e-4;
        (self.body(t + HALF_S).elbow - self.body(t - HALF_S).elbow) / (2.0 * HALF_S)
    }

    /// Mean square of the elbow's jerk around `t` (m²/s⁶, one axis), over ± `half_s`.
    pub fn jerk_square(&self, t: f64, half_s: f64) -> f64 {
        const PARTS: i32 = 8;
        const H: f64 = 4e-3;
        let at = |time: f64| self.body(time).elbow.coords;
        let total: f64 = (-PARTS..=PARTS)
            .map(|part| {
                let middle = t + half_s * f64::from(part) / f64::from(PARTS);
                let jerk = (at(middle + 2.0 * H) - 2.0 * at(middle + H) + 2.0 * at(middle - H)
                    - at(middle - 2.0 * H))
                    / (2.0 * H * H * H);
                jerk.norm_squared() / 3.0
            })
            .sum();
        total / f64::from(2 * PARTS + 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ARCHER: NominalArcher = NominalArcher::right_handed(1.72);

    /// What good looks like (the words of the trade): through the draw the elbow moves away all the time, it never
    /// stops between raise and anchor, makes a shallow V, then goes around behind the line.
    #[test]
    fn the_nominal_shot_is_a_good_one() {
        let mut last = f64::MAX;
        for k in 0..330 {
            let t = 1.6 + f64::from(k) * 0.01;
            let x = ARCHER.body(t).elbow.x;
            assert!(x < last, "toward the target at {t}");
            last = x;
        }
        for k in 0..110 {
            let t = 1.6 + f64::from(k) * 0.01;
            assert!(ARCHER.elbow_velocity(t).norm() > 0.03, "stops at {t}");
        }
        let z = |t: f64| ARCHER.body(t).elbow.z;
        let depth = z(2.6).min(z(3.25)) - z(2.92);
        assert!((0.003..0.009).contains(&depth), "{depth}");
        let behind = |t: f64| ARCHER.body(t).elbow.y - ARCHER.anchor_in_range().y;
        let around = behind(4.9) - behind(3.1);
        assert!((0.015..0.05).contains(&around), "{around}");
    }

    #[test]
    fn left_is_the_mirror_of_right() {
        let left = NominalArcher {
            hand: Hand::Left,
            ..ARCHER
        };
        for t in [0.0, 1.3, 2.4, 4.0, 5.5] {
            let (l, r) = (left.body(t).elbow, ARCHER.body(t).elbow);
            assert!((l.y + r.y).abs() < 1e-12 && (l.x - r.x).abs() < 1e-12);
        }
    }

    #[test]
    fn at_anchor_the_tip_points_away_from_the_target() {
        let out = ARCHER.body(3.5).out_of_elbow();
        assert!(out.x < -0.9, "{out}");
    }
}
