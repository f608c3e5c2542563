//! Soft dark patches on the floor.

use crate::canvas::{Canvas, TILE};
use crate::projection::project;
use crate::stage::Stage;
use crate::track::Sweep;
use crate::view::View;
use nalgebra::{Isometry3, Point2, Point3, Vector3};

/// A patch: middle (range frame, m), half axes along x and y (m), darkness at the middle.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Shadow {
    pub(crate) middle: Point3<f64>,
    pub(crate) half_m: [f64; 2],
    pub(crate) dark: f64,
}

/// Darkens the floor under a shadow.
pub(crate) fn draw_shadow(
    view: &View,
    stage: &Stage,
    shadow: &Shadow,
    camera_from_range: &Isometry3<f64>,
    canvas: &mut Canvas,
) {
    let Shadow {
        middle,
        half_m,
        dark,
    } = *shadow;
    let corner = |sx: f64, sy: f64| -> Option<Point2<f64>> {
        let corner = middle + Vector3::new(sx * half_m[0], sy * half_m[1], 0.0);
        project(&view.camera.lens, &(camera_from_range * corner))
    };
    let corners: Option<Vec<_>> = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]
        .iter()
        .map(|&(sx, sy)| corner(sx, sy))
        .collect();
    let Some(corners) = corners else { return };
    let sweep = Sweep {
        segments: (0..4).map(|k| (corners[k], corners[(k + 1) % 4])).collect(),
        reach: 2.0,
        speed_px_s: 0.0,
    };
    let (Some((y0, y1)), Some(columns)) = (sweep.rows(canvas.height), sweep.columns(canvas.width))
    else {
        return;
    };
    // A ray meets the floor at eye + t·ray with t = drop / ray.z; in units of the half axes from the middle that
    // is a quotient of two linear forms of the ray's slopes.
    let back = camera_from_range.rotation.inverse().to_rotation_matrix();
    let eye = camera_from_range.inverse() * Point3::origin();
    let drop = middle.z - eye.z;
    let [x, y, z] = [0, 1, 2].map(|k| back.matrix().row(k).transpose());
    #[expect(clippy::cast_possible_truncation, reason = "soft patches need no more")]
    let form = |v: Vector3<f64>| [v.x as f32, v.y as f32, v.z as f32];
    let u = form((z * (eye.x - middle.x) + x * drop) / half_m[0]);
    let v = form((z * (eye.y - middle.y) + y * drop) / half_m[1]);
    let below = form(z);
    #[expect(clippy::cast_possible_truncation, reason = "soft patches need no more")]
    let (dark, drop) = (dark as f32, drop as f32);
    for y in y0..y1 {
        let Some((from, to)) = sweep.span(y as f64, columns) else {
            continue;
        };
        for x in (from / TILE * TILE..to).step_by(TILE) {
            let [sx, sy] = stage.lane(x, y);
            let mut fraction = [0.0_f32; TILE];
            let mut any = 0.0_f32;
            for i in 0..TILE {
                let of = |form: &[f32; 3]| form[0] * sx[i] + form[1] * sy[i] + form[2];
                let down = of(&below);
                let (across, along) = (of(&u) / down, of(&v) / down);
                let inside = 1.0 - across * across - along * along;
                let inside = if inside > 0.0 && drop / down > 0.0 {
                    inside
                } else {
                    0.0
                };
                fraction[i] = dark * inside * (2.0 - inside);
                any += fraction[i];
            }
            if any > 0.0 {
                canvas.darken(x, y, &fraction);
            }
        }
    }
}
