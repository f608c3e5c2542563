//! One camera's clock by the sounds that it shares with another: offset, drift, and jumps at seams.

use crate::seams::{Jumps, PartedPair, Seam};
use drawarc_rig::{ClockJump, ClockModel};
use nalgebra::{DMatrix, DVector};

/// An event counts as an outlier beyond so many standard deviations.
const OUTLIER_SDS: f64 = 4.0;
/// ... and this much (s), below which no event is worth complaining about.
const OUTLIER_FLOOR_S: f64 = 5e-4;

/// How much later the camera hears an event than the anchor does, because of the sound's way.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Way {
    pub(crate) later_s: f64,
    pub(crate) sd_s: f64,
}

/// What a camera's sounds say of its clock.
pub(crate) struct ClockFit {
    /// Before the first jump.
    pub(crate) clock: ClockModel,
    pub(crate) jumps: Vec<ClockJump>,
    /// Jumps of the anchor (s) with their variances (s²), where there are any.
    pub(crate) anchor_jumps: Vec<Option<(f64, f64)>>,
    pub(crate) place_sd_s: f64,
    pub(crate) residuals: Vec<(f64, bool)>,
}

/// Offset, rate and jumps at the seams of both recordings (the camera's, then the anchor's), outliers left out one by one and
/// jumps that are none given up.
pub(crate) fn fit_clock(
    pairs: &[PartedPair],
    ways: &[Way],
    drift_sd: f64,
    (own, other): (&[Seam], &[Seam]),
) -> ClockFit {
    let mut jumps = Jumps::of(own, other);
    loop {
        let fit = fit_with(pairs, ways, drift_sd, &jumps);
        if !jumps.give_up_one((own, other), (&fit.solution, &fit.covariance), JUMPS_AT) {
            return fit.told(pairs, &jumps, own);
        }
    }
}

/// Offset and rate come first among the numbers, then jumps.
const JUMPS_AT: usize = 2;
/// A jump that is none (s, 1 σ).
const NO_JUMP_S: f64 = 1e-9;

/// Offset, rate and jumps as they came out.
struct Fitted {
    reference_s: f64,
    solution: DVector<f64>,
    /// Of the comparisons alone, widened by how they scatter; the place of the sounds comes on top.
    covariance: DMatrix<f64>,
    place_sd_s: f64,
    residuals: Vec<(f64, bool)>,
    /// Weight of each event (1/s²), and when the camera heard it as if it stood at the source (s).
    weighed: Vec<(f64, f64)>,
}

/// Information on drift and jumps before anything is heard.
fn prior(drift_sd: f64, jumps: &Jumps) -> DMatrix<f64> {
    let mut prior = DMatrix::zeros(JUMPS_AT + jumps.len(), JUMPS_AT + jumps.len());
    prior[(1, 1)] = drift_sd.powi(-2);
    for (k, sd_s) in jumps.sd_s().into_iter().enumerate() {
        prior[(JUMPS_AT + k, JUMPS_AT + k)] = sd_s.max(NO_JUMP_S).powi(-2);
    }
    prior
}

/// The inverse, or nothing known where there is none.
fn inverse(matrix: DMatrix<f64>) -> DMatrix<f64> {
    let size = matrix.nrows();
    matrix
        .try_inverse()
        .unwrap_or_else(|| DMatrix::zeros(size, size))
}

