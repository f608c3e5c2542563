//! The problem made linear about its present estimate, moment by moment.

use super::{Bundle, CameraState, Freedom, Moment, View};
use drawarc_rig::{Shutter, skew};
use nalgebra::{DMatrix, DVector, Matrix2x3, Vector2};

/// Cost of a corner that the lens does not see at all.
const UNSEEN_COST: f64 = 1e6;
/// A hand-held board: standard deviations of turning speed (rad/s), speed (m/s), and their rates (rad/s², m/s²); wide,
/// they only keep a moment seen in a single frame solvable (common practice, no source).
const MOTION_SD: [f64; 4] = [6.0, 2.0, 60.0, 20.0];

/// Huber's loss of a squared residual, and its slope by that square.
pub(super) fn huber(square: f64, limit: f64) -> (f64, f64) {
    if square <= limit * limit {
        (square, 1.0)
    } else {
        let length = square.sqrt();
        (limit * (2.0 * length - limit), limit / length)
    }
}

/// Normal equations of the views of one camera at one moment.
#[derive(Debug, Clone)]
pub(super) struct CameraPart {
    pub(super) camera: usize,
    /// Camera by camera.
    pub(super) normal: DMatrix<f64>,
    /// Camera by motion.
    pub(super) cross: DMatrix<f64>,
    /// Slope by the camera's parameters.
    pub(super) slope: DVector<f64>,
}

/// Normal equations of one moment.
#[derive(Debug, Clone)]
pub(super) struct MomentPart {
    pub(super) cameras: Vec<CameraPart>,
    pub(super) normal: DMatrix<f64>,
    pub(super) slope: DVector<f64>,
}

/// Prior residuals of a moving board as `(parameter, value / sd, 1 / sd)`.
fn motion_priors(moment: &Moment) -> Vec<(usize, f64, f64)> {
    if moment.motion.freedom != Freedom::Moving {
        return Vec::new();
    }
    let motion = &moment.motion;
    [
        motion.turn,
        motion.velocity,
        motion.turn_rate,
        motion.acceleration,
    ]
    .iter()
    .zip(MOTION_SD)
    .enumerate()
    .flat_map(|(block, (value, sd))| {
        let value = *value;
        (0..3).map(move |axis| (6 + 3 * block + axis, value[axis] / sd, 1.0 / sd))
    })
    .collect()
}

impl Bundle {
    /// Cost of one moment (in units of corner variance).
    pub(super) fn moment_cost(&self, moment: &Moment) -> f64 {
        let mut cost: f64 = motion_priors(moment).iter().map(|(_, r, _)| r * r).sum();
        for view in moment.used() {
            let weight = self.sd_px(view).powi(-2);
            for square in self.squared_px(moment, view) {
                cost += view.share
                    * if square.is_finite() {
                        huber(square * weight, self.loss_limit).0
                    } else {
                        UNSEEN_COST
                    };
            }
        }
        cost
    }

    /// Root of a corner's weight by its residual (px).
    pub(super) fn weight(&self, view: &View, residual_px: &Vector2<f64>) -> f64 {
        let square = residual_px.norm_squared() / self.sd_px(view).powi(2);
        (view.share * huber(square, self.loss_limit).1).sqrt()
    }

    /// Rows of one view: camera columns, motion columns, and the residual in the last column; weighted.
    pub(super) fn rows(&self, moment: &Moment, view: &View) -> DMatrix<f64> {
        let camera = &self.cameras[view.camera];
        let sd_px = self.sd_px(view);
        let lens_count = camera.lens.parameter_count();
        let camera_count = camera.count();
        let motion_count = moment.motion.freedom.count();
        let width = camera_count + motion_count + 1;
        let mut rows = DMatrix::zeros(2 * view.corners_px.len(), width);
        let rotation = camera.camera_from_world.rotation.to_rotation_matrix();
        for (index, (pixel, from_middle)) in view
            .corners_px
            .iter()
            .zip(&self.corners_from_middle)
            .enumerate()
        {
            let tau_s = self.tau_s(moment, view, pixel.y);
            let moved = moment.motion.point(from_middle, tau_s);
            let point_in_camera = camera.camera_from_world * moved.point_in_world;
            let Some(seen) = camera.lens.project(&point_in_camera) else {
                continue;
            };
            let residual = (seen.pixel - pixel) / sd_px;
            let weight = self.weight(view, &(seen.pixel - pixel));
            let scale = weight / sd_px;
            let by_point: Matrix2x3<f64> = seen.pixel_by_point * scale;
            let by_world = by_point * rotation.matrix();
            let by_turn = -by_point * skew(&point_in_camera.coords);
            let by_time = by_world * moved.velocity;
            let fraction = Shutter::row_fraction(pixel.y, camera.height_px);
            let by_clock = [
                view.rate * fraction,
                1.0,
                view.camera_s - camera.clock_reference_s,
            ];
            let blocks = moved.blocks();
            for axis in 0..2 {
                let row = 2 * index + axis;
                for k in 0..3 {
                    rows[(row, k)] = by_turn[(axis, k)];
                    rows[(row, 3 + k)] = by_point[(axis, k)];
                }
                for k in 0..lens_count {
                    rows[(row, 6 + k)] = seen.pixel_by_parameters[(axis, k)] * scale;
                }
                for (k, factor) in by_clock.iter().enumerate() {
                    rows[(row, 6 + lens_count + k)] = by_time[axis] * factor;
                }
                rows[(row, width - 1)] = residual[axis] * weight;
            }
            for (block, by_motion) in blocks.iter().take(motion_count / 3).enumerate() {
                let derivative = by_world * by_motion;
                for axis in 0..2 {
                    for k in 0..3 {
                        rows[(2 * index + axis, camera_count + 3 * block + k)] =
                            derivative[(axis, k)];
                    }
                }
            }
        }
        rows
    }

