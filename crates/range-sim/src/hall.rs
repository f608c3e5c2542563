//! The indoor range that stands still: floor, walls, target end, benches, pennants; one colour for each ray.

use nalgebra::{Point3, Vector3};

/// Room: lower and upper corner (m).
const ROOM: ([f64; 3], [f64; 3]) = ([-7.0, -6.5, 0.0], [24.0, 8.5, 5.0]);
/// Target butts stand this far down the range (m): indoor distance (common practice, no source).
const BUTT_X_M: f64 = 18.0;

type Rgb = [f32; 3];

/// A box that stands in the hall.
#[derive(Debug, Clone, Copy)]
struct Furniture {
    low: [f64; 3],
    high: [f64; 3],
    rgb: Rgb,
}

/// The hall.
#[derive(Debug, Clone)]
pub(crate) struct Hall {
    furniture: Vec<Furniture>,
    look_alikes: bool,
    seed: u32,
}

fn hash(x: i64, y: i64, seed: u32) -> f32 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "hashing keeps low bits"
    )]
    let mut h = (x as u32).wrapping_mul(0x9e37_79b1)
        ^ (y as u32).wrapping_mul(0x85eb_ca77)
        ^ seed.wrapping_mul(0xc2b2_ae3d);
    h ^= h >> 15;
    h = h.wrapping_mul(0x2c1b_3c6d);
    h ^= h >> 12;
    h = h.wrapping_mul(0x297a_2d39);
    h ^= h >> 15;
    h as f32 / u32::MAX as f32
}

/// Smooth noise in −1..1 with features of size 1.
pub(crate) fn noise(x: f64, y: f64, seed: u32) -> f32 {
    let (fx, fy) = (x.floor(), y.floor());
    #[expect(clippy::cast_possible_truncation, reason = "coordinates of a room")]
    let (ix, iy) = (fx as i64, fy as i64);
    #[expect(clippy::cast_possible_truncation, reason = "fractions")]
    let (tx, ty) = ((x - fx) as f32, (y - fy) as f32);
    let (sx, sy) = (tx * tx * (3.0 - 2.0 * tx), ty * ty * (3.0 - 2.0 * ty));
    let top = hash(ix, iy, seed) * (1.0 - sx) + hash(ix + 1, iy, seed) * sx;
    let low = hash(ix, iy + 1, seed) * (1.0 - sx) + hash(ix + 1, iy + 1, seed) * sx;
    2.0 * (top * (1.0 - sy) + low * sy) - 1.0
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "brightness is single precision"
)]
fn single(brightness: f64) -> f32 {
    brightness as f32
}

fn rough(x: f64, y: f64, seed: u32) -> f32 {
    0.5 * noise(x, y, seed)
        + 0.3 * noise(2.3 * x, 2.3 * y, seed + 1)
        + 0.2 * noise(5.1 * x, 5.1 * y, seed + 2)
}

fn tint(rgb: Rgb, by: f32) -> Rgb {
    rgb.map(|c| (c * by).max(0.0))
}

fn cell(v: f64, size: f64) -> (i64, f64) {
    let q = v / size;
    #[expect(clippy::cast_possible_truncation, reason = "cells of a room")]
    let index = q.floor() as i64;
    (index, (q - q.floor()) * size)
}

