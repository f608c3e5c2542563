//! How rough the path may be, at each time: variances of its differences, learned from the data.
//!
//! The prior takes the m-th differences of the spline's coefficients for independent Gaussian numbers
//! (P-splines: Eilers & Marx 1996) whose variance changes in time. Variances are updated by the rule of Fellner and
//! Schall (Wood & Fasiolo, Biometrics 2017), which climbs the restricted likelihood: energy of the estimated
//! differences over the number of differences that the data determine, each summed over a window.

use crate::bordered::Band;
use crate::normal::Estimate;
use crate::observation::{Layout, Piece};
use crate::spline::difference;

/// Differences smoother than this do not occur (m²): a thousandth of a micrometre.
const LEAST_VARIANCE_M2: f64 = 1e-24;
/// A variance moves by no more than this factor an update.
const LARGEST_STEP: f64 = 50.0;

/// One difference of the coefficients.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Difference {
    /// The piece that it belongs to.
    pub(crate) piece: usize,
    /// Its first coefficient, among all.
    pub(crate) first: usize,
    /// Windows do not reach from one group into another: pieces, parted at breaks.
    pub(crate) group: usize,
    /// Instant that it is about (s).
    pub(crate) time_s: f64,
    /// Prior variance of each axis (m²).
    pub(crate) variance: f64,
}

/// What the data say about one difference.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Evidence {
    /// Squared length of the estimate (m²).
    pub(crate) energy: f64,
    /// How many of its three axes the data determine, 0 to 3.
    pub(crate) determined: f64,
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Smoothness {
    row: Vec<f64>,
    pub(crate) differences: Vec<Difference>,
    /// Half-width of the window in differences.
    reach: usize,
    adapt_prior: f64,
}

fn centre_s(piece: &Piece, first: usize, order: usize) -> f64 {
    0.5 * (piece.grid.centre_s(first) + piece.grid.centre_s(first + order))
}

