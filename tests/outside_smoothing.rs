//! Filter and triangulation against `SciPy` and `OpenCV`, asked in the test.
//!
//! Sources: `scipy.signal.butter`, `filtfilt`, `scipy.interpolate` and its data, `cv2.triangulatePoints` and `cv2.correctMatches` of `PyPI`'s `scipy` and
//! `opencv-python-headless`.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(clippy::print_stdout, reason = "the measured figures are printed")]

#[path = "outside/python.rs"]
mod python;

use drawarc_triangulation::{
    Butterworth, correct_two_views, fundamental_from_matrices, gcv_spline, triangulate_matrices,
};
use nalgebra::{Matrix3x4, Point2};
use serde::Deserialize;
use serde_json::json;

#[derive(Deserialize)]
struct Filtered {
    b: Vec<f64>,
    a: Vec<f64>,
    smooth: Vec<f64>,
}

#[test]
fn dual_pass_butterworth_as_scipy() {
    let Some(interpreter) = python::interpreter() else {
        return;
    };
    for (cutoff_hz, rate_hz, count) in [(6.0, 100.0, 240), (9.5, 59.94, 75), (4.0, 240.0, 600)] {
        let values: Vec<f64> = (0..count)
            .map(|k| f64::from(k) / rate_hz)
            .map(|t| 0.3 * (5.0 * t).sin() + 0.02 * (140.0 * t).cos() + 0.7 * t)
            .collect();
        let question = json!({"cutoff_hz": cutoff_hz, "rate_hz": rate_hz, "values": values});
        let script = "tests/outside/smoothing.py";
        let answer = python::ask(&interpreter, script, &["filter"], &question.to_string());
        let theirs: Filtered = serde_json::from_str(&answer).unwrap();
        let ours = Butterworth::dual_pass(cutoff_hz, rate_hz).unwrap();
        let apart = |ours: &[f64], theirs: &[f64]| {
            assert_eq!(ours.len(), theirs.len());
            let each = ours.iter().zip(theirs).map(|(a, b)| (a - b).abs());
            each.fold(0.0, f64::max)
        };
        let coefficients = apart(&ours.b, &theirs.b).max(apart(&ours.a, &theirs.a));
        let values = apart(&ours.smooth(&values), &theirs.smooth);
        println!(
            "{cutoff_hz} Hz of {rate_hz} Hz: coefficients {coefficients:.1e}, values {values:.1e}"
        );
        assert!(coefficients < 1e-12);
        assert!(values < 1e-10);
    }
}

#[derive(Deserialize)]
struct Splines {
    x: Vec<f64>,
    y: Vec<f64>,
    gcvspl: Vec<f64>,
    scipy: Vec<f64>,
}

/// Source: `scipy/interpolate/tests/data/gcvspl.npz` (n = 100), output of Woltring's GCVSPL, and
/// `scipy.interpolate.make_smoothing_spline`, which comes within 5e-6 of it.
#[test]
fn gcv_spline_as_woltring_and_scipy() {
    let Some(interpreter) = python::interpreter() else {
        return;
    };
    let script = "tests/outside/smoothing.py";
    let answer = python::ask(&interpreter, script, &["spline"], "{}");
    let theirs: Splines = serde_json::from_str(&answer).unwrap();
    let ours = gcv_spline(&theirs.x, &theirs.y).unwrap();
    let apart = |theirs: &[f64]| {
        assert_eq!(ours.len(), theirs.len());
        let each = ours.iter().zip(theirs).map(|(a, b)| (a - b).abs());
        each.fold(0.0, f64::max)
    };
    let (woltring, scipy) = (apart(&theirs.gcvspl), apart(&theirs.scipy));
    println!("GCV spline: {woltring:.1e} from GCVSPL, {scipy:.1e} from SciPy");
    assert!(theirs.x.len() == 100 && woltring < 1e-5 && scipy < 1e-5);
}

#[derive(Deserialize)]
struct Pair {
    corrected: [Point2<f64>; 2],
    linear: [f64; 3],
    best: [f64; 3],
}

#[test]
fn two_views_as_opencv() {
    let Some(interpreter) = python::interpreter() else {
        return;
    };
    // The first pair of cameras is that of OpenCV's own test; the second converges as two cameras on a range do.
    let level = Matrix3x4::new(250., 0., 200., 0., 0., 250., 150., 0., 0., 0., 1., 0.);
    let mut beside = level;
    beside[(0, 3)] = -250.0;
    let (sin, cos) = 0.8_f64.sin_cos();
    let turned = Matrix3x4::new(cos, 0., -sin, 2.1, 0., 1., 0., 0.1, sin, 0., cos, 0.9);
    let converging = level.fixed_view::<3, 3>(0, 0) * turned;
    for (first, second, pixels) in [
        (
            level,
            beside,
            [Point2::new(200.0, 0.0), Point2::new(170.0, 1.0)],
        ),
        (
            level,
            converging,
            [Point2::new(240.3, 171.2), Point2::new(285.7, 172.9)],
        ),
    ] {
        let rows = |m: &Matrix3x4<f64>| -> Vec<Vec<f64>> {
            m.row_iter()
                .map(|row| row.iter().copied().collect())
                .collect()
        };
        // Both sides get our fundamental matrix only as a statement of x₁ᵀ F x₂ = 0; OpenCV wants it transposed.
        let fundamental = fundamental_from_matrices(&first, &second);
        let turned_over: Vec<Vec<f64>> = fundamental
            .column_iter()
            .map(|c| c.iter().copied().collect())
            .collect();
        let question = json!({"first": rows(&first), "second": rows(&second), "pixels": pixels, "fundamental": turned_over});
        let script = "tests/outside/smoothing.py";
        let answer = python::ask(&interpreter, script, &["views"], &question.to_string());
        let theirs: Pair = serde_json::from_str(&answer).unwrap();
        let corrected = correct_two_views(&fundamental, &pixels[0], &pixels[1]);
        let apart_px = (corrected.0 - theirs.corrected[0])
            .norm()
            .max((corrected.1 - theirs.corrected[1]).norm());
        let matrices = [first, second];
        let linear = triangulate_matrices(&matrices, &pixels).unwrap();
        let best = triangulate_matrices(&matrices, &[corrected.0, corrected.1]).unwrap();
        let linear_apart = (linear - nalgebra::Point3::from(theirs.linear)).norm();
        let best_apart = (best - nalgebra::Point3::from(theirs.best)).norm();
        println!(
            "corrected {apart_px:.1e} px; points: linear {linear_apart:.1e}, best {best_apart:.1e}"
        );
        // The second pair moves by 3 px, where Lindstrom's two steps stop 9e-7 px short (OpenCV: 2e-8 px, by Newton's method).
        assert!(apart_px < 1e-6);
        assert!(linear_apart < 1e-8 && best_apart < 1e-6);
    }
}
