//! The pose of a planar board from one view: homography, then Gauss-Newton on the pixels.

use drawarc_rig::{Lens, perturb, skew};
use nalgebra::{
    Isometry3, Matrix3, Matrix6, Point2, Point3, Rotation3, SMatrix, Translation3, UnitQuaternion,
    UnitVector3, Vector3, Vector6,
};

/// Steps of the refinement, at most; four to six are usual.
const STEPS: usize = 30;
/// The refinement ends when the pose moves less than this (rad, m).
const STEP_END: f64 = 1e-11;
/// Directions flatter than this (cosine with the axis) are not used for the homography.
const LEAST_COSINE: f64 = 0.1;

/// A pose with how well it fits.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PlanarPose {
    /// `point_in_camera = camera_from_board * point_in_board`.
    pub(crate) camera_from_board: Isometry3<f64>,
    /// Root mean square distance of the corners from their prediction (px).
    pub(crate) rms_px: f64,
}

/// Homography that takes `from` to `to` up to scale, by the normalised direct linear transform (Hartley & Zisserman
/// 2004, algorithm 4.2). `None` for fewer than four points or a degenerate set.
pub(crate) fn homography(from: &[Point2<f64>], to: &[Point2<f64>]) -> Option<Matrix3<f64>> {
    if from.len() < 4 || from.len() != to.len() {
        return None;
    }
    let (normal_from, from_unit) = normalise(from)?;
    let (normal_to, to_unit) = normalise(to)?;
    let mut normal = SMatrix::<f64, 9, 9>::zeros();
    for (p, q) in from_unit.iter().zip(&to_unit) {
        let rows = [
            [p.x, p.y, 1.0, 0.0, 0.0, 0.0, -q.x * p.x, -q.x * p.y, -q.x],
            [0.0, 0.0, 0.0, p.x, p.y, 1.0, -q.y * p.x, -q.y * p.y, -q.y],
        ];
        for row in rows {
            let row = SMatrix::<f64, 9, 1>::from_row_slice(&row);
            normal += row * row.transpose();
        }
    }
    let eigen = normal.symmetric_eigen();
    let least = eigen.eigenvalues.imin();
    let h = eigen.eigenvectors.column(least);
    let unit = Matrix3::from_row_slice(&[h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], h[8]]);
    let found = normal_to.try_inverse()? * unit * normal_from;
    found.iter().all(|value| value.is_finite()).then_some(found)
}

fn normalise(points: &[Point2<f64>]) -> Option<(Matrix3<f64>, Vec<Point2<f64>>)> {
    let n = points.len() as f64;
    let mean = points
        .iter()
        .map(|p| p.coords)
        .sum::<nalgebra::Vector2<f64>>()
        / n;
    let spread = points.iter().map(|p| (p.coords - mean).norm()).sum::<f64>() / n;
    if spread.is_nan() || spread <= 0.0 {
        return None;
    }
    let scale = std::f64::consts::SQRT_2 / spread;
    let matrix = Matrix3::new(
        scale,
        0.0,
        -scale * mean.x,
        0.0,
        scale,
        -scale * mean.y,
        0.0,
        0.0,
        1.0,
    );
    let moved = points
        .iter()
        .map(|p| Point2::from((p.coords - mean) * scale))
        .collect();
    Some((matrix, moved))
}

/// Pose of a board whose corners lie at `corners_in_board` (m, `z = 0`) and are seen at `corners_px`. Both poses that
/// a plane seen from afar allows are tried and the better one is taken. `None` where the lens sees no such rays.
pub(crate) fn planar_pose(
    lens: &Lens,
    corners_in_board: &[Point3<f64>],
    corners_px: &[Point2<f64>],
) -> Option<PlanarPose> {
    let mut flat = Vec::with_capacity(corners_px.len());
    let mut board = Vec::with_capacity(corners_px.len());
    for (corner, pixel) in corners_in_board.iter().zip(corners_px) {
        if let Some(ray) = lens.ray_from_pixel(pixel)
            && ray.z > LEAST_COSINE
        {
            flat.push(Point2::new(ray.x / ray.z, ray.y / ray.z));
            board.push(corner.xy());
        }
    }
    let start = pose_of_homography(&homography(&board, &flat)?)?;
    let first = refine(lens, corners_in_board, corners_px, start);
    let middle = Point3::from(
        corners_in_board
            .iter()
            .map(|p| p.coords)
            .sum::<Vector3<f64>>()
            / corners_in_board.len() as f64,
    );
    let basis = first.map_or(start, |pose| pose.camera_from_board);
    let second = refine(lens, corners_in_board, corners_px, flipped(&basis, &middle));
    match (first, second) {
        (Some(a), Some(b)) => Some(if b.rms_px < a.rms_px { b } else { a }),
        (a, b) => a.or(b),
    }
}

/// The other pose from which a distant plane looks nearly the same: half a turn about the line of sight, and half a
/// turn within the plane.
fn flipped(camera_from_board: &Isometry3<f64>, middle: &Point3<f64>) -> Isometry3<f64> {
    let middle_in_camera = camera_from_board * middle;
    let sight = UnitVector3::new_normalize(middle_in_camera.coords);
    let half = std::f64::consts::PI;
    let rotation = UnitQuaternion::from_axis_angle(&sight, half)
        * camera_from_board.rotation
        * UnitQuaternion::from_axis_angle(&Vector3::z_axis(), half);
    let translation = middle_in_camera.coords - rotation * middle.coords;
    Isometry3::from_parts(Translation3::from(translation), rotation)
}

