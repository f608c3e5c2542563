//! How a board that is waved before cameras that are not synchronised is best used: as a moving board, with its corners'
//! tracks interpolated to common instants, or in moments at which it is held still.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test: it fails where it unwraps, and prints what it measured"
)]

mod range;

use drawarc_calibration::{BoardSighting, SurveyInput, survey};
use drawarc_rig::{Camera, ClockModel, Shutter};
use nalgebra::{Matrix3, Point2, Point3, Vector3};
use range::{CLUB, Case, input};

const SURVEYS: u64 = 12;
/// Moments a second in the films of `range`.
const MOMENTS_HZ: f64 = 8.0;

fn place(cameras: &[Camera], pixels: &[Point2<f64>]) -> Point3<f64> {
    let mut across = Matrix3::zeros();
    let mut pull = Vector3::zeros();
    for (camera, pixel) in cameras.iter().zip(pixels) {
        let ray = camera.ray_in_range(pixel).unwrap().into_inner();
        let projector = Matrix3::identity() - ray * ray.transpose();
        across += projector;
        pull += projector * camera.centre_in_range().coords;
    }
    Point3::from(across.try_inverse().unwrap() * pull)
}

/// Errors of one survey: focal length (per cent, worst camera) and 300 mm about the elbow (mm, worst of three directions).
fn errors(input: &SurveyInput, truth: &[Camera]) -> [f64; 2] {
    let found = survey(input).unwrap();
    let focal = found
        .rig
        .cameras
        .iter()
        .zip(truth)
        .map(|(camera, planted)| {
            100.0 * (camera.lens.focal_px() / planted.lens.focal_px() - 1.0).abs()
        })
        .fold(0.0, f64::max);
    let elbow = Point3::new(-0.4, 0.0, 1.4);
    let length = (0..3)
        .map(|axis| {
            let half = Vector3::ith(axis, 0.15);
            let [a, b] = [elbow - half, elbow + half].map(|end| {
                let pixels: Vec<_> = truth
                    .iter()
                    .map(|camera| camera.pixel_from_range(&end).unwrap())
                    .collect();
                place(&found.rig.cameras, &pixels)
            });
            1000.0 * ((b - a).norm() - 0.3).abs()
        })
        .fold(0.0, f64::max);
    [focal, length]
}

/// Each corner's track over a burst, a parabola through its three rows' instants, read at the burst's instant: photographs.
fn interpolated(input: &SurveyInput, clocks: &[ClockModel], readouts_s: &[f64]) -> SurveyInput {
    let mut other = input.clone();
    for (index, camera) in other.cameras.iter_mut().enumerate() {
        let shutter = Shutter {
            readout_s: readouts_s[index],
            ..camera.shutter
        };
        let height = camera.image_size.height_px;
        let number =
            |s: &BoardSighting| (clocks[index].range_from_camera(s.time_s) * MOMENTS_HZ).round();
        let mut stills: Vec<BoardSighting> = Vec::new();
        for burst in camera
            .sightings
            .chunk_by(|a, b| (number(a) - number(b)).abs() < 0.5)
        {
            let [first, middle, last] = burst else {
                continue;
            };
            let instant_s = number(middle) / MOMENTS_HZ;
            let corners_px = (0..middle.corners_px.len())
                .map(|k| {
                    let at = [first, middle, last].map(|s| {
                        let pixel = s.corners_px[k];
                        let row_s = s.time_s + shutter.row_delay_s(pixel.y, height);
                        (
                            clocks[index].range_from_camera(row_s) - instant_s,
                            pixel.coords,
                        )
                    });
                    // Lagrange's three terms at zero.
                    let term = |a: usize, b: usize, c: usize| {
                        at[a].1 * (at[b].0 * at[c].0) / ((at[a].0 - at[b].0) * (at[a].0 - at[c].0))
                    };
                    Point2::from(term(0, 1, 2) + term(1, 0, 2) + term(2, 0, 1))
                })
                .collect();
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a count of moments since the start of the film"
            )]
            let frame_index = number(middle) as u64;
            stills.push(BoardSighting {
                frame_index,
                corners_px,
                ..middle.clone()
            });
        }
        camera.sightings = stills;
        camera.stills = true;
    }
    other
}

fn rms(all: &[[f64; 2]]) -> [f64; 2] {
    [0, 1].map(|k| (all.iter().map(|e| e[k] * e[k]).sum::<f64>() / all.len() as f64).sqrt())
}

#[test]
fn a_moving_board_is_best_taken_as_moving() {
    let waved = Case {
        most_moments: 60,
        rests_repeat: true,
        ..CLUB
    };
    let mut results: [Vec<[f64; 2]>; 4] = std::array::from_fn(|_| Vec::new());
    for seed in 0..SURVEYS {
        let (truth, moving) = input(&waved, 400 + seed);
        results[0].push(errors(&moving, &truth));
        let told: Vec<ClockModel> = moving.cameras.iter().map(|c| c.clock.clone()).collect();
        let as_told = interpolated(&moving, &told, &[0.015, 0.015]);
        results[1].push(errors(&as_told, &truth));
        let known = [
            ClockModel::identity(),
            ClockModel::constant(waved.offset_s, 0.0),
        ];
        let readouts_s = [truth[0].shutter.readout_s, truth[1].shutter.readout_s];
        let as_known = interpolated(&moving, &known, &readouts_s);
        results[2].push(errors(&as_known, &truth));
        // A person holds the board still about once a second: an eighth of the moments, each as exact as interpolation can be.
        let mut rests = as_known;
        for camera in &mut rests.cameras {
            camera
                .sightings
                .retain(|s| s.frame_index % 8 == 0 || s.frame_index >= 192);
        }
        results[3].push(errors(&rests, &truth));
    }
    let names = [
        "moving, as a parabola in the adjustment",
        "tracks interpolated, clocks and read-outs as told",
        "tracks interpolated, clocks and read-outs known",
        "held still once a second, clocks and read-outs known",
    ];
    let figures = results.map(|all| rms(&all));
    for (name, [focal, length]) in names.iter().zip(figures) {
        println!(
            "{name}: focal length {focal:.3} %, 300 mm about the elbow {length:.3} mm (rms of {SURVEYS})"
        );
    }
    let [moving, told, ..] = figures;
    assert!(moving[0] < told[0] && moving[1] < told[1], "{figures:?}");
}
