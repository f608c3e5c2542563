//! What the fit knows, ready to be asked at any instant.

use crate::border::{Border, Stand};
use crate::bordered::{Band, Factor};
use crate::diagnostics::conditional_of;
use crate::lasting;
use crate::normal::Estimate;
use crate::observation::{Layout, Piece};
use crate::spline::Weights;
use nalgebra::{DMatrix, DVector, Matrix3, Point3, Vector3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Gaussian posterior of all coefficients and shared unknowns (Laplace's approximation).
#[derive(Debug, Clone)]
pub(crate) struct Posterior {
    pub(crate) layout: Layout,
    pub(crate) border: Border,
    pub(crate) estimate: Estimate,
    pub(crate) stand: Stand,
    /// Variance of the part of sightings' errors that lasts (px²).
    pub(crate) lasting_px2: f64,
    factor: Factor,
    /// Covariance of the coefficients, shared unknowns held fixed.
    selected: Band,
    /// `A⁻¹B`, row by row.
    response: Vec<f64>,
    pub(crate) border_covariance: DMatrix<f64>,
}

/// Covariance of one derivative at one instant, by cause.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Causes {
    pub(crate) total: Matrix3<f64>,
    pub(crate) pixels: Matrix3<f64>,
    pub(crate) survey: Matrix3<f64>,
    pub(crate) clocks: Matrix3<f64>,
}

impl Posterior {
    pub(crate) fn new(
        layout: Layout,
        border: Border,
        estimate: Estimate,
        factor: Factor,
        stand: Stand,
        lasting_px2: f64,
    ) -> Self {
        Self {
            selected: factor.selected_inverse(),
            response: factor.response(),
            border_covariance: factor.border_covariance(),
            layout,
            border,
            estimate,
            factor,
            stand,
            lasting_px2,
        }
    }

    /// ∂(value)/∂z through the coefficients: 3×k, sign as the coefficients follow the modes.
    pub(crate) fn by_modes(&self, piece: &Piece, w: &Weights, order: usize) -> DMatrix<f64> {
        let k = self.factor.border_len();
        let mut result = DMatrix::zeros(3, k);
        for (j, weight) in w.by_derivative[order]
            .iter()
            .enumerate()
            .take(piece.grid.degree + 1)
        {
            for axis in 0..3 {
                let row = (3 * (piece.offset + w.first + j) + axis) * k;
                for (column, value) in self.response[row..row + k].iter().enumerate() {
                    result[(axis, column)] -= weight * value;
                }
            }
        }
        result
    }

    pub(crate) fn causes(&self, piece: &Piece, w: &Weights, time_s: f64, order: usize) -> Causes {
        let mut causes = self.steady_causes(piece, w, order);
        if order == 0 {
            let lasting = self.lasting(piece, w, time_s);
            causes.pixels += lasting;
            causes.total += lasting;
        }
        causes
    }

    /// Covariance without errors that last.
    pub(crate) fn steady(&self, piece: &Piece, w: &Weights, order: usize) -> Matrix3<f64> {
        self.steady_causes(piece, w, order).total
    }

    fn steady_causes(&self, piece: &Piece, w: &Weights, order: usize) -> Causes {
        let pixels = conditional_of(&self.selected, piece, w, order);
        let by_modes = self.by_modes(piece, w, order);
        let k = by_modes.ncols();
        let part = |from: usize, count: usize| -> Matrix3<f64> {
            // Shared unknowns of one kind with half of what they share with the other kind.
            let side = by_modes.columns(from, count);
            let spread = self.border_covariance.rows(from, count);
            let product = side * (spread * by_modes.transpose());
            let product = product.fixed_view::<3, 3>(0, 0).into_owned();
            0.5 * (product + product.transpose())
        };
        let of_survey = self.border.of_survey.min(k);
        let survey = part(0, of_survey);
        let clocks = part(of_survey, k - of_survey);
        Causes {
            total: pixels + survey + clocks,
            pixels,
            survey,
            clocks,
        }
    }

    /// Covariance of the position at an instant from errors that last.
    pub(crate) fn lasting(&self, piece: &Piece, w: &Weights, time_s: f64) -> Matrix3<f64> {
        if self.lasting_px2 <= 0.0 {
            return Matrix3::zeros();
        }
        let point = Point3::from(self.value(piece, w, 0));
        let coverage = self
            .layout
            .roles
            .iter()
            .position(|role| *role == piece.role)
            .map(|index| &self.layout.coverage[index]);
        let seeing: Vec<usize> = coverage.map_or_else(Vec::new, |c| c.seeing(time_s).collect());
        lasting::covariance(&self.stand, &seeing, &point)
            .or_else(|| {
                // Bridged: as wide as with all cameras that see the marker at all.
                let all: Vec<usize> = coverage.map_or_else(Vec::new, |c| {
                    (0..c.stretches.len())
                        .filter(|&camera| !c.stretches[camera].is_empty())
                        .collect()
                });
                lasting::covariance(&self.stand, &all, &point)
            })
            .map_or_else(Matrix3::zeros, |m| m * self.lasting_px2)
    }

    /// Joint draws of coefficients and shared unknowns.
    pub(crate) fn draws(&self, count: usize, seed: u64) -> impl Iterator<Item = Estimate> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let n = self.estimate.coefficients.len();
        let k = self.factor.border_len();
        (0..count).map(move |_| {
            let band: Vec<f64> = (0..n).map(|_| StandardNormal.sample(&mut random)).collect();
            let corner = DVector::from_fn(k, |_, _| StandardNormal.sample(&mut random));
            let (mut coefficients, mut z) = self.factor.draw(band, &corner);
            for (value, mean) in coefficients.iter_mut().zip(&self.estimate.coefficients) {
                *value += mean;
            }
            z += &self.estimate.z;
            Estimate { coefficients, z }
        })
    }

    pub(crate) fn value(&self, piece: &Piece, w: &Weights, order: usize) -> Vector3<f64> {
        self.estimate
            .value(piece.offset, piece.grid.degree, w, order)
    }
}
