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
use nalgebra::{Matrix3, Matrix3x2, Vector2, Vector3};
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};

/// Errors are drawn this far apart (s), between them they run straight.
const STEP_S: f64 = 0.02;
/// Drawn once for covariances: their standard deviations are known to 1/√(2·128) = 6 %.
const REPLICATES: usize = 128;
const SEED: u64 = 20;

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
    pub(crate) variances_px2: Lasting,
    pulls: Vec<Pull>,
    /// Values needed for each piece.
    counts: Vec<usize>,
    cameras: usize,
    replicates: Vec<Vec<f64>>,
}

impl Echo {
    /// Without errors that last.
    pub(crate) fn none() -> Self {
        Self {
            variances_px2: [0.0; 3],
            pulls: Vec::new(),
            counts: Vec::new(),
            cameras: 0,
            replicates: Vec::new(),
        }
    }

    pub(crate) fn new(
        variances_px2: Lasting,
        layout: &Layout,
        lines: &Lines,
        judgements: &[Judgement],
        factor: &Factor,
    ) -> Self {
        if variances_px2.iter().sum::<f64>() <= 0.0 {
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
            variances_px2,
            pulls,
            counts,
            cameras,
            replicates: Vec::new(),
        };
        let mut random = ChaCha8Rng::seed_from_u64(SEED);
        echo.replicates = (0..REPLICATES)
            .map(|_| echo.draw(factor, &mut random))
            .collect();
        echo
    }

    /// Change of all coefficients by one draw of lasting errors; empty where there are none.
    pub(crate) fn draw(&self, factor: &Factor, random: &mut ChaCha8Rng) -> Vec<f64> {
        if self.pulls.is_empty() {
            return Vec::new();
        }
        let courses: Vec<Vec<Vec<Vector2<f64>>>> = self
            .counts
            .iter()
            .map(|&count| {
                (0..self.cameras)
                    .map(|_| self.course(count, random))
                    .collect()
            })
            .collect();
        let mut pull = vec![0.0; factor.band_len()];
        for one in &self.pulls {
            let course = &courses[one.piece][one.camera];
            let u = one.since_s / STEP_S;
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "an index, clamped"
            )]
            let at = (u.floor() as usize).min(course.len() - 2);
            let share = u - at as f64;
            let error = course[at] * (1.0 - share) + course[at + 1] * share;
            let force = one.by_pixel * error;
            let last = (one.first + 3 * MOST_WEIGHTS).min(pull.len());
            for (slots, value) in pull[one.first..last].chunks_exact_mut(3).zip(one.values) {
                for (slot, f) in slots.iter_mut().zip(force.iter()) {
                    *slot += value * f;
                }
            }
        }
        factor.solve_band(pull)
    }

    fn course(&self, count: usize, random: &mut ChaCha8Rng) -> Vec<Vector2<f64>> {
        let mut sum = vec![Vector2::zeros(); count];
        for (variance, duration_s) in self.variances_px2.iter().zip(DURATIONS_S) {
            let keep = (-STEP_S / duration_s).exp();
            let sd = variance.sqrt();
            let mut normal =
                || Vector2::from_fn(|_, _| -> f64 { StandardNormal.sample(&mut *random) });
            let mut error = normal() * sd;
            for slot in &mut sum {
                *slot += error;
                error = error * keep + normal() * (sd * (1.0 - keep * keep).sqrt());
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
        for replicate in &self.replicates {
            let mut value = Vector3::zeros();
            for (j, weight) in w.by_derivative[order].iter().enumerate().take(degree + 1) {
                let at = 3 * (offset + w.first + j);
                value += Vector3::from_column_slice(&replicate[at..at + 3]) * *weight;
            }
            sum += value * value.transpose();
        }
        sum / self.replicates.len().max(1) as f64
    }
}
