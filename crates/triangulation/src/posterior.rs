//! What the fit knows, ready to be asked at any instant.

use crate::border::Border;
use crate::bordered::{Band, Factor};
use crate::diagnostics::conditional_of;
use crate::echo::{Echo, Tails};
use crate::normal::Estimate;
use crate::observation::{Layout, Piece};
use crate::spline::Weights;
use nalgebra::{DMatrix, DVector, Matrix3, Vector3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Gaussian posterior of all coefficients and shared unknowns (Laplace's approximation).
#[derive(Debug, Clone)]
pub(crate) struct Posterior {
    pub(crate) layout: Layout,
    pub(crate) border: Border,
    pub(crate) estimate: Estimate,
    /// How the path answers to sightings' errors that last.
    pub(crate) echo: Echo,
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
        echo: Echo,
    ) -> Self {
        Self {
            selected: factor.selected_inverse(),
            response: factor.response(),
            border_covariance: factor.border_covariance(),
            layout,
            border,
            estimate,
            factor,
            echo,
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

    /// Covariance of a derivative at one instant, by cause; errors that last count as pixels'.
    pub(crate) fn causes(&self, piece: &Piece, w: &Weights, order: usize) -> Causes {
        let pixels = conditional_of(&self.selected, piece, w, order)
            + self
                .echo
                .covariance(piece.offset, piece.grid.degree, w, order);
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

    /// Joint draws of coefficients and shared unknowns, errors that last included.
    pub(crate) fn draws(
        &self,
        count: usize,
        seed: u64,
        tails: Tails,
    ) -> impl Iterator<Item = Estimate> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        // Another stream of the generator, so that white noise is drawn alike whatever lasts.
        let mut slow = ChaCha8Rng::seed_from_u64(seed);
        slow.set_stream(1);
        let n = self.estimate.coefficients.len();
        let k = self.factor.border_len();
        (0..count).map(move |_| {
            let band: Vec<f64> = (0..n).map(|_| StandardNormal.sample(&mut random)).collect();
            let corner = DVector::from_fn(k, |_, _| StandardNormal.sample(&mut random));
            let (mut coefficients, mut z) = self.factor.draw(band, &corner);
            for (value, mean) in coefficients.iter_mut().zip(&self.estimate.coefficients) {
                *value += mean;
            }
            for (value, change) in
                coefficients
                    .iter_mut()
                    .zip(self.echo.draw(&self.factor, &mut slow, 1, tails))
            {
                *value += change;
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
