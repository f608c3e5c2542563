//! The posterior covariance of the elbow path that a rig will give on the nominal shot.
//!
//! The path is a cubic spline per axis; its prior takes jerk for white noise whose density follows the nominal movement and
//! tremor. Every frame in which the marker shows adds two rows; survey, clocks and what is lastingly wrong with each camera's
//! centres are unknowns with the covariance that the rig, the sketch and rendered film state. The joint information matrix is inverted: band (path) bordered by the unknowns of the rig.

use super::banded::Banded;
use super::body::BodyPart;
use super::information::{Information, Solved, square_root};
use super::lasting::Lasting;
use super::marker::{MarkerKind, MarkerNoise, Unseen, look};
use super::nominal_shot::{NominalArcher, NominalPhase};
use crate::StudyError;
use drawarc_rig::{Camera, Rig, Shutter, skew};
use nalgebra::{DMatrix, Matrix2xX, Matrix3, Vector2, Vector3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

/// How a camera's frames fall in time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CameraTiming {
    /// Frames a second.
    pub rate_hz: f64,
    /// Where its first frame falls, in frames after the start (0 to 1).
    pub phase: f64,
    /// Standard deviation of its clock against the first camera's before the motion is looked at (s).
    pub clock_sd_s: f64,
}

/// What is assumed of the movement.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct MotionPrior {
    /// Jerk of tremor, rms, one axis (m/s³): 0.25 mm at 10 Hz is 62.
    pub tremor_jerk: f64,
    /// Width of the band in which the movement's jerk lies (Hz).
    pub jerk_band_hz: f64,
    /// Spacing of the spline's knots (s).
    pub knot_s: f64,
}

impl Default for MotionPrior {
    fn default() -> Self {
        Self {
            tremor_jerk: 62.0,
            jerk_band_hz: 4.0,
            knot_s: 1.0 / 60.0,
        }
    }
}

/// Why a camera does not see the marker at one of its frames, or how well it does.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FrameLook {
    /// When (s).
    pub time_s: f64,
    /// Standard deviation of the centre (px), where seen.
    pub sd_px: f64,
    /// Apparent diameter (px), where seen.
    pub diameter_px: f64,
    /// Smear (px), where seen.
    pub smear_px: f64,
    /// Why not, where not seen.
    pub unseen: Option<Unseen>,
}

impl FrameLook {
    /// The part of the body in the way, if that is why.
    pub fn behind(&self) -> Option<BodyPart> {
        match self.unseen {
            Some(Unseen::Behind(part)) => Some(part),
            _ => None,
        }
    }
}

/// What the rig will know of the path.
#[derive(Debug, Clone)]
pub(crate) struct PathPrecision {
    /// Sample times (s).
    pub(crate) time_s: Vec<f64>,
    /// Covariance of the position (m²).
    pub(crate) covariance: Vec<Matrix3<f64>>,
    /// Joint errors: `draws[k][i]` at time `i` (m).
    pub(crate) draws: Vec<Vec<Vector3<f64>>>,
    /// Frames of every camera.
    pub(crate) looks: Vec<Vec<FrameLook>>,
    /// Clock of each camera after the motion was used (s).
    pub(crate) clock_sd_s: Vec<f64>,
    /// Clock of each camera from the motion alone (s).
    pub(crate) motion_clock_sd_s: Vec<f64>,
}

/// All that goes in.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PathTask<'a> {
    pub(crate) rig: &'a Rig,
    pub(crate) timing: &'a [CameraTiming],
    pub(crate) archer: NominalArcher,
    pub(crate) marker: MarkerKind,
    pub(crate) noise: &'a MarkerNoise,
    pub(crate) prior: &'a MotionPrior,
    pub(crate) draws: usize,
    pub(crate) seed: u64,
}

/// Clock taken for unknown (s) when the motion alone is to say it.
const UNKNOWN_CLOCK_S: f64 = 10.0;
/// Samples of the result a second.
const SAMPLES_HZ: f64 = 60.0;

/// Four basis values of the uniform cubic B-spline at `s` knots from the start, and the first coefficient's index.
fn basis(s: f64, coefficients: usize) -> (usize, [f64; 4]) {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "times lie within the shot; the clamp keeps the ends inside"
    )]
    let first = (s.max(0.0).floor() as usize).min(coefficients - 4);
    let u = s - first as f64;
    let v = 1.0 - u;
    let values = [
        v * v * v / 6.0,
        (3.0 * u * u * u - 6.0 * u * u + 4.0) / 6.0,
        (3.0 * v * v * v - 6.0 * v * v + 4.0) / 6.0,
        u * u * u / 6.0,
    ];
    (first, values)
}

