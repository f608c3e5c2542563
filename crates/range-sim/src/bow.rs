//! Bow, string, arrow, band.

use crate::archer::ArcherState;
use crate::solid::{Paint, Solid};
use nalgebra::{Point3, Vector3};

const RISER: Paint = Paint {
    rgb: [0.02, 0.05, 0.22],
    grain: 0.0,
    gloss: 0.5,
    marker: false,
};
const LIMB: Paint = Paint {
    rgb: [0.55, 0.55, 0.53],
    grain: 0.0,
    gloss: 0.3,
    marker: false,
};
const CARBON: Paint = Paint {
    rgb: [0.02, 0.02, 0.022],
    grain: 0.0,
    gloss: 0.4,
    marker: false,
};
const STRING: Paint = Paint {
    rgb: [0.45, 0.45, 0.40],
    grain: 0.0,
    gloss: 0.0,
    marker: false,
};

/// Solids of bow, string and arrow; always the same number in the same order.
pub(crate) fn solids(state: &ArcherState, scale: f64, fletching: [f32; 3]) -> Vec<Solid> {
    let mut out = Vec::with_capacity(64);
    riser_and_limbs(state, scale.sqrt(), &mut out);
    fittings(state, scale.sqrt(), &mut out);
    arrow(state, scale, fletching, &mut out);
    band(state, &mut out);
    out
}

/// Riser, grip, limbs and string.
fn riser_and_limbs(state: &ArcherState, s: f64, out: &mut Vec<Solid>) {
    let (up, forward, grip) = (state.bow_up, state.bow_forward, state.grip);
    let bow = state.bow_shown;
    // Riser: a gentle reflex curve through the grip.
    let spine: Vec<Point3<f64>> = [
        (-0.31, -0.01),
        (-0.20, 0.028),
        (-0.08, 0.012),
        (0.03, 0.006),
        (0.14, 0.03),
        (0.24, 0.026),
        (0.32, -0.01),
    ]
    .iter()
    .map(|&(along, out)| grip + up * (along * s) + forward * (out * s))
    .collect();
    for pair in spine.windows(2) {
        out.push(Solid::cone(pair[0], pair[1], 0.015, 0.015, RISER).shown(bow));
    }
    out.push(
        Solid::cone(
            grip - up * 0.06,
            grip + up * 0.03,
            0.019,
            0.017,
            Paint::matt([0.04, 0.03, 0.025]),
        )
        .shown(bow),
    );
    // Limbs bend as the string is drawn.
    let drawn = ((grip - state.string).dot(&forward) - 0.21).max(0.0);
    for side in [1.0, -1.0] {
        let root = if side > 0.0 { spine[6] } else { spine[0] };
        let tip_back = 0.145 + 0.30 * drawn;
        let tip_along = 0.83 * s - 0.20 * drawn;
        let mut before = root;
        let reach = tip_along - 0.32 * s;
        for k in 1..=6 {
            let share = f64::from(k) / 6.0;
            // Recurve: the outer part turns forward again.
            let back =
                tip_back * (share * share * (1.0 + 0.35 * (1.0 - share))) - 0.045 * share.powi(5);
            let point = grip
                + up * (side * (0.32 * s + reach * (share - 0.04 * drawn * share * share)))
                - forward * (0.012 + back);
            out.push(
                Solid::cone(
                    before,
                    point,
                    0.017 - 0.006 * (share - 1.0 / 6.0),
                    0.017 - 0.006 * share,
                    LIMB,
                )
                .flattened(forward, 0.36)
                .shown(bow),
            );
            before = point;
        }
        // String in pieces, so that a lens may bend it.
        let middle = state.string;
        for k in 0..4 {
            let part = |j: i32| middle + (before - middle) * (f64::from(j) / 4.0);
            out.push(Solid::cone(part(k), part(k + 1), 0.0013, 0.0013, STRING).shown(bow));
        }
    }
}

/// Stabiliser and sight.
fn fittings(state: &ArcherState, s: f64, out: &mut Vec<Solid>) {
    let (up, forward, grip) = (state.bow_up, state.bow_forward, state.grip);
    let bow = state.bow_shown;
    let base = grip - up * (0.085 * s) + forward * 0.03;
    for k in 0..3 {
        let part = |j: i32| base + forward * (0.24 * f64::from(j));
        out.push(Solid::cone(part(k), part(k + 1), 0.008, 0.008, CARBON).shown(bow));
    }
    out.push(
        Solid::cone(
            base + forward * 0.72,
            base + forward * 0.78,
            0.015,
            0.015,
            Paint::shiny([0.25, 0.25, 0.26]),
        )
        .shown(bow),
    );
    let sight = grip + up * (0.14 * s) + forward * 0.03;
    out.push(Solid::cone(sight, sight + forward * 0.16, 0.004, 0.004, CARBON).shown(bow));
    let bar = sight + forward * 0.16;
    out.push(Solid::cone(bar + up * 0.05, bar - up * 0.07, 0.005, 0.005, CARBON).shown(bow));
}

/// Shaft and vanes.
fn arrow(state: &ArcherState, scale: f64, fletching: [f32; 3], out: &mut Vec<Solid>) {
    let nock = state.nock.unwrap_or(state.grip);
    let shown = state.nock.is_some() && state.bow_shown;
    let length = 0.74 * scale;
    for k in 0..3 {
        let part = |j: i32| nock + state.arrow * (length * f64::from(j) / 3.0);
        out.push(Solid::cone(part(k), part(k + 1), 0.0029, 0.0029, CARBON).shown(shown));
    }
    let vanes = nock + state.arrow * 0.025;
    let across = state.arrow.cross(&Vector3::z()).normalize();
    for angle in [0.5_f64, 2.6, 4.7] {
        let out_way = across * angle.cos() + Vector3::z() * angle.sin();
        let flat = state.arrow.cross(&out_way).normalize();
        let from = vanes + out_way * 0.006;
        out.push(
            Solid::cone(
                from,
                from + state.arrow * 0.045,
                0.009,
                0.004,
                Paint::matt(fletching),
            )
            .flattened(flat, 0.08)
            .shown(shown),
        );
    }
}

/// Exercise band: from the grip hand to the hook.
fn band(state: &ArcherState, out: &mut Vec<Solid>) {
    let grip = state.grip;
    for k in 0..3 {
        let part = |j: i32| grip + (state.hook - grip) * (f64::from(j) / 3.0);
        out.push(
            Solid::cone(
                part(k),
                part(k + 1),
                0.009,
                0.009,
                Paint::matt([0.03, 0.30, 0.10]),
            )
            .flattened(Vector3::z(), 0.5)
            .shown(state.band),
        );
    }
}
