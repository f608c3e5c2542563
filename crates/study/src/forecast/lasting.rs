//! What stays wrong with a camera's centres for a while: shading, a sleeve, compression.
//!
//! Straight lines between independent knots. At spacing `h` their variance is ⅔ of the knots' on average, and the one-sided
//! integral of their correlation is `¾ h` (both by integration of the hat functions).

use super::marker::MarkerNoise;
use nalgebra::Matrix2xX;

/// The knots of one camera and image axis.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lasting {
    knots: usize,
    knot_s: f64,
}

impl Lasting {
    /// Knots over a shot of `duration_s`.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a shot has some twenty"
    )]
    pub(crate) fn of(noise: &MarkerNoise, duration_s: f64) -> Self {
        let knot_s = noise.lasting_s.max(0.02) / 0.75;
        Self {
            knots: (duration_s / knot_s).ceil() as usize + 1,
            knot_s,
        }
    }

    /// Unknowns of one camera, both axes.
    pub(crate) const fn unknowns(&self) -> usize {
        2 * self.knots
    }

    /// Writes ∂pixel by the unknowns of one camera, which begin at column `from`, scaled to unit variance.
    pub(crate) fn write(&self, row: &mut Matrix2xX<f64>, from: usize, time_s: f64, sd_px: f64) {
        let place = time_s / self.knot_s;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "within the shot"
        )]
        let first = (place.floor().max(0.0) as usize).min(self.knots - 2);
        let share = place - first as f64;
        let size = 1.5_f64.sqrt() * sd_px;
        for axis in 0..2 {
            let at = from + axis * self.knots + first;
            row[(axis, at)] = size * (1.0 - share);
            row[(axis, at + 1)] = size * share;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Mean variance and correlation integral by summation over pairs of instants.
    #[test]
    fn size_and_length_are_as_stated() {
        let noise = MarkerNoise {
            lasting_s: 0.3,
            ..MarkerNoise::default()
        };
        let lasting = Lasting::of(&noise, 8.0);
        let step_s = 0.01;
        let rows: Vec<Matrix2xX<f64>> = (0..800)
            .map(|k| {
                let mut row = Matrix2xX::zeros(lasting.unknowns());
                lasting.write(&mut row, 0, f64::from(k) * step_s, 0.1);
                row
            })
            .collect();
        let covariance = |a: usize, b: usize| rows[a].row(0).dot(&rows[b].row(0));
        let middle = 200..600;
        let mean = middle.clone().map(|k| covariance(k, k)).sum::<f64>() / 400.0;
        assert_relative_eq!(mean, 0.01, max_relative = 0.02);
        let both: f64 = middle
            .flat_map(|a| (0..800).map(move |b| (a, b)))
            .map(|(a, b)| covariance(a, b))
            .sum();
        let one_sided_s = 0.5 * both / 400.0 * step_s / mean;
        assert_relative_eq!(one_sided_s, 0.3, max_relative = 0.03);
    }
}
