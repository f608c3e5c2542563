//! The survey's adjustment against `OpenCV` and `SciPy` on the same corners with the same model: the same optimum.
//!
//! Sources: `cv2.calibrateCamera`, `cv2.stereoCalibrate`, `cv2.calibrateMultiview` (version 5) of `PyPI`'s
//! `opencv-python-headless`, and `scipy.optimize.least_squares`, all asked in the test. Photographs: Debian's
//! `opencv-doc`, examples/data/left*.jpg and right*.jpg (J.-Y. Bouguet, Camera Calibration Toolbox, example 5).

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(clippy::print_stdout, reason = "the measured figures are printed")]

#[path = "outside/python.rs"]
mod python;

use drawarc_calibration::{
    Board, BoardDetector, BoardSighting, Effort, FrameChoice, GrayView, LensChoice, Survey,
    SurveyCamera, SurveyInput, SurveySettings, survey,
};
use drawarc_footage::{Limits, read_still_gray};
use drawarc_rig::{BrownConrady, ClockModel, ImageSize, Lens, Shutter};
use nalgebra::{Isometry3, Point2, Point3, Translation3, UnitQuaternion, Vector3};
use serde::Deserialize;
use serde_json::json;
use std::path::Path;

const FOLDER: &str = "/usr/share/doc/opencv-doc/examples/data";
const SCRIPT: &str = "tests/outside/bundle.py";
/// "The same optimum": parameters as shares of their size, poses in radians and as shares of the longest distance.
const SAME: f64 = 1e-4;

#[derive(Debug, Deserialize)]
struct Alone {
    rms: f64,
    lens: [f64; 8],
}

#[derive(Debug, Deserialize)]
struct Together {
    rms: f64,
    lenses: Vec<[f64; 8]>,
    /// Rotation vector and translation of `camera_from_first`.
    cameras: Vec<[f64; 6]>,
}

#[derive(Debug, Deserialize)]
struct Answer {
    opencv: String,
    alone: Vec<Alone>,
    together: Together,
    stereo: Option<Together>,
    multiview: Option<Together>,
}

/// Corners as all sides take them: `OpenCV` wants single precision.
fn single(point: Point2<f64>) -> Point2<f64> {
    point.cast::<f32>().cast()
}

fn sighting(camera: usize, frame_index: u64, corners_px: Vec<Point2<f64>>) -> BoardSighting {
    BoardSighting {
        camera,
        frame_index,
        time_s: 0.0,
        corners_px: corners_px.into_iter().map(single).collect(),
        corner_sd_px: 0.15,
        edge_width_px: 2.0,
    }
}

/// A problem without anything that only one side has: no priors, no robust loss, no view left out, one noise for all.
fn plain(
    board: &Board,
    size: ImageSize,
    sightings: Vec<Vec<BoardSighting>>,
    lenses: impl Fn(usize) -> LensChoice,
) -> SurveyInput {
    let cameras = sightings
        .into_iter()
        .enumerate()
        .map(|(index, sightings)| SurveyCamera {
            name: format!("camera {index}"),
            image_size: size,
            rotation_deg: 0,
            shutter: Shutter::global(0.01),
            clock: ClockModel::identity(),
            sightings,
            lens: lenses(index),
            stills: true,
        })
        .collect();
    SurveyInput {
        cameras,
        board: board.clone(),
        frame: FrameChoice::FirstCamera,
        plumb: None,
        settings: SurveySettings {
            // The references know flat boards only.
            board_may_bend: false,
            loss_limit: f64::INFINITY,
            view_limit: f64::INFINITY,
            corner_sd_px: Some(0.15),
            ..SurveySettings::default()
        },
    }
}

fn free(_: usize) -> LensChoice {
    LensChoice::BrownConrady {
        radial: 2,
        tangential: true,
    }
}

fn lens_of(values: &[f64; 8]) -> Lens {
    let [fx_px, fy_px, cx_px, cy_px, k1, k2, p1, p2] = *values;
    Lens::BrownConrady(BrownConrady {
        fx_px,
        fy_px,
        cx_px,
        cy_px,
        k1,
        k2,
        k3: 0.0,
        p1,
        p2,
    })
}