impl Smoothness {
    pub(crate) fn new(layout: &Layout, order: usize, adapt_s: f64, adapt_prior: f64) -> Self {
        let mut differences = Vec::new();
        for (group, piece) in layout.pieces.iter().enumerate() {
            for first in 0..piece.grid.coefficients().saturating_sub(order) {
                differences.push(Difference {
                    piece: group,
                    first: piece.offset + first,
                    group,
                    time_s: centre_s(piece, first, order),
                    variance: 1.0,
                });
            }
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a few knots"
        )]
        let reach = (adapt_s / layout.pieces[0].grid.knot_s).round().max(1.0) as usize;
        Self {
            row: difference(order),
            differences,
            reach,
            adapt_prior,
        }
    }

    pub(crate) fn set_all(&mut self, variance: f64) {
        for difference in &mut self.differences {
            difference.variance = variance;
        }
    }

    /// The differences of one piece.
    pub(crate) fn range_of(&self, piece: usize) -> std::ops::Range<usize> {
        let from = self.differences.partition_point(|d| d.piece < piece);
        from..self.differences.partition_point(|d| d.piece <= piece)
    }

    /// Parts the windows between difference `at − 1` and `at`.
    pub(crate) fn part(&mut self, at: usize) {
        for difference in &mut self.differences[at..] {
            difference.group += 1;
        }
    }

    /// Takes back every [`Self::part`].
    pub(crate) fn join(&mut self) {
        for difference in &mut self.differences {
            difference.group = difference.piece;
        }
    }

    /// `Σ log |prior covariance|`.
    pub(crate) fn log_variance(&self) -> f64 {
        self.differences.iter().map(|d| 3.0 * d.variance.ln()).sum()
    }

    pub(crate) fn add_to(&self, band: &mut Band) {
        for difference in &self.differences {
            self.add_difference(band, difference.first, difference.variance);
        }
    }

    /// Adds the prior of one difference that starts at coefficient `first` of the band.
    pub(crate) fn add_difference(&self, band: &mut Band, first: usize, variance: f64) {
        let precision = 1.0 / variance;
        for (a, left) in self.row.iter().enumerate() {
            for (b, right) in self.row.iter().enumerate().take(a + 1) {
                let value = left * right * precision;
                for axis in 0..3 {
                    band.add(3 * (first + a) + axis, 3 * (first + b) + axis, value);
                }
            }
        }
    }

    /// Energy and degrees of freedom of every difference, shared unknowns held fixed.
    pub(crate) fn evidence(&self, estimate: &Estimate, selected: &Band) -> Vec<Evidence> {
        self.differences
            .iter()
            .map(|difference| {
                let mut energy = 0.0;
                let mut determined = 0.0;
                for axis in 0..3 {
                    let at = |a: usize| 3 * (difference.first + a) + axis;
                    let value: f64 = self
                        .row
                        .iter()
                        .enumerate()
                        .map(|(a, w)| w * estimate.coefficients[at(a)])
                        .sum();
                    energy += value * value;
                    let mut variance = 0.0;
                    for (a, left) in self.row.iter().enumerate() {
                        variance += left * left * selected.get(at(a), at(a));
                        for (b, right) in self.row.iter().enumerate().take(a) {
                            variance += 2.0 * left * right * selected.get(at(a), at(b));
                        }
                    }
                    determined += (1.0 - variance / difference.variance).clamp(0.0, 1.0);
                }
                Evidence { energy, determined }
            })
            .collect()
    }

    /// Variances as an oracle would choose them, who knows the path: mean squares of its differences over
    /// `reach` neighbours to both sides, all three axes together.
    pub(crate) fn set_from(&mut self, truth: &Estimate, reach: usize) {
        let squares: Vec<f64> = self
            .differences
            .iter()
            .map(|difference| {
                (0..3)
                    .map(|axis| {
                        let value: f64 = self
                            .row
                            .iter()
                            .enumerate()
                            .map(|(a, w)| w * truth.coefficients[3 * (difference.first + a) + axis])
                            .sum();
                        value * value / 3.0
                    })
                    .sum()
            })
            .collect();
        for i in 0..squares.len() {
            let near = i.saturating_sub(reach)..(i + reach + 1).min(squares.len());
            let (sum, count) = near
                .filter(|&k| self.differences[k].piece == self.differences[i].piece)
                .fold((0.0, 0.0), |(sum, count), k| {
                    (sum + squares[k], count + 1.0)
                });
            self.differences[i].variance = (sum / count).max(LEAST_VARIANCE_M2);
        }
    }

    /// One Fellner-Schall update in windows. Returns the largest change of log variance.
    pub(crate) fn update(&mut self, evidence: &[Evidence]) -> f64 {
        let n = self.differences.len();
        let whole = self.group_means(evidence);
        let mut updated = Vec::with_capacity(n);
        for (i, difference) in self.differences.iter().enumerate() {
            let mut energy = self.adapt_prior * whole[difference.group_index(&self.differences)];
            let mut determined = self.adapt_prior;
            let from = i.saturating_sub(self.reach);
            let to = (i + self.reach).min(n - 1);
            for (k, near) in (from..=to).zip(&evidence[from..=to]) {
                if self.differences[k].group != difference.group {
                    continue;
                }
                let weight = 1.0 - k.abs_diff(i) as f64 / (self.reach + 1) as f64;
                energy += weight * near.energy;
                determined += weight * near.determined;
            }
            updated.push(energy / determined.max(1e-9));
        }
        let mut largest = 0.0f64;
        for (difference, value) in self.differences.iter_mut().zip(updated) {
            let ratio = (value / difference.variance).clamp(1.0 / LARGEST_STEP, LARGEST_STEP);
            largest = largest.max(ratio.ln().abs());
            difference.variance = (difference.variance * ratio).max(LEAST_VARIANCE_M2);
        }
        largest
    }

    /// Geometric mean of the variances of each group, weighted by what is determined: what the windows are drawn
    /// to.
    fn group_means(&self, evidence: &[Evidence]) -> Vec<f64> {
        let base = self.differences.first().map_or(0, |d| d.group);
        let count = self.differences.last().map_or(0, |d| d.group + 1 - base);
        let mut sums = vec![(0.0, 1e-9); count];
        for (difference, e) in self.differences.iter().zip(evidence) {
            let slot = &mut sums[difference.group - base];
            let weight = e.determined + 1e-6;
            slot.0 += weight * difference.variance.ln();
            slot.1 += weight;
        }
        sums.into_iter().map(|(sum, w)| (sum / w).exp()).collect()
    }
}

impl Difference {
    fn group_index(&self, all: &[Self]) -> usize {
        self.group - all[0].group
    }
}
