//! Levenberg-Marquardt with the board's motion eliminated.

use super::linear::{MomentPart, camera_priors};
use super::{Bundle, Freedom, Moment};
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use rayon::prelude::*;

/// When to stop.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SolverSettings {
    /// Steps, at most.
    pub(crate) most_steps: usize,
    /// The cost must fall by this share, or the solver ends.
    pub(crate) least_fall: f64,
}

/// What the solver did.
#[derive(Debug, Clone)]
pub(crate) struct Solution {
    /// Why it ended, in words.
    pub(crate) ended: String,
    /// Did it converge?
    pub(crate) converged: bool,
    /// Accepted steps.
    pub(crate) steps: usize,
    /// Cost before (units of corner variance).
    pub(crate) first_cost: f64,
    /// Cost after.
    pub(crate) last_cost: f64,
}

/// Damping at the start, its floor and its cap.
const DAMPING: (f64, f64, f64) = (1e-4, 1e-14, 1e12);
/// Smallest diagonal that is damped.
const LEAST_DIAGONAL: f64 = 1e-12;

/// Where each camera's parameters stand among the free ones.
pub(super) struct Places {
    pub(super) of: Vec<Vec<Option<usize>>>,
    pub(super) count: usize,
}

impl Places {
    pub(super) fn new(bundle: &Bundle) -> Self {
        let mut count = 0;
        let of = bundle
            .cameras
            .iter()
            .map(|camera| {
                camera
                    .free()
                    .into_iter()
                    .map(|free| {
                        free.then(|| {
                            count += 1;
                            count - 1
                        })
                    })
                    .collect()
            })
            .collect();
        Self { of, count }
    }

    /// `(row of the camera's block, place among the free)` of camera `index`.
    pub(super) fn free_of(&self, index: usize) -> Vec<(usize, usize)> {
        self.of[index]
            .iter()
            .enumerate()
            .filter_map(|(row, place)| place.map(|place| (row, place)))
            .collect()
    }
}

/// The reduced system and what brings the motions back.
pub(super) struct Reduced {
    pub(super) normal: DMatrix<f64>,
    pub(super) slope: DVector<f64>,
}

impl Bundle {
    /// Cost of the present estimate.
    pub(crate) fn cost(&self) -> f64 {
        let parts: Vec<f64> = self
            .moments
            .par_iter()
            .map(|moment| self.moment_cost(moment))
            .collect();
        let priors: f64 = self
            .cameras
            .iter()
            .flat_map(camera_priors)
            .map(|prior| prior.3)
            .sum();
        parts.iter().sum::<f64>() + priors
    }

    pub(super) fn parts(&self) -> Vec<MomentPart> {
        self.moments
            .par_iter()
            .map(|moment| self.linearise(moment))
            .collect()
    }

    /// The cameras' system after elimination. `None` where a moment is singular.
    fn reduce(&self, places: &Places, parts: &[MomentPart], damping: f64) -> Option<Reduced> {
        let n = places.count;
        let mut normal: DMatrix<f64> = DMatrix::zeros(n, n);
        let mut slope: DVector<f64> = DVector::zeros(n);
        for part in parts {
            for camera in &part.cameras {
                let free = places.free_of(camera.camera);
                for &(row, i) in &free {
                    slope[i] += camera.slope[row];
                    for &(column, j) in &free {
                        normal[(i, j)] += camera.normal[(row, column)];
                    }
                }
            }
        }
        for (index, camera) in self.cameras.iter().enumerate() {
            for (row, information, pull, _) in camera_priors(camera) {
                if let Some(i) = places.of[index][row] {
                    normal[(i, i)] += information;
                    slope[i] += pull;
                }
            }
        }
        for i in 0..n {
            normal[(i, i)] += damping * normal[(i, i)].max(LEAST_DIAGONAL);
        }
        let eliminated: Vec<Option<Reduced>> = parts
            .par_iter()
            .map(|part| eliminate(places, part, damping))
            .collect();
        for (part, eliminated) in parts.iter().zip(eliminated) {
            let Reduced {
                normal: block,
                slope: pull,
            } = eliminated?;
            let at = stacked(places, part);
            for (a, &i) in at.iter().enumerate() {
                slope[i] -= pull[a];
                for (b, &j) in at.iter().enumerate() {
                    normal[(i, j)] -= block[(a, b)];
                }
            }
        }
        Some(Reduced { normal, slope })
    }

