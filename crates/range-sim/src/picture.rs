//! From linear light to the planes of a video picture: vignetting, tone curve, colour matrix, noise.

use crate::canvas::Canvas;
use crate::paint::Stage;
use crate::scenario::FilmCamera;
use drawarc_footage::{Picture, Plane};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Fixed point of the planes before noise: 64 to one step of 8 bits.
const FINE: f32 = 64.0;
const CURVE_STEPS: usize = 8192;
const POOL: usize = 1 << 20;

/// Turns canvases into pictures for one camera.
#[derive(Debug)]
pub(crate) struct Developer {
    width: usize,
    height: usize,
    bit_depth: u8,
    curve: Vec<f32>,
    fall_off: f32,
    exposure: f32,
    still: Planes,
    pool: Vec<i8>,
    read_noise: f32,
    shot_noise: f32,
    seed: u64,
}

/// Luma and chroma in fixed point.
#[derive(Debug, Clone)]
pub(crate) struct Planes {
    luma: Vec<i16>,
    cb: Vec<i16>,
    cr: Vec<i16>,
    dirty: Vec<usize>,
}

impl Developer {
    pub(crate) fn new(camera: &FilmCamera, exposure: f32, stage: &Stage, seed: u64) -> Self {
        let (width, height) = (
            camera.image_size.width_px as usize,
            camera.image_size.height_px as usize,
        );
        let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x006e_6f69_7365);
        #[expect(clippy::cast_possible_truncation, reason = "clamped to a byte")]
        let pool = (0..POOL + 2 * width)
            .map(|_| {
                let value: f64 = StandardNormal.sample(&mut rng);
                (value * 32.0).round().clamp(-127.0, 127.0) as i8
            })
            .collect();
        #[expect(
            clippy::cast_possible_truncation,
            reason = "settings are single precision here"
        )]
        let (fall_off, read_noise, shot_noise) = (
            camera.vignetting as f32,
            camera.read_noise as f32,
            camera.shot_noise as f32,
        );
        let curve = (0..=CURVE_STEPS)
            .map(|k| tone(k as f32 / CURVE_STEPS as f32 * 1.25))
            .collect();
        let mut developer = Self {
            width,
            height,
            bit_depth: if camera.codec == crate::FilmCodec::Hevc10 {
                10
            } else {
                8
            },
            curve,
            fall_off,
            exposure,
            still: Planes {
                luma: vec![0; width * height],
                cb: vec![0; width * height / 4],
                cr: vec![0; width * height / 4],
                dirty: Vec::new(),
            },
            pool,
            read_noise,
            shot_noise,
            seed,
        };
        let mut still = developer.still.clone();
        developer.convert(&stage.background, (0, width, 0, height), &mut still);
        developer.still = still;
        developer
    }

    /// Planes to work in.
    pub(crate) fn planes(&self) -> Planes {
        self.still.clone()
    }

    fn voltage(&self, rgb: &[f32; 3], x: usize, y: usize) -> [f32; 3] {
        let dx = (x as f32 / self.width as f32 - 0.5) * 2.0;
        let dy = (y as f32 / self.height as f32 - 0.5) * 2.0;
        let gain = self.exposure * (1.0 - self.fall_off * 0.5 * (dx * dx + dy * dy));
        rgb.map(|c| {
            let place = (c * gain / 1.25).clamp(0.0, 1.0) * CURVE_STEPS as f32;
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "clamped"
            )]
            let k = (place as usize).min(CURVE_STEPS - 1);
            self.curve[k] + (self.curve[k + 1] - self.curve[k]) * (place - k as f32)
        })
    }

    /// BT.709 in video range; chroma sited as H.264 has it by default: on the even columns, between rows.
    #[expect(
        clippy::cast_possible_truncation,
        reason = "values are within the fixed-point range"
    )]
    fn convert(
        &self,
        rgb: &[[f32; 3]],
        (x0, x1, y0, y1): (usize, usize, usize, usize),
        planes: &mut Planes,
    ) {
        let half = self.width / 2;
        for y in (y0..y1).step_by(2) {
            let mut before = [[0.0_f32; 2]; 2];
            for line in 0..2 {
                let x = x0.saturating_sub(1);
                before[line] =
                    chroma(&self.voltage(&rgb[(y + line) * self.width + x], x, y + line));
            }
            for x in (x0..x1).step_by(2) {
                let mut sum = [0.0_f32; 2];
                for line in 0..2 {
                    let row = (y + line) * self.width;
                    let first = self.voltage(&rgb[row + x], x, y + line);
                    let second = self.voltage(&rgb[row + x + 1], x + 1, y + line);
                    planes.luma[row + x] = (luma(&first) * FINE) as i16;
                    planes.luma[row + x + 1] = (luma(&second) * FINE) as i16;
                    let (c0, c1) = (chroma(&first), chroma(&second));
                    for k in 0..2 {
                        sum[k] += 0.25 * before[line][k] + 0.5 * c0[k] + 0.25 * c1[k];
                    }
                    before[line] = c1;
                }
                let at = (y / 2) * half + x / 2;
                planes.cb[at] = ((128.0 + 0.5 * sum[0]) * FINE) as i16;
                planes.cr[at] = ((128.0 + 0.5 * sum[1]) * FINE) as i16;
            }
        }
    }

    /// Brings the planes up to date: tiles of the frame before are still again, this frame's are converted.
    fn refresh(&self, canvas: &Canvas, planes: &mut Planes) {
        let half = self.width / 2;
        for tile in std::mem::take(&mut planes.dirty) {
            let (x0, x1, y0, y1) = canvas.tile_span(tile);
            for y in y0..y1 {
                let span = y * self.width + x0..y * self.width + x1;
                planes.luma[span.clone()].copy_from_slice(&self.still.luma[span]);
            }
            for y in y0 / 2..y1 / 2 {
                let span = y * half + x0 / 2..y * half + x1 / 2;
                planes.cb[span.clone()].copy_from_slice(&self.still.cb[span.clone()]);
                planes.cr[span.clone()].copy_from_slice(&self.still.cr[span]);
            }
        }
        for &tile in &canvas.tiles {
            self.convert(&canvas.rgb, canvas.tile_span(tile), planes);
        }
        planes.dirty.clone_from(&canvas.tiles);
    }

    /// The picture of a canvas, frame number `frame` of its camera.
    pub(crate) fn develop(
        &self,
        canvas: &Canvas,
        planes: &mut Planes,
        frame: u64,
    ) -> Option<Picture> {
        self.refresh(canvas, planes);
        let mut rng =
            ChaCha8Rng::seed_from_u64(self.seed.wrapping_mul(0x9e37_79b9).wrapping_add(frame));
        let (w, h) = (self.width, self.height);
        let luma = self.plane(&planes.luma, w, h, 1.0, &mut rng)?;
        let cb = self.plane(&planes.cb, w / 2, h / 2, 0.6, &mut rng)?;
        let cr = self.plane(&planes.cr, w / 2, h / 2, 0.6, &mut rng)?;
        let mut picture = Picture::new(2, 2, self.bit_depth);
        picture.luma = luma;
        picture.cb = cb;
        picture.cr = cr;
        Some(picture)
    }

    fn plane(
        &self,
        fine: &[i16],
        width: usize,
        height: usize,
        strength: f32,
        rng: &mut ChaCha8Rng,
    ) -> Option<Plane> {
        // Standard deviation in 64ths of a step: rises from read noise at black to shot noise at white.
        let (floor, slope) = if strength < 1.0 {
            (
                f32::midpoint(self.read_noise, self.shot_noise) * strength,
                0.0,
            )
        } else {
            (self.read_noise, self.shot_noise - self.read_noise)
        };
        #[expect(clippy::cast_possible_truncation, reason = "small fixed-point numbers")]
        let (floor, slope) = ((floor * 64.0) as i16, (slope * 64.0) as i16);
        let shift = if self.bit_depth == 10 { 4 } else { 6 };
        let half = 1_i16 << (shift - 1);
        let mut eight = Vec::new();
        let mut ten = Vec::new();
        if self.bit_depth == 10 {
            ten.reserve(fine.len())
        } else {
            eight.reserve(fine.len())
        }
        for row in fine.chunks_exact(width).take(height) {
            let from = rng.random_range(0..POOL);
            let grain = &self.pool[from..from + width];
            let noisy = row.iter().zip(grain).map(|(&value, &grain)| {
                let sigma = floor + (((value >> 6) * slope) >> 8);
                value + ((i16::from(grain) * sigma) >> 5)
            });
            #[expect(clippy::cast_sign_loss, reason = "clamped")]
            if self.bit_depth == 10 {
                ten.extend(noisy.map(|v| ((v.max(0) + half) >> shift).clamp(0, 1023) as u16));
            } else {
                eight.extend(noisy.map(|v| ((v.max(0) + half) >> shift).clamp(0, 255) as u8));
            }
        }
        if self.bit_depth == 10 {
            Plane::from_u16(width, height, 10, ten)
        } else {
            Plane::from_u8(width, height, eight)
        }
    }
}

/// Tone curve: light 0 to 1.25 to voltage 0 to 1; a power with a soft shoulder.
fn tone(light: f32) -> f32 {
    let bright = light.max(0.0).powf(1.0 / 2.2);
    if bright < 0.85 {
        bright
    } else {
        0.85 + 0.15 * (1.0 - (-(bright - 0.85) / 0.15).exp())
    }
}

fn luma(v: &[f32; 3]) -> f32 {
    16.0 + 219.0 * (0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2])
}

fn chroma(v: &[f32; 3]) -> [f32; 2] {
    let y = 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2];
    [224.0 * (v[2] - y) / 1.8556, 224.0 * (v[0] - y) / 1.5748]
}