impl Hall {
    pub(crate) fn new(seed: u64, look_alikes: bool) -> Self {
        let block = |low: [f64; 3], high: [f64; 3], rgb: Rgb| Furniture { low, high, rgb };
        let mut furniture = vec![
            // Benches along the walls.
            block([-3.5, 7.4, 0.40], [2.2, 7.85, 0.46], [0.33, 0.19, 0.09]),
            block([-3.3, 7.5, 0.0], [-3.2, 7.8, 0.40], [0.10, 0.10, 0.11]),
            block([2.0, 7.5, 0.0], [2.1, 7.8, 0.40], [0.10, 0.10, 0.11]),
            block([-0.7, 7.5, 0.0], [-0.6, 7.8, 0.40], [0.10, 0.10, 0.11]),
            // Bags and a box.
            block([-2.6, 7.42, 0.46], [-2.0, 7.8, 0.78], [0.03, 0.04, 0.10]),
            block([0.4, 7.42, 0.46], [0.9, 7.75, 0.70], [0.16, 0.03, 0.03]),
            block([4.6, 7.3, 0.0], [5.5, 8.3, 0.62], [0.20, 0.15, 0.09]),
            // Rack with bows' cases at the back.
            block([-6.8, 2.0, 0.0], [-6.3, 3.6, 1.05], [0.11, 0.12, 0.14]),
            block([-6.75, -4.2, 0.0], [-6.2, -3.0, 0.8], [0.24, 0.16, 0.08]),
            // Door frame.
            block([-7.0, 4.8, 0.0], [-6.93, 5.9, 2.1], [0.16, 0.20, 0.24]),
        ];
        if look_alikes {
            furniture.push(block(
                [3.1, 7.5, 0.0],
                [3.35, 7.75, 0.42],
                [0.75, 0.17, 0.02],
            ));
            furniture.push(block(
                [-6.4, 0.6, 0.0],
                [-6.1, 0.9, 0.45],
                [0.75, 0.19, 0.03],
            ));
        }
        #[expect(clippy::cast_possible_truncation, reason = "low bits seed the texture")]
        let seed = seed as u32;
        Self {
            furniture,
            look_alikes,
            seed,
        }
    }

    /// Linear RGB seen along a ray from inside the room.
    pub(crate) fn colour(&self, from: &Point3<f64>, along: &Vector3<f64>) -> Rgb {
        let mut reach = f64::INFINITY;
        let mut wall = 0;
        for k in 0..3 {
            if along[k].abs() < 1e-12 {
                continue;
            }
            let limit = if along[k] > 0.0 { ROOM.1[k] } else { ROOM.0[k] };
            let t = (limit - from[k]) / along[k];
            if t > 0.0 && t < reach {
                reach = t;
                wall = k * 2 + usize::from(along[k] > 0.0);
            }
        }
        let mut nearest: Option<(f64, Rgb)> = None;
        for item in &self.furniture {
            if let Some((t, axis, positive)) = enter(from, along, &item.low, &item.high)
                && t < nearest.map_or(reach, |hit| hit.0)
            {
                {
                    let light = match (axis, positive) {
                        (2, true) => 1.0,
                        (2, false) => 0.35,
                        (1, _) => 0.72,
                        _ => 0.6,
                    };
                    let at = from + along * t;
                    let grain = 1.0
                        + 0.10
                            * rough(
                                at.x * 14.0 + at.z * 9.0,
                                at.y * 14.0 + at.z * 3.0,
                                self.seed + 9,
                            );
                    nearest = Some((t, tint(item.rgb, light * grain)));
                }
            }
        }
        if let Some(hit) = self.butt(from, along, nearest.map_or(reach, |hit| hit.0)) {
            nearest = Some(hit);
        }
        if let Some((_, rgb)) = nearest {
            return rgb;
        }
        let at = from + along * reach;
        match wall {
            4 => self.floor(at.x, at.y),
            5 => self.ceiling(at.x, at.y),
            1 => Self::net(at.y, at.z),
            0 => self.brick(at.y, at.z, 31),
            2 => self.side_wall(at.x, at.z, 47, false),
            _ => self.side_wall(at.x, at.z, 53, true),
        }
    }

