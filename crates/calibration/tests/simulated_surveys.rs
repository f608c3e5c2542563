//! Whole surveys of a simulated range from noisy corners: a waved board, rolling shutters, clocks that differ.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test: it fails where it unwraps, and prints what it measured"
)]

mod range;

use drawarc_calibration::{
    BackgroundShift, CalibrationError, CameraVerdict, FrameChoice, PlumbLine, SurveyedPoint,
    re_place, survey,
};
use drawarc_rig::log;
use drawarc_rig::{Camera, Level, RangeFrame};
use nalgebra::{Point2, Point3, Vector3};
use range::{CLUB, Case, LAID_S, input};

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
    // By themselves they are boards, one square beside the one that the other camera sees.
    for view in &found.diagnostics.left_out {
        println!(
            "{:.1} px, alone {:.2}: {}",
            view.rms_px,
            view.alone_px,
            view.reason()
        );
    }
    let said = found.rig.survey.remarks.join(" ");
    assert!(said.contains("left out") && said.contains("not "), "{said}");
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

fn marks(truth: &[Camera], point: Point3<f64>) -> Vec<(usize, Point2<f64>)> {
    let seen = truth.iter().enumerate();
    seen.map(|(index, camera)| (index, camera.pixel_from_range(&point).unwrap()))
        .collect()
}

#[test]
fn three_surveyed_points_fix_the_range_as_the_board_does() {
    let (truth, mut input) = input(&CLUB, 8);
    let places = [[0.0, 0.0, 0.0], [0.9, 0.1, 0.02], [-0.2, 0.8, 0.6]].map(Point3::from);
    let points = places.map(|point_in_range| SurveyedPoint {
        point_in_range,
        marks_px: marks(&truth, point_in_range),
    });
    input.frame = FrameChoice::SurveyedPoints {
        points: points.to_vec(),
    };
    let found = survey(&input).unwrap();
    assert!(matches!(found.rig.range_frame, RangeFrame::SurveyedPoints));
    for (index, (camera, planted)) in found.rig.cameras.iter().zip(&truth).enumerate() {
        let apart = log(&(camera.camera_from_range * planted.camera_from_range.inverse()));
        let start = found.rig.block(index).start;
        let sd = |at: usize| found.rig.covariance[(start + at, start + at)].sqrt();
        println!("{apart:?}, turn sd {:.1e}, shift sd {:.1e}", sd(0), sd(4));
        // Marks are exact here, so the stated half pixel of a hand is more than enough.
        assert!((0..6).all(|k| apart[k].abs() < 3.0 * sd(k)), "{apart:?}");
        assert!(apart.rows(3, 3).norm() < 0.005);
    }
    input.frame = FrameChoice::SurveyedPoints {
        points: points[..2].to_vec(),
    };
    let error = survey(&input).unwrap_err();
    assert!(
        matches!(error, CalibrationError::SurveyedPoints { .. }),
        "{error}"
    );
}

#[test]
fn a_plumb_line_levels_a_range_on_a_slope() {
    let (truth, mut input) = input(&CLUB, 9);
    let sloping = survey(&input).unwrap();
    // The board lies on a slope: up, in its frame, is not its normal.
    let up = Vector3::new(0.03, -0.05, 1.0).normalize();
    let bottom = Point3::new(0.3, 0.1, 0.2);
    input.plumb = Some(PlumbLine {
        top_px: marks(&truth, bottom + 1.4 * up),
        bottom_px: marks(&truth, bottom),
    });
    let found = survey(&input).unwrap();
    assert_eq!(found.rig.level, Level::Plumb);
    for (before, after) in sloping.rig.cameras.iter().zip(&found.rig.cameras) {
        let level_from_sloping = after.camera_from_range.inverse() * before.camera_from_range;
        let lean = (level_from_sloping * up).angle(&Vector3::z());
        let along = level_from_sloping * Vector3::x();
        println!(
            "leans by {:.2} mrad, heading off by {:.1e}",
            1e3 * lean,
            along.y
        );
        assert!(lean < 1e-3, "{lean}");
        assert!(along.y.abs() < 1e-6 && level_from_sloping.translation.vector.norm() < 1e-6);
    }
    let sd = |rig: &drawarc_rig::Rig| rig.covariance[(0, 0)].sqrt();
    assert!(sd(&found.rig) > sd(&sloping.rig));
    // Upside down, and too short.
    let plumb = input.plumb.clone().unwrap();
    input.plumb = Some(PlumbLine {
        top_px: plumb.bottom_px.clone(),
        bottom_px: plumb.top_px,
    });
    assert!(survey(&input).is_err());
    input.plumb = Some(PlumbLine {
        top_px: marks(&truth, bottom + 0.1 * up),
        bottom_px: plumb.bottom_px,
    });
    assert!(survey(&input).is_err());
}

#[test]
fn a_knocked_camera_is_placed_anew_from_its_turn() {
    let (truth, input) = input(&CLUB, 10);
    let surveyed = survey(&input).unwrap().rig;
    let turn = Vector3::new(0.004, -0.006, 0.002);
    let mut knocked = truth[1].clone();
    let turned = nalgebra::UnitQuaternion::from_scaled_axis(turn);
    knocked.camera_from_range = turned * knocked.camera_from_range;
    let mut rig = surveyed.clone();
    let shift = BackgroundShift {
        turn: turn.into(),
        turn_sd_deg: 0.003,
        zoom: 0.0,
        zoom_sd: 1e-4,
        patches: (40, 38),
        rest_px: 0.1,
        verdict: CameraVerdict::Moved,
    };
    re_place(&mut rig, 1, &shift);
    rig.validate().unwrap();
    let place = Point3::new(-0.4, 0.1, 1.4);
    let pixel = |camera: &Camera| camera.pixel_from_range(&place).unwrap();
    let before = (pixel(&surveyed.cameras[1]) - pixel(&knocked)).norm();
    let after = (pixel(&rig.cameras[1]) - pixel(&knocked)).norm();
    println!("elbow off by {before:.2} px before, {after:.2} px after");
    assert!(before > 5.0 && after < 0.5, "{before} {after}");
    // Surer than before it cannot be; the other camera is as it was.
    let block = rig.block(1);
    let sd = |rig: &drawarc_rig::Rig, at: usize| rig.covariance[(at, at)].sqrt();
    assert!((block.start..block.start + 6).all(|at| sd(&rig, at) > 0.9 * sd(&surveyed, at)));
    assert!(sd(&rig, block.start) > 0.003f64.to_radians());
    assert_eq!(rig.cameras[0], surveyed.cameras[0]);
    assert_eq!(rig.survey.remarks.len(), surveyed.survey.remarks.len() + 1);
}
