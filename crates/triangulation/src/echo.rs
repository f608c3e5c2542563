//! How the path answers to errors that last.
//!
//! The fit weighs sightings by their white noise and so follows what lasts. Errors are drawn, put in place of the
//! sightings' residuals and solved for: position, velocity, acceleration and their joint draws all come from the
//! same response.

use crate::bordered::Factor;
use crate::lasting::{DURATIONS_S, Lasting};
use crate::noise::Judgement;
use crate::normal::Lines;
use crate::observation::Layout;
use crate::spline::{MOST_WEIGHTS, Weights};
use nalgebra::{Matrix3, Matrix3x2};
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{ChiSquared, Distribution as _, StandardNormal, StudentT};

/// Errors are drawn this far apart (s), between them they run straight.
const STEP_S: f64 = 0.02;
/// Blocks of [`LANES`] drawn once for covariances: with 128 draws their standard deviations are known to 1/√(2·128) = 6 %.
const BLOCKS: usize = 8;
/// A fit of minutes draws fewer, so that its memory stays bounded: 32 draws know them to 12 %. Shots have fits of their own.
const FEWEST_BLOCKS: usize = 2;
/// So many numbers are kept before fewer are drawn: 64 MB, three minutes of one marker.
const MOST_NUMBERS: usize = 1 << 23;
/// So many are solved for side by side.
const LANES: usize = 16;
const SEED: u64 = 20;

/// How errors that last are drawn. Covariances are the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Tails {
    /// Gaussian.
    Light,
    /// As on film: some changes are much larger than most ([`INNOVATION_FREEDOM`]), and the size is only as well known as the
    /// shot tells it.
    Heavy,
}

/// Degrees of freedom of what is new in each step. On rendered film of two phones changes of the errors over 1, 2 and 3
/// frames have kurtoses of 7.1, 5.1 and 4.6 (Gaussian: 3), those of Student's distribution with 5 degrees 9 and, summed,
/// less.
const INNOVATION_FREEDOM: f64 = 5.0;

/// One sighting's pull on the path.
#[derive(Debug, Clone, Copy)]
struct Pull {
    piece: usize,
    camera: usize,
    since_s: f64,
    first: usize,
    values: [f64; MOST_WEIGHTS],
    /// Pull by an error of one pixel, before the spline's weights.
    by_pixel: Matrix3x2<f64>,
}

/// Responses to drawn errors.
#[derive(Debug, Clone)]
pub(crate) struct Echo {
    pub(crate) lasting: Lasting,
    /// Standard deviation of what stays the same all the time (px).
    constant_px: f64,
    pulls: Vec<Pull>,
    /// Steps needed for each piece.
    counts: Vec<usize>,
    cameras: usize,
    /// Coefficients used by a sighting.
    reach: usize,
    /// Blocks of [`LANES`] responses, coefficient by coefficient.
    replicates: Vec<Vec<f64>>,
}

/// How many blocks are drawn for a path of so many coefficients.
fn blocks(coefficients: usize) -> usize {
    (MOST_NUMBERS / (coefficients * LANES).max(1)).clamp(FEWEST_BLOCKS, BLOCKS)
}

impl Echo {
    /// Without errors that last.
    pub(crate) fn none() -> Self {
        Self {
            lasting: Lasting::default(),
            constant_px: 0.0,
            pulls: Vec::new(),
            counts: Vec::new(),
            cameras: 0,
            reach: 0,
            replicates: Vec::new(),
        }
    }

