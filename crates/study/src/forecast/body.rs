//! What stands between a camera and the marker: the archer's own body as capsules.

use super::nominal_shot::Body;
use nalgebra::{Point3, Vector3};
use serde::Serialize;

/// Part of the archer that can hide the marker.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum BodyPart {
    /// Trunk.
    Trunk,
    /// Head.
    Head,
    /// Bow arm.
    BowArm,
    /// Upper arm of the draw arm.
    UpperArm,
    /// Forearm of the draw arm.
    Forearm,
}

impl BodyPart {
    /// The word for a person.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Trunk => "the trunk",
            Self::Head => "the head",
            Self::BowArm => "the bow arm",
            Self::UpperArm => "the upper arm",
            Self::Forearm => "the forearm",
        }
    }
}

/// A rounded rod.
struct Capsule {
    part: BodyPart,
    from: Point3<f64>,
    to: Point3<f64>,
    radius_m: f64,
}

/// Radius of the upper arm over body height: rough (common practice, no source).
const UPPER_ARM_RADIUS: f64 = 0.026;
/// The marker on the tip of the elbow stands clear of its own arm by this much (m).
const CLEAR_M: f64 = 3e-4;
/// Nobody stands closer to the camera's line than this to count as clear (m): clothes.
const CLOTHES_M: f64 = 0.01;

/// The body's capsules; sizes over body height are rough (common practice, no source).
fn capsules(body: &Body) -> [Capsule; 6] {
    let h = body.height_m;
    // The arm's own capsules end before the marker, whatever the size of the archer.
    let tip_m = UPPER_ARM_RADIUS * h + CLOTHES_M + CLEAR_M;
    let towards = |from: Point3<f64>, to: Point3<f64>| {
        let way: Vector3<f64> = to - from;
        to - way * (tip_m / way.norm().max(tip_m))
    };
    let trunk = |x: f64| Capsule {
        part: BodyPart::Trunk,
        from: Point3::new(x * h, 0.0, 0.53 * h),
        to: Point3::new(x * h, 0.0, 0.76 * h),
        radius_m: 0.062 * h,
    };
    [
        trunk(-0.055),
        trunk(0.055),
        Capsule {
            part: BodyPart::Head,
            from: Point3::new(0.0, 0.0, 0.91 * h),
            to: Point3::new(0.0, 0.0, 0.945 * h),
            radius_m: 0.052 * h,
        },
        Capsule {
            part: BodyPart::BowArm,
            from: body.bow_shoulder,
            to: body.bow_hand,
            radius_m: 0.024 * h,
        },
        Capsule {
            part: BodyPart::UpperArm,
            from: body.draw_shoulder,
            to: towards(body.draw_shoulder, body.elbow),
            radius_m: UPPER_ARM_RADIUS * h,
        },
        Capsule {
            part: BodyPart::Forearm,
            from: body.hook,
            to: towards(body.hook, body.elbow),
            radius_m: 0.022 * h,
        },
    ]
}

/// The part of the body that stands between `camera` and the marker, if any (both in the range frame, m).
pub(crate) fn hidden_by(body: &Body, camera: &Point3<f64>) -> Option<BodyPart> {
    capsules(body)
        .into_iter()
        .find(|capsule| {
            let near = distance(camera, &body.elbow, &capsule.from, &capsule.to);
            near < capsule.radius_m + CLOTHES_M
        })
        .map(|capsule| capsule.part)
}

/// Shortest distance between two segments (Ericson, Real-Time Collision Detection, 5.1.9 \[from memory; checked below by
/// search\]).
fn distance(p1: &Point3<f64>, q1: &Point3<f64>, p2: &Point3<f64>, q2: &Point3<f64>) -> f64 {
    let (d1, d2, r) = (q1 - p1, q2 - p2, p1 - p2);
    let (a, e, f) = (d1.norm_squared(), d2.norm_squared(), d2.dot(&r));
    let c = d1.dot(&r);
    let b = d1.dot(&d2);
    let denominator = a * e - b * b;
    let mut s = if denominator > 1e-12 * a * e {
        ((b * f - c * e) / denominator).clamp(0.0, 1.0)
    } else {
        0.0
    };
    let mut t = if e > 0.0 { (b * s + f) / e } else { 0.0 };
    if t < 0.0 {
        t = 0.0;
        s = (-c / a).clamp(0.0, 1.0);
    } else if t > 1.0 {
        t = 1.0;
        s = ((b - c) / a).clamp(0.0, 1.0);
    }
    ((p1 + d1 * s) - (p2 + d2 * t)).norm()
}

#[cfg(test)]
mod tests {
    use super::super::nominal_shot::NominalArcher;
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn distance_is_the_least_of_a_search(v in prop::array::uniform12(-1f64..1.0)) {
            let point = |k: usize| Point3::new(v[k], v[k + 1], v[k + 2]);
            let (a, b, c, d) = (point(0), point(3), point(6), point(9));
            let exact = distance(&a, &b, &c, &d);
            let mut least = f64::MAX;
            for i in 0..=40 {
                for j in 0..=40 {
                    let p = a + (b - a) * f64::from(i) / 40.0;
                    let q = c + (d - c) * f64::from(j) / 40.0;
                    least = least.min((p - q).norm());
                }
            }
            prop_assert!(exact <= least + 1e-12 && exact > least - 0.08);
        }
    }

    #[test]
    fn from_behind_the_elbow_is_seen_and_from_the_target_it_is_not() {
        let archer = NominalArcher::right_handed(1.72);
        let body = archer.body(3.8);
        let camera = |x: f64, y: f64| Point3::new(x, y, 1.5);
        assert_eq!(hidden_by(&body, &camera(-3.0, 0.0)), None);
        assert_eq!(hidden_by(&body, &camera(-1.5, -2.6)), None);
        assert!(hidden_by(&body, &camera(4.0, 0.05)).is_some());
    }
}
