//! One adjustment of everything: lenses, camera poses, read-outs, clocks and the board's motion.
//!
//! Least squares over the corners with a Huber loss (Triggs et al. 2000, "Bundle adjustment, a modern synthesis"):
//! the board's parameters are eliminated moment by moment (Schur complement), the small dense system of the cameras
//! is solved by Cholesky, steps are damped after Levenberg and Marquardt.

mod board_shape;
mod linear;
mod motion;
#[cfg(test)]
mod race;
mod solve;
mod spread;
#[cfg(test)]
pub(crate) mod test_scene;

pub(crate) use motion::{BoardMotion, Freedom};
pub(crate) use solve::{Solution, SolverSettings};

use drawarc_rig::{Lens, Shutter};
use nalgebra::{Isometry3, Point2, Point3, Vector2, Vector3};

/// A Gaussian prior on one number.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Prior {
    pub(crate) mean: f64,
    pub(crate) sd: f64,
}

/// One camera's unknowns, in the order: pose tangent (6), lens, read-out (1), clock offset and rate (2).
#[derive(Debug, Clone)]
pub(crate) struct CameraState {
    pub(crate) camera_from_world: Isometry3<f64>,
    pub(crate) pose_free: bool,
    pub(crate) lens: Lens,
    pub(crate) lens_free: Vec<bool>,
    /// By parameter of the lens; empty: none has one.
    pub(crate) lens_priors: Vec<Option<Prior>>,
    pub(crate) readout_s: f64,
    /// `None`: held fixed.
    pub(crate) readout_prior: Option<Prior>,
    /// Correction of the clock: offset (s) and rate about `clock_reference_s`.
    pub(crate) clock_step: [f64; 2],
    /// `None`: held fixed.
    pub(crate) clock_priors: [Option<Prior>; 2],
    /// Camera time about which the rate turns (s).
    pub(crate) clock_reference_s: f64,
    pub(crate) height_px: u32,
    /// Standard deviation of a corner, per axis (px).
    pub(crate) sd_px: f64,
}

impl CameraState {
    /// Number of parameters, free or not.
    pub(crate) fn count(&self) -> usize {
        6 + self.lens.parameter_count() + 3
    }

    /// Which parameters are free.
    pub(crate) fn free(&self) -> Vec<bool> {
        let mut free = vec![self.pose_free; 6];
        free.extend(&self.lens_free);
        free.push(self.readout_prior.is_some());
        free.extend(self.clock_priors.iter().map(Option::is_some));
        free
    }

    /// `(parameter, present value, prior)` of every parameter that may have a prior.
    fn priors(&self) -> Vec<(usize, f64, Option<Prior>)> {
        let first = 6 + self.lens.parameter_count();
        let values = self.lens.parameters();
        let mut all: Vec<_> = self
            .lens_priors
            .iter()
            .zip(&self.lens_free)
            .zip(values)
            .enumerate()
            .map(|(at, ((prior, free), value))| (6 + at, value, prior.filter(|_| *free)))
            .collect();
        all.extend([
            (first, self.readout_s, self.readout_prior),
            (first + 1, self.clock_step[0], self.clock_priors[0]),
            (first + 2, self.clock_step[1], self.clock_priors[1]),
        ]);
        all
    }

    fn stepped(&self, step: &[f64]) -> Self {
        let mut next = self.clone();
        let tangent = nalgebra::Vector6::from_column_slice(&step[..6]);
        next.camera_from_world = drawarc_rig::perturb(&self.camera_from_world, &tangent);
        let count = self.lens.parameter_count();
        let parameters: Vec<f64> = self
            .lens
            .parameters()
            .iter()
            .zip(&step[6..6 + count])
            .map(|(value, step)| value + step)
            .collect();
        if let Some(lens) = self.lens.with_parameters(&parameters) {
            next.lens = lens;
        }
        next.readout_s += step[6 + count];
        next.clock_step[0] += step[7 + count];
        next.clock_step[1] += step[8 + count];
        next
    }
}

