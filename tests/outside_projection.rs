//! Both of the project's lens codes, the pipeline's and the simulator's, against `OpenCV`.
//!
//! Source: `cv2.projectPoints` and `cv2.fisheye.projectPoints` of `PyPI`'s `opencv-python-headless`, asked in the test.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(clippy::print_stdout, reason = "the measured figures are printed")]

#[path = "outside/python.rs"]
mod python;

use drawarc_rig::{BrownConrady, KannalaBrandt, Lens};
use nalgebra::{Point2, Point3};
use serde_json::json;

const SCRIPT: &str = "tests/outside/projection.py";
const TOLERANCE_PX: f64 = 1e-9;

/// Points in the camera frame (m) that fill the picture and more, at depths from 0.8 m to 8 m.
fn points(widest_slope: f64) -> Vec<Point3<f64>> {
    let steps = 24;
    let along = |k: i32| (2.0 * f64::from(k) / f64::from(steps) - 1.0) * widest_slope;
    (0..=steps)
        .flat_map(|row| (0..=steps).map(move |column| (row, column)))
        .map(|(row, column)| {
            // Depths and small shifts that repeat nowhere on the grid.
            let odd = f64::from(row * 37 + column * 11).sin();
            let z = 4.4 + 3.6 * odd;
            Point3::new(
                (along(column) + 0.01 * odd) * z,
                (along(row) - 0.01 * odd) * z,
                z,
            )
        })
        .collect()
}

fn compare(lens: &Lens, model: &str, widest_slope: f64) {
    let Some(interpreter) = python::interpreter() else {
        return;
    };
    let points = points(widest_slope);
    let question = json!({"model": model, "parameters": lens.parameters(), "points": points});
    let answer = python::ask::<&str>(&interpreter, SCRIPT, &[], &question.to_string());
    let theirs: Vec<Point2<f64>> = serde_json::from_str(&answer).unwrap();
    assert_eq!(theirs.len(), points.len());
    let mut worst_px = [0.0_f64; 2];
    for (point, pixel) in points.iter().zip(&theirs) {
        let measured = lens.pixel_from_camera(point).unwrap();
        let drawn = drawarc_range_sim::project(lens, point).unwrap();
        worst_px[0] = worst_px[0].max((measured - pixel).norm());
        worst_px[1] = worst_px[1].max((drawn - pixel).norm());
    }
    println!(
        "{model}: rig {:.1e} px, simulator {:.1e} px apart at most",
        worst_px[0], worst_px[1]
    );
    assert!(worst_px.iter().all(|px| *px < TOLERANCE_PX), "{worst_px:?}");
}

#[test]
fn brown_conrady_as_opencv() {
    let mut lens = BrownConrady::pinhole(1500.0, 961.5, 537.25);
    lens.fy_px = 1497.0;
    (lens.k1, lens.k2, lens.k3) = (-0.09, 0.06, -0.004);
    (lens.p1, lens.p2) = (0.0004, -0.0005);
    compare(&Lens::BrownConrady(lens), "brown-conrady", 0.7);
}

#[test]
fn kannala_brandt_as_opencv() {
    let lens = KannalaBrandt {
        fx_px: 620.0,
        fy_px: 618.0,
        cx_px: 957.0,
        cy_px: 541.0,
        k1: -0.02,
        k2: 0.004,
        k3: -0.002,
        k4: 0.0003,
    };
    compare(&Lens::KannalaBrandt(lens), "kannala-brandt", 1.5);
}
