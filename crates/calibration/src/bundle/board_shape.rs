//! Is the board flat? A bend shows in the residuals: in every view its corners stand off along the board's own normal.

use super::{Bundle, Moment, View};
use nalgebra::{DMatrix, DVector, Matrix3, Vector3};
use rayon::prelude::*;

/// How far the board's corners stand out of their plane toward its printed side, in three ways: its middle over its ends
/// along the first direction, the same along the second, and one pair of opposite corners over the other, each as the
/// difference between the outermost corners and the middle (m).
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct BoardShape {
    /// Along, across, twisted (m).
    pub(crate) bends_m: Vector3<f64>,
    /// Covariance as independent corners would have it (m²).
    pub(crate) covariance: Matrix3<f64>,
    /// How the cameras' parameters follow the bends.
    cameras_by_bends: DMatrix<f64>,
}

impl BoardShape {
    /// The covariance of the cameras' parameters where the shape is not known beforehand but taken from the same views, whose
    /// errors spread the estimate `effect` times as much as independent corners would.
    pub(crate) fn widen(&self, covariance: &mut DMatrix<f64>, effect: f64) {
        let of_shape = self.covariance * effect;
        *covariance += &self.cameras_by_bends * of_shape * self.cameras_by_bends.transpose();
    }
}

/// One moment's share, the board's motion eliminated.
struct Share {
    shape: Matrix3<f64>,
    /// Shape by the parameters of all cameras.
    cross: DMatrix<f64>,
    pull: Vector3<f64>,
}

impl Bundle {
    /// Height of each corner by each bend. Its mean over the corners is zero: a bent board keeps its place.
    pub(crate) fn shape_basis(&self) -> Vec<Vector3<f64>> {
        let reach = |axis: usize| {
            self.corners_from_middle
                .iter()
                .map(|corner| corner[axis].abs())
                .fold(f64::MIN_POSITIVE, f64::max)
        };
        let reaches = [reach(0), reach(1)];
        let plain: Vec<Vector3<f64>> = self
            .corners_from_middle
            .iter()
            .map(|corner| {
                let (u, v) = (corner.x / reaches[0], corner.y / reaches[1]);
                Vector3::new(-u * u, -v * v, u * v)
            })
            .collect();
        let mean = plain.iter().sum::<Vector3<f64>>() / plain.len().max(1) as f64;
        plain.into_iter().map(|basis| basis - mean).collect()
    }

    /// Bends the board.
    pub(crate) fn bend(&mut self, bends_m: &Vector3<f64>) {
        let basis = self.shape_basis();
        for (corner, basis) in self.corners_from_middle.iter_mut().zip(basis) {
            corner.z += basis.dot(bends_m);
        }
    }

    /// The bends that the residuals ask for, beyond the shape that the board has already: one step of Gauss and Newton from the
    /// adjusted state, cameras and motions free to follow. `covariance` is that of the cameras' parameters. `None` where the
    /// views do not tell.
    pub(crate) fn board_shape(&self, covariance: &DMatrix<f64>) -> Option<BoardShape> {
        let basis = self.shape_basis();
        let starts: Vec<usize> = self
            .cameras
            .iter()
            .scan(0, |at, camera| {
                let start = *at;
                *at += camera.count();
                Some(start)
            })
            .collect();
        let total = covariance.nrows();
        let shares: Vec<Share> = self
            .moments
            .par_iter()
            .filter_map(|moment| self.share_of(moment, &basis, &starts, total))
            .collect();
        let mut shape = Matrix3::zeros();
        let mut cross = DMatrix::zeros(3, total);
        let mut pull = Vector3::zeros();
        for share in &shares {
            shape += share.shape;
            cross += &share.cross;
            pull += share.pull;
        }
        let taken = &cross * covariance * cross.transpose();
        let left = shape - taken.fixed_view::<3, 3>(0, 0);
        let of_bends = left.cholesky()?.inverse();
        Some(BoardShape {
            bends_m: -(of_bends * pull),
            covariance: of_bends,
            cameras_by_bends: -(covariance * cross.transpose()),
        })
    }

