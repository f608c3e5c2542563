//! Draws limbs, bow and arrow: lanes of neighbouring pixels together, in single precision.

use crate::canvas::{Canvas, Lane, TILE};
use crate::lamps::Lamps;
use crate::solid::Solid;
use crate::stage::Stage;
use crate::track::{MOST_INSTANTS, Track, exposure_instants};
use crate::view::View;
use nalgebra::{Matrix3, Vector3};

/// Rows that may share one instant: what moves less than this (px) from the first to the last of them.
const ROWS_TOGETHER_PX: f64 = 0.04;

type Triple = [f32; 3];

#[expect(
    clippy::cast_possible_truncation,
    reason = "single precision is 1e-4 px here"
)]
fn single(v: &Vector3<f64>) -> Triple {
    [v.x as f32, v.y as f32, v.z as f32]
}

#[inline]
fn dot(p: Triple, q: Triple) -> f32 {
    p[0] * q[0] + p[1] * q[1] + p[2] * q[2]
}

#[inline]
fn at_least(x: f32, floor: f32) -> f32 {
    if x > floor { x } else { floor }
}

#[inline]
fn at_most(x: f32, top: f32) -> f32 {
    if x < top { x } else { top }
}

/// A round cone at one instant: what does not depend on the ray.
#[derive(Debug, Clone, Copy)]
struct Cone {
    /// Rows of the widening that makes a flattened cone round.
    widen: [Triple; 3],
    a: Triple,
    u: Triple,
    uu: f32,
    ua: f32,
    ra: f32,
    taper: f32,
}

/// How the rays of a lane pass a cone.
#[derive(Debug)]
struct Passes {
    cover: Lane,
    entry: Lane,
    along: Lane,
    radius: Lane,
    away: [Lane; 3],
    pull: Lane,
}

impl Passes {
    const NONE: Self = Self {
        cover: [0.0; TILE],
        entry: [0.0; TILE],
        along: [0.0; TILE],
        radius: [0.0; TILE],
        away: [[0.0; TILE]; 3],
        pull: [0.0; TILE],
    };
}

