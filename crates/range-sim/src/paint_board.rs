//! The printed sheet: where a ray meets it, and how much ink a pixel sees.

use crate::board::BoardMotion;
use crate::canvas::Canvas;
use crate::lamps::Lamps;
use crate::projection::project;
use crate::stage::Stage;
use crate::track::{MOST_INSTANTS, Sweep, exposure_instants};
use crate::view::View;
use nalgebra::{Isometry3, Matrix3, Point3, Vector3};

/// Where a ray through the camera's origin meets the sheet.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Hit {
    /// `t` of the point `t · direction`.
    pub(crate) t: f64,
    /// Place on the sheet from its middle, along the arrow and across (m).
    pub(crate) x_m: f64,
    pub(crate) y_m: f64,
    /// Seen from the printed side.
    pub(crate) printed: bool,
}

/// The sheet at one instant: the camera's frame seen from the board's middle.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sheet {
    middle_from_camera: Matrix3<f64>,
    eye_in_middle: Vector3<f64>,
}

impl Sheet {
    pub(crate) fn of(camera_from_middle: &Isometry3<f64>) -> Self {
        let back = camera_from_middle.rotation.inverse();
        Self {
            middle_from_camera: back.to_rotation_matrix().into_inner(),
            eye_in_middle: back * -camera_from_middle.translation.vector,
        }
    }

    /// Where the infinite sheet (bent along x as the board is) is met.
    pub(crate) fn meet(&self, board: &BoardMotion, direction: &Vector3<f64>) -> Option<Hit> {
        let d = self.middle_from_camera * direction;
        let from = self.eye_in_middle;
        if d.z.abs() < 1e-9 {
            return None;
        }
        let mut t = -from.z / d.z;
        if board.plan.bend_m != 0.0 {
            for _ in 0..6 {
                let (height, slope) = board.bend(from.x + t * d.x);
                t -= (from.z + t * d.z - height) / (d.z - slope * d.x);
            }
        }
        (t > 0.05).then_some(Hit {
            t,
            x_m: from.x + t * d.x,
            y_m: from.y + t * d.y,
            printed: d.z < 0.0,
        })
    }
}

/// Where the sheet itself is met.
pub(crate) fn hit(
    board: &BoardMotion,
    camera_from_middle: &Isometry3<f64>,
    direction: &Vector3<f64>,
) -> Option<Hit> {
    let half = board.half_sheet();
    Sheet::of(camera_from_middle)
        .meet(board, direction)
        .filter(|hit| hit.x_m.abs() < half.0 && hit.y_m.abs() < half.1)
}

/// Fraction of the unit square about the origin on the side `n·p < distance` of a line with unit normal `n`.
pub(crate) fn half_plane_share(distance: f64, normal_x: f64, normal_y: f64) -> f64 {
    let (a, b) = (
        normal_x.abs().max(normal_y.abs()),
        normal_x.abs().min(normal_y.abs()),
    );
    let far = distance.abs();
    let share = if far >= 0.5 * (a + b) {
        0.0
    } else if far <= 0.5 * (a - b) || b < 1e-9 {
        0.5 - far / a
    } else {
        let rest = 0.5 * (a + b) - far;
        rest * rest / (2.0 * a * b)
    };
    if distance > 0.0 { 1.0 - share } else { share }
}

/// How the sheet's coordinates change over one pixel: for `x` and `y`, the gradient's length (m/px) and its
/// direction in the picture.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Footprint {
    pub(crate) x: (f64, f64, f64),
    pub(crate) y: (f64, f64, f64),
}

impl Footprint {
    pub(crate) fn of(here: &Hit, right: &Hit, below: &Hit) -> Self {
        let gradient = |along: f64, down: f64| {
            let size = (along * along + down * down).sqrt().max(1e-12);
            (size, along / size, down / size)
        };
        Self {
            x: gradient(right.x_m - here.x_m, below.x_m - here.x_m),
            y: gradient(right.y_m - here.y_m, below.y_m - here.y_m),
        }
    }
}

/// Signed square wave along one axis, filtered by the pixel: `+1` in even cells.
fn wave(coordinate: f64, pitch: f64, (size, nx, ny): (f64, f64, f64)) -> f64 {
    let cells = coordinate / pitch;
    let line = cells.round();
    let distance_px = (coordinate - line * pitch) / size;
    // Share of the pixel beyond the line, on the side of growing coordinate.
    let beyond = half_plane_share(distance_px, nx, ny);
    #[expect(clippy::cast_possible_truncation, reason = "cells of a board")]
    let even = (line as i64).rem_euclid(2) == 0;
    let sign = if even { 1.0 } else { -1.0 };
    sign * (2.0 * beyond - 1.0)
}

