//! A first lens, good enough for the adjustment to find the rest.

use crate::Board;
use crate::planar_pose::{homography, planar_pose};
use drawarc_rig::{BrownConrady, ImageSize, KannalaBrandt, Lens};
use nalgebra::{Matrix3, Point2, Vector3};

/// Focal lengths outside these (widths of the picture) are no camera's: a start there is refused.
const FOCAL_WIDTHS: (f64, f64) = (0.2, 20.0);
/// Focal length where the views say nothing (widths): a phone's main lens (common practice, no source).
const USUAL_FOCAL_WIDTHS: f64 = 0.8;
/// Views that the search for a wide lens looks at.
const WIDE_VIEWS: usize = 12;

fn middle_px(size: ImageSize) -> Point2<f64> {
    Point2::new(
        (f64::from(size.width_px) - 1.0) / 2.0,
        (f64::from(size.height_px) - 1.0) / 2.0,
    )
}

/// Pinhole from the homographies of the views, square pixels, principal point in the middle (Zhang 2000, section 3.1,
/// with one unknown left: both constraints of every view are linear in 1/f²).
pub(crate) fn pinhole_start(
    size: ImageSize,
    board: &Board,
    views: &[&[Point2<f64>]],
) -> Option<Lens> {
    let middle = middle_px(size);
    let flat: Vec<Point2<f64>> = board.corners().iter().map(nalgebra::Point3::xy).collect();
    let width = f64::from(size.width_px.max(size.height_px));
    let (mut product, mut square) = (0.0, 0.0);
    for view in views {
        // In widths from the middle, so that both constraints weigh alike in every camera.
        let centred: Vec<Point2<f64>> = view
            .iter()
            .map(|p| Point2::from((p - middle) / width))
            .collect();
        let Some(h) = homography(&flat, &centred) else {
            continue;
        };
        let h: Matrix3<f64> = h / h.column(0).norm().max(f64::MIN_POSITIVE);
        let (a, b): (Vector3<f64>, Vector3<f64>) = (h.column(0).into(), h.column(1).into());
        // (a·b)_xy w + a_z b_z = 0 and (a² − b²)_xy w + a_z² − b_z² = 0 with w = 1/f².
        for (factor, rest) in [
            (a.xy().dot(&b.xy()), a.z * b.z),
            (
                a.xy().norm_squared() - b.xy().norm_squared(),
                a.z * a.z - b.z * b.z,
            ),
        ] {
            product -= factor * rest;
            square += factor * factor;
        }
    }
    let inverse_square = product / square;
    let focal_widths = if inverse_square > 0.0 {
        (1.0 / inverse_square.sqrt()).clamp(FOCAL_WIDTHS.0, FOCAL_WIDTHS.1)
    } else {
        USUAL_FOCAL_WIDTHS
    };
    focal_widths.is_finite().then(|| {
        Lens::BrownConrady(BrownConrady::pinhole(
            focal_widths * width,
            middle.x,
            middle.y,
        ))
    })
}

/// The Kannala-Brandt lens that agrees with a pinhole of the same focal length to the order that it has: tan θ as a series.
pub(crate) fn wide_from_pinhole(lens: &Lens) -> Lens {
    let p = lens.parameters();
    Lens::KannalaBrandt(KannalaBrandt {
        fx_px: p[0],
        fy_px: p[1],
        cx_px: p[2],
        cy_px: p[3],
        k1: 1.0 / 3.0,
        k2: 2.0 / 15.0,
        k3: 0.0,
        k4: 0.0,
    })
}

/// A wide lens: the equidistant one whose focal length lets the boards be flat and square best.
pub(crate) fn wide_start(size: ImageSize, board: &Board, views: &[&[Point2<f64>]]) -> Option<Lens> {
    let middle = middle_px(size);
    let corners = board.corners();
    let step = (views.len() / WIDE_VIEWS).max(1);
    let mut best: Option<(f64, Lens)> = None;
    for k in 0..30 {
        let focal_px = f64::from(size.width_px.max(size.height_px)) * 0.18 * 1.08f64.powi(k);
        let lens = Lens::KannalaBrandt(KannalaBrandt {
            fx_px: focal_px,
            fy_px: focal_px,
            cx_px: middle.x,
            cy_px: middle.y,
            k1: 0.0,
            k2: 0.0,
            k3: 0.0,
            k4: 0.0,
        });
        let sum: f64 = views
            .iter()
            .step_by(step)
            .map(|view| {
                planar_pose(&lens, &corners, view).map_or(1e4, |pose| pose.rms_px.powi(2).min(1e4))
            })
            .sum();
        if best.as_ref().is_none_or(|(least, _)| sum < *least) {
            best = Some((sum, lens));
        }
    }
    best.map(|(_, lens)| lens)
}
