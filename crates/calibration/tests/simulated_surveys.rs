//! Whole surveys of a simulated range from noisy corners: a waved board, rolling shutters, clocks that differ.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test: it fails where it unwraps, and prints what it measured"
)]

use drawarc_calibration::{
    Board, BoardSighting, CalibrationError, FrameChoice, LensChoice, SurveyCamera, SurveyInput,
    SurveySettings, survey,
};
use drawarc_rig::{BrownConrady, Camera, ClockModel, ImageSize, Lens, RangeFrame, Shutter, log};
use nalgebra::{Isometry3, Point2, Point3, Rotation3, Translation3, UnitQuaternion, Vector3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

const SIZE: ImageSize = ImageSize {
    width_px: 1920,
    height_px: 1080,
};
const RATE_HZ: f64 = 60.0;
/// The board is laid on the line at this range time (s).
const LAID_S: f64 = 24.0;
const END_S: f64 = 28.0;

fn board() -> Board {
    Board {
        pitch_sd: 0.0,
        ..Board::new("A3", 9, 6, 0.04).unwrap()
    }
}

/// A camera at `eye` that looks at `target`, upright.
fn looking(name: &str, eye: Point3<f64>, target: Point3<f64>, readout_s: f64) -> Camera {
    let forward = (target - eye).normalize();
    let right = forward.cross(&Vector3::z()).normalize();
    let down = forward.cross(&right);
    let range_from_camera = Rotation3::from_basis_unchecked(&[right, down, forward]);
    let rotation = UnitQuaternion::from_rotation_matrix(&range_from_camera).inverse();
    let camera_from_range =
        Isometry3::from_parts(Translation3::from(-(rotation * eye.coords)), rotation);
    Camera {
        name: name.to_owned(),
        image_size: SIZE,
        rotation_deg: 0,
        lens: Lens::BrownConrady(BrownConrady {
            fy_px: 1492.0,
            k1: 0.09,
            k2: -0.2,
            p1: 0.0004,
            p2: -0.0006,
            ..BrownConrady::pinhole(1490.0, 968.0, 533.0)
        }),
        shutter: Shutter::rolling(readout_s, 0.002),
        camera_from_range,
    }
}

fn phones(readout_s: f64) -> Vec<Camera> {
    let target = Point3::new(0.0, 0.0, 1.1);
    vec![
        looking("three", Point3::new(0.1, -3.2, 1.35), target, readout_s),
        looking(
            "five",
            Point3::new(-2.6, -1.7, 1.7),
            target,
            readout_s * 0.8,
        ),
    ]
}

/// `range_from_board` at a range time: waved about, then flat on the ground with its middle at the origin.
fn held(time_s: f64, speed: f64) -> Isometry3<f64> {
    let middle = board().centre();
    if time_s >= LAID_S {
        return Isometry3::translation(-middle.x, -middle.y, 0.0);
    }
    let t = time_s * speed;
    let at = Vector3::new(
        0.75 * (0.9 * t).sin(),
        0.9 * (0.37 * t + 1.0).sin(),
        1.15 + 0.62 * (0.61 * t + 0.3).sin(),
    );
    // Upright, printed side toward the cameras' side (−y and −x), then tilted about.
    let facing = Rotation3::from_euler_angles(std::f64::consts::FRAC_PI_2, 0.0, -0.45);
    let tilt = Rotation3::from_euler_angles(
        0.55 * (1.3 * t).sin(),
        0.55 * (1.07 * t + 0.5).sin(),
        0.9 * (0.5 * t).sin(),
    );
    let rotation = UnitQuaternion::from_rotation_matrix(&(facing * tilt));
    Isometry3::from_parts(Translation3::from(at), rotation)
        * Isometry3::translation(-middle.x, -middle.y, 0.0)
}

/// What a camera with a clock `offset_s` behind range time sees, frame by frame near each tenth of a second.
fn film(camera: &Camera, offset_s: f64, speed: f64, sd_px: f64, seed: u64) -> Vec<BoardSighting> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let noise = Normal::new(0.0, sd_px).unwrap();
    let corners = board().corners();
    let mut seen = Vec::new();
    let mut frame = 0u32;
    loop {
        let camera_s = f64::from(frame) / RATE_HZ + 0.003;
        let range_s = camera_s + offset_s;
        if range_s > END_S {
            return seen;
        }
        frame += 1;
        if (range_s * 8.0 - (range_s * 8.0).round()).abs() / 8.0 > 1.5 / RATE_HZ {
            continue;
        }
        let mut pixels = Vec::new();
        for corner in &corners {
            // The row decides the instant, the instant the row.
            let mut y = 540.0;
            let mut pixel = None;
            for _ in 0..7 {
                let instant_s = range_s + camera.shutter.row_delay_s(y, SIZE.height_px);
                pixel = camera.pixel_from_range(&(held(instant_s, speed) * corner));
                y = pixel.map_or(y, |p| p.y);
            }
            if let Some(pixel) =
                pixel.filter(|p| p.x > 5.0 && p.y > 5.0 && p.x < 1914.0 && p.y < 1074.0)
            {
                pixels.push(Point2::new(
                    pixel.x + noise.sample(&mut random),
                    pixel.y + noise.sample(&mut random),
                ));
            }
        }
        // Seen from its printed side only, and not too flat.
        let board_in_range = held(range_s, speed);
        let sight = camera.centre_in_range() - board_in_range * board().centre();
        let facing = (board_in_range * Vector3::z()).dot(&sight.normalize());
        if pixels.len() == corners.len() && facing > 0.25 {
            seen.push(BoardSighting {
                camera: 0,
                frame_index: u64::from(frame),
                time_s: camera_s,
                corners_px: pixels,
                corner_sd_px: sd_px,
                edge_width_px: 2.0,
            });
        }
    }
}