/// `(cover, white)`: how much of the pixel the sheet covers, and how white it is there, 0 ink to 1 paper.
pub(crate) fn look(board: &BoardMotion, hit: &Hit, footprint: &Footprint) -> (f64, f64) {
    let plan = &board.plan;
    let half = board.half_sheet();
    let inside = |coordinate: f64, limit: f64, g: (f64, f64, f64)| {
        half_plane_share((limit - coordinate.abs()) / g.0, g.1, g.2)
    };
    let cover = inside(hit.x_m, half.0, footprint.x) * inside(hit.y_m, half.1, footprint.y);
    if !hit.printed {
        return (cover, 0.55);
    }
    let rim_x = half.0 - plan.rim_m;
    let rim_y = half.1 - plan.rim_m;
    let printed = inside(hit.x_m, rim_x, footprint.x) * inside(hit.y_m, rim_y, footprint.y);
    // Measured from corner (0, 0).
    let x = hit.x_m + rim_x - plan.pitch_x_m;
    let y = hit.y_m + rim_y - plan.pitch_y_m;
    let product = wave(x, plan.pitch_x_m, footprint.x) * wave(y, plan.pitch_y_m, footprint.y);
    // The square beyond corner (0, 0) is black: both waves are negative there, so a positive product is ink.
    let ink = printed * 0.5 * (1.0 + product);
    // The arrow on the lower rim.
    let shaft = (hit.y_m + half.1 - 0.5 * plan.rim_m).abs();
    let arrow_ink = {
        let tip = 0.06 - hit.x_m;
        let head = (0.0..0.03).contains(&tip) && shaft < 0.3 * tip;
        let stem = (-0.06..0.035).contains(&hit.x_m) && shaft < 0.0025;
        f64::from(u8::from(head || stem)) * 0.85
    };
    (cover, (1.0 - ink - arrow_ink).max(0.0))
}

/// The part of the picture that the board sweeps during a frame.
fn sweep(board: &BoardMotion, view: &View, camera_s: f64) -> Option<Sweep> {
    let shutter = view.camera.shutter;
    let length_s = shutter.readout_s.abs() + shutter.exposure_s;
    let centre_row = 0.5 * (f64::from(view.camera.image_size.height_px) - 1.0);
    let (half_x, half_y) = board.half_sheet();
    let mut corners = Vec::with_capacity(8);
    for delay in [-0.5, 0.5] {
        let instant = view.row_instant_s(camera_s, centre_row) + delay * length_s;
        let pose = view.camera_from_range_at(instant) * board.middle_at(instant);
        for (sx, sy) in [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)] {
            let corner = pose * Point3::new(sx * half_x, sy * half_y, 0.0);
            corners.push(project(&view.camera.lens, &corner)?);
        }
    }
    let moved = (0..4)
        .map(|k| (corners[k] - corners[k + 4]).norm())
        .fold(0.0, f64::max);
    Some(Sweep {
        segments: (0..8)
            .map(|k| (corners[k], corners[k / 4 * 4 + (k + 1) % 4]))
            .collect(),
        reach: 4.0 + 60.0 * (board.plan.bend_m / 0.01).abs().min(1.0),
        speed_px_s: moved / length_s.max(1e-6),
    })
}

/// The sheet at one instant of the exposure, and the light on its printed side and on its back.
type Lit = (Sheet, [f64; 2]);

/// `(depth, cover, brightness)` of the board in a pixel, given its ray and those beside it and below it.
fn expose(
    board: &BoardMotion,
    sheets: &[Lit],
    [here, right, below]: &[Vector3<f64>; 3],
) -> Option<(f64, f64, f64)> {
    let (half_x, half_y) = board.half_sheet();
    let (mut cover, mut white, mut depth, mut light) = (0.0, 0.0, 0.0, 0.0);
    let mut known = None;
    for (sheet, lights) in sheets {
        let Some(hit) = sheet.meet(board, here) else {
            continue;
        };
        if hit.x_m.abs() > half_x + 0.02 || hit.y_m.abs() > half_y + 0.02 {
            continue;
        }
        // One footprint serves the whole exposure: it changes far less than the place does.
        let footprint = if let Some(footprint) = known {
            footprint
        } else {
            let (Some(right), Some(below)) = (sheet.meet(board, right), sheet.meet(board, below))
            else {
                continue;
            };
            *known.insert(Footprint::of(&hit, &right, &below))
        };
        let (part, tone) = look(board, &hit, &footprint);
        cover += part;
        white += part * tone;
        depth += part * hit.t;
        light += part * lights[usize::from(!hit.printed)];
    }
    (cover > 1e-4).then(|| {
        let tone = 0.035 + 0.745 * white / cover;
        (
            depth / cover,
            cover / sheets.len() as f64,
            tone * light / cover,
        )
    })
}