    fn floor(&self, x: f64, y: f64) -> Rgb {
        let (row, across) = cell(y, 0.11);
        let shift = f64::from(hash(row, 7, self.seed)) * 1.4;
        let (plank, along) = cell(x + shift, 1.4);
        let tone = 0.80 + 0.32 * hash(row, plank, self.seed + 1);
        let fibre = 1.0
            + 0.16 * rough(x * 5.0, y * 60.0, self.seed + 2)
            + 0.07 * noise(x * 40.0, y * 150.0, self.seed + 3);
        let joint = if across < 0.0035 || along < 0.004 {
            0.62
        } else {
            1.0
        };
        let mut rgb = tint([0.36, 0.225, 0.115], tone * fibre * joint);
        let mark = |rgb: &mut Rgb, colour: Rgb, wear: f32| {
            let cover = (0.93 + 0.25 * rough(x * 9.0, y * 9.0, 77) * wear).clamp(0.0, 1.0);
            for k in 0..3 {
                rgb[k] += (colour[k] - rgb[k]) * cover;
            }
        };
        if x.abs() < 0.025 {
            mark(&mut rgb, [0.75, 0.75, 0.72], 1.0);
        }
        if (x + 3.0).abs() < 0.025 {
            mark(&mut rgb, [0.06, 0.12, 0.45], 1.0);
        }
        if (x - 3.0).abs() < 0.02 {
            mark(&mut rgb, [0.60, 0.55, 0.05], 1.0);
        }
        for line in [-3.6, -1.35, 1.35, 3.6] {
            if (y - line).abs() < 0.0175 && x > -0.4 && x < 0.4 {
                mark(&mut rgb, [0.70, 0.70, 0.68], 1.0);
            }
        }
        if (x * x * 0.35 + (y + 4.5) * (y + 4.5) - 6.0).abs() < 0.12 {
            mark(&mut rgb, [0.05, 0.26, 0.16], 1.2);
        }
        // Pools of light under the lamps; dark toward the walls.
        let lamps = 0.86 + 0.14 * single((x * 0.9).cos() * (y * 1.05).cos());
        let to_wall = (x - ROOM.0[0]).min(y - ROOM.0[1]).min(ROOM.1[1] - y);
        let wall = single(to_wall.clamp(0.0, 1.5) / 1.5);
        tint(rgb, lamps * (0.62 + 0.38 * wall))
    }

    fn brick(&self, u: f64, z: f64, seed: u32) -> Rgb {
        let (row, up) = cell(z, 0.083);
        let offset = if row.rem_euclid(2) == 0 { 0.0 } else { 0.125 };
        let (column, along) = cell(u + offset, 0.25);
        if up < 0.012 || along < 0.012 {
            let rgb = [0.34, 0.33, 0.31];
            return tint(rgb, 0.9 + 0.15 * noise(u * 60.0, z * 60.0, seed));
        }
        let tone = 0.72 + 0.45 * hash(row, column, self.seed + seed);
        let stain = 1.0
            + 0.14 * rough(u * 0.9, z * 0.9, seed + 5)
            + 0.10 * rough(u * 30.0, z * 30.0, seed + 6);
        tint(
            [0.30, 0.15, 0.10],
            tone * stain * (0.75 + 0.25 * single((z / 1.5).min(1.0))),
        )
    }

    fn side_wall(&self, x: f64, z: f64, seed: u32, far: bool) -> Rgb {
        let shade = 0.80 + 0.20 * single((z / 2.5).min(1.0));
        // Pennants on a cord.
        if far {
            let (index, along) = cell(x, 0.42);
            let sag = 2.62 + 0.10 * ((x * 1.1).sin()).abs();
            let drop = sag - z;
            let half = 0.15 * (1.0 - drop / 0.36);
            if (0.0..0.36).contains(&drop) && (along - 0.21).abs() < half {
                let bright: [Rgb; 4] = if self.look_alikes {
                    [
                        [0.72, 0.20, 0.03],
                        [0.62, 0.50, 0.05],
                        [0.07, 0.16, 0.5],
                        [0.55, 0.05, 0.05],
                    ]
                } else {
                    [
                        [0.55, 0.55, 0.52],
                        [0.10, 0.30, 0.12],
                        [0.07, 0.16, 0.5],
                        [0.3, 0.3, 0.3],
                    ]
                };
                let pick = usize::try_from(index.rem_euclid(4)).unwrap_or(0);
                return tint(bright[pick], 0.75 + 0.2 * noise(x * 6.0, z * 4.0, seed));
            }
            if (z - sag).abs() < 0.008 {
                return [0.35, 0.35, 0.33];
            }
        }
        if (3.1..4.5).contains(&z) {
            let (_, along) = cell(x + 0.6, 2.4);
            if (0.3..2.1).contains(&along) {
                let frame = (along - 1.2).abs() < 0.03
                    || (z - 3.8).abs() < 0.025
                    || !(0.36..=2.04).contains(&along)
                    || !(3.16..=4.44).contains(&z);
                if frame {
                    return [0.30, 0.30, 0.31];
                }
                let sky = 0.85 + 0.35 * rough(x * 0.5, z * 0.9, seed + 1);
                return tint([0.82, 0.92, 1.05], sky);
            }
        }
        if z < 1.35 {
            let (board, along) = cell(x, 0.16);
            let tone = 0.82 + 0.25 * hash(board, 3, self.seed + seed);
            let groove = if along < 0.006 { 0.55 } else { 1.0 };
            let fibre = 1.0 + 0.15 * rough(x * 45.0, z * 3.0, seed + 2);
            return tint([0.27, 0.155, 0.075], tone * groove * fibre * shade);
        }
        if z < 1.40 {
            return tint([0.17, 0.10, 0.05], shade);
        }
        let (row, up) = cell(z, 0.20);
        let offset = if row.rem_euclid(2) == 0 { 0.0 } else { 0.2 };
        let (column, along) = cell(x + offset, 0.40);
        let joint = if up < 0.010 || along < 0.010 {
            0.86
        } else {
            1.0
        };
        let tone = 0.95
            + 0.06 * hash(row, column, seed)
            + 0.05 * rough(x * 1.3, z * 1.3, seed + 3)
            + 0.05 * rough(x * 33.0, z * 33.0, seed + 4);
        tint([0.50, 0.49, 0.43], tone * joint * shade)
    }