    fn share_of(
        &self,
        moment: &Moment,
        basis: &[Vector3<f64>],
        starts: &[usize],
        total: usize,
    ) -> Option<Share> {
        let motion_count = moment.motion.freedom.count();
        let part = self.linearise(moment);
        let mut share = Share {
            shape: Matrix3::zeros(),
            cross: DMatrix::zeros(3, total),
            pull: Vector3::zeros(),
        };
        let mut by_motion = DMatrix::zeros(3, motion_count);
        for view in moment.used() {
            let count = self.cameras[view.camera].count();
            let rows = self.rows(moment, view);
            let shape = self.shape_rows(moment, view, basis);
            let product = shape.tr_mul(&rows);
            share.shape += shape.tr_mul(&shape).fixed_view::<3, 3>(0, 0);
            let mut own = share.cross.columns_mut(starts[view.camera], count);
            own += product.columns(0, count);
            by_motion += product.columns(count, motion_count);
            share.pull += product.fixed_view::<3, 1>(0, count + motion_count);
        }
        if motion_count == 0 {
            return Some(share);
        }
        let motion = part.normal.cholesky()?;
        let solved = motion.solve(&by_motion.transpose());
        share.shape -= (&by_motion * &solved).fixed_view::<3, 3>(0, 0);
        let slope: DVector<f64> = solved.tr_mul(&part.slope);
        share.pull -= slope.fixed_rows::<3>(0);
        for camera in &part.cameras {
            let count = self.cameras[camera.camera].count();
            let mut own = share.cross.columns_mut(starts[camera.camera], count);
            own -= solved.tr_mul(&camera.cross.transpose());
        }
        Some(share)
    }

    /// Rows of one view by the bends; weighted as [`Bundle::rows`] are.
    fn shape_rows(&self, moment: &Moment, view: &View, basis: &[Vector3<f64>]) -> DMatrix<f64> {
        let camera = &self.cameras[view.camera];
        let rotation = camera.camera_from_world.rotation.to_rotation_matrix();
        let mut rows = DMatrix::zeros(2 * view.corners_px.len(), 3);
        for (index, ((pixel, from_middle), basis)) in view
            .corners_px
            .iter()
            .zip(&self.corners_from_middle)
            .zip(basis)
            .enumerate()
        {
            let tau_s = self.tau_s(moment, view, pixel.y);
            let point = |from: &Vector3<f64>| moment.motion.point(from, tau_s).point_in_world;
            let here = point(from_middle);
            let normal = point(&(from_middle + Vector3::z())) - here;
            let Some(seen) = camera.lens.project(&(camera.camera_from_world * here)) else {
                continue;
            };
            let scale = self.weight(view, &(seen.pixel - pixel)) / self.sd_px(view);
            let by_height = seen.pixel_by_point * (rotation * normal) * scale;
            for axis in 0..2 {
                for k in 0..3 {
                    rows[(2 * index + axis, k)] = by_height[axis] * basis[k];
                }
            }
        }
        rows
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bundle::SolverSettings;
    use crate::bundle::test_scene::scene;

    /// Corners of a bent board, adjusted as if it were flat: the bends come back with their signs, and a flat one has none.
    #[test]
    fn bends_come_back_from_the_residuals() {
        let settings = SolverSettings {
            most_steps: 60,
            least_fall: 1e-12,
        };
        for planted in [
            Vector3::zeros(),
            Vector3::new(0.0015, 0.0, 0.0),
            Vector3::new(-0.0008, 0.0006, 0.0004),
        ] {
            let mut bundle = scene(false);
            let flat = bundle.corners_from_middle.clone();
            bundle.bend(&planted);
            for at in 0..bundle.moments.len() {
                for index in 0..bundle.moments[at].views.len() {
                    let moment = &bundle.moments[at];
                    let seen = bundle.predict(moment, &moment.views[index]);
                    let corners_px = seen.into_iter().map(Option::unwrap).collect();
                    bundle.moments[at].views[index].corners_px = corners_px;
                }
            }
            bundle.corners_from_middle = flat;
            let mut found = Vector3::zeros();
            for _ in 0..3 {
                bundle.solve(settings);
                let (covariance, _) = bundle.covariance().unwrap();
                let step = bundle.board_shape(&covariance).unwrap().bends_m;
                bundle.bend(&step);
                found += step;
            }
            assert!((found - planted).norm() < 2e-5, "{found:?} of {planted:?}");
        }
    }
}