/// Weighted least squares with priors on drift and jumps.
fn fit_with(pairs: &[PartedPair], ways: &[Way], drift_sd: f64, jumps: &Jumps) -> Fitted {
    // In the anchor's clock and the camera's clock, both as if the microphones stood at the source.
    let anchor_s: Vec<f64> = pairs.iter().map(|p| p.pair.first_s).collect();
    let camera_s: Vec<f64> = pairs
        .iter()
        .zip(ways)
        .map(|(p, way)| p.pair.second_s - way.later_s)
        .collect();
    let compared_sd = |k: usize| pairs[k].pair.sd_s;
    let sd = |k: usize| compared_sd(k).hypot(ways[k].sd_s);
    let free = JUMPS_AT + jumps.len();
    let seen: Vec<Vec<f64>> = pairs
        .iter()
        .map(|p| jumps.seen((p.second, p.first)))
        .collect();
    let prior = prior(drift_sd, jumps);
    let mut used = vec![true; pairs.len()];
    loop {
        let weight: Vec<f64> = (0..pairs.len())
            .map(|k| if used[k] { sd(k).powi(-2) } else { 0.0 })
            .collect();
        let total: f64 = weight.iter().sum();
        let reference_s = dot(&weight, &camera_s) / total;
        let rows: Vec<DVector<f64>> = (0..pairs.len())
            .map(|k| {
                let own = [1.0, camera_s[k] - reference_s].into_iter();
                DVector::from_iterator(free, own.chain(seen[k].iter().copied()))
            })
            .collect();
        let mut normal = prior.clone();
        let mut measured = prior.clone();
        let mut right = DVector::zeros(free);
        for (k, row) in rows.iter().enumerate() {
            let square = row * row.transpose();
            normal += &square * weight[k];
            right += row * (weight[k] * (anchor_s[k] - camera_s[k]));
            if used[k] {
                measured += square * compared_sd(k).powi(-2);
            }
        }
        let by_places = inverse(normal);
        let solution = &by_places * right;
        let residuals: Vec<f64> = rows
            .iter()
            .enumerate()
            .map(|(k, row)| anchor_s[k] - camera_s[k] - row.dot(&solution))
            .collect();
        let count = used.iter().filter(|&&yes| yes).count();
        let worst = (0..pairs.len()).filter(|&k| used[k]).max_by(|&p, &q| {
            let off = |k: usize| residuals[k].abs() / sd(k);
            off(p).total_cmp(&off(q))
        });
        // Beside a majority only: with two events nobody can say which is wrong.
        if let Some(k) = worst
            && count > 2
            && residuals[k].abs() > (OUTLIER_SDS * sd(k)).max(OUTLIER_FLOOR_S)
        {
            used[k] = false;
            continue;
        }
        // The way's error is common to events from one place: it does not average out.
        let ways_sd = ways.iter().map(|way| way.sd_s).collect::<Vec<_>>();
        let place_sd_s = dot(&weight, &ways_sd) / total;
        let spread = (0..pairs.len())
            .filter(|&k| used[k])
            .map(|k| (residuals[k] / compared_sd(k)).powi(2))
            .sum::<f64>()
            / (count.saturating_sub(1)).max(1) as f64;
        let mut covariance = inverse(measured);
        let inflation = spread.max(1.0);
        covariance[(0, 0)] *= inflation;
        // Sounds before and after a jump may come from different places.
        for k in JUMPS_AT..free {
            covariance[(k, k)] = (inflation * covariance[(k, k)]).max(by_places[(k, k)]);
        }
        return Fitted {
            reference_s,
            solution,
            covariance,
            place_sd_s,
            residuals: residuals.into_iter().zip(used).collect(),
            weighed: weight.into_iter().zip(camera_s).collect(),
        };
    }
}

impl Fitted {
    /// The clock of the camera, its jumps, and those of the anchor.
    fn told(self, pairs: &[PartedPair], jumps: &Jumps, own: &[Seam]) -> ClockFit {
        // About the sounds before the first jump, where the clock is stated.
        let (weight, sum) = self
            .weighed
            .iter()
            .zip(pairs)
            .filter(|(_, pair)| {
                jumps
                    .seen((pair.second, 0))
                    .iter()
                    .zip(&jumps.own_sd_s)
                    .all(|(seen, sd_s)| seen * sd_s == 0.0)
            })
            .fold((0.0, 0.0), |(weight, sum), ((w, camera_s), _)| {
                (weight + w, sum + w * camera_s)
            });
        let reference_s = if weight > 0.0 {
            sum / weight
        } else {
            self.reference_s
        };
        let mut row = DVector::zeros(self.solution.len());
        row[0] = 1.0;
        row[1] = reference_s - self.reference_s;
        let spread = &self.covariance * &row;
        let clock = ClockModel::linear(
            reference_s,
            row.dot(&self.solution),
            1.0 + self.solution[1],
            [
                row.dot(&spread) + self.place_sd_s * self.place_sd_s,
                self.covariance[(1, 1)],
                spread[1],
            ],
        );
        let told = |k: usize| {
            (
                self.solution[JUMPS_AT + k],
                self.covariance[(JUMPS_AT + k, JUMPS_AT + k)],
            )
        };
        let own_jumps = (0..own.len())
            .filter(|&k| jumps.own_sd_s[k] > 0.0)
            .map(|k| {
                let (later_s, variance_s2) = told(k);
                ClockJump {
                    camera_s: own[k].camera_s,
                    later_s,
                    variance_s2,
                }
            });
        let anchors = jumps.other_sd_s.iter().enumerate();
        let anchor_jumps = anchors.map(|(k, sd_s)| (*sd_s > 0.0).then(|| told(own.len() + k)));
        ClockFit {
            clock,
            jumps: own_jumps.collect(),
            anchor_jumps: anchor_jumps.collect(),
            place_sd_s: self.place_sd_s,
            residuals: self.residuals,
        }
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}