impl Cone {
    fn of(solid: &Solid) -> Self {
        let (axis, fraction) = solid.flat;
        let widen = Matrix3::identity() + axis * axis.transpose() * (1.0 / fraction - 1.0);
        let (a, u) = (widen * solid.a.coords, widen * (solid.b - solid.a));
        #[expect(
            clippy::cast_possible_truncation,
            reason = "single precision is 1e-4 px here"
        )]
        let (uu, ua, ra, taper) = (
            u.dot(&u) as f32,
            u.dot(&a) as f32,
            solid.ra as f32,
            (solid.rb - solid.ra) as f32,
        );
        Self {
            widen: [0, 1, 2].map(|k| single(&widen.row(k).transpose())),
            a: single(&a),
            u: single(&u),
            uu,
            ua,
            ra,
            taper,
        }
    }

    #[inline]
    fn widened<const FLAT: bool>(&self, v: Triple) -> Triple {
        if FLAT {
            [
                dot(self.widen[0], v),
                dot(self.widen[1], v),
                dot(self.widen[2], v),
            ]
        } else {
            v
        }
    }

    /// Fills `out`; whether any ray meets the cone. The formulas are those of [`crate::solid::pass_cone`].
    #[inline]
    fn pass<const FLAT: bool>(
        &self,
        [sx, sy]: &[Lane; 2],
        focal_px: f32,
        out: &mut Passes,
    ) -> bool {
        for i in 0..TILE {
            let d = self.widened::<FLAT>([sx[i], sy[i], 1.0]);
            let (dd, du, da) = (dot(d, d), dot(d, self.u), dot(d, self.a));
            let denominator = at_least(dd * self.uu - du * du, 1e-12);
            let along = at_most(at_least((du * da - dd * self.ua) / denominator, 0.0), 1.0);
            let t = (da + along * du) / dd;
            let away = [
                d[0] * t - self.a[0] - self.u[0] * along,
                d[1] * t - self.a[1] - self.u[1] * along,
                d[2] * t - self.a[2] - self.u[2] * along,
            ];
            let square = dot(away, away);
            let distance = square.sqrt();
            let radius = self.ra + along * self.taper;
            let shrink = if FLAT {
                let wide = self.widened::<FLAT>(away);
                at_least(dot(wide, wide).sqrt() / at_least(distance, 1e-9), 1e-6)
            } else {
                1.0
            };
            let pull = at_least(radius * radius - square, 0.0).sqrt() / dd.sqrt();
            let entry = t - pull;
            let scale = focal_px / (at_least(entry, 0.1) * shrink);
            let (centre, half) = (distance * scale, radius * scale);
            let cover = at_most(centre + 0.5, half) - at_least(centre - 0.5, -half);
            out.cover[i] = at_most(at_least(cover, 0.0), 1.0);
            out.entry[i] = entry;
            out.along[i] = along;
            out.radius[i] = radius;
            (out.away[0][i], out.away[1][i], out.away[2][i]) = (away[0], away[1], away[2]);
            out.pull[i] = pull;
        }
        out.cover.iter().fold(0.0_f32, |most, &c| at_least(c, most)) > 0.0
    }

    /// Outward unit normals where the rays enter.
    #[inline]
    fn normals<const FLAT: bool>(&self, [sx, sy]: &[Lane; 2], passes: &Passes) -> [Lane; 3] {
        let mut normals = [[0.0; TILE]; 3];
        for i in 0..TILE {
            let d = self.widened::<FLAT>([sx[i], sy[i], 1.0]);
            let n = self.widened::<FLAT>([
                passes.away[0][i] - d[0] * passes.pull[i],
                passes.away[1][i] - d[1] * passes.pull[i],
                passes.away[2][i] - d[2] * passes.pull[i],
            ]);
            let scale = 1.0 / at_least(dot(n, n).sqrt(), 1e-9);
            for k in 0..3 {
                normals[k][i] = n[k] * scale;
            }
        }
        normals
    }
}

/// Paint and lamps of one solid in single precision.
#[derive(Debug)]
struct Shade {
    rgb: Triple,
    level: f32,
    up: Triple,
    key: Triple,
    key_share: f32,
    highlight: Triple,
    gloss: f32,
    grain: f32,
    length: f32,
    start: f32,
}

impl Shade {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "colours are single precision"
    )]
    fn of(solid: &Solid, lamps: &Lamps) -> Self {
        let (level, up, key_share) = lamps.shares(false);
        Self {
            rgb: solid.paint.rgb,
            level: level as f32,
            up: single(&(lamps.up * up)),
            key: single(&lamps.key),
            key_share: key_share as f32,
            highlight: single(&lamps.highlight()),
            gloss: solid.paint.gloss,
            grain: solid.paint.grain * 0.8,
            length: ((solid.b - solid.a).norm() * 24.0 * 0.6) as f32,
            start: (solid.ra * 400.0 * 0.6) as f32,
        }
    }

    /// Adds this paint, weighted by cover, to the light of a lane.
    #[inline]
    fn add(&self, stage: &Stage, passes: &Passes, normals: &[Lane; 3], light: &mut [Lane; 3]) {
        let mut bright = [0.0_f32; TILE];
        for i in 0..TILE {
            let n = [normals[0][i], normals[1][i], normals[2][i]];
            bright[i] =
                self.level + dot(n, self.up) + self.key_share * at_least(dot(n, self.key), 0.0);
        }
        if self.grain > 0.0 {
            for i in 0..TILE {
                if passes.cover[i] > 0.0 {
                    let v = normals[0][i] * 2.2 + normals[1][i] * 1.1;
                    let u = passes.along[i] * self.length + self.start + v;
                    bright[i] *= 1.0 + self.grain * stage.cloth_at(u, v * 1.7);
                }
            }
        }
        let mut spot = [0.0_f32; TILE];
        if self.gloss > 0.0 {
            for i in 0..TILE {
                let n = [normals[0][i], normals[1][i], normals[2][i]];
                let x = at_least(dot(n, self.highlight), 0.0);
                let x8 = (x * x) * (x * x) * ((x * x) * (x * x));
                spot[i] = self.gloss * x8 * x8 * x8;
            }
        }
        for (plane, colour) in light.iter_mut().zip(self.rgb) {
            for i in 0..TILE {
                plane[i] += (colour * bright[i] + spot[i]) * passes.cover[i];
            }
        }
    }
}

