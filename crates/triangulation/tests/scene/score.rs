//! A path against the truth.

use super::Scene;
use super::motion::Shot;
use drawarc_triangulation::ElbowPath;
use nalgebra::Vector3;

/// Errors of one shot, from end of set-up to 20 ms before release.
#[derive(Debug, Clone, Copy, Default)]
pub struct Score {
    /// Mean squares (m²).
    pub absolute_m2: f64,
    pub shape_m2: f64,
    /// Share of samples and coordinates within the 95 % interval.
    pub within: f64,
    /// One coordinate of one instant (which, differs from shot to shot): within?
    pub one_within: bool,
    /// Depth of the collapse: estimate minus truth (m).
    pub depth_m: f64,
    /// Largest error of position in the stall (m), a constant removed.
    pub stall_m: f64,
    /// Nearest break minus release (s); NaN without one.
    pub release_s: f64,
}

pub fn instants(shot: &Shot, rate_hz: f64) -> Vec<f64> {
    let (from, to) = (shot.draw_s(), shot.release_s() - 0.02);
    let count = ((to - from) * rate_hz) as usize;
    (0..=count).map(|i| from + i as f64 / rate_hz).collect()
}

fn mean(errors: &[Vector3<f64>]) -> Vector3<f64> {
    errors.iter().sum::<Vector3<f64>>() / errors.len() as f64
}

/// Mean squares of absolute and shape error of any path (m²); instants without a point are left out.
pub fn errors(
    scene: &Scene,
    shot: &Shot,
    at: impl Fn(f64) -> Option<nalgebra::Point3<f64>>,
) -> (f64, f64) {
    let errors: Vec<Vector3<f64>> = instants(shot, 60.0)
        .into_iter()
        .filter_map(|t| Some(at(t)? - scene.motion.elbow(t)))
        .collect();
    squares(&errors)
}

/// Mean squares of errors, as they are and with their mean removed.
pub fn squares(errors: &[Vector3<f64>]) -> (f64, f64) {
    let offset = mean(errors);
    let n = errors.len() as f64;
    (
        errors.iter().map(Vector3::norm_squared).sum::<f64>() / n,
        errors
            .iter()
            .map(|e| (e - offset).norm_squared())
            .sum::<f64>()
            / n,
    )
}

pub fn score(scene: &Scene, path: &ElbowPath, shot: &Shot, pick: u64) -> Score {
    let times = instants(shot, 60.0);
    let truth = |t: f64| scene.motion.elbow(t);
    let points: Vec<_> = times.iter().map(|&t| path.at(t).unwrap()).collect();
    let errors: Vec<Vector3<f64>> = points
        .iter()
        .map(|p| p.position - truth(p.time_s))
        .collect();
    let (absolute_m2, shape_m2) = squares(&errors);
    let n = errors.len() as f64;
    let inside = |i: usize, axis: usize| {
        errors[i][axis].abs() <= 1.96 * points[i].covariance[(axis, axis)].sqrt()
    };
    let within = (0..errors.len())
        .flat_map(|i| (0..3).map(move |axis| (i, axis)))
        .filter(|&(i, axis)| inside(i, axis))
        .count() as f64
        / (3.0 * n);
    let x = |t: f64| path.at(t).unwrap().position.x;
    let (a, b) = (shot.collapse_from_s(), shot.collapse_from_s() + 0.3);
    let stall: Vec<Vector3<f64>> = (0..=20)
        .map(|i| shot.stall_from_s() + shot.stall_s * f64::from(i) / 20.0)
        .map(|t| path.at(t).unwrap().position - truth(t))
        .collect();
    let still = mean(&stall);
    Score {
        absolute_m2,
        shape_m2,
        within,
        one_within: inside((pick as usize * 7919) % errors.len(), (pick % 3) as usize),
        depth_m: (x(b) - x(a)) - (truth(b).x - truth(a).x),
        stall_m: stall.iter().map(|e| (e - still).norm()).fold(0.0, f64::max),
        release_s: path
            .breaks()
            .iter()
            .map(|b| b.time_s - shot.release_s())
            .min_by(|a, b| a.abs().total_cmp(&b.abs()))
            .unwrap_or(f64::NAN),
    }
}