impl PathTask<'_> {
    fn lasting(&self) -> Lasting {
        Lasting::of(self.noise, Self::duration_s())
    }

    fn duration_s() -> f64 {
        NominalPhase::TIMES_S[NominalPhase::TIMES_S.len() - 1].2
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a shot has some hundred knots"
    )]
    fn knots(&self) -> usize {
        (Self::duration_s() / self.prior.knot_s).ceil() as usize + 3
    }

    /// Jerk as white noise: `Σ h · jerk² / q`.
    fn add_prior(&self, path: &mut Banded, knots: usize) {
        const THIRD: [f64; 4] = [-1.0, 3.0, -3.0, 1.0];
        let h = self.prior.knot_s;
        for first in 0..knots - 3 {
            let t = (first as f64 + 0.5) * h;
            let jerk_square = self.prior.tremor_jerk.powi(2) + self.archer.jerk_square(t, 0.05);
            let density = jerk_square / (2.0 * self.prior.jerk_band_hz);
            let weight = h / density / h.powi(6);
            for (a, value_a) in THIRD.iter().enumerate() {
                for (b, value_b) in THIRD.iter().enumerate().take(a + 1) {
                    for axis in 0..3 {
                        let (row, column) = (3 * (first + a) + axis, 3 * (first + b) + axis);
                        path.add(row, column, weight * value_a * value_b);
                    }
                }
            }
        }
        // A path is somewhere within ten metres: keeps stretches that nobody sees finite.
        for k in 0..3 * knots {
            path.add(k, k, 1e-2);
        }
    }

    fn information(
        &self,
        factor: &DMatrix<f64>,
        clock_sd_s: &[f64],
    ) -> (Information, Vec<Vec<FrameLook>>) {
        let knots = self.knots();
        let clocks_from = factor.ncols();
        let lasting_from = clocks_from + self.rig.cameras.len();
        let unknowns = lasting_from + self.rig.cameras.len() * self.lasting().unknowns();
        let mut information = Information {
            path: Banded::zeros(3 * knots, 11),
            cross: DMatrix::zeros(3 * knots, unknowns),
            rig: DMatrix::identity(unknowns, unknowns),
            knots,
            clocks_from,
        };
        self.add_prior(&mut information.path, knots);
        let looks = (0..self.rig.cameras.len())
            .map(|index| self.add_camera(&mut information, index, factor, clock_sd_s[index]))
            .collect();
        (information, looks)
    }

    fn add_camera(
        &self,
        information: &mut Information,
        index: usize,
        factor: &DMatrix<f64>,
        clock_sd_s: f64,
    ) -> Vec<FrameLook> {
        let camera = &self.rig.cameras[index];
        let timing = self.timing[index];
        let block = self.rig.block(index);
        let own_factor = factor.rows(block.start, block.len()).into_owned();
        let mut looks = Vec::new();
        let mut frame = 0;
        loop {
            let time_s = (f64::from(frame) + timing.phase) / timing.rate_hz;
            frame += 1;
            if time_s >= Self::duration_s() {
                return looks;
            }
            let body = self.archer.body(time_s);
            let velocity = self.archer.elbow_velocity(time_s);
            match look(camera, &body, &velocity, self.marker, self.noise) {
                Err(unseen) => looks.push(FrameLook {
                    time_s,
                    sd_px: f64::NAN,
                    diameter_px: f64::NAN,
                    smear_px: f64::NAN,
                    unseen: Some(unseen),
                }),
                Ok(seen) => {
                    let weight = seen.sd_px.powi(-2);
                    let rotation = camera.camera_from_range.rotation.to_rotation_matrix();
                    let by_position = seen.projection.pixel_by_point * rotation.matrix();
                    let by_time = by_position * velocity;
                    let by_rig =
                        camera_row(camera, &body.elbow, &seen.projection, &by_time) * &own_factor;
                    let mut unknown = Matrix2xX::zeros(information.rig.nrows());
                    unknown
                        .columns_mut(0, own_factor.ncols())
                        .copy_from(&by_rig);
                    unknown.set_column(information.clocks_from + index, &(by_time * clock_sd_s));
                    let lasting = self.lasting();
                    let from = information.clocks_from
                        + self.rig.cameras.len()
                        + index * lasting.unknowns();
                    lasting.write(&mut unknown, from, time_s, seen.lasting_px);
                    information.rig += unknown.transpose() * &unknown * weight;
                    let (first, values) = basis(time_s / self.prior.knot_s, information.knots);
                    let square = by_position.transpose() * by_position * weight;
                    let cross = by_position.transpose() * &unknown * weight;
                    for (a, value_a) in values.iter().enumerate() {
                        for (b, value_b) in values.iter().enumerate().take(a + 1) {
                            add_block(
                                &mut information.path,
                                first + a,
                                first + b,
                                &(square * (value_a * value_b)),
                            );
                        }
                        let mut rows = information.cross.rows_mut(3 * (first + a), 3);
                        rows += &cross * *value_a;
                    }
                    looks.push(FrameLook {
                        time_s,
                        sd_px: seen.sd_px.hypot(seen.lasting_px),
                        diameter_px: seen.diameter_px,
                        smear_px: seen.smear_px,
                        unseen: None,
                    });
                }
            }
        }
    }

    /// Clock of each camera: one unknown at a time given all the others.
    fn clock_sds(solved: &Solved, clocks_from: usize, prior_sd_s: &[f64]) -> Vec<f64> {
        let inverse = solved.unknowns.inverse();
        prior_sd_s
            .iter()
            .enumerate()
            .map(|(index, sd)| sd * inverse[(clocks_from + index, clocks_from + index)].sqrt())
            .collect()
    }

    /// Runs it.
    ///
    /// # Errors
    /// [`StudyError::Rig`] where numbers are so wild that the information matrix cannot be factored.
    pub(crate) fn run(&self) -> Result<PathPrecision, StudyError> {
        let factor = square_root(&self.rig.covariance);
        let prior_sd_s: Vec<f64> = self
            .timing
            .iter()
            .enumerate()
            .map(|(index, timing)| if index == 0 { 0.0 } else { timing.clock_sd_s })
            .collect();
        let (information, looks) = self.information(&factor, &prior_sd_s);
        let (clocks_from, knots) = (information.clocks_from, information.knots);
        let solved = Solved::of(information)?;
        let clock_sd_s = Self::clock_sds(&solved, clocks_from, &prior_sd_s);
        let blind: Vec<f64> = (0..prior_sd_s.len())
            .map(|index| if index == 0 { 0.0 } else { UNKNOWN_CLOCK_S })
            .collect();
        let (alone, _) = self.information(&factor, &blind);
        let motion_clock_sd_s = Self::clock_sds(&Solved::of(alone)?, clocks_from, &blind);
        let time_s = sample_times();
        let places: Vec<(usize, [f64; 4])> = time_s
            .iter()
            .map(|t| basis(t / self.prior.knot_s, knots))
            .collect();
        let covariance = places
            .iter()
            .map(|place| solved.covariance(place))
            .collect();
        let mut random = ChaCha8Rng::seed_from_u64(self.seed);
        let draws = (0..self.draws)
            .map(|_| solved.draw(&places, &mut random))
            .collect();
        Ok(PathPrecision {
            time_s,
            covariance,
            draws,
            looks,
            clock_sd_s,
            motion_clock_sd_s,
        })
    }
}

