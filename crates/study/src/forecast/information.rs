//! The bordered information matrix of path and rig, and what follows from its factor.

use super::banded::Banded;
use crate::StudyError;
use nalgebra::{DMatrix, DVector, Matrix3, Vector3};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Directions of the survey's covariance below this share of the largest (after scaling) carry nothing.
const LEAST_DIRECTION: f64 = 1e-13;

/// Square root of a covariance without its empty directions: `factor · factorᵀ = covariance`.
pub(crate) fn square_root(covariance: &DMatrix<f64>) -> DMatrix<f64> {
    let scale = covariance.diagonal().map(|v| v.max(0.0).sqrt());
    let scaled = DMatrix::from_fn(covariance.nrows(), covariance.ncols(), |a, b| {
        let product = scale[a] * scale[b];
        if product > 0.0 {
            covariance[(a, b)] / product
        } else {
            0.0
        }
    });
    let eigen = scaled.symmetric_eigen();
    let most = eigen.eigenvalues.max();
    let kept: Vec<usize> = (0..eigen.eigenvalues.len())
        .filter(|k| eigen.eigenvalues[*k] > LEAST_DIRECTION * most)
        .collect();
    DMatrix::from_fn(covariance.nrows(), kept.len(), |row, k| {
        scale[row] * eigen.eigenvectors[(row, kept[k])] * eigen.eigenvalues[kept[k]].sqrt()
    })
}

/// The bordered information matrix.
pub(crate) struct Information {
    pub(crate) path: Banded,
    pub(crate) cross: DMatrix<f64>,
    pub(crate) rig: DMatrix<f64>,
    pub(crate) knots: usize,
    pub(crate) clocks_from: usize,
}

/// The factored information matrix.
pub(crate) struct Solved {
    path: Banded,
    /// `A⁻¹ B`.
    path_by_unknowns: DMatrix<f64>,
    /// Schur complement of the path.
    pub(crate) unknowns: nalgebra::Cholesky<f64, nalgebra::Dyn>,
}

impl Solved {
    /// Factors path, then the rig's unknowns.
    ///
    /// # Errors
    /// [`StudyError::Rig`] where the matrix is not positive definite.
    pub(crate) fn of(mut information: Information) -> Result<Self, StudyError> {
        let wild = || {
            StudyError::Rig {
            problem: "the forecast's information matrix is not positive definite: check the rig's covariance".to_owned(),
        }
        };
        if !information.path.factor() {
            return Err(wild());
        }
        let half = information.path.forward_all(&information.cross);
        let unknowns = (information.rig - half.transpose() * &half)
            .cholesky()
            .ok_or_else(wild)?;
        Ok(Self {
            path_by_unknowns: information.path.backward_all(&half),
            path: information.path,
            unknowns,
        })
    }

    /// Covariance of the position at a place of the spline (m²).
    pub(crate) fn covariance(&self, (first, values): &(usize, [f64; 4])) -> Matrix3<f64> {
        let size = self.path_by_unknowns.nrows();
        let mut columns = Vec::with_capacity(3);
        let mut by_unknowns = DMatrix::zeros(self.path_by_unknowns.ncols(), 3);
        for axis in 0..3 {
            let mut v = vec![0.0; size];
            for (k, value) in values.iter().enumerate() {
                let at = 3 * (first + k) + axis;
                v[at] = *value;
                let mut column = by_unknowns.column_mut(axis);
                column += self.path_by_unknowns.row(at).transpose() * *value;
            }
            self.path.forward(&mut v, 3 * first);
            columns.push(DVector::from_vec(v));
        }
        let half = self
            .unknowns
            .l()
            .solve_lower_triangular(&by_unknowns)
            .unwrap_or(by_unknowns);
        Matrix3::from_fn(|a, b| columns[a].dot(&columns[b]) + half.column(a).dot(&half.column(b)))
    }

    /// One joint error of the path at all places (m).
    pub(crate) fn draw(
        &self,
        places: &[(usize, [f64; 4])],
        random: &mut ChaCha8Rng,
    ) -> Vec<Vector3<f64>> {
        let mut normal = || -> f64 { StandardNormal.sample(random) };
        let mut x: Vec<f64> = (0..self.path_by_unknowns.nrows())
            .map(|_| normal())
            .collect();
        self.path.backward(&mut x);
        let mut unknown = DVector::from_fn(self.path_by_unknowns.ncols(), |_, _| normal());
        self.unknowns
            .l_dirty()
            .tr_solve_lower_triangular_mut(&mut unknown);
        let shift = &self.path_by_unknowns * unknown;
        places
            .iter()
            .map(|(first, values)| {
                Vector3::from_fn(|axis, _| {
                    let terms = values.iter().enumerate().map(|(k, value)| {
                        let at = 3 * (first + k) + axis;
                        value * (x[at] - shift[at])
                    });
                    terms.sum()
                })
            })
            .collect()
    }
}