    /// Normal equations of one moment.
    pub(super) fn linearise(&self, moment: &Moment) -> MomentPart {
        let motion_count = moment.motion.freedom.count();
        let mut part = MomentPart {
            cameras: Vec::new(),
            normal: DMatrix::zeros(motion_count, motion_count),
            slope: DVector::zeros(motion_count),
        };
        for (k, residual, root) in motion_priors(moment) {
            part.normal[(k, k)] += root * root;
            part.slope[k] += root * residual;
        }
        for view in moment.used() {
            let count = self.cameras[view.camera].count();
            let at = part
                .cameras
                .iter()
                .position(|known| known.camera == view.camera)
                .unwrap_or_else(|| {
                    part.cameras.push(CameraPart {
                        camera: view.camera,
                        normal: DMatrix::zeros(count, count),
                        cross: DMatrix::zeros(count, motion_count),
                        slope: DVector::zeros(count),
                    });
                    part.cameras.len() - 1
                });
            let rows = self.rows(moment, view);
            let product = symmetric_product(&rows);
            let camera = &mut part.cameras[at];
            let last = count + motion_count;
            camera.normal += product.view((0, 0), (count, count));
            camera.cross += product.view((0, count), (count, motion_count));
            camera.slope += product.view((0, last), (count, 1)).column(0);
            part.normal += product.view((count, count), (motion_count, motion_count));
            part.slope += product.view((count, last), (motion_count, 1)).column(0);
        }
        part
    }
}

/// `rowsᵀ rows`, each pair of columns once.
fn symmetric_product(rows: &DMatrix<f64>) -> DMatrix<f64> {
    let width = rows.ncols();
    let length = rows.nrows();
    let data = rows.as_slice();
    let mut product = DMatrix::zeros(width, width);
    for i in 0..width {
        let a = &data[i * length..(i + 1) * length];
        for j in i..width {
            let b = &data[j * length..(j + 1) * length];
            // Four sums of their own let the compiler use vector registers.
            let mut sums = [0.0; 4];
            for (x, y) in a.chunks_exact(4).zip(b.chunks_exact(4)) {
                for lane in 0..4 {
                    sums[lane] += x[lane] * y[lane];
                }
            }
            let tail: f64 = a
                .chunks_exact(4)
                .remainder()
                .iter()
                .zip(b.chunks_exact(4).remainder())
                .map(|(x, y)| x * y)
                .sum();
            let value = sums.iter().sum::<f64>() + tail;
            product[(i, j)] = value;
            product[(j, i)] = value;
        }
    }
    product
}

/// Prior normal equations of a camera as `(parameter, 1/sd², slope, cost)`.
pub(super) fn camera_priors(camera: &CameraState) -> Vec<(usize, f64, f64, f64)> {
    camera
        .priors()
        .iter()
        .filter_map(|(at, value, prior)| {
            let prior = (*prior)?;
            let residual = (value - prior.mean) / prior.sd;
            let root = 1.0 / prior.sd;
            Some((*at, root * root, root * residual, residual * residual))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bundle::test_scene::scene;

    #[test]
    fn rows_agree_with_differences() {
        let bundle = scene(true);
        for moment in bundle.moments.iter().take(3) {
            for view in &moment.views {
                let rows = bundle.rows(moment, view);
                let camera_count = bundle.cameras[view.camera].count();
                let residual_of = |bundle: &Bundle, moment: &Moment| {
                    let rows = bundle.rows(moment, view);
                    rows.column(rows.ncols() - 1).into_owned()
                };
                for k in 0..camera_count + moment.motion.freedom.count() {
                    let size = 1e-6;
                    let moved = |sign: f64| {
                        let mut other = bundle.clone();
                        let mut other_moment = moment.clone();
                        if k < camera_count {
                            let mut step = vec![0.0; camera_count];
                            step[k] = sign * size;
                            other.cameras[view.camera] = bundle.cameras[view.camera].stepped(&step);
                        } else {
                            let mut step = vec![0.0; 18];
                            step[k - camera_count] = sign * size;
                            other_moment.motion = moment.motion.stepped(&step);
                        }
                        residual_of(&other, &other_moment)
                    };
                    let numeric = (moved(1.0) - moved(-1.0)) / (2.0 * size);
                    let apart = (&numeric - rows.column(k)).amax();
                    assert!(
                        apart < 2e-5 * (1.0 + numeric.amax()),
                        "parameter {k}: {apart} of {}",
                        numeric.amax()
                    );
                }
            }
        }
    }
}
