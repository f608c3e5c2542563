//! A small synthetic scene: three cameras about a waved board.

use super::{BoardMotion, Bundle, CameraState, Freedom, Moment, Prior, View};
use crate::Board;
use drawarc_rig::{BrownConrady, Lens, exp};
use nalgebra::{Isometry3, Point3, Vector3, Vector6};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Exact corners. With `moving`, rolling shutters, free read-outs and clocks of the second and third camera.
pub(crate) fn scene(moving: bool) -> Bundle {
    scene_of(moving, 14, 1)
}

fn cameras(moving: bool) -> Vec<CameraState> {
    let lens = Lens::BrownConrady(BrownConrady {
        k1: -0.12,
        k2: 0.04,
        ..BrownConrady::pinhole(1450.0, 950.0, 545.0)
    });
    let camera = |index: usize| {
        let eye = [
            Point3::new(0.0, 0.0, -2.5),
            Point3::new(1.8, -0.2, -1.8),
            Point3::new(-1.6, 0.3, -2.0),
        ][index];
        CameraState {
            camera_from_world: Isometry3::look_at_rh(&eye, &Point3::origin(), &Vector3::y()),
            pose_free: index > 0,
            lens,
            lens_free: vec![true, true, true, true, true, true, false, true, true],
            lens_priors: Vec::new(),
            readout_s: if moving {
                0.012 + 0.003 * index as f64
            } else {
                0.0
            },
            readout_prior: moving.then_some(Prior {
                mean: 0.015,
                sd: 1.0,
            }),
            clock_step: [if moving { 0.002 * index as f64 } else { 0.0 }, 0.0],
            clock_priors: [
                (moving && index > 0).then_some(Prior { mean: 0.0, sd: 1.0 }),
                None,
            ],
            clock_reference_s: 0.0,
            height_px: 1080,
            sd_px: 0.1,
        }
    };
    let mut cameras: Vec<CameraState> = (0..3).map(camera).collect();
    for camera in &mut cameras {
        // nalgebra's eye looks along −z with y up; ours along +z with y down.
        let flip = exp(&Vector6::new(std::f64::consts::PI, 0.0, 0.0, 0.0, 0.0, 0.0));
        camera.camera_from_world = flip * camera.camera_from_world;
    }
    cameras
}

fn motion(random: &mut ChaCha8Rng, moving: bool, time_s: f64) -> BoardMotion {
    let mut draw = |size: f64| random.random_range(-size..size);
    // Printed side (board z) toward the cameras, which stand at negative z.
    let facing = exp(&Vector6::new(std::f64::consts::PI, 0.0, 0.0, 0.0, 0.0, 0.0));
    let tilt = exp(&Vector6::new(
        draw(0.5),
        draw(0.5),
        draw(1.5),
        0.0,
        0.0,
        0.0,
    ));
    let mut motion = BoardMotion::at(
        &(tilt * facing),
        &Point3::origin(),
        time_s,
        if moving {
            Freedom::Moving
        } else {
            Freedom::Still
        },
    );
    motion.centre_in_world = Point3::new(draw(0.4), draw(0.25), draw(0.4));
    if moving {
        motion.turn = Vector3::new(draw(0.8), draw(0.8), draw(0.8));
        motion.velocity = Vector3::new(draw(0.4), draw(0.4), draw(0.3));
        motion.turn_rate = Vector3::new(draw(3.0), draw(3.0), draw(3.0));
        motion.acceleration = Vector3::new(draw(1.5), draw(1.5), draw(1.5));
    }
    motion
}

pub(crate) fn scene_of(moving: bool, moments: usize, seed: u64) -> Bundle {
    let board = Board::new("A3", 9, 6, 0.04).unwrap();
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let cameras = cameras(moving);
    // World = first camera's frame, as the survey has it.
    let first_from_scene = cameras[0].camera_from_world;
    let middle = board.centre();
    let mut bundle = Bundle {
        cameras,
        moments: Vec::new(),
        corners_from_middle: Bundle::from_middle(&board.corners(), &middle),
        loss_limit: 3.33,
    };
    for index in 0..moments {
        let motion = motion(&mut random, moving, index as f64);
        let mut moment = Moment {
            motion,
            views: Vec::new(),
        };
        for camera in 0..3 {
            let frames = if moving {
                vec![-1.0, 0.0, 1.0]
            } else {
                vec![0.0]
            };
            for frame in frames {
                let time_s = index as f64 + (frame + 0.2 * camera as f64) / 60.0;
                let mut view = View {
                    camera,
                    sighting: bundle.moments.len(),
                    camera_s: time_s,
                    range_s: time_s,
                    rate: 1.0,
                    corners_px: vec![nalgebra::Point2::new(960.0, 540.0); board.corner_count()],
                    share: 1.0,
                    spread: 1.0,
                    used: true,
                };
                // The row that a corner is seen in decides when; a few rounds settle it.
                for _ in 0..30 {
                    let predicted = bundle.predict(&moment, &view);
                    view.corners_px = predicted.into_iter().map(Option::unwrap).collect();
                }
                moment.views.push(view);
            }
        }
        bundle.moments.push(moment);
    }
    bundle.change_world(&first_from_scene);
    bundle
}

/// The same scene with a wrong start.
pub(crate) fn disturb(truth: &Bundle, seed: u64) -> Bundle {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut bundle = truth.clone();
    for camera in &mut bundle.cameras {
        let step: Vec<f64> = camera
            .free()
            .iter()
            .enumerate()
            .map(|(k, free)| {
                let size = match k {
                    0..3 | 10..15 => 0.01,
                    3..6 => 0.03,
                    6..10 => 20.0,
                    _ => 0.001,
                };
                if *free {
                    random.random_range(-size..size)
                } else {
                    0.0
                }
            })
            .collect();
        *camera = camera.stepped(&step);
    }
    for moment in &mut bundle.moments {
        let step: Vec<f64> = (0..moment.motion.freedom.count())
            .map(|_| random.random_range(-0.03..0.03))
            .collect();
        moment.motion = moment.motion.stepped(&step);
    }
    bundle
}