    pub(crate) fn new(
        (lasting, constant_px): (Lasting, f64),
        layout: &Layout,
        lines: &Lines,
        judgements: &[Judgement],
        factor: &Factor,
    ) -> Self {
        if lasting.variances_px2.iter().sum::<f64>() <= 0.0 && constant_px <= 0.0 {
            return Self::none();
        }
        let mut pulls = Vec::with_capacity(layout.observations.len());
        let mut cameras = 0;
        for ((o, linear), judged) in layout
            .observations
            .iter()
            .zip(&lines.linears)
            .zip(judgements)
        {
            let Some(linear) = linear else { continue };
            let piece = &layout.pieces[o.piece];
            cameras = cameras.max(o.camera + 1);
            pulls.push(Pull {
                piece: o.piece,
                camera: o.camera,
                since_s: (o.nominal_s - piece.grid.start_s).max(0.0),
                first: 3 * (piece.offset + linear.weights.first),
                values: linear.weights.by_derivative[0],
                by_pixel: linear.by_point.transpose() * judged.information,
            });
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a count"
        )]
        let counts = layout
            .pieces
            .iter()
            .map(|p| ((p.grid.end_s() - p.grid.start_s) / STEP_S).ceil().max(0.0) as usize + 2)
            .collect();
        let mut echo = Self {
            lasting,
            constant_px,
            pulls,
            counts,
            cameras,
            reach: layout.pieces.first().map_or(0, |p| p.grid.degree + 1),
            replicates: Vec::new(),
        };
        let mut random = ChaCha8Rng::seed_from_u64(SEED);
        echo.replicates = (0..blocks(factor.len()))
            .map(|_| echo.draw(factor, &mut random, LANES, Tails::Light))
            .collect();
        echo
    }

    /// Standard deviation of what lasts for several frames (px).
    pub(crate) fn lasting_px(&self) -> f64 {
        self.lasting.variances_px2.iter().sum::<f64>().sqrt()
    }

    /// Changes of all coefficients by `lanes` draws of lasting errors, coefficient by coefficient; empty where there are
    /// none.
    pub(crate) fn draw(
        &self,
        factor: &Factor,
        random: &mut ChaCha8Rng,
        lanes: usize,
        tails: Tails,
    ) -> Vec<f64> {
        if self.pulls.is_empty() {
            return Vec::new();
        }
        let larger = match tails {
            Tails::Light => 1.0,
            Tails::Heavy => self.larger(random),
        };
        let courses: Vec<Vec<Vec<f64>>> = self
            .counts
            .iter()
            .map(|&count| {
                (0..self.cameras)
                    .map(|_| self.course(count, random, 2 * lanes, (tails, larger)))
                    .collect()
            })
            .collect();
        let mut pull = vec![0.0; factor.band_len() * lanes];
        let mut force = vec![0.0; 3 * lanes];
        for one in &self.pulls {
            let course = &courses[one.piece][one.camera];
            let u = one.since_s / STEP_S;
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "an index, clamped"
            )]
            let at = (u.floor() as usize).min(course.len() / (2 * lanes) - 2);
            let share = u - at as f64;
            let (before, after) = course[2 * lanes * at..2 * lanes * (at + 2)].split_at(2 * lanes);
            let ((xa, ya), (xb, yb)) = (before.split_at(lanes), after.split_at(lanes));
            for (axis, forces) in force.chunks_exact_mut(lanes).enumerate() {
                let (of_x, of_y) = (one.by_pixel[(axis, 0)], one.by_pixel[(axis, 1)]);
                let (xs, ys) = (xa.iter().zip(xb), ya.iter().zip(yb));
                for ((slot, (x0, x1)), (y0, y1)) in forces.iter_mut().zip(xs).zip(ys) {
                    *slot = of_x * (x0 + share * (x1 - x0)) + of_y * (y0 + share * (y1 - y0));
                }
            }
            let from = one.first * lanes;
            let slots = &mut pull[from..from + self.reach * force.len()];
            for (slots, value) in slots.chunks_exact_mut(force.len()).zip(one.values) {
                for (slot, f) in slots.iter_mut().zip(&force) {
                    *slot += value * f;
                }
            }
        }
        factor.solve_band(pull, lanes)
    }

    /// A factor on the size of errors, of unit mean square: inverse chi-squared with the freedom that the shot leaves.
    fn larger(&self, random: &mut ChaCha8Rng) -> f64 {
        let freedom = self.lasting.freedom;
        ChiSquared::new(freedom).map_or(1.0, |chi| ((freedom - 2.0) / chi.sample(random)).sqrt())
    }

    /// `width` independent courses, step by step.
    fn course(
        &self,
        count: usize,
        random: &mut ChaCha8Rng,
        width: usize,
        (tails, larger): (Tails, f64),
    ) -> Vec<f64> {
        let innovation = StudentT::new(INNOVATION_FREEDOM).ok();
        let unit = ((INNOVATION_FREEDOM - 2.0) / INNOVATION_FREEDOM).sqrt();
        let fresh_of = |random: &mut ChaCha8Rng| -> f64 {
            match (tails, &innovation) {
                (Tails::Heavy, Some(student)) => unit * student.sample(random),
                _ => StandardNormal.sample(random),
            }
        };
        let mut sum = vec![0.0; count * width];
        let mut error = vec![0.0; width];
        if self.constant_px > 0.0 {
            for value in &mut error {
                let normal: f64 = StandardNormal.sample(random);
                *value = self.constant_px * normal;
            }
            for slots in sum.chunks_exact_mut(width) {
                slots.copy_from_slice(&error);
            }
        }
        let Lasting {
            variances_px2,
            doubt,
            ..
        } = self.lasting;
        for ((variance, doubt), duration_s) in variances_px2.iter().zip(doubt).zip(DURATIONS_S) {
            let keep = (-STEP_S / duration_s).exp();
            // Between two steps the straight line is quieter than the course that it stands for, by a third of what they differ.
            let quieter = (2.0 + keep) / 3.0;
            let scale = if doubt > 1.0 { larger } else { 1.0 };
            let sd = (variance * doubt / quieter).sqrt() * scale;
            if sd <= 0.0 {
                continue;
            }
            let fresh = sd * (1.0 - keep * keep).sqrt();
            for value in &mut error {
                let normal: f64 = StandardNormal.sample(random);
                *value = sd * normal;
            }
            for slots in sum.chunks_exact_mut(width) {
                for (slot, value) in slots.iter_mut().zip(&mut error) {
                    *slot += *value;
                    *value = keep * *value + fresh * fresh_of(random);
                }
            }
        }
        sum
    }

    /// Covariance of a derivative of the path from errors that last.
    pub(crate) fn covariance(
        &self,
        offset: usize,
        degree: usize,
        w: &Weights,
        order: usize,
    ) -> Matrix3<f64> {
        let mut sum = Matrix3::zeros();
        for block in &self.replicates {
            let mut values = [[0.0; LANES]; 3];
            for (j, weight) in w.by_derivative[order].iter().enumerate().take(degree + 1) {
                let at = 3 * (offset + w.first + j) * LANES;
                for (slots, rows) in values
                    .iter_mut()
                    .zip(block[at..at + 3 * LANES].chunks_exact(LANES))
                {
                    for (slot, row) in slots.iter_mut().zip(rows) {
                        *slot += weight * row;
                    }
                }
            }
            for a in 0..3 {
                for b in 0..=a {
                    let product: f64 = values[a].iter().zip(&values[b]).map(|(x, y)| x * y).sum();
                    sum[(a, b)] += product;
                }
            }
        }
        sum.fill_upper_triangle_with_lower_triangle();
        sum / (self.replicates.len().max(1) * LANES) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A shot of ten seconds has 3600 coefficients; three minutes have 65 000, twenty 432 000.
    #[test]
    fn long_fits_draw_fewer_but_never_few() {
        let draws = |seconds: usize| blocks(360 * seconds) * LANES;
        assert_eq!(draws(10), 128);
        assert_eq!(draws(180), 128);
        assert_eq!(draws(400), 48);
        assert_eq!(draws(1200), 32);
        // Megabytes that are kept: bounded up to twelve minutes in sight, then 8 bytes a draw and coefficient.
        for seconds in [10, 180, 400, 600] {
            assert!(draws(seconds) * 360 * seconds * 8 <= 64 << 20);
        }
    }
}