/// Draws one solid that is no marker over its frame.
pub(crate) fn draw_cone(
    view: &View,
    stage: &Stage,
    camera_s: f64,
    track: &Track,
    lamps: &Lamps,
    canvas: &mut Canvas,
) {
    if track.at[1].flat.1 < 1.0 {
        draw::<true>(view, stage, camera_s, track, lamps, canvas);
    } else {
        draw::<false>(view, stage, camera_s, track, lamps, canvas);
    }
}

fn draw<const FLAT: bool>(
    view: &View,
    stage: &Stage,
    camera_s: f64,
    track: &Track,
    lamps: &Lamps,
    canvas: &mut Canvas,
) {
    let Some(sweep) = track.sweep(view) else {
        return;
    };
    let (Some((y0, y1)), Some(columns)) = (sweep.rows(canvas.height), sweep.columns(canvas.width))
    else {
        return;
    };
    let shutter = view.camera.shutter;
    let count = exposure_instants(shutter.exposure_s, sweep.speed_px_s, 1.0);
    let drift_px = sweep.speed_px_s * shutter.readout_s.abs() / canvas.height as f64;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped"
    )]
    let together = (ROWS_TOGETHER_PX / drift_px.max(1e-9)).clamp(1.0, 64.0) as usize;
    #[expect(clippy::cast_possible_truncation, reason = "a focal length in px")]
    let focal_px = view.focal_px() as f32;
    let shade = Shade::of(&track.at[1], lamps);
    let mut cones: Vec<Cone> = Vec::with_capacity(MOST_INSTANTS);
    let mut passes = Passes::NONE;
    for y in y0..y1 {
        if (y - y0) % together == 0 {
            let row = y as f64 + 0.5 * (together as f64 - 1.0);
            cones.clear();
            cones.extend((0..count).map(|k| {
                let share = (k as f64 + 0.5) / count as f64 - 0.5;
                let instant = view.row_instant_s(camera_s, row) + shutter.exposure_s * share;
                Cone::of(&track.solid(instant))
            }));
        }
        let Some((from, to)) = sweep.span(y as f64, columns) else {
            continue;
        };
        for x in (from / TILE * TILE..to).step_by(TILE) {
            let slopes = stage.lane(x, y);
            let mut met = false;
            let (mut cover, mut depth) = ([0.0_f32; TILE], [0.0_f32; TILE]);
            let mut light = [[0.0_f32; TILE]; 3];
            for cone in &cones {
                if !cone.pass::<FLAT>(&slopes, focal_px, &mut passes) {
                    continue;
                }
                met = true;
                let normals = cone.normals::<FLAT>(&slopes, &passes);
                shade.add(stage, &passes, &normals, &mut light);
                for i in 0..TILE {
                    cover[i] += passes.cover[i];
                    depth[i] += passes.cover[i] * passes.entry[i];
                }
            }
            if !met {
                continue;
            }
            let each = 1.0 / count as f32;
            for i in 0..TILE {
                let share = 1.0 / at_least(cover[i], 1e-6);
                depth[i] *= share;
                for plane in &mut light {
                    plane[i] *= share;
                }
                cover[i] *= each;
            }
            canvas.lay_lane((x, y), &depth, &cover, &light);
        }
    }
}
