//! From linear light to the planes of a video picture: vignetting, tone curve, colour matrix, noise.

use crate::canvas::{Canvas, Lane, Light, TILE};
use crate::film_camera::FilmCamera;
use crate::stage::Stage;
use drawarc_footage::{Picture, Plane};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Fixed point of the planes before noise: 64 to one step of 8 bits.
const FINE: f32 = 64.0;
/// Entries of the tone curve, evenly spaced in the square root of light, in which it is nearly straight: half an
/// entry is less than a twentieth of an 8-bit step.
const CURVE_STEPS: usize = 4096;
/// Light that saturates.
const MOST_LIGHT: f32 = 1.25;
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
            .map(|k| {
                let root = k as f32 / CURVE_STEPS as f32;
                tone(root * root * MOST_LIGHT)
            })
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
        for y in (0..height).step_by(2) {
            for x in (0..width).step_by(TILE) {
                let tile = (x, (x + TILE).min(width), y, y + 2);
                developer.convert(&stage.background, tile, &mut still);
            }
        }
        developer.still = still;
        developer
    }

    /// Planes to work in.
    pub(crate) fn planes(&self) -> Planes {
        self.still.clone()
    }

    /// Voltages of up to a lane of pixels from column `x` of row `y` on.
    #[inline]
    fn voltages(&self, light: &Light, x: usize, y: usize, count: usize) -> [Lane; 3] {
        let from_middle = |at: usize, size: usize| (at as f32 / size as f32 - 0.5) * 2.0;
        let down = from_middle(y, self.height);
        let mut gain = [0.0_f32; TILE];
        for (i, gain) in gain.iter_mut().enumerate() {
            let across = from_middle(x + i, self.width);
            let rest = 1.0 - self.fall_off * 0.5 * (across * across + down * down);
            *gain = self.exposure * rest / MOST_LIGHT;
        }
        let at = y * self.width + x;
        let mut volts = [[0.0_f32; TILE]; 3];
        for (lane, plane) in volts.iter_mut().zip(light) {
            for (i, &value) in plane[at..at + count].iter().enumerate() {
                let share = value * gain[i];
                let share = if share < 1.0 { share } else { 1.0 };
                lane[i] = share.max(0.0).sqrt() * CURVE_STEPS as f32 + 0.5;
            }
            for value in &mut lane[..count] {
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "between 0 and the last entry"
                )]
                let entry = *value as u16;
                *value = self.curve[usize::from(entry).min(CURVE_STEPS)];
            }
        }
        volts
    }

    /// BT.709 in video range; chroma sited as H.264 has it by default: on the even columns, between rows. The
    /// tile has an even number of rows and columns, at most a lane of these.
    #[expect(
        clippy::cast_possible_truncation,
        reason = "values are within the fixed-point range"
    )]
    fn convert(
        &self,
        light: &Light,
        (x0, x1, y0, y1): (usize, usize, usize, usize),
        planes: &mut Planes,
    ) {
        let count = x1 - x0;
        for y in (y0..y1).step_by(2) {
            let mut sums = [[0.0_f32; TILE / 2]; 2];
            for line in [y, y + 1] {
                let volts = self.voltages(light, x0, line, count);
                let before = self.voltages(light, x0.saturating_sub(1), line, 1);
                let row = line * self.width + x0;
                let (mut colour, mut grey) = ([[0.0_f32; TILE + 1]; 2], [0_i16; TILE]);
                [colour[0][0], colour[1][0]] = chroma(before.map(|lane| lane[0]));
                for i in 0..TILE {
                    let v = [volts[0][i], volts[1][i], volts[2][i]];
                    grey[i] = (luma(v) * FINE) as i16;
                    [colour[0][i + 1], colour[1][i + 1]] = chroma(v);
                }
                planes.luma[row..row + count].copy_from_slice(&grey[..count]);
                for (sum, c) in sums.iter_mut().zip(&colour) {
                    for (i, sum) in sum.iter_mut().enumerate() {
                        *sum += 0.25 * c[2 * i] + 0.5 * c[2 * i + 1] + 0.25 * c[2 * i + 2];
                    }
                }
            }
            let at = (y / 2) * (self.width / 2) + x0 / 2;
            for (plane, sum) in [&mut planes.cb, &mut planes.cr].into_iter().zip(&sums) {
                for (value, sum) in plane[at..at + count / 2].iter_mut().zip(sum) {
                    *value = ((128.0 + 0.5 * sum) * FINE) as i16;
                }
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
            self.convert(&canvas.light, canvas.tile_span(tile), planes);
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
            ten.reserve(fine.len());
        } else {
            eight.reserve(fine.len());
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

#[inline]
fn luma(v: [f32; 3]) -> f32 {
    16.0 + 219.0 * (0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2])
}

#[inline]
fn chroma(v: [f32; 3]) -> [f32; 2] {
    let y = 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2];
    [224.0 * (v[2] - y) / 1.8556, 224.0 * (v[0] - y) / 1.5748]
}
