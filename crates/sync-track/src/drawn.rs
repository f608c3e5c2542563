//! Pictures drawn for tests: a shaded, blurred, noisy ball of known centre, independent of the fit's own model
//! (supersampled, Lambert shading with terminator, gamma, 4:2:0 by area).

#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::needless_range_loop,
    reason = "test drawing: values are clamped, planes are indexed together"
)]

use drawarc_footage::Picture;
use nalgebra::{Point2, Vector2, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// What is drawn.
pub(crate) struct Drawn {
    pub(crate) width: u32,
    pub(crate) height: u32,
    pub(crate) balls: Vec<Ball>,
    /// Noise (1 σ, 8-bit steps).
    pub(crate) noise: f64,
    /// Contrast of the textured background (8-bit steps).
    pub(crate) texture: f64,
    /// A sleeve behind the ball: its edge passes at this distance above the centre of the first ball (px).
    pub(crate) sleeve: Option<f64>,
    /// Gaussian blur of the lens (1 σ, px).
    pub(crate) blur_px: f64,
    pub(crate) seed: u64,
}

pub(crate) struct Ball {
    pub(crate) centre_px: Point2<f64>,
    pub(crate) half_axes_px: Vector2<f64>,
    /// Linear RGB of the paint.
    pub(crate) paint: [f64; 3],
    /// Direction to the light, camera frame (x right, y down, z toward the camera).
    pub(crate) light: Vector3<f64>,
    pub(crate) ambient: f64,
    pub(crate) smear_px: Vector2<f64>,
}

pub(crate) const ORANGE: [f64; 3] = [1.0, 0.2, 0.0];

pub(crate) fn ball(x: f64, y: f64, radius: f64) -> Ball {
    Ball {
        centre_px: Point2::new(x, y),
        half_axes_px: Vector2::new(radius, radius),
        paint: ORANGE,
        light: Vector3::new(0.0, -0.3, 1.0),
        ambient: 0.4,
        smear_px: Vector2::zeros(),
    }
}

impl Default for Drawn {
    fn default() -> Self {
        Self {
            width: 160,
            height: 120,
            balls: Vec::new(),
            noise: 1.0,
            texture: 6.0,
            sleeve: None,
            blur_px: 0.6,
            seed: 1,
        }
    }
}

/// Samples a pixel, each way.
const FINE: usize = 5;

impl Drawn {
    /// Linear RGB at a place and an instant within the exposure (−½ to ½).
    fn light_at(&self, x: f64, y: f64, moment: f64) -> [f64; 3] {
        for ball in &self.balls {
            let u = (x - ball.centre_px.x - moment * ball.smear_px.x) / ball.half_axes_px.x;
            let v = (y - ball.centre_px.y - moment * ball.smear_px.y) / ball.half_axes_px.y;
            let q2 = u * u + v * v;
            if q2 < 1.0 {
                let normal = Vector3::new(u, v, (1.0 - q2).sqrt());
                let shade = ball.ambient
                    + (1.0 - ball.ambient) * normal.dot(&ball.light.normalize()).max(0.0);
                return ball.paint.map(|paint| 0.02 + 0.85 * paint * shade);
            }
        }
        let grain = self.texture / 255.0
            * ((0.21 * x + 0.13 * y).sin() + (0.07 * x - 0.31 * y + 1.0).sin());
        let base = match (self.sleeve, self.balls.first()) {
            (Some(above), Some(ball))
                if y > ball.centre_px.y - above + 0.3 * (x - ball.centre_px.x) =>
            {
                [0.08, 0.10, 0.2]
            }
            _ => [0.35, 0.36, 0.33],
        };
        base.map(|level: f64| (level + grain).max(0.0))
    }

    pub(crate) fn picture(&self) -> Picture {
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed);
        let (w, h) = (self.width as usize, self.height as usize);
        // Supersampled 4 × 4 within a pixel, over four moments, with the lens as jitter of the samples.
        let mut yuv = vec![[0.0f64; 3]; w * h];
        for y in 0..h {
            for x in 0..w {
                let near = self.balls.iter().any(|ball| {
                    let reach = ball.half_axes_px.max() + ball.smear_px.norm() + 6.0;
                    (ball.centre_px - Point2::new(x as f64, y as f64)).norm() < reach
                });
                let mut rgb = [0.0; 3];
                let mut weight = 0.0;
                let reach = if near { 2.0 * self.blur_px + 0.5 } else { 0.5 };
                let count = if near { 3 * FINE } else { 2 };
                let smeared = self.balls.iter().any(|ball| ball.smear_px.norm() > 0.0);
                let moments = if near && smeared { 6 } else { 1 };
                for j in 0..count {
                    for i in 0..count {
                        let at = |k: usize| reach * ((2.0 * k as f64 + 1.0) / count as f64 - 1.0);
                        let (dx, dy) = (at(i), at(j));
                        let share = if near {
                            lens(dx, self.blur_px) * lens(dy, self.blur_px)
                        } else {
                            1.0
                        };
                        for moment in 0..moments {
                            let moment = (f64::from(moment) + 0.5) / f64::from(moments) - 0.5;
                            let light = self.light_at(x as f64 + dx, y as f64 + dy, moment);
                            for k in 0..3 {
                                rgb[k] += share * light[k];
                            }
                            weight += share;
                        }
                    }
                }
                // Gamma after the sensor, then BT.709 in video range.
                let rgb = rgb.map(|sum| (sum / weight).clamp(0.0, 1.0).powf(0.45));
                let luma = 0.2126 * rgb[0] + 0.7152 * rgb[1] + 0.0722 * rgb[2];
                yuv[y * w + x] = [
                    16.0 + 219.0 * luma,
                    224.0 * (rgb[2] - luma) / 1.8556,
                    224.0 * (rgb[0] - luma) / 1.5748,
                ];
            }
        }
        let mut picture = Picture::new(self.width, self.height, 8);
        let mut noisy = |value: f64, noise: f64| {
            let sum: f64 = (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
            (value + noise * sum).round().clamp(0.0, 255.0) as u16
        };
        for y in 0..h {
            for x in 0..w {
                picture.luma.set(x, y, noisy(yuv[y * w + x][0], self.noise));
            }
        }
        for y in 0..h / 2 {
            for x in 0..w / 2 {
                // Left-sited: columns 2x−1, 2x, 2x+1 with weights ¼ ½ ¼.
                for k in 1..3 {
                    let mut sum = 0.0;
                    for row in [2 * y, 2 * y + 1] {
                        let at = |column: usize| yuv[row * w + column.min(w - 1)][k];
                        sum += 0.5
                            * (0.25 * at((2 * x).saturating_sub(1))
                                + 0.5 * at(2 * x)
                                + 0.25 * at(2 * x + 1));
                    }
                    let value = noisy(128.0 + sum, 0.6 * self.noise);
                    if k == 1 {
                        picture.cb.set(x, y, value);
                    } else {
                        picture.cr.set(x, y, value);
                    }
                }
            }
        }
        picture
    }
}

/// Lens (Gaussian) and pixel (box of one) at an offset.
fn lens(offset: f64, blur: f64) -> f64 {
    (0..5)
        .map(|k| {
            let z = (offset + (f64::from(k) - 2.0) / 5.0) / blur;
            (-0.5 * z * z).exp()
        })
        .sum()
}