struct Case {
    readout_s: f64,
    told_readout_s: Option<f64>,
    offset_s: f64,
    speed: f64,
    sd_px: f64,
    lens: LensChoice,
    most_moments: usize,
}

const CLUB: Case = Case {
    readout_s: 0.018,
    told_readout_s: None,
    offset_s: 0.004_3,
    speed: 1.0,
    sd_px: 0.12,
    lens: LensChoice::BrownConrady {
        radial: 2,
        tangential: true,
    },
    most_moments: 100,
};

fn input(case: &Case, seed: u64) -> (Vec<Camera>, SurveyInput) {
    let truth = phones(case.readout_s);
    let cameras = truth
        .iter()
        .enumerate()
        .map(|(index, camera)| {
            let offset_s = if index == 0 { 0.0 } else { case.offset_s };
            SurveyCamera {
                name: camera.name.clone(),
                image_size: SIZE,
                rotation_deg: 0,
                shutter: Shutter {
                    readout_s: case.told_readout_s.unwrap_or(0.015),
                    readout_sd_s: if case.told_readout_s.is_some() {
                        0.0
                    } else {
                        0.01
                    },
                    exposure_s: 0.002,
                },
                // Told nothing but that the clocks agree to 5 ms.
                clock: if index == 0 {
                    ClockModel::identity()
                } else {
                    ClockModel::constant(0.0, 0.005f64.powi(2))
                },
                sightings: film(
                    camera,
                    offset_s,
                    case.speed,
                    case.sd_px,
                    seed * 16 + index as u64,
                ),
                lens: case.lens,
                stills: false,
            }
        })
        .collect();
    let input = SurveyInput {
        cameras,
        board: board(),
        frame: FrameChoice::default(),
        settings: SurveySettings {
            most_moments: case.most_moments,
            ..SurveySettings::default()
        },
    };
    (truth, input)
}