    /// The estimate after the step that solves the damped system.
    fn stepped(&self, places: &Places, parts: &[MomentPart], damping: f64) -> Option<Self> {
        let reduced = self.reduce(places, parts, damping)?;
        let step = if places.count == 0 {
            DVector::zeros(0)
        } else {
            -scaled_cholesky(&reduced.normal)?.solve(&reduced.slope)
        };
        let mut next = self.clone();
        for (index, camera) in self.cameras.iter().enumerate() {
            let own: Vec<f64> = places.of[index]
                .iter()
                .map(|place| place.map_or(0.0, |i| step[i]))
                .collect();
            next.cameras[index] = camera.stepped(&own);
        }
        for (moment, part) in next.moments.iter_mut().zip(parts) {
            if part.slope.is_empty() {
                continue;
            }
            let mut pull = part.slope.clone();
            for camera in &part.cameras {
                for (row, i) in places.free_of(camera.camera) {
                    pull += camera.cross.row(row).transpose() * step[i];
                }
            }
            let own = -damped(&part.normal, damping).cholesky()?.solve(&pull);
            moment.motion = moment.motion.stepped(own.as_slice());
        }
        Some(next)
    }

    /// Adjusts everything that is free. No convergence keeps the best estimate and says so.
    pub(crate) fn solve(&mut self, settings: SolverSettings) -> Solution {
        let places = Places::new(self);
        let first_cost = self.cost();
        let mut cost = first_cost;
        let mut damping = DAMPING.0;
        let mut steps = 0;
        let (converged, ended) = 'outer: loop {
            if steps >= settings.most_steps {
                break (false, format!("stopped after {steps} steps"));
            }
            let parts = self.parts();
            loop {
                let next = self
                    .stepped(&places, &parts, damping)
                    .map(|next| (next.cost(), next));
                if let Some((next_cost, next)) = next
                    && next_cost <= cost
                {
                    let fall = (cost - next_cost) / cost.max(f64::MIN_POSITIVE);
                    *self = next;
                    cost = next_cost;
                    steps += 1;
                    damping = (damping * 0.1).max(DAMPING.1);
                    if fall < settings.least_fall || cost < 1e-18 {
                        break 'outer (true, "the cost no longer falls".to_owned());
                    }
                    break;
                }
                damping *= 10.0;
                if damping > DAMPING.2 {
                    // No step of any length helps: the bottom, unless nothing ever helped.
                    let why = "no step lowers the cost any more".to_owned();
                    break 'outer (steps > 0, why);
                }
            }
        };
        Solution {
            ended,
            converged,
            steps,
            first_cost,
            last_cost: cost,
        }
    }

    /// Joint covariance of all cameras' parameters in the order of [`super::CameraState`], camera after camera, zero
    /// rows where held fixed; and the condition number of the scaled system. `None` where it is singular.
    pub(crate) fn covariance(&self) -> Option<(DMatrix<f64>, f64)> {
        let places = Places::new(self);
        let reduced = self.reduce(&places, &self.parts(), 0.0)?;
        let total: usize = places.of.iter().map(Vec::len).sum();
        let mut full = DMatrix::zeros(total, total);
        if places.count == 0 {
            return Some((full, 1.0));
        }
        let cholesky = scaled_cholesky(&reduced.normal)?;
        let inverse = cholesky.inverse();
        let at: Vec<Option<usize>> = places.of.iter().flatten().copied().collect();
        for (row, i) in at.iter().enumerate() {
            for (column, j) in at.iter().enumerate() {
                if let (Some(i), Some(j)) = (i, j) {
                    full[(row, column)] = f64::midpoint(inverse[(*i, *j)], inverse[(*j, *i)]);
                }
            }
        }
        Some((full, cholesky.condition()))
    }

    /// Fits the motion of one moment, all its views used, to the cameras as they stand.
    pub(crate) fn refit(&self, moment: &mut Moment) {
        let mut alone = self.clone_cameras_fixed();
        for view in &mut moment.views {
            view.used = true;
        }
        alone.moments = vec![moment.clone()];
        alone.solve(SolverSettings {
            most_steps: 20,
            least_fall: 1e-4,
        });
        moment.motion = alone.moments[0].motion;
    }

    fn clone_cameras_fixed(&self) -> Self {
        let mut cameras = self.cameras.clone();
        for camera in &mut cameras {
            camera.pose_free = false;
            camera.lens_free.fill(false);
            camera.readout_prior = None;
            camera.clock_priors = [None; 2];
        }
        Self {
            cameras,
            moments: Vec::new(),
            corners_from_middle: self.corners_from_middle.clone(),
            loss_limit: self.loss_limit,
        }
    }

    /// Fixes the gauge on the board of one moment instead of the first camera.
    pub(crate) fn fix_gauge_on(&mut self, moment: usize) {
        self.moments[moment].motion.freedom = Freedom::Fixed;
        for camera in &mut self.cameras {
            camera.pose_free = true;
        }
    }

    /// Cost of a moment that need not belong to the problem.
    pub(crate) fn cost_of(&self, moment: &Moment) -> f64 {
        self.moment_cost(moment)
    }
}

