//! How far the estimate's spread is from what independent corners would give it.

use super::solve::{Places, eliminate, stacked};
use super::{Bundle, Freedom};
use nalgebra::DMatrix;
use rayon::prelude::*;
use statrs::distribution::{ContinuousCDF, StudentsT};

/// Shift, stretch and shear of a board that lies have this many times the variance that independent corners give: 55 boards
/// on film (along the picture's rows 1.0, along its columns 1.4). Nothing in one survey tells it: a board that lies shows one draw.
const LYING_EFFECT: f64 = 1.25;

/// Two-sided 95 % of a normal.
const NORMAL_95: f64 = 1.959_964;
/// Fewer degrees of freedom are not taken for known: the interval would be of no use.
const LEAST_FREEDOM: f64 = 4.0;

/// Two-sided 95 % of Student's t.
fn two_sided_95(freedom: f64) -> f64 {
    if freedom.is_finite() {
        StudentsT::new(0.0, 1.0, freedom.max(LEAST_FREEDOM))
            .map_or(NORMAL_95, |t| t.inverse_cdf(0.975))
    } else {
        NORMAL_95
    }
}

/// One moment's say in the cameras' parameters.
struct Share {
    /// Its pull, in units of what the estimate's covariance expects, squared.
    seen: f64,
    /// What independent corners would make of that.
    expected: f64,
}

impl Bundle {
    /// By how much corner errors within one moment go together: the variance of the moments' pulls on the cameras'
    /// parameters over what independent corners would give, as one number (a cluster-robust estimate, Liang & Zeger
    /// 1986, reduced to its trace: with few moments the whole matrix would be too uncertain). Each moment's own share in
    /// the fit makes its pull smaller: `E[sᵢ sᵢᵀ] = Iᵢ − Iᵢ C Iᵢ`, with `C` the covariance and `Iᵢ` the moment's
    /// information, is what independent corners leave (the leverage of Bell and `McCaffrey` 2002, from memory). The board that
    /// lies and fixes the range does not count: see [`Bundle::widened`]. So that intervals of ±1.96 σ hold although the effect
    /// is known from a few moments, it is widened by `(t/1.96)²` for as many degrees of freedom as the moments' scatter leaves
    /// (Satterthwaite 1946).
    pub(crate) fn design_effect(&self, covariance: &DMatrix<f64>) -> f64 {
        let places = Places::new(self);
        if places.count == 0 {
            return 1.0;
        }
        let rows: Vec<usize> = places
            .of
            .iter()
            .flatten()
            .enumerate()
            .filter_map(|(row, place)| place.map(|_| row))
            .collect();
        let shares: Vec<Share> = self
            .parts()
            .par_iter()
            .zip(&self.moments)
            .filter(|(_, moment)| moment.motion.freedom != Freedom::Fixed)
            .filter_map(|(part, _)| {
                let eliminated = eliminate(&places, part, 0.0)?;
                let at = stacked(&places, part);
                let mut information = -eliminated.normal;
                let mut pull = -eliminated.slope;
                let mut start = 0;
                for camera in &part.cameras {
                    let free = places.free_of(camera.camera);
                    for (a, (row, _)) in free.iter().enumerate() {
                        pull[start + a] += camera.slope[*row];
                        for (b, (column, _)) in free.iter().enumerate() {
                            information[(start + a, start + b)] += camera.normal[(*row, *column)];
                        }
                    }
                    start += free.len();
                }
                let own = DMatrix::from_fn(at.len(), at.len(), |i, j| {
                    covariance[(rows[at[i]], rows[at[j]])]
                });
                let leverage = &own * information;
                let left = leverage.trace() - (&leverage * &leverage).trace();
                Some(Share {
                    seen: pull.dot(&(own * &pull)),
                    expected: left,
                })
            })
            .collect();
        let seen: f64 = shares.iter().map(|share| share.seen).sum();
        let expected: f64 = shares.iter().map(|share| share.expected).sum();
        if expected <= 0.0 || seen <= 0.0 {
            return 1.0;
        }
        let effect = seen / expected;
        let scatter: f64 = shares
            .iter()
            .map(|share| (share.seen - effect * share.expected).powi(2))
            .sum();
        effect * (two_sided_95(2.0 * seen * seen / scatter) / NORMAL_95).powi(2)
    }

    /// The covariance of the cameras' parameters from errors as they are, and by how much it was widened: `C` as
    /// independent corners give it, times the design effect `w`, but for what the board that lies and fixes the range adds,
    /// whose effect `v` is [`LYING_EFFECT`]: `C (w (I − I₀) + v I₀) C = w C − (w − v) C I₀ C`, with `I` all information
    /// and `I₀` that of the lying board.
    pub(crate) fn widened(&self, covariance: &DMatrix<f64>) -> (DMatrix<f64>, f64) {
        let effect = self.design_effect(covariance).max(1.0);
        let mut lying = DMatrix::zeros(covariance.nrows(), covariance.ncols());
        let starts = self.starts();
        for (part, moment) in self.parts().iter().zip(&self.moments) {
            if moment.motion.freedom != Freedom::Fixed {
                continue;
            }
            for camera in &part.cameras {
                let start = starts[camera.camera];
                let size = camera.normal.nrows();
                let mut block = lying.view_mut((start, start), (size, size));
                block += &camera.normal;
            }
        }
        let kept = covariance * lying * covariance;
        (covariance * effect - kept * (effect - LYING_EFFECT), effect)
    }

    /// Where each camera's parameters begin.
    fn starts(&self) -> Vec<usize> {
        self.cameras
            .iter()
            .scan(0, |at, camera| {
                let start = *at;
                *at += camera.count();
                Some(start)
            })
            .collect()
    }
}
