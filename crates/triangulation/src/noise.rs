//! How far to trust each sighting.

use nalgebra::{Matrix2, Vector2};

/// Noise of each camera and the odds of wrong sightings.
///
/// A sighting is right with probability `1 − share`, then its error is Gaussian with the stated covariance
/// times `white²` of its camera, plus what lasts in all of its sightings alike; else it is wrong and scatters `width` times wider. The weight is the posterior
/// probability of being right (plus the little that a wrong one still says): a redescending
/// M-estimator that leaves Gaussian data untouched (contaminated normal, Tukey 1960; fitted by EM).
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Noise {
    /// Of all of a sighting's error, to judge by.
    pub(crate) scale: Vec<f64>,
    /// Of the part that changes from frame to frame, to weigh by.
    pub(crate) white: Vec<f64>,
    /// Variance of the part that lasts (px²): however well a sighting is stated, it may be off by so much and still be right.
    pub(crate) lasting_px2: Vec<f64>,
    pub(crate) share: f64,
    pub(crate) width: f64,
}

/// A judged sighting.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Judgement {
    /// Information matrix that goes into the fit (px⁻²).
    pub(crate) information: Matrix2<f64>,
    /// Weight, 0 to 1.
    pub(crate) weight: f64,
    /// Probability of being right.
    pub(crate) right: f64,
    /// Whitened distance squared with the stated covariance, before the camera's scale.
    pub(crate) distance2: f64,
}

impl Judgement {
    /// A sighting that the camera cannot have made.
    pub(crate) fn void() -> Self {
        Self {
            information: Matrix2::zeros(),
            weight: 0.0,
            right: 0.0,
            distance2: 0.0,
        }
    }
}

impl Noise {
    pub(crate) fn judge(
        &self,
        camera: usize,
        residual: &Vector2<f64>,
        covariance: &Matrix2<f64>,
    ) -> Judgement {
        let Some(inverse) = covariance.try_inverse() else {
            return Judgement::void();
        };
        let distance2 = residual.dot(&(inverse * residual));
        let white2 = self.white[camera] * self.white[camera];
        let all = covariance * white2 + Matrix2::identity() * self.lasting_px2[camera];
        let d2 = all
            .try_inverse()
            .map_or(f64::INFINITY, |inverse| residual.dot(&(inverse * residual)));
        let width2 = self.width * self.width;
        // Two axes: the density falls by width².
        let odds_wrong = self.share / (1.0 - self.share) / width2
            * (0.5 * d2 * (1.0 - 1.0 / width2)).min(700.0).exp();
        let right = 1.0 / (1.0 + odds_wrong);
        let weight = right + (1.0 - right) / width2;
        Judgement {
            information: inverse * (weight / (self.white[camera] * self.white[camera])),
            weight,
            right,
            distance2,
        }
    }

    /// As [`Self::judge`] for a path that is still rough: heavy tails (Cauchy), so that nothing is lost early.
    pub(crate) fn judge_gently(
        &self,
        camera: usize,
        residual: &Vector2<f64>,
        covariance: &Matrix2<f64>,
    ) -> Judgement {
        let mut judged = self.judge(camera, residual, covariance);
        let scale2 = self.scale[camera] * self.scale[camera];
        judged.weight = 1.0 / (1.0 + judged.distance2 / (4.0 * scale2));
        judged.information = covariance
            .try_inverse()
            .map_or_else(Matrix2::zeros, |m| m * (judged.weight / scale2));
        judged
    }
}

/// Median of a whitened squared distance in two dimensions: `2 ln 2`.
const MEDIAN_DISTANCE2: f64 = 1.386_294_361_119_890_6;

/// Scale of each camera from the median distance: rough, but no wrong sighting moves it.
pub(crate) fn median_scales(distances2: &mut [Vec<f64>]) -> Vec<f64> {
    distances2
        .iter_mut()
        .map(|list| {
            if list.is_empty() {
                return 1.0;
            }
            let middle = list.len() / 2;
            let median = *list.select_nth_unstable_by(middle, f64::total_cmp).1;
            (median / MEDIAN_DISTANCE2).sqrt().max(0.05)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gaussian_sightings_keep_their_weight_and_wrong_ones_lose_it() {
        let noise = Noise {
            scale: vec![1.0],
            white: vec![1.0],
            lasting_px2: vec![0.0],
            share: 0.02,
            width: 20.0,
        };
        let covariance = Matrix2::identity() * 0.01;
        let at = |sigma: f64| noise.judge(0, &Vector2::new(0.1 * sigma, 0.0), &covariance);
        assert!(at(2.0).weight > 0.999);
        assert!(at(3.0).weight > 0.99);
        assert!(at(6.0).right < 0.01);
        assert!(at(100.0).weight < 0.01 && at(100.0).weight > 0.0);
    }

    #[test]
    fn the_median_finds_the_scale() {
        let mut lists = vec![vec![4.0 * MEDIAN_DISTANCE2; 5], Vec::new()];
        lists[0].push(1e9);
        let scales = median_scales(&mut lists);
        assert!((scales[0] - 2.0).abs() < 1e-12 && (scales[1] - 1.0).abs() < 1e-12);
    }
}