/// Sample times of every forecast (s).
fn sample_times() -> Vec<f64> {
    let mut times = Vec::new();
    let mut k = 0;
    while f64::from(k) / SAMPLES_HZ <= PathTask::duration_s() {
        times.push(f64::from(k) / SAMPLES_HZ);
        k += 1;
    }
    times
}

/// ∂pixel by a camera's own parameters: pose, lens, read-out.
fn camera_row(
    camera: &Camera,
    point_in_range: &nalgebra::Point3<f64>,
    projection: &drawarc_rig::Projection,
    by_time: &Vector2<f64>,
) -> Matrix2xX<f64> {
    let point_in_camera = camera.camera_from_range * point_in_range;
    let mut row = Matrix2xX::zeros(camera.parameter_count());
    row.columns_mut(0, 3)
        .copy_from(&(projection.pixel_by_point * -skew(&point_in_camera.coords)));
    row.columns_mut(3, 3).copy_from(&projection.pixel_by_point);
    row.columns_mut(6, camera.lens.parameter_count())
        .copy_from(&projection.pixel_by_parameters);
    let fraction = Shutter::row_fraction(projection.pixel.y, camera.image_size.height_px);
    row.set_column(camera.parameter_count() - 1, &(by_time * fraction));
    row
}

fn add_block(path: &mut Banded, row_knot: usize, column_knot: usize, block: &Matrix3<f64>) {
    for a in 0..3 {
        for b in 0..3 {
            let (row, column) = (3 * row_knot + a, 3 * column_knot + b);
            if row >= column {
                path.add(row, column, block[(a, b)]);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::nominal_survey::nominal_rig;
    use super::super::sketch::{Sync, two_phones};
    use super::*;
    use approx::assert_relative_eq;

    fn task<'a>(
        rig: &'a Rig,
        timing: &'a [CameraTiming],
        noise: &'a MarkerNoise,
        prior: &'a MotionPrior,
    ) -> PathTask<'a> {
        PathTask {
            rig,
            timing,
            archer: NominalArcher::right_handed(1.72),
            marker: MarkerKind::Ball { diameter_m: 0.03 },
            noise,
            prior,
            draws: 300,
            seed: 5,
        }
    }

    #[test]
    fn draws_scatter_as_the_covariance_says() {
        let sketch = two_phones();
        let rig = nominal_rig(&sketch).unwrap();
        let timing = [Sync::Genlock, Sync::Sound].map(|sync| CameraTiming {
            rate_hz: 60.0,
            phase: 0.3,
            clock_sd_s: sync.sd_s(),
        });
        let (noise, prior) = (MarkerNoise::default(), MotionPrior::default());
        let result = task(&rig, &timing, &noise, &prior).run().unwrap();
        let i = 210;
        for axis in 0..3 {
            let square: f64 = result.draws.iter().map(|draw| draw[i][axis].powi(2)).sum();
            let sampled = (square / result.draws.len() as f64).sqrt();
            let stated = result.covariance[i][(axis, axis)].sqrt();
            assert_relative_eq!(sampled, stated, max_relative = 0.15);
            assert!((1e-5..3e-3).contains(&stated), "{stated}");
        }
        // Motion improves what sound knew of the clock, and knows something on its own.
        assert!(result.clock_sd_s[1] < 4e-3);
        assert!(result.clock_sd_s[1] <= result.motion_clock_sd_s[1] * 1.0001);
    }

    /// The published two-view formula (depth σZ/(f√2 sin θ/2) and so on: .20/.20/.14 mm at 90°, f = 1500 px, Z = 3 m,
    /// σ = .1 px), from a spline that is so free that single instants stand alone.
    #[test]
    fn two_views_at_ninety_degrees() {
        let f = 1500.0;
        let mut sketch = two_phones();
        for (camera, hours) in sketch.cameras.iter_mut().zip([4.5, 7.5]) {
            camera.place =
                super::super::sketch::Place::Clock(drawarc_rig::ClockFace::from_hours(hours));
            camera.height_m = 1.35;
            camera.lens = super::super::sketch::SketchLens::FocalPx(f);
        }
        let mut rig = nominal_rig(&sketch).unwrap();
        rig.covariance.fill(0.0);
        let timing = [CameraTiming {
            rate_hz: 60.0,
            phase: 0.0,
            clock_sd_s: 0.0,
        }; 2];
        let prior = MotionPrior {
            tremor_jerk: 1e9,
            ..MotionPrior::default()
        };
        let noise = MarkerNoise {
            centre_sd_px: 0.1,
            lasting_px: 0.0,
            small_px: 0.0,
            ..MarkerNoise::default()
        };
        let mut task = task(&rig, &timing, &noise, &prior);
        task.draws = 0;
        let result = task.run().unwrap();
        let look = &result.looks[0][210];
        let elbow = task.archer.body(3.5).elbow;
        let sd = |axis: usize| result.covariance[210][(axis, axis)].sqrt();
        for (camera, sight) in rig.cameras.iter().zip(&result.looks) {
            assert!(sight[210].unseen.is_none());
            let range = (camera.centre_in_range() - elbow).norm();
            assert!((2.4..3.1).contains(&range), "{range}");
        }
        // Both axes in the plane of the views: σZ/f at 90°; vertical σZ/(f√2).
        let z = 0.5
            * rig
                .cameras
                .iter()
                .map(|c| (c.centre_in_range() - elbow).norm())
                .sum::<f64>();
        assert_relative_eq!(
            sd(2),
            look.sd_px * z / (f * 2f64.sqrt()),
            max_relative = 0.12
        );
        assert_relative_eq!(
            (sd(0) * sd(1)).sqrt(),
            look.sd_px * z / f,
            max_relative = 0.12
        );
    }
}