    fn net(y: f64, z: f64) -> Rgb {
        let fold = 1.0 + 0.35 * noise(y * 2.6, z * 0.25, 91) + 0.12 * noise(y * 9.0, z * 0.8, 92);
        let mesh = if cell(y, 0.06).1 < 0.014 || cell(z, 0.06).1 < 0.014 {
            1.25
        } else {
            1.0
        };
        tint([0.05, 0.10, 0.065], fold * mesh)
    }

    fn ceiling(&self, x: f64, y: f64) -> Rgb {
        let (_, along) = cell(x + 1.0, 3.5);
        let (_, across) = cell(y + 0.8, 3.0);
        if (0.9..2.3).contains(&along) && (1.3..1.62).contains(&across) {
            return [2.6, 2.55, 2.4];
        }
        let beam = if along < 0.2 { 0.6 } else { 1.0 };
        tint(
            [0.42, 0.41, 0.39],
            beam * (0.93 + 0.08 * rough(x, y, self.seed + 15)),
        )
    }

    /// Target butts with their faces.
    fn butt(&self, from: &Point3<f64>, along: &Vector3<f64>, reach: f64) -> Option<(f64, Rgb)> {
        let t = (BUTT_X_M - from.x) / along.x;
        if !(t > 0.0 && t < reach) {
            return None;
        }
        let at = from + along * t;
        let lane = (at.y / 2.4).round();
        if lane.abs() > 2.0 {
            return None;
        }
        let (u, v) = (at.y - lane * 2.4, at.z - 1.3);
        if u.abs() < 0.62 && v.abs() < 0.62 {
            let radius = u.hypot(v);
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "rings are few"
            )]
            let ring = (radius / 0.04) as usize;
            let rgb = match ring {
                0..=1 => [0.70, 0.58, 0.03],
                2..=3 => [0.55, 0.03, 0.03],
                4..=5 => [0.04, 0.22, 0.45],
                6..=7 => [0.02, 0.02, 0.02],
                8..=9 => [0.70, 0.70, 0.68],
                _ => tint(
                    [0.42, 0.31, 0.16],
                    1.0 + 0.2 * rough(u * 40.0, v * 40.0, self.seed + 21),
                ),
            };
            return Some((t, rgb));
        }
        let leg = (u.abs() - 0.45).abs() < 0.035 && v < -0.62;
        leg.then_some((t, [0.20, 0.13, 0.07]))
    }
}

/// Where a ray enters a box: `(t, axis, through the upper face)`.
fn enter(
    from: &Point3<f64>,
    along: &Vector3<f64>,
    low: &[f64; 3],
    high: &[f64; 3],
) -> Option<(f64, usize, bool)> {
    let (mut near, mut far) = (f64::NEG_INFINITY, f64::INFINITY);
    let mut face = (0, false);
    for k in 0..3 {
        let inverse = 1.0 / along[k];
        let (mut t0, mut t1) = ((low[k] - from[k]) * inverse, (high[k] - from[k]) * inverse);
        let upper = t0 > t1;
        if upper {
            std::mem::swap(&mut t0, &mut t1);
        }
        if t0 > near {
            near = t0;
            face = (k, upper);
        }
        far = far.min(t1);
    }
    (near > 0.0 && near < far).then_some((near, face.0, face.1))
}
