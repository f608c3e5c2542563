//! Simulated sightings with known truth: a path, cameras with rolling shutters and clocks of their own, errors
//! of survey and clocks drawn from their covariance. No pictures: errors of sightings are Gaussian unless said.
#![allow(
    dead_code,
    unreachable_pub,
    clippy::unwrap_used,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "shared by tests and an example, each of which uses a part; a scene that cannot be is a bug of the test"
)]

pub mod intervals;
pub mod measured;
pub mod motion;
pub mod score;

use drawarc_rig::{
    BrownConrady, Camera, ClockFace, ClockModel, ImageSize, Lens, Level, RangeFrame, Rig, Shutter,
    SurveySummary, perturb,
};
use drawarc_sync_track::{MarkerRole, Sighting, SightingSeries, Verdict};
use drawarc_triangulation::{PathInput, PathSettings};
use motion::{Motion, Shot};
use nalgebra::{
    DMatrix, DVector, Isometry3, Matrix2, Point3, Translation3, UnitQuaternion, Vector2, Vector3,
    Vector6,
};
use rand::{Rng as _, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// What a scene is made of.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Place of each camera: hour of the clock face, height (m).
    pub places: Vec<(f64, f64)>,
    pub rate_hz: f64,
    /// Read-out (s); 0 for genlocked global shutters, which then have common frame times.
    pub readout_s: f64,
    pub focal_px: f64,
    pub width_px: u32,
    pub height_px: u32,
    pub sigma_px: f64,
    pub clock_sd_s: f64,
    /// Scales the errors of the survey.
    pub survey: f64,
    /// Share of sightings that are off by 2 to 30 px.
    pub wrong: f64,
    /// Errors that last, beside those of single frames: one coordinate (px).
    pub lasting_px: f64,
    /// They keep e⁻¹ of themselves over this time (s).
    pub lasting_s: f64,
    /// Instead of all these: errors as they were measured on film.
    pub measured: bool,
    pub shots: Vec<Shot>,
    pub end_s: f64,
    pub seed: u64,
}

impl Plan {
    /// Two phones at 5 and 3 o'clock, one shot with a stall and a collapse of 9 mm.
    pub fn two_phones(seed: u64) -> Self {
        let shot = Shot {
            start_s: 0.5,
            stall_s: 0.3,
            collapse_m: 0.009,
            jump_m: 0.06,
        };
        Self {
            places: vec![(5.0, 1.5), (3.0, 1.4)],
            rate_hz: 60.0,
            readout_s: 0.012,
            focal_px: 1500.0,
            width_px: 1920,
            height_px: 1080,
            sigma_px: 0.1,
            clock_sd_s: 0.0003,
            survey: 1.0,
            wrong: 0.0,
            lasting_px: 0.0,
            lasting_s: 0.15,
            measured: false,
            end_s: shot.release_s() + 1.0,
            shots: vec![shot],
            seed,
        }
    }

    /// Two phones film a practice of several shots, 7.5 s each.
    pub fn practice(shots: u32, seed: u64) -> Self {
        let one = Self::two_phones(seed);
        let shots: Vec<Shot> = (0..shots)
            .map(|i| Shot {
                start_s: 0.5 + 7.5 * f64::from(i),
                ..one.shots[0].clone()
            })
            .collect();
        Self {
            end_s: 7.5 * shots.len() as f64 + 0.5,
            shots,
            ..one
        }
    }

    /// Four genlocked cameras with global shutters.
    pub fn four_genlocked(seed: u64) -> Self {
        Self {
            places: vec![(5.0, 1.5), (3.0, 1.4), (6.5, 2.2), (4.0, 2.6)],
            rate_hz: 120.0,
            readout_s: 0.0,
            focal_px: 1000.0,
            width_px: 1280,
            height_px: 720,
            clock_sd_s: 0.0,
            ..Self::two_phones(seed)
        }
    }
}

/// Sightings, rig and clocks as survey and tracker would give them, and the truth.
#[derive(Debug, Clone)]
pub struct Scene {
    pub motion: Motion,
    pub rig: Rig,
    pub clocks: Vec<ClockModel>,
    pub true_clocks: Vec<ClockModel>,
    pub series: Vec<SightingSeries>,
}

