//! What a camera sees of the still world, and its rays.

use crate::canvas::{Lane, Light, TILE};
use crate::hall::{Hall, noise};
use crate::projection::slopes_from_pixel;
use crate::view::View;
use crate::world::World;
use nalgebra::{Isometry3, Point2, Point3, Vector3};
use rayon::prelude::*;

/// Side of the table of cloth (entries, a power of two), and entries to one unit of its coordinates.
const CLOTH_SIDE: usize = 512;
const CLOTH_FINE: f32 = 32.0;

/// What a camera sees of the still world, and its rays.
#[derive(Debug)]
pub(crate) struct Stage {
    pub(crate) width: usize,
    pub(crate) background: Light,
    /// `x/z` and `y/z` of every pixel's ray.
    pub(crate) slopes: [Vec<f32>; 2],
    /// Folds and grain of cloth, −127 to 127, periodic.
    cloth: Vec<i8>,
}

impl Stage {
    /// Rays and background of a camera; four rays a pixel.
    pub(crate) fn new(world: &World, view: &View, camera_from_range: &Isometry3<f64>) -> Self {
        let size = view.camera.image_size;
        let (width, height) = (size.width_px as usize, size.height_px as usize);
        let slopes = rays(view, width, height);
        let hall = Hall::new(world.scenario.seed, world.scenario.light.look_alikes);
        let range_from_camera = camera_from_range.rotation.inverse();
        let centre = camera_from_range.inverse() * Point3::origin();
        let mut background: Light = std::array::from_fn(|_| vec![0.0; width * height]);
        let [red, green, blue] = &mut background;
        let slope_at = |x: usize, y: usize| {
            let at = y * width + x;
            [f64::from(slopes[0][at]), f64::from(slopes[1][at])]
        };
        red.par_chunks_mut(width)
            .zip(green.par_chunks_mut(width))
            .zip(blue.par_chunks_mut(width))
            .enumerate()
            .for_each(|(y, ((red, green), blue))| {
                for x in 0..width {
                    let here = slope_at(x, y);
                    // Rays within a pixel from the neighbouring rays: the lens bends far less than that.
                    let (x1, y1) = (x.min(width - 2), y.min(height - 2));
                    let (right, below) = (slope_at(x1 + 1, y), slope_at(x, y1 + 1));
                    let (left, above) = (slope_at(x1, y), slope_at(x, y1));
                    let mut rgb = [0.0_f32; 3];
                    for (dx, dy) in [
                        (-0.375, -0.125),
                        (0.125, -0.375),
                        (0.375, 0.125),
                        (-0.125, 0.375),
                    ] {
                        let s: [f64; 2] = std::array::from_fn(|k| {
                            here[k] + dx * (right[k] - left[k]) + dy * (below[k] - above[k])
                        });
                        let ray = range_from_camera * Vector3::new(s[0], s[1], 1.0);
                        let seen = hall.colour(&centre, &ray);
                        for k in 0..3 {
                            rgb[k] += 0.25 * seen[k].min(1.3);
                        }
                    }
                    (red[x], green[x], blue[x]) = (rgb[0], rgb[1], rgb[2]);
                }
            });
        Self {
            width,
            background,
            slopes,
            cloth: cloth(),
        }
    }

    /// Ray `t · direction` of a pixel.
    #[inline]
    pub(crate) fn direction(&self, at: usize) -> Vector3<f64> {
        Vector3::new(
            f64::from(self.slopes[0][at]),
            f64::from(self.slopes[1][at]),
            1.0,
        )
    }

    /// Slopes of the pixels of a lane; beyond the picture's edge the last repeats.
    #[inline]
    pub(crate) fn lane(&self, x: usize, y: usize) -> [Lane; 2] {
        let span = y * self.width + x..y * self.width + (x + TILE).min(self.width);
        let mut lanes = [[0.0; TILE]; 2];
        for (lane, plane) in lanes.iter_mut().zip(&self.slopes) {
            let have = &plane[span.clone()];
            if have.len() == TILE {
                lane.copy_from_slice(have);
            } else {
                lane.fill(have[have.len() - 1]);
                lane[..have.len()].copy_from_slice(have);
            }
        }
        lanes
    }

    /// Folds and grain of cloth in −1..1 at a place on it.
    #[inline]
    pub(crate) fn cloth_at(&self, u: f32, v: f32) -> f32 {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "low bits of a place on the cloth"
        )]
        let cell = |c: f32| (c * CLOTH_FINE) as i32 as usize & (CLOTH_SIDE - 1);
        f32::from(self.cloth[cell(v) * CLOTH_SIDE + cell(u)]) * (1.0 / 127.0)
    }
}

fn rays(view: &View, width: usize, height: usize) -> [Vec<f32>; 2] {
    let mut slopes = [vec![0.0; width * height], vec![0.0; width * height]];
    let [across, down] = &mut slopes;
    across
        .par_chunks_mut(width)
        .zip(down.par_chunks_mut(width))
        .enumerate()
        .for_each(|(y, (across, down))| {
            for x in 0..width {
                let pixel = Point2::new(x as f64, y as f64);
                let slope = slopes_from_pixel(&view.camera.lens, &pixel)
                    .unwrap_or_else(|| Point2::new(9.0, 9.0));
                #[expect(clippy::cast_possible_truncation, reason = "a ray to 1e-4 px")]
                let pair = (slope.x as f32, slope.y as f32);
                (across[x], down[x]) = pair;
            }
        });
    slopes
}

/// One period of smooth noise; its cells wrap around so that no seam shows.
fn cloth() -> Vec<i8> {
    let fine = f64::from(CLOTH_FINE);
    let period = CLOTH_SIDE as f64 / fine;
    let mut table = Vec::with_capacity(CLOTH_SIDE * CLOTH_SIDE);
    for v in 0..CLOTH_SIDE {
        for u in 0..CLOTH_SIDE {
            let (x, y) = (u as f64 / fine, v as f64 / fine);
            // Blends two sheets over the last cell before the seam.
            let fade = |c: f64| (c - (period - 1.0)).max(0.0);
            let (fx, fy) = (fade(x), fade(y));
            let at = |x: f64, y: f64| f64::from(noise(x, y, 5));
            let top = at(x, y) * (1.0 - fx) + at(x - period, y) * fx;
            let low = at(x, y - period) * (1.0 - fx) + at(x - period, y - period) * fx;
            #[expect(clippy::cast_possible_truncation, reason = "within a byte")]
            table.push(((top * (1.0 - fy) + low * fy) * 127.0) as i8);
        }
    }
    table
}