fn ask(interpreter: &Path, input: &SurveyInput) -> Answer {
    let seen = |camera: &SurveyCamera, frame: u64| {
        let mut all = camera.sightings.iter();
        let found = all.find(|sighting| sighting.frame_index == frame);
        found.map(|sighting| sighting.corners_px.clone())
    };
    let mut frames: Vec<u64> = input
        .cameras
        .iter()
        .flat_map(|camera| camera.sightings.iter().map(|s| s.frame_index))
        .collect();
    frames.sort_unstable();
    frames.dedup();
    let views: Vec<Vec<Option<Vec<Point2<f64>>>>> = input
        .cameras
        .iter()
        .map(|camera| frames.iter().map(|frame| seen(camera, *frame)).collect())
        .collect();
    let size = input.cameras[0].image_size;
    let question = json!({
        "size": [size.width_px, size.height_px],
        "corners": input.board.corners(),
        "views": views,
    });
    serde_json::from_str(&python::ask::<&str>(
        interpreter,
        SCRIPT,
        &[],
        &question.to_string(),
    ))
    .unwrap()
}

/// How far two lenses are apart: the largest difference as a share of the parameter; of the tangential terms, which may be
/// near zero, as pixels at the corner of the picture over the focal length.
fn lenses_apart(ours: &Lens, theirs: &[f64; 8]) -> f64 {
    let own = ours.parameters();
    let own = [
        own[0], own[1], own[2], own[3], own[4], own[5], own[7], own[8],
    ];
    (0..8)
        .map(|k| {
            let scale = if k < 6 { theirs[k].abs() } else { 1.0 };
            (own[k] - theirs[k]).abs() / scale
        })
        .fold(0.0, f64::max)
}

/// Largest difference of poses: angle (rad), and shift as a share of the longest baseline.
fn poses_apart(found: &Survey, theirs: &[[f64; 6]]) -> f64 {
    let first_from_range = found.rig.cameras[0].camera_from_range;
    let longest = theirs
        .iter()
        .map(|pose| Vector3::from_column_slice(&pose[3..]).norm())
        .fold(0.0, f64::max);
    found
        .rig
        .cameras
        .iter()
        .zip(theirs)
        .map(|(camera, pose)| {
            let ours = camera.camera_from_range * first_from_range.inverse();
            let turn = UnitQuaternion::from_scaled_axis(Vector3::from_column_slice(&pose[..3]));
            let shift = Vector3::from_column_slice(&pose[3..]);
            let apart = (ours.translation.vector - shift).norm() / longest;
            ours.rotation.angle_to(&turn).max(apart)
        })
        .fold(0.0, f64::max)
}

fn rms_px(found: &Survey) -> f64 {
    let views = &found.rig.survey.views;
    let sum: f64 = found
        .rig
        .survey
        .residual_px
        .iter()
        .zip(views)
        .map(|(rms, views)| rms * rms * *views as f64)
        .sum();
    (sum / views.iter().sum::<usize>() as f64).sqrt()
}

/// One camera alone, then all together, against everything that was asked.
fn compare(input: &SurveyInput, answer: &Answer) {
    for (index, theirs) in answer.alone.iter().enumerate() {
        let mut one = input.clone();
        one.cameras = vec![input.cameras[index].clone()];
        let found = survey(&one).unwrap();
        let apart = lenses_apart(&found.rig.cameras[0].lens, &theirs.lens);
        let rms = rms_px(&found);
        println!(
            "calibrateCamera, camera {index}: lens {apart:.1e} apart, rms {rms:.6} and {:.6} px",
            theirs.rms
        );
        assert!(apart < SAME && (rms / theirs.rms - 1.0).abs() < SAME);
    }
    let found = survey(input).unwrap();
    let rms = rms_px(&found);
    let mut asked = vec![("SciPy, all cameras", &answer.together)];
    asked.extend(answer.stereo.as_ref().map(|s| ("stereoCalibrate", s)));
    for (name, theirs) in asked {
        let lens = found
            .rig
            .cameras
            .iter()
            .zip(&theirs.lenses)
            .map(|(camera, lens)| lenses_apart(&camera.lens, lens))
            .fold(0.0, f64::max);
        let poses = poses_apart(&found, &theirs.cameras);
        println!(
            "{name}: lenses {lens:.1e}, poses {poses:.1e} apart, rms {rms:.6} and {:.6} px",
            theirs.rms
        );
        assert!(lens < SAME && poses < SAME && (rms / theirs.rms - 1.0).abs() < SAME);
    }
    let Some(theirs) = &answer.multiview else {
        println!("calibrateMultiview: not asked, OpenCV is {}", answer.opencv);
        return;
    };
    // It holds the lenses: so do we, at its values. Its loss is robust and cannot be made plain, so its rms is not the least;
    // ours must be, by little, and the poses the same.
    let held = |index: usize| LensChoice::Known(lens_of(&theirs.lenses[index]));
    let mut held_input = input.clone();
    for (index, camera) in held_input.cameras.iter_mut().enumerate() {
        camera.lens = held(index);
    }
    let found = survey(&held_input).unwrap();
    let poses = poses_apart(&found, &theirs.cameras);
    let rms = rms_px(&found);
    println!(
        "calibrateMultiview (OpenCV {}): poses {poses:.1e} apart, rms {rms:.6} and {:.6} px",
        answer.opencv, theirs.rms
    );
    assert!(poses < SAME && rms <= theirs.rms * (1.0 + 1e-6) && theirs.rms < 1.001 * rms);
}