/// Deviations of one camera's parameters: pose, lens (fx fy cx cy ...), read-out; principal point and
/// rotation go together, as they do in every survey.
fn spread_of_camera(camera: &Camera, plan: &Plan) -> DMatrix<f64> {
    let n = camera.parameter_count();
    let mut root = DMatrix::zeros(n, 11);
    for k in 0..3 {
        root[(k, k)] = 1e-4;
        root[(3 + k, 3 + k)] = 2e-4;
    }
    root[(6, 6)] = 0.5;
    root[(7, 6)] = 0.5;
    root[(8, 7)] = 0.5;
    root[(1, 7)] = -0.5 / plan.focal_px;
    root[(9, 8)] = 0.5;
    root[(0, 8)] = 0.5 / plan.focal_px;
    root[(10, 9)] = 0.002;
    if plan.readout_s > 0.0 {
        root[(n - 1, 10)] = 0.0002;
    }
    root * plan.survey
}

fn camera_at(plan: &Plan, hour: f64, height_m: f64, name: String) -> Camera {
    let target = Point3::new(-0.25, 0.05, 1.45);
    let out = ClockFace::from_hours(hour).direction().into_inner();
    let eye = Point3::new(target.x + 3.0 * out.x, target.y + 3.0 * out.y, height_m);
    let look = UnitQuaternion::face_towards(&(target - eye), &-Vector3::z());
    let mut lens = BrownConrady::pinhole(
        plan.focal_px,
        f64::from(plan.width_px) / 2.0 - 0.5,
        f64::from(plan.height_px) / 2.0 - 0.5,
    );
    lens.k1 = -0.05;
    Camera {
        name,
        image_size: ImageSize {
            width_px: plan.width_px,
            height_px: plan.height_px,
        },
        rotation_deg: 0,
        lens: Lens::BrownConrady(lens),
        shutter: Shutter::rolling(plan.readout_s, 0.004),
        camera_from_range: Isometry3::from_parts(Translation3::from(eye.coords), look).inverse(),
    }
}

fn moved(camera: &Camera, step: &DVector<f64>) -> Camera {
    let mut moved = camera.clone();
    let tangent = Vector6::from_iterator(step.iter().take(6).copied());
    moved.camera_from_range = perturb(&camera.camera_from_range, &tangent);
    let lens: Vec<f64> = camera
        .lens
        .parameters()
        .iter()
        .zip(step.iter().skip(6))
        .map(|(a, b)| a + b)
        .collect();
    moved.lens = camera.lens.with_parameters(&lens).unwrap();
    moved.shutter.readout_s += step[step.len() - 1];
    moved
}

fn normal(random: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(random)
}

/// The frame's exposure of the marker: its row decides the instant, the instant its row.
fn exposed(
    camera: &Camera,
    clock: &ClockModel,
    motion: &Motion,
    camera_s: f64,
) -> Option<nalgebra::Point2<f64>> {
    let height_px = camera.image_size.height_px;
    let mut y_px = f64::from(height_px) / 2.0;
    let mut pixel = None;
    for _ in 0..6 {
        let t = clock.range_from_camera(camera_s + camera.shutter.row_delay_s(y_px, height_px));
        let found = camera.pixel_from_range(&motion.elbow(t))?;
        y_px = found.y;
        pixel = Some(found);
    }
    pixel.filter(|p| camera.is_in_picture(p))
}