/// Places of a moment's cameras' free parameters, stacked.
pub(super) fn stacked(places: &Places, part: &MomentPart) -> Vec<usize> {
    part.cameras
        .iter()
        .flat_map(|camera| places.free_of(camera.camera))
        .map(|(_, place)| place)
        .collect()
}

fn damped(normal: &DMatrix<f64>, damping: f64) -> DMatrix<f64> {
    let mut damped = normal.clone();
    for k in 0..damped.nrows() {
        damped[(k, k)] += damping * damped[(k, k)].max(LEAST_DIAGONAL);
    }
    damped
}

/// `W V⁻¹ Wᵀ` and `W V⁻¹ g` of one moment, over its cameras' free parameters.
pub(super) fn eliminate(places: &Places, part: &MomentPart, damping: f64) -> Option<Reduced> {
    let motion_count = part.slope.len();
    let rows: Vec<(usize, usize)> = part
        .cameras
        .iter()
        .enumerate()
        .flat_map(|(at, camera)| {
            places
                .free_of(camera.camera)
                .into_iter()
                .map(move |(row, _)| (at, row))
        })
        .collect();
    if motion_count == 0 || rows.is_empty() {
        return Some(Reduced {
            normal: DMatrix::zeros(rows.len(), rows.len()),
            slope: DVector::zeros(rows.len()),
        });
    }
    let cholesky = damped(&part.normal, damping).cholesky()?;
    // Columns of L⁻¹ Wᵀ: their inner products are W V⁻¹ Wᵀ.
    let mut half = DMatrix::zeros(motion_count, rows.len());
    for (column, &(at, row)) in rows.iter().enumerate() {
        half.set_column(column, &part.cameras[at].cross.row(row).transpose());
    }
    let lower = cholesky.l();
    lower.solve_lower_triangular_mut(&mut half);
    let mut pull = part.slope.clone();
    lower.solve_lower_triangular_mut(&mut pull);
    Some(Reduced {
        normal: half.tr_mul(&half),
        slope: half.tr_mul(&pull),
    })
}

/// A Cholesky factor of a matrix scaled to unit diagonal: parameters in pixels and in s⁻¹ stand side by side.
struct ScaledCholesky {
    factor: Cholesky<f64, Dyn>,
    scale: DVector<f64>,
    scaled: DMatrix<f64>,
}

fn scaled_cholesky(matrix: &DMatrix<f64>) -> Option<ScaledCholesky> {
    let scale = matrix.diagonal().map(|value| {
        if value > 0.0 {
            1.0 / value.sqrt()
        } else {
            f64::NAN
        }
    });
    if scale.iter().any(|value| value.is_nan()) {
        return None;
    }
    let scaled = DMatrix::from_fn(matrix.nrows(), matrix.ncols(), |i, j| {
        matrix[(i, j)] * scale[i] * scale[j]
    });
    Some(ScaledCholesky {
        factor: scaled.clone().cholesky()?,
        scale,
        scaled,
    })
}

impl ScaledCholesky {
    fn solve(&self, right: &DVector<f64>) -> DVector<f64> {
        let scaled = right.component_mul(&self.scale);
        self.factor.solve(&scaled).component_mul(&self.scale)
    }

    fn inverse(&self) -> DMatrix<f64> {
        let inverse = self.factor.inverse();
        DMatrix::from_fn(inverse.nrows(), inverse.ncols(), |i, j| {
            inverse[(i, j)] * self.scale[i] * self.scale[j]
        })
    }

    /// Largest over smallest eigenvalue.
    fn condition(&self) -> f64 {
        let eigenvalues = self.scaled.symmetric_eigenvalues();
        eigenvalues.max() / eigenvalues.min().max(f64::MIN_POSITIVE)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bundle::test_scene::{disturb, scene};

    const EXACT: SolverSettings = SolverSettings {
        most_steps: 100,
        least_fall: 1e-13,
    };

    #[test]
    fn an_exact_scene_comes_back_from_a_wrong_start() {
        for moving in [false, true] {
            let truth = scene(moving);
            let mut bundle = disturb(&truth, 5);
            let solution = bundle.solve(EXACT);
            assert!(solution.converged, "{solution:?}");
            for (found, planted) in bundle.cameras.iter().zip(&truth.cameras) {
                let apart = drawarc_rig::log(
                    &(found.camera_from_world.inverse() * planted.camera_from_world),
                );
                assert!(
                    apart.norm() < 1e-5,
                    "moving {moving}: {apart:?} {solution:?}"
                );
                let focal = found.lens.focal_px() / planted.lens.focal_px() - 1.0;
                assert!(focal.abs() < 1e-5, "{focal}");
                assert!((found.readout_s - planted.readout_s).abs() < 1e-5);
                let clock = found.clock_step[0] - planted.clock_step[0];
                assert!(clock.abs() < 1e-5, "{clock}");
            }
        }
    }
}
