//! Cameras tied by the moments that they share: first poses of all of them.

use crate::CalibrationError;
use crate::bundle::BoardMotion;
use drawarc_rig::log;
use nalgebra::{Isometry3, Point3};

/// Estimates that an edge looks at, at most: the cost of the medoid grows with the square.
const MOST_OF_EDGE: usize = 60;

/// For each moment, the board's motion in the frame of each camera that sees it.
pub(crate) type MotionsInCameras = Vec<Vec<Option<BoardMotion>>>;

/// How many moments each pair of cameras shares; the diagonal counts the moments of a camera.
pub(crate) fn shared_moments(motions: &MotionsInCameras, cameras: usize) -> Vec<Vec<usize>> {
    let mut shared = vec![vec![0; cameras]; cameras];
    for moment in motions {
        for a in 0..cameras {
            for b in 0..cameras {
                if moment[a].is_some() && moment[b].is_some() {
                    shared[a][b] += 1;
                }
            }
        }
    }
    shared
}

/// `camera_b_from_camera_a`: of all shared moments' estimates the one that lies in the middle of the others (medoid).
fn between(
    motions: &MotionsInCameras,
    a: usize,
    b: usize,
    middle: &Point3<f64>,
) -> Option<Isometry3<f64>> {
    let estimates: Vec<Isometry3<f64>> = motions
        .iter()
        .filter_map(|moment| {
            let in_a = moment[a]?.world_from_board(middle);
            let in_b = moment[b]?.world_from_board(middle);
            Some(in_b * in_a.inverse())
        })
        .collect();
    let step = estimates.len().div_ceil(MOST_OF_EDGE).max(1);
    let estimates: Vec<Isometry3<f64>> = estimates.into_iter().step_by(step).collect();
    let distance = |p: &Isometry3<f64>, q: &Isometry3<f64>| log(&(p.inverse() * q)).norm();
    let mut best: Option<(f64, Isometry3<f64>)> = None;
    for candidate in &estimates {
        let mut apart: Vec<f64> = estimates
            .iter()
            .map(|other| distance(candidate, other))
            .collect();
        let typical = crate::corner_quality::median(&mut apart);
        if best.as_ref().is_none_or(|(least, _)| typical < *least) {
            best = Some((typical, *candidate));
        }
    }
    best.map(|(_, pose)| pose)
}

/// `camera_from_first` of every camera: along the tree that shares most (Prim).
///
/// # Errors
/// [`CalibrationError::Unconnected`] naming the cameras that no moment ties to the first.
pub(crate) fn first_poses(
    motions: &MotionsInCameras,
    names: &[&str],
    middle: &Point3<f64>,
) -> Result<Vec<Isometry3<f64>>, CalibrationError> {
    let count = names.len();
    let shared = shared_moments(motions, count);
    let mut poses: Vec<Option<Isometry3<f64>>> = vec![None; count];
    poses[0] = Some(Isometry3::identity());
    loop {
        let mut best: Option<(usize, usize, usize)> = None;
        for from in (0..count).filter(|a| poses[*a].is_some()) {
            for to in (0..count).filter(|b| poses[*b].is_none()) {
                if shared[from][to] > best.map_or(0, |(most, _, _)| most) {
                    best = Some((shared[from][to], from, to));
                }
            }
        }
        let Some((_, from, to)) = best else {
            break;
        };
        let step = between(motions, from, to, middle);
        let known = poses[from];
        poses[to] = step.zip(known).map(|(step, known)| step * known);
    }
    let named = |want: bool| -> Vec<String> {
        (0..count)
            .filter(|k| poses[*k].is_some() == want)
            .map(|k| names[k].to_owned())
            .collect()
    };
    if poses.iter().any(Option::is_none) {
        return Err(CalibrationError::Unconnected {
            cameras: named(false),
            rest: named(true),
        });
    }
    Ok(poses.into_iter().flatten().collect())
}