/// The board in one frame.
#[derive(Debug, Clone)]
pub(crate) struct View {
    /// Which camera.
    pub(crate) camera: usize,
    /// Which sighting of that camera, for naming it.
    pub(crate) sighting: usize,
    /// Presentation time (s, camera clock).
    pub(crate) camera_s: f64,
    /// The same in range time, before any correction of the clock (s).
    pub(crate) range_s: f64,
    /// Range seconds per camera second.
    pub(crate) rate: f64,
    /// Corners (px).
    pub(crate) corners_px: Vec<Point2<f64>>,
    /// Share of a view that it counts for: views of one rest repeat each other's errors and share one.
    pub(crate) share: f64,
    /// How much more (or less) its corners err than is usual for the camera: a factor on [`CameraState::sd_px`].
    pub(crate) spread: f64,
    /// `false`: left out.
    pub(crate) used: bool,
}

/// One moment: the board's motion and the views that show it.
#[derive(Debug, Clone)]
pub(crate) struct Moment {
    pub(crate) motion: BoardMotion,
    pub(crate) views: Vec<View>,
}

impl Moment {
    /// The views that count.
    pub(crate) fn used(&self) -> impl Iterator<Item = &View> + Clone {
        self.views.iter().filter(|view| view.used)
    }
}

/// The whole problem, with its present estimate.
#[derive(Debug, Clone)]
pub(crate) struct Bundle {
    pub(crate) cameras: Vec<CameraState>,
    pub(crate) moments: Vec<Moment>,
    /// Corners from the board's middle (m, board axes).
    pub(crate) corners_from_middle: Vec<Vector3<f64>>,
    /// Distance beyond which a corner's pull no longer grows (standard deviations of the two-dimensional residual).
    pub(crate) loss_limit: f64,
}

impl Bundle {
    /// Corners measured from their middle.
    pub(crate) fn from_middle(
        corners_in_board: &[Point3<f64>],
        middle: &Point3<f64>,
    ) -> Vec<Vector3<f64>> {
        corners_in_board.iter().map(|c| c - middle).collect()
    }

    /// Predicted corners of a view, with `None` where the lens does not see one.
    pub(crate) fn predict(&self, moment: &Moment, view: &View) -> Vec<Option<Point2<f64>>> {
        let camera = &self.cameras[view.camera];
        view.corners_px
            .iter()
            .zip(&self.corners_from_middle)
            .map(|(pixel, from_middle)| {
                let tau_s = self.tau_s(moment, view, pixel.y);
                let moved = moment.motion.point(from_middle, tau_s);
                camera
                    .lens
                    .pixel_from_camera(&(camera.camera_from_world * moved.point_in_world))
            })
            .collect()
    }

    /// Time from the moment to the exposure of row `y_px` of a view (s).
    fn tau_s(&self, moment: &Moment, view: &View, y_px: f64) -> f64 {
        let camera = &self.cameras[view.camera];
        let delay_s = camera.readout_s * Shutter::row_fraction(y_px, camera.height_px);
        view.range_s
            + camera.clock_step[0]
            + camera.clock_step[1] * (view.camera_s - camera.clock_reference_s)
            + view.rate * delay_s
            - moment.motion.time_s
    }

    /// Predicted less seen, corner by corner (px); `None` where the lens does not see one.
    pub(crate) fn residuals_px(&self, moment: &Moment, view: &View) -> Vec<Option<Vector2<f64>>> {
        self.predict(moment, view)
            .into_iter()
            .zip(&view.corners_px)
            .map(|(predicted, seen)| predicted.map(|p| p - seen))
            .collect()
    }

    /// Squared distances of a view's corners from their prediction (px²); infinite where not seen.
    pub(crate) fn squared_px(&self, moment: &Moment, view: &View) -> Vec<f64> {
        self.residuals_px(moment, view)
            .iter()
            .map(|residual| residual.map_or(f64::INFINITY, |r| r.norm_squared()))
            .collect()
    }

    /// Root mean square distance of a view's corners (px).
    pub(crate) fn view_rms_px(&self, moment: &Moment, view: &View) -> f64 {
        let squares = self.squared_px(moment, view);
        (squares.iter().sum::<f64>() / squares.len().max(1) as f64).sqrt()
    }

    /// Standard deviation of a view's corners, per axis (px).
    pub(crate) fn sd_px(&self, view: &View) -> f64 {
        self.cameras[view.camera].sd_px * view.spread
    }

    /// Everything seen from another world.
    pub(crate) fn change_world(&mut self, other_from_world: &Isometry3<f64>) {
        let world_from_other = other_from_world.inverse();
        for camera in &mut self.cameras {
            camera.camera_from_world *= world_from_other;
        }
        for moment in &mut self.moments {
            moment.motion = moment.motion.seen_from(other_from_world);
        }
    }
}