/// Draws the board over a frame: each row at its own instants, cells filtered by the pixel.
pub(crate) fn draw_board(
    board: &BoardMotion,
    view: &View,
    stage: &Stage,
    camera_s: f64,
    lamps: &Lamps,
    canvas: &mut Canvas,
) {
    let Some(sweep) = sweep(board, view, camera_s) else {
        return;
    };
    let exposure = view.camera.shutter.exposure_s;
    let count = exposure_instants(exposure, sweep.speed_px_s, 0.5);
    let (Some((y0, y1)), Some(columns)) = (sweep.rows(canvas.height), sweep.columns(canvas.width))
    else {
        return;
    };
    let mut sheets: Vec<Lit> = Vec::with_capacity(MOST_INSTANTS);
    for y in y0..y1 {
        let Some((from, to)) = sweep.span(y as f64, columns) else {
            continue;
        };
        sheets.clear();
        sheets.extend((0..count).map(|k| {
            let share = (k as f64 + 0.5) / count as f64 - 0.5;
            let instant = view.row_instant_s(camera_s, y as f64) + exposure * share;
            let pose = view.camera_from_range_at(instant) * board.middle_at(instant);
            let facing = pose.rotation * Vector3::z();
            let lights = [facing, -facing].map(|normal| 0.35 + 0.65 * lamps.on(&normal, false));
            (Sheet::of(&pose), lights)
        }));
        for x in from..to {
            let at = y * canvas.width + x;
            let here = stage.direction(at);
            // At the picture's edge the ray beyond it is the one before, turned round.
            let beside = |step: usize, last: bool| {
                if last {
                    here * 2.0 - stage.direction(at - step)
                } else {
                    stage.direction(at + step)
                }
            };
            let right = beside(1, x + 1 == canvas.width);
            let below = beside(canvas.width, y + 1 == canvas.height);
            if let Some((depth, cover, bright)) = expose(board, &sheets, &[here, right, below]) {
                #[expect(
                    clippy::cast_possible_truncation,
                    reason = "colours are single precision"
                )]
                let value = bright as f32;
                canvas.lay((x, y), depth - 0.004, cover, [value, value, value * 0.97]);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Scenario;
    use crate::projection::slopes_from_pixel;
    use crate::world::World;
    use nalgebra::{Matrix2, Point2, Vector2};

    const LAMPS: Lamps = Lamps {
        up: Vector3::new(0.0, -1.0, 0.0),
        key: Vector3::new(0.0, 0.0, -1.0),
        one_sided: 0.2,
    };

    /// Brightness of a pixel by brute force: many rays within it, many instants within the exposure, the square that
    /// each ray meets.
    fn by_many_rays(board: &BoardMotion, view: &View, camera_s: f64, x: usize, y: usize) -> f64 {
        let (half_x, half_y) = board.half_sheet();
        let plan = &board.plan;
        let mut sum = 0.0;
        for k in 0..8 {
            let share = (f64::from(k) + 0.5) / 8.0 - 0.5;
            let instant =
                view.row_instant_s(camera_s, y as f64) + view.camera.shutter.exposure_s * share;
            let pose = view.camera_from_range_at(instant) * board.middle_at(instant);
            let sheet = Sheet::of(&pose);
            let facing = pose.rotation * Vector3::z();
            for (i, j) in (0..225).map(|n| (n % 15, n / 15)) {
                // Each instant has its rays elsewhere, so that a resting edge is not counted in fifteenths.
                let turn = f64::from(k) + 0.5;
                let aside = [turn * 0.618, turn / 8.0].map(|v| v.fract() - 0.5);
                let pixel = Point2::new(
                    x as f64 + (f64::from(i) - 7.0 + aside[0]) / 15.0,
                    y as f64 + (f64::from(j) - 7.0 + aside[1]) / 15.0,
                );
                let slopes = slopes_from_pixel(&view.camera.lens, &pixel).unwrap();
                let ray = Vector3::new(slopes.x, slopes.y, 1.0);
                let hit = sheet.meet(board, &ray).unwrap();
                let column = (hit.x_m + half_x - plan.rim_m) / plan.pitch_x_m - 1.0;
                let row = (hit.y_m + half_y - plan.rim_m) / plan.pitch_y_m - 1.0;
                let black = (column.floor() + row.floor()).rem_euclid(2.0) < 0.5;
                let tone = if black { 0.035 } else { 0.78 };
                sum += tone * (0.35 + 0.65 * LAMPS.on(&facing, false));
            }
        }
        sum / (8.0 * 225.0)
    }

    /// How far the drawn corner lies from the one that many rays show (px), by least squares over its surroundings.
    fn miss(
        drawn: &Canvas,
        truth: &dyn Fn(usize, usize) -> f64,
        corner: &Point2<f64>,
        reach: usize,
    ) -> f64 {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "inside the picture"
        )]
        let (left, top) = (
            corner.x.round() as usize - reach,
            corner.y.round() as usize - reach,
        );
        let side = 2 * reach + 1;
        let window: Vec<Vec<f64>> = (0..side)
            .map(|j| (0..side).map(|i| truth(left + i, top + j)).collect())
            .collect();
        let (mut normal, mut right) = (Matrix2::zeros(), Vector2::zeros());
        for j in 1..side - 1 {
            for i in 1..side - 1 {
                let slope = Vector2::new(
                    0.5 * (window[j][i + 1] - window[j][i - 1]),
                    0.5 * (window[j + 1][i] - window[j - 1][i]),
                );
                let here = f64::from(drawn.light[0][(top + j) * drawn.width + left + i]);
                normal += slope * slope.transpose();
                right -= slope * (here - window[j][i]);
            }
        }
        (normal.try_inverse().unwrap() * right).norm()
    }

    #[test]
    fn corners_are_drawn_where_rays_meet_them() {
        let world = World::new(&Scenario::club_five_three(7).shortened()).unwrap();
        let (board, view) = (world.board.as_ref().unwrap(), &world.views[0]);
        let mut stage = Stage::new(&world, view, &view.camera_from_range);
        for plane in &mut stage.background {
            plane.fill(0.0);
        }
        let mut canvas = Canvas::new(1920, 1080, &stage.background);
        let (mut square, mut count, mut worst) = (0.0, 0.0, 0.0_f64);
        for camera_s in [2.9, 4.4, 5.6, 6.3, 7.7, 10.6] {
            canvas.clear(&stage.background);
            draw_board(board, view, &stage, camera_s, &LAMPS, &mut canvas);
            let printed = view.camera_from_range * board.middle_at(camera_s);
            let turned = (printed.rotation * Vector3::z()).dot(&printed.translation.vector) > 0.0;
            assert!(!turned, "the board shows its back at {camera_s} s");
            let corners = world.board_pixels(0, camera_s).unwrap();
            let columns = board.plan.columns;
            let inside =
                |p: &Point2<f64>| (10.0..1910.0).contains(&p.x) && (10.0..1070.0).contains(&p.y);
            for k in (0..corners.len() - columns).step_by(11) {
                // The surroundings must not reach beyond the squares that meet at the corner.
                let next = if k % columns == columns - 1 {
                    k - 1
                } else {
                    k + 1
                };
                let height = (corners[k + columns] - corners[k]).norm();
                let size = height.min((corners[next] - corners[k]).norm());
                let reach = if size > 12.0 { 5 } else { 3 };
                if !inside(&corners[k]) || size < 7.0 {
                    continue;
                }
                let truth = |x: usize, y: usize| by_many_rays(board, view, camera_s, x, y);
                let miss = miss(&canvas, &truth, &corners[k], reach);
                if size > 12.0 {
                    square += miss * miss;
                    count += 1.0;
                }
                worst = worst.max(miss);
            }
        }
        let rms = f64::sqrt(square / count);
        // Where the lines of small, slanted squares cross within a pixel, the product of two filtered waves is not
        // quite the filtered product: up to 0.02 px on the board as it lies on the line.
        assert!(
            count >= 20.0 && rms < 0.005 && worst < 0.03,
            "{count} {rms} {worst}"
        );
    }
}