impl Scene {
    pub fn new(plan: &Plan) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(plan.seed);
        let motion = Motion::new(plan.shots.clone(), &mut random);
        let truth: Vec<Camera> = plan
            .places
            .iter()
            .enumerate()
            .map(|(i, &(hour, height_m))| camera_at(plan, hour, height_m, format!("camera {i}")))
            .collect();
        let n: usize = truth.iter().map(Camera::parameter_count).sum();
        let mut covariance = DMatrix::zeros(n, n);
        let mut cameras = Vec::new();
        let mut at = 0;
        for camera in &truth {
            let root = spread_of_camera(camera, plan);
            let count = camera.parameter_count();
            covariance
                .view_mut((at, at), (count, count))
                .copy_from(&(&root * root.transpose()));
            let step = &root * DVector::from_fn(root.ncols(), |_, _| normal(&mut random));
            cameras.push(moved(camera, &step));
            at += count;
        }
        let mut clocks = Vec::new();
        let mut true_clocks = Vec::new();
        for index in 0..truth.len() {
            let known = index == 0 || plan.clock_sd_s == 0.0;
            let offset_s = if known {
                0.0
            } else {
                random.random_range(-20.0..20.0)
            };
            let error = if known {
                0.0
            } else {
                plan.clock_sd_s * normal(&mut random)
            };
            let variance = if known { 0.0 } else { plan.clock_sd_s.powi(2) };
            true_clocks.push(ClockModel::linear(-offset_s, offset_s, 1.0, [0.0; 3]));
            clocks.push(ClockModel::linear(
                -offset_s,
                offset_s + error,
                1.0,
                [variance, 0.0, 0.0],
            ));
        }
        let series = truth
            .iter()
            .zip(&true_clocks)
            .enumerate()
            .map(|(index, (camera, clock))| {
                sightings(plan, index, camera, clock, &motion, &mut random)
            })
            .collect();
        Self {
            rig: Rig {
                survey: SurveySummary {
                    residual_px: vec![0.1; cameras.len()],
                    views: vec![100; cameras.len()],
                    corner_sd_px: vec![0.1; cameras.len()],
                    ended: "simulated".to_owned(),
                    scale_sd_percent: 0.05,
                    remarks: Vec::new(),
                },
                cameras,
                range_frame: RangeFrame::SurveyedPoints,
                level: Level::Plumb,
                covariance,
            },
            motion,
            clocks,
            true_clocks,
            series,
        }
    }

    /// The scene, and the same again with the marker moved: cameras, clocks and their errors are the same, the
    /// sightings' errors are not.
    pub fn with_second_marker(plan: &Plan, offset_m: Vector3<f64>) -> (Self, Self) {
        let first = Self::new(plan);
        let mut second = first.clone();
        second.motion.offset_m = offset_m;
        let mut random = ChaCha8Rng::seed_from_u64(plan.seed + 1000);
        second.series = plan
            .places
            .iter()
            .enumerate()
            .map(|(index, &(hour, height_m))| {
                let camera = camera_at(plan, hour, height_m, format!("camera {index}"));
                let clock = &first.true_clocks[index];
                let mut series =
                    sightings(plan, index, &camera, clock, &second.motion, &mut random);
                series.role = MarkerRole::StringHand;
                series
            })
            .collect();
        (first, second)
    }

    pub fn input(&self, settings: PathSettings) -> PathInput<'_> {
        PathInput {
            rig: &self.rig,
            clocks: &self.clocks,
            series: &self.series,
            release_hint_s: None,
            settings,
        }
    }
}

fn sightings(
    plan: &Plan,
    index: usize,
    camera: &Camera,
    clock: &ClockModel,
    motion: &Motion,
    random: &mut ChaCha8Rng,
) -> SightingSeries {
    let phase_s = if plan.readout_s > 0.0 {
        random.random_range(0.0..1.0 / plan.rate_hz)
    } else {
        0.0
    };
    let mut samples = Vec::new();
    let mut frame_index = 0u64;
    let measured = plan.measured.then(|| measured::Course::pick(random));
    let keep = (-1.0 / (plan.lasting_s * plan.rate_hz)).exp();
    let mut lasting = Vector2::from_fn(|_, _| {
        if plan.lasting_px > 0.0 {
            normal(random)
        } else {
            0.0
        }
    });
    loop {
        let range_s = phase_s + frame_index as f64 / plan.rate_hz;
        if range_s > plan.end_s {
            break;
        }
        let camera_s = clock.camera_from_range(range_s);
        let Some(pixel) = exposed(camera, clock, motion, camera_s) else {
            samples.push(Sighting::missing(
                frame_index,
                camera_s,
                Verdict::OutOfPicture,
            ));
            frame_index += 1;
            continue;
        };
        let mut error = Vector2::from_fn(|_, _| normal(random)) * plan.sigma_px;
        if plan.lasting_px > 0.0 {
            lasting = lasting * keep
                + Vector2::from_fn(|_, _| normal(random)) * (1.0 - keep * keep).sqrt();
            error += lasting * plan.lasting_px;
        }
        if let Some(course) = &measured {
            error = course.at(frame_index);
        }
        if plan.wrong > 0.0 && random.random_bool(plan.wrong) {
            let angle = random.random_range(0.0..std::f64::consts::TAU);
            error += Vector2::new(angle.cos(), angle.sin()) * random.random_range(2.0..30.0);
        }
        samples.push(Sighting {
            centre_px: pixel + error,
            covariance_px2: Matrix2::identity() * plan.sigma_px.powi(2),
            radius_px: 10.0,
            ..Sighting::missing(frame_index, camera_s, Verdict::Seen)
        });
        frame_index += 1;
    }
    SightingSeries {
        camera: index,
        role: MarkerRole::Elbow,
        samples,
    }
}