#[test]
fn real_stereo_photographs_have_one_optimum() {
    let Some(interpreter) = python::interpreter() else {
        return;
    };
    let board = Board::new("Bouguet", 9, 6, 0.030).unwrap();
    let detector = BoardDetector::new(&board);
    // The package has no pair 10.
    let numbers = || (1..=14).filter(|number| *number != 10);
    let sightings = ["left", "right"]
        .iter()
        .enumerate()
        .map(|(camera, side)| {
            numbers()
                .map(|number| {
                    let path = format!("{FOLDER}/{side}{number:02}.jpg");
                    let plane = read_still_gray(Path::new(&path), &Limits::default()).unwrap();
                    let found = detector
                        .detect(GrayView::of_plane(&plane).unwrap(), Effort::Thorough)
                        .unwrap()
                        .unwrap();
                    sighting(camera, number, found.corners_px)
                })
                .collect()
        })
        .collect();
    let size = ImageSize {
        width_px: 640,
        height_px: 480,
    };
    let input = plain(&board, size, sightings, free);
    compare(&input, &ask(&interpreter, &input));
}

/// Four cameras about a board, not all of which see it every time: corners with 0.12 px of noise.
#[test]
fn four_cameras_have_one_optimum() {
    let Some(interpreter) = python::interpreter() else {
        return;
    };
    // 5/128 m: OpenCV takes the board's corners in single precision, too; 0.04 m rounded moves its k2 by 7e-7.
    let board = Board::new("A3", 9, 6, 0.039_062_5).unwrap();
    let size = ImageSize {
        width_px: 1920,
        height_px: 1080,
    };
    // Twelve evenly spread numbers of a linear congruence (Knuth's MMIX) make one that is nearly normal.
    let mut state = 11u64;
    let mut noise = || {
        let sum: f64 = (0..12)
            .map(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                f64::from(u32::try_from(state >> 32).unwrap()) / f64::from(u32::MAX)
            })
            .sum();
        0.12 * (sum - 6.0)
    };
    let middle = board.centre();
    let cameras: Vec<(Lens, Isometry3<f64>)> = (0..4)
        .map(|index| {
            let k = f64::from(index);
            let lens = lens_of(&[
                1450.0 + 20.0 * k,
                1452.0 + 20.0 * k,
                955.0 + 6.0 * k,
                548.0 - 4.0 * k,
                -0.11 + 0.03 * k,
                0.05,
                4e-4,
                -3e-4,
            ]);
            // They stand on an arc about the board, 2.2 m from it.
            let around = UnitQuaternion::from_scaled_axis(Vector3::y() * (0.35 * (k - 1.5)));
            let camera_from_scene = Translation3::new(0.03 * k, 0.02 * k, 2.2) * around;
            (lens, camera_from_scene)
        })
        .collect();
    let mut sightings = vec![Vec::new(); cameras.len()];
    for frame in 0..24u32 {
        let t = f64::from(frame);
        let tilt = UnitQuaternion::from_euler_angles(
            std::f64::consts::PI + 0.5 * (1.3 * t).sin(),
            0.45 * (1.9 * t + 0.4).sin(),
            0.8 * (0.7 * t).sin(),
        );
        let place = Vector3::new(
            0.45 * (2.1 * t).sin(),
            0.25 * (1.1 * t + 1.0).sin(),
            0.4 * (0.9 * t).cos(),
        );
        let scene_from_board =
            Translation3::from(place) * tilt * Translation3::from(-middle.coords);
        for (index, (lens, camera_from_scene)) in cameras.iter().enumerate() {
            let pixels: Option<Vec<Point2<f64>>> = board
                .corners()
                .iter()
                .map(|corner: &Point3<f64>| {
                    lens.pixel_from_camera(&(camera_from_scene * scene_from_board * corner))
                        .filter(|p| p.x > 5.0 && p.y > 5.0 && p.x < 1914.0 && p.y < 1074.0)
                })
                .collect();
            // One camera in five looks away.
            if let Some(pixels) = pixels
                && !(frame as usize + 2 * index).is_multiple_of(5)
            {
                let shaken = pixels
                    .into_iter()
                    .map(|p| p + nalgebra::Vector2::from_fn(|_, _| noise()))
                    .collect();
                sightings[index].push(sighting(index, u64::from(frame), shaken));
            }
        }
    }
    let input = plain(&board, size, sightings, free);
    compare(&input, &ask(&interpreter, &input));
}