fn pose_of_homography(h: &Matrix3<f64>) -> Option<Isometry3<f64>> {
    let scale = 2.0 / (h.column(0).norm() + h.column(1).norm());
    let sign = if h[(2, 2)] < 0.0 { -1.0 } else { 1.0 };
    let h = h * (scale * sign);
    let (x, y): (Vector3<f64>, Vector3<f64>) = (h.column(0).into(), h.column(1).into());
    let rough = Matrix3::from_columns(&[x, y, x.cross(&y)]);
    if !rough.iter().all(|value| value.is_finite()) {
        return None;
    }
    let svd = rough.svd(true, true);
    let rotation = Rotation3::from_matrix_unchecked(svd.u? * svd.v_t?);
    let translation: Vector3<f64> = h.column(2).into();
    Some(Isometry3::from_parts(
        Translation3::from(translation),
        UnitQuaternion::from_rotation_matrix(&rotation),
    ))
}

/// Gauss-Newton with step halving on the corners' pixels.
pub(crate) fn refine(
    lens: &Lens,
    corners_in_board: &[Point3<f64>],
    corners_px: &[Point2<f64>],
    start: Isometry3<f64>,
) -> Option<PlanarPose> {
    let cost = |pose: &Isometry3<f64>| {
        let mut sum = 0.0;
        for (corner, pixel) in corners_in_board.iter().zip(corners_px) {
            sum += (lens.pixel_from_camera(&(pose * corner))? - pixel).norm_squared();
        }
        Some(sum)
    };
    let mut pose = start;
    let mut best = cost(&pose)?;
    let mut damping = 1e-6;
    for _ in 0..STEPS {
        let (normal, slope) = normal_equations(lens, corners_in_board, corners_px, &pose)?;
        let mut moved = None;
        for _ in 0..10 {
            let mut damped = normal;
            for k in 0..6 {
                damped[(k, k)] *= 1.0 + damping;
            }
            let step = -damped.cholesky()?.solve(&slope);
            let next = perturb(&pose, &step);
            match cost(&next) {
                Some(value) if value <= best => {
                    moved = Some((next, value, step.norm()));
                    damping = (damping * 0.1).max(1e-12);
                    break;
                }
                _ => damping = (damping * 10.0).max(1e-6),
            }
        }
        let Some((next, value, length)) = moved else {
            break;
        };
        (pose, best) = (next, value);
        if length < STEP_END {
            break;
        }
    }
    Some(PlanarPose {
        camera_from_board: pose,
        rms_px: (best / corners_px.len().max(1) as f64).sqrt(),
    })
}

fn normal_equations(
    lens: &Lens,
    corners_in_board: &[Point3<f64>],
    corners_px: &[Point2<f64>],
    pose: &Isometry3<f64>,
) -> Option<(Matrix6<f64>, Vector6<f64>)> {
    let mut normal = Matrix6::zeros();
    let mut slope = Vector6::zeros();
    for (corner, pixel) in corners_in_board.iter().zip(corners_px) {
        let point_in_camera = pose * corner;
        let seen = lens.project(&point_in_camera)?;
        let mut by_pose = SMatrix::<f64, 2, 6>::zeros();
        by_pose
            .fixed_columns_mut::<3>(0)
            .copy_from(&(-seen.pixel_by_point * skew(&point_in_camera.coords)));
        by_pose
            .fixed_columns_mut::<3>(3)
            .copy_from(&seen.pixel_by_point);
        normal += by_pose.transpose() * by_pose;
        slope += by_pose.transpose() * (seen.pixel - pixel);
    }
    Some((normal, slope))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Board;
    use drawarc_rig::{BrownConrady, exp, log};
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_planted_pose_is_found(tilt in prop::array::uniform3(-0.9f64..0.9), x in -0.4f64..0.4, y in -0.2f64..0.2, z in 1.2f64..4.0) {
            let lens = Lens::BrownConrady(BrownConrady { k1: -0.1, k2: 0.02, ..BrownConrady::pinhole(1500.0, 959.5, 539.5) });
            let board = Board::new("A3", 9, 6, 0.04).unwrap();
            // Printed side toward the camera: half a turn about x, then the tilt.
            let facing = exp(&Vector6::new(std::f64::consts::PI, 0.0, 0.0, x * z / 2.0, y * z / 2.0, z));
            let pose = facing * exp(&Vector6::new(tilt[0], tilt[1], tilt[2], 0.0, 0.0, 0.0));
            let corners = board.corners();
            let pixels: Vec<_> = corners.iter().map(|c| lens.pixel_from_camera(&(pose * c)).unwrap()).collect();
            let found = planar_pose(&lens, &corners, &pixels).unwrap();
            prop_assert!(found.rms_px < 1e-8, "rms {}", found.rms_px);
            let apart = log(&(found.camera_from_board.inverse() * pose)).norm();
            prop_assert!(apart < 1e-7, "{apart}");
        }
    }
}