#[test]
fn exact_corners_give_the_exact_rig() {
    let case = Case {
        sd_px: 1e-7,
        speed: 0.6,
        ..CLUB
    };
    let (truth, input) = input(&case, 1);
    let found = survey(&input).unwrap();
    assert!(matches!(
        found.rig.range_frame,
        RangeFrame::BoardOnLine { .. }
    ));
    for (camera, planted) in found.rig.cameras.iter().zip(&truth) {
        let apart = log(&(camera.camera_from_range.inverse() * planted.camera_from_range));
        let focal = camera.lens.focal_px() / planted.lens.focal_px() - 1.0;
        println!(
            "{}: {apart:?}, focal {focal:.2e}, read-out {:.6}, {:?}",
            camera.name, camera.shutter.readout_s, found.rig.survey.residual_px
        );
        // The board's motion is a parabola over each burst; what is left is its third derivative.
        assert!(apart.rows(3, 3).norm() < 3e-4, "{apart:?}");
        assert!(apart.rows(0, 3).norm() < 1e-4, "{apart:?}");
        assert!(focal.abs() < 1e-4, "{focal}");
        assert!((camera.shutter.readout_s - planted.shutter.readout_s).abs() < 5e-5);
    }
    let offset = found.clocks[1].range_from_camera(10.0) - 10.0;
    assert!((offset - case.offset_s).abs() < 2e-5, "{offset}");
}

#[test]
fn noisy_rolling_unsynchronised_phones() {
    let (truth, input) = input(&CLUB, 2);
    let found = survey(&input).unwrap();
    println!("{:?}", found.rig.survey);
    println!(
        "{:?} widened {}",
        found.diagnostics.solver, found.diagnostics.widened
    );
    for (index, (camera, planted)) in found.rig.cameras.iter().zip(&truth).enumerate() {
        let focal_percent = 100.0 * (camera.lens.focal_px() / planted.lens.focal_px() - 1.0);
        let (p, q) = (camera.lens.parameters(), planted.lens.parameters());
        let eye_mm = 1000.0 * (camera.centre_in_range() - planted.centre_in_range()).norm();
        let own = &found.diagnostics.cameras[index];
        println!(
            "{}: focal {focal_percent:.4} %, principal point {:.3} {:.3} px, eye {eye_mm:.2} mm, clock {:?}, read-out {:?}",
            camera.name,
            p[2] - q[2],
            p[3] - q[3],
            own.clock_step_s,
            own.readout_s
        );
        assert!(focal_percent.abs() <= 0.1, "{focal_percent}");
        assert!((p[2] - q[2]).hypot(p[3] - q[3]) <= 1.0);
        assert!((own.readout_s.0 - planted.shutter.readout_s).abs() < 5.0 * own.readout_s.1);
    }
    // Residual at the level of the noise: rms over both axes.
    for residual in &found.rig.survey.residual_px {
        let expected = 0.12 * std::f64::consts::SQRT_2;
        assert!((residual / expected - 1.0).abs() < 0.05, "{residual}");
    }
    let offset = found.clocks[1].range_from_camera(10.0) - 10.0;
    assert!((offset - CLUB.offset_s).abs() < 1e-4, "{offset}");
}

#[test]
fn a_rolling_shutter_ignored_costs_focal_length() {
    let error = |told: Option<f64>| {
        let case = Case {
            told_readout_s: told,
            speed: 1.6,
            ..CLUB
        };
        let (truth, input) = input(&case, 3);
        let found = survey(&input).unwrap();
        let pairs = found.rig.cameras.iter().zip(&truth);
        pairs
            .map(|(camera, planted)| {
                100.0 * (camera.lens.focal_px() / planted.lens.focal_px() - 1.0).abs()
            })
            .fold(0.0, f64::max)
    };
    let (ignored, modelled) = (error(Some(0.0)), error(None));
    println!("focal length off by {ignored:.3} % when ignored, {modelled:.3} % when modelled");
    assert!(modelled <= 0.1, "{modelled}");
    assert!(ignored > 2.0 * modelled, "{ignored} against {modelled}");
}

/// Standard deviations are honest: over many surveys the truth lies within the 95 % ellipsoid as often as it says.
#[test]
fn standard_deviations_are_honest() {
    const SURVEYS: u64 = 200;
    let case = Case {
        most_moments: 16,
        ..CLUB
    };
    let mut inside = [0u32; 4];
    let mut scores = [0.0; 4];
    for seed in 0..SURVEYS {
        let (truth, input) = input(&case, 1000 + seed);
        let found = survey(&input).unwrap();
        let camera = &found.rig.cameras[1];
        let planted = &truth[1];
        let block = found.rig.block(1).start;
        let sd = |at: usize| found.rig.covariance[(block + at, block + at)].sqrt();
        let pose = log(&(planted.camera_from_range * camera.camera_from_range.inverse()));
        let (p, q) = (camera.lens.parameters(), planted.lens.parameters());
        let normalised = [
            pose[1] / sd(1),
            pose[5] / sd(5),
            (p[0] - q[0]) / sd(6),
            (p[2] - q[2]) / sd(8),
        ];
        for (k, value) in normalised.iter().enumerate() {
            inside[k] += u32::from(value.abs() < 1.959_964);
            scores[k] += value * value / SURVEYS as f64;
        }
    }
    println!("of {SURVEYS} surveys within 95 %: {inside:?}; mean squared score {scores:?}");
    // Exact binomial: 181 of 200 or fewer has a chance below 0.4 % at 95 %.
    for count in inside {
        assert!((182..=199).contains(&count), "{inside:?}");
    }
}

#[test]
fn cameras_without_a_shared_view_are_named() {
    let (_, mut input) = input(&CLUB, 4);
    for sighting in &mut input.cameras[1].sightings {
        sighting.time_s += 1000.0;
        sighting.frame_index += 60_000;
    }
    let error = survey(&input).unwrap_err();
    assert!(
        matches!(error, CalibrationError::Unconnected { .. }),
        "{error}"
    );
    assert!(error.to_string().contains("five"), "{error}");
}

#[test]
fn a_board_never_seen_and_a_board_never_laid_down() {
    let (_, mut blind) = input(&CLUB, 5);
    blind.cameras[1].sightings.clear();
    let error = survey(&blind).unwrap_err();
    assert!(
        matches!(error, CalibrationError::BoardNeverSeen { .. }),
        "{error}"
    );
    let (_, mut waved) = input(&CLUB, 5);
    for camera in &mut waved.cameras {
        camera.sightings.retain(|s| s.time_s < LAID_S - 0.2);
    }
    let error = survey(&waved).unwrap_err();
    assert!(
        matches!(error, CalibrationError::NoBoardOnLine { .. }),
        "{error}"
    );
}

#[test]
fn bad_views_are_named_and_left_out() {
    let (truth, mut input) = input(&CLUB, 6);
    // Every eighth burst has its corners read one row off.
    let mut spoilt = Vec::new();
    for sighting in &mut input.cameras[0].sightings {
        let number = (sighting.time_s * 8.0).round();
        if (number % 8.0 - 3.0).abs() < 0.5 && sighting.time_s < LAID_S - 1.0 {
            sighting.corners_px.rotate_left(9);
            spoilt.push(sighting.frame_index);
        }
    }
    let found = survey(&input).unwrap();
    let named: Vec<u64> = found
        .diagnostics
        .left_out
        .iter()
        .map(|v| v.frame_index)
        .collect();
    println!("{named:?} of {spoilt:?}");
    assert!(!named.is_empty());
    assert!(named.iter().all(|frame| spoilt.contains(frame)));
    let focal = found.rig.cameras[0].lens.focal_px() / truth[0].lens.focal_px() - 1.0;
    assert!(focal.abs() < 1e-3, "{focal}");
}

#[test]
fn same_bytes_whatever_the_threads() {
    let (_, input) = input(&CLUB, 7);
    let with = |threads: usize| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap()
            .install(|| survey(&input).unwrap().rig.to_yaml().unwrap())
    };
    assert_eq!(with(1), with(3));
}
