//! Where a fall in the hold began, how long it lasted and how deep it went: the posterior over every place it may have.
//!
//! `w(t) = a + m(t) − D ρ(t) + error`, `ρ` going from 0 at the start to 1 at the end, with edges from sudden to soft. The
//! movement beside the fall, `m`, has a random pace with a stated mean and spread that lasts for about a second, and the last
//! of the draw dies away at its beginning. Errors keep the covariance of the joint draws: their correlation by lag alone
//! (a few hundred draws would leave noise in a free matrix) and their own size at every instant; tremor stands beside it.
//! All this is Gaussian, so that for any start and end depth and evidence come in closed form (generalised least squares);
//! start and end are summed over a grid, every octave of lengths alike, depths above zero alike. A plain least-squares ramp
//! that is moved downhill from the deepest pair stays where that pair was: with a resting hook it made falls of a second and
//! more of one of 0.3 s.

use crate::fall_pace::{Pace, tremor};
use crate::fall_shape::{SHAPES, low_passed, turn};
use crate::reversal::Quantity;
use nalgebra::{DMatrix, DVector, SymmetricEigen};
use statrs::distribution::{ContinuousCDF, Normal};

/// Shortest and longest fall (s).
const LENGTHS_S: (f64, f64) = (0.08, 3.0);
/// How much of the movement before and after the pair is looked at (s).
const AROUND_S: f64 = 1.0;
/// Instants are thinned to this step (s): after a low-pass of about 6 Hz nothing lies between them.
const STEP_S: f64 = 1.0 / 30.0;
/// Instants and grid points beyond which both are thinned further.
const MOST: usize = 110;
/// Grid of start and end: coarse, and the finest (s).
const GRID_S: (f64, f64) = (0.02, 0.004);
/// What the law of errors leaves out at every instant (m), and what the shapes do, as a share of the depth.
const MISFIT: (f64, f64) = (1e-4, 0.01);
/// The end of the draw, after the stretch begins: size (m) and the time in which it dies away (s).
const TAIL: (f64, f64) = (0.006, 0.12);
/// Places lighter than this share of the heaviest are left out.
const LIGHT: f64 = 1e-5;

/// A fall: each figure as low end, median and high end of 95 %.
#[derive(Debug, Clone)]
pub(crate) struct Fall {
    pub(crate) start_s: [f64; 3],
    /// Root mean square distance from the median (s).
    pub(crate) start_sd_s: f64,
    pub(crate) length_s: [f64; 3],
    pub(crate) depth_m: [f64; 3],
}

/// A start, an end and a shape with what they say.
struct Place {
    /// From where to where it is off its way (s): the instants of the grid.
    off_s: (f64, f64),
    /// Where it turns.
    start_s: f64,
    length_s: f64,
    log_weight: f64,
    /// Net depth (m) and its standard deviation.
    depth_m: f64,
    sd_m: f64,
}

/// The instants used, everything whitened by the errors and the movement beside the fall.
struct Model {
    time_s: Vec<f64>,
    /// Inverse of the lower Cholesky factor.
    whiten: DMatrix<f64>,
    /// The constant, of length one.
    constant: DVector<f64>,
    /// Values less the mean pace, the constant taken out.
    value: DVector<f64>,
    pace: Pace,
}

/// The fall somewhere near the pair `(s, t)` of a stretch `[from, to)`; `None` where the instants are too few.
pub(crate) fn fit_fall(
    quantity: &Quantity,
    (from, to): (usize, usize),
    (s, t): (usize, usize),
    pace: Pace,
) -> Option<Fall> {
    let time_s = &quantity.time_s;
    let early = time_s
        .partition_point(|&x| x < time_s[s] - AROUND_S)
        .max(from);
    let late = time_s
        .partition_point(|&x| x <= time_s[t] + AROUND_S)
        .min(to);
    let depth_m = quantity.value[s] - quantity.value[t];
    let misfit_m = MISFIT.0.hypot(MISFIT.1 * depth_m);
    let model = Model::new(quantity, early..late, pace, misfit_m)?;
    let (first, last) = (*model.time_s.first()?, *model.time_s.last()?);
    let coarse = ((last - first) / MOST as f64).max(GRID_S.0);
    let all = (first, last);
    let mut places = model.places(&grid(all, coarse), &grid(all, coarse));
    // Where the fall is clear, a finer grid around it.
    let heavy: Vec<&Place> = heavy(&places, 1e-3);
    let around = |at: &dyn Fn(&Place) -> f64| {
        heavy.iter().fold((last, first), |(low, high), place| {
            (
                low.min(at(place) - coarse).max(first),
                high.max(at(place) + coarse).min(last),
            )
        })
    };
    let starts = around(&|place| place.off_s.0);
    let ends = around(&|place| place.off_s.1);
    let wide = (starts.1 - starts.0).max(ends.1 - ends.0);
    let fine = (2.0 * wide / MOST as f64).max(GRID_S.1);
    if fine < 0.6 * coarse {
        let finer = model.places(&grid(starts, fine), &grid(ends, fine));
        if !finer.is_empty() {
            places = finer;
        }
    }
    summary(&places)
}

fn grid((from, to): (f64, f64), step: f64) -> Vec<f64> {
    let n = ((to - from) / step + 1e-6).floor().max(0.0) as usize;
    (0..=n).map(|i| from + i as f64 * step).collect()
}

fn heaviest(places: &[Place]) -> f64 {
    places
        .iter()
        .map(|place| place.log_weight)
        .fold(f64::NEG_INFINITY, f64::max)
}

fn heavy(places: &[Place], share: f64) -> Vec<&Place> {
    let least = heaviest(places) + share.ln();
    places.iter().filter(|p| p.log_weight >= least).collect()
}

impl Model {
    fn new(
        quantity: &Quantity,
        range: std::ops::Range<usize>,
        pace: Pace,
        misfit_m: f64,
    ) -> Option<Self> {
        let all = &quantity.time_s[range.clone()];
        let step_s = (all.last()? - all.first()?) / (all.len() - 1).max(1) as f64;
        let thin = ((STEP_S / step_s.max(1e-4)).round() as usize).max(all.len().div_ceil(MOST));
        let kept: Vec<usize> = range.step_by(thin.max(1)).collect();
        if kept.len() < 8 {
            return None;
        }
        let time_s: Vec<f64> = kept.iter().map(|&i| quantity.time_s[i]).collect();
        let n = kept.len();
        let begin_s = quantity.time_s[0];
        let tail: Vec<f64> = time_s
            .iter()
            .map(|t| TAIL.0 * (-(t - begin_s) / TAIL.1).exp())
            .collect();
        let mut covariance = error_covariance(quantity, &kept);
        for i in 0..n {
            covariance[(i, i)] += misfit_m * misfit_m;
            for j in 0..n {
                covariance[(i, j)] += tail[i] * tail[j]
                    + tremor(time_s[i] - time_s[j], pace.low_pass_s)
                    + pace.covariance(time_s[i] - time_s[0], time_s[j] - time_s[0]);
            }
        }
        let whiten = covariance
            .cholesky()?
            .l()
            .solve_lower_triangular(&DMatrix::identity(n, n))?;
        let constant = (&whiten * DVector::from_element(n, 1.0)).normalize();
        let bare = DVector::from_fn(n, |i, _| {
            quantity.value[kept[i]] - quantity.value[kept[0]] - pace.mean * (time_s[i] - time_s[0])
        });
        let mut value = &whiten * bare;
        value -= &constant * constant.dot(&value);
        Some(Self {
            time_s,
            whiten,
            constant,
            value,
            pace,
        })
    }

    /// Whitened, without the constant.
    fn clear(&self, columns: &DMatrix<f64>) -> DMatrix<f64> {
        let mut clear = &self.whiten * columns;
        let along = self.constant.transpose() * &clear;
        clear -= &self.constant * along;
        clear
    }

    /// Everything that starts and ends at these instants.
    fn places(&self, starts: &[f64], ends: &[f64]) -> Vec<Place> {
        let n = self.time_s.len();
        let knots: Vec<f64> = starts.iter().chain(ends).copied().collect();
        // How the movement beside the fall goes with what was measured: its rise between two instants has to be taken
        // off the depth, with its own doubt.
        let origin = self.time_s[0];
        let beside = self.clear(&DMatrix::from_fn(n, knots.len(), |i, k| {
            self.pace
                .covariance(self.time_s[i] - origin, knots[k] - origin)
        }));
        let on_value = beside.transpose() * &self.value;
        let normal = Normal::standard();
        let mut found = Vec::new();
        for (a, &start_s) in starts.iter().enumerate() {
            let lengths: Vec<(usize, f64)> = ends
                .iter()
                .enumerate()
                .map(|(b, end_s)| (starts.len() + b, end_s - start_s))
                .filter(|&(_, length_s)| length_s >= LENGTHS_S.0 && length_s <= LENGTHS_S.1)
                .collect();
            for shape in SHAPES {
                let falls = self.clear(&DMatrix::from_fn(n, lengths.len(), |i, k| {
                    -low_passed(
                        self.time_s[i] - start_s,
                        lengths[k].1,
                        shape,
                        self.pace.low_pass_s,
                    )
                }));
                for (k, &(b, length_s)) in lengths.iter().enumerate() {
                    let fall = falls.column(k);
                    let information = fall.norm_squared();
                    if information < 1e-3 {
                        continue;
                    }
                    let depth = fall.dot(&self.value) / information;
                    let sd = information.sqrt().recip();
                    let between = beside.column(b) - beside.column(a);
                    let with_fall = between.dot(&fall);
                    let rise =
                        on_value[b] - on_value[a] - depth * with_fall + self.pace.mean * length_s;
                    let doubt = self.pace.rise_variance(length_s) - between.norm_squared();
                    let above_zero = normal.cdf(depth / sd).max(1e-300);
                    let log_weight = 0.5 * depth * depth * information - 0.5 * information.ln()
                        + above_zero.ln()
                        - length_s.ln();
                    // What is seen is where it turns, not where it leaves its way. Whether the movement beside the fall goes
                    // on during the bend nobody knows: all of it, or half.
                    for going_on in [0.5, 1.0] {
                        let pace = going_on * rise / depth.max(1e-6);
                        let (turned, above) = turn(shape, pace);
                        found.push(Place {
                            off_s: (start_s, start_s + length_s),
                            start_s: start_s + turned * length_s,
                            length_s: (1.0 - 2.0 * turned) * length_s,
                            log_weight,
                            depth_m: depth - rise + 2.0 * above * depth.max(0.0),
                            sd_m: (sd * (1.0 + with_fall)).hypot(doubt.max(0.0).sqrt()),
                        });
                    }
                }
            }
        }
        found
    }
}

/// Covariance (m²) of the errors at the kept instants: a correlation that depends on the lag alone.
fn error_covariance(quantity: &Quantity, kept: &[usize]) -> DMatrix<f64> {
    let n = kept.len();
    let draws = quantity.draws();
    let errors = DMatrix::from_fn(n, draws, |i, k| quantity.error[kept[i]][k]);
    let product = &errors * errors.transpose() / draws.max(1) as f64;
    let sd: Vec<f64> = (0..n)
        .map(|i| product[(i, i)].sqrt().max(crate::reversal::SIGMA_FLOOR_M))
        .collect();
    let by_lag: Vec<f64> = (0..n)
        .map(|lag| {
            let sum: f64 = (lag..n)
                .map(|i| product[(i, i - lag)] / (sd[i] * sd[i - lag]))
                .sum();
            sum / (n - lag) as f64
        })
        .collect();
    let correlation = DMatrix::from_fn(n, n, |i, j| by_lag[i.abs_diff(j)]);
    // Such a matrix may have directions of less than no variance.
    let mut eigen = SymmetricEigen::new(correlation);
    eigen.eigenvalues.apply(|value| *value = value.max(1e-6));
    let mut covariance = eigen.recompose();
    for i in 0..n {
        for j in 0..n {
            covariance[(i, j)] *= sd[i] * sd[j];
        }
    }
    covariance
}

fn summary(places: &[Place]) -> Option<Fall> {
    let top = heaviest(places);
    let kept = heavy(places, LIGHT);
    if kept.is_empty() || !top.is_finite() {
        return None;
    }
    let weight: Vec<f64> = kept.iter().map(|p| (p.log_weight - top).exp()).collect();
    let total: f64 = weight.iter().sum();
    let quantiles = |at: &dyn Fn(&Place) -> f64| {
        let mut rows: Vec<(f64, f64)> = kept
            .iter()
            .zip(&weight)
            .map(|(p, w)| (at(p), w / total))
            .collect();
        rows.sort_by(|a, b| a.0.total_cmp(&b.0));
        [0.025, 0.5, 0.975].map(|share| weighted(&rows, share))
    };
    let start_s = quantiles(&|p| p.start_s);
    let square: f64 = kept
        .iter()
        .zip(&weight)
        .map(|(p, w)| w / total * (p.start_s - start_s[1]).powi(2))
        .sum();
    let normal = Normal::standard();
    let below = |depth: f64| -> f64 {
        kept.iter()
            .zip(&weight)
            .map(|(p, w)| w / total * normal.cdf((depth - p.depth_m) / p.sd_m))
            .sum()
    };
    let ends = kept
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |e, p| {
            (
                e.0.min(p.depth_m - 5.0 * p.sd_m),
                e.1.max(p.depth_m + 5.0 * p.sd_m),
            )
        });
    let depth_m = [0.025, 0.5, 0.975].map(|share| {
        let (mut low, mut high) = ends;
        while high - low > 1e-6 {
            let middle = 0.5 * (low + high);
            if below(middle) < share {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    });
    Some(Fall {
        start_s,
        start_sd_s: square.sqrt(),
        length_s: quantiles(&|p| p.length_s),
        depth_m,
    })
}

/// Quantile of sorted values with weights that add up to one: straight between the middles of the weights of equal values.
fn weighted(rows: &[(f64, f64)], share: f64) -> f64 {
    let mut before: Option<(f64, f64)> = None;
    let mut sum = 0.0;
    let mut at = 0;
    while at < rows.len() {
        let value = rows[at].0;
        let mut own = 0.0;
        while at < rows.len() && rows[at].0 - value < 1e-9 {
            own += rows[at].1;
            at += 1;
        }
        let middle = sum + 0.5 * own;
        if middle >= share {
            return before.map_or(value, |(earlier, there)| {
                earlier + (share - there) / (middle - there) * (value - earlier)
            });
        }
        before = Some((value, middle));
        sum += own;
    }
    before.map_or(0.0, |(value, _)| value)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fall_shape::Shape;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    /// A hook at rest that falls by `depth_m` from 1.1 to 1.4 s, with an error like those of its draws.
    fn fallen(depth_m: f64, noise_m: f64) -> Quantity {
        fallen_through(6.0, depth_m, noise_m)
    }

    /// The same, seen through a low-pass of another cut-off (Hz).
    fn fallen_through(cutoff_hz: f64, depth_m: f64, noise_m: f64) -> Quantity {
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        let time_s: Vec<f64> = (0..150).map(|i| f64::from(i) / 60.0).collect();
        let mut error = || -> Vec<f64> {
            let mut last: f64 = StandardNormal.sample(&mut rng);
            time_s
                .iter()
                .map(|_| {
                    let new: f64 = StandardNormal.sample(&mut rng);
                    last = 0.9 * last + 0.19_f64.sqrt() * new;
                    noise_m * last
                })
                .collect()
        };
        let own = error();
        let draws: Vec<Vec<f64>> = (0..200).map(|_| error()).collect();
        let value: Vec<f64> = time_s
            .iter()
            .zip(&own)
            .map(|(t, e)| {
                e - depth_m
                    * low_passed(
                        t - 1.1,
                        0.3,
                        Shape::Edges(0.4),
                        crate::smooth::low_pass_s(cutoff_hz),
                    )
            })
            .collect();
        let all: Vec<usize> = (0..time_s.len()).collect();
        Quantity::new(&all, |i| time_s[i], &value, &draws)
    }

    #[test]
    fn a_fall_is_found_wherever_the_pair_points() {
        let quantity = fallen(0.004, 0.0003);
        for pair in [(66, 84), (10, 140)] {
            let fall = fit_fall(&quantity, (0, 150), pair, Pace::hook(6.0)).unwrap();
            let holds = |of: [f64; 3], truth: f64| of[0] <= truth && truth <= of[2];
            assert!((fall.start_s[1] - 1.1).abs() < 0.08, "{fall:?}");
            assert!(
                holds(fall.start_s, 1.1) && holds(fall.length_s, 0.3),
                "{fall:?}"
            );
            assert!(holds(fall.depth_m, 0.004) && (fall.depth_m[1] - 0.004).abs() < 0.0005);
        }
    }

    #[test]
    fn what_goes_on_beside_a_fall_is_no_part_of_it() {
        // An elbow that goes around at 25 mm/s and falls on top of that, for 0.4 s: it turns later and turns back earlier.
        let pace_m_s = 0.025;
        let mut quantity = fallen(0.018, 0.0001);
        let shape = Shape::Edges(0.4);
        for (value, t) in quantity.value.iter_mut().zip(&quantity.time_s) {
            *value += pace_m_s * t;
        }
        let place = |t: f64| pace_m_s * t - 0.018 * low_passed(t - 1.1, 0.3, shape, 1e-6);
        let times: Vec<f64> = (0..4000).map(|i| 1.05 + 1e-4 * f64::from(i)).collect();
        let places: Vec<f64> = times.iter().map(|&t| place(t)).collect();
        let (depth_m, top, bottom) = crate::reversal::deepest_pair(&places);
        let pace = Pace::beside(&quantity, (66, 84), 6.0);
        let fall = fit_fall(&quantity, (0, 150), (66, 84), pace).unwrap();
        let length_s = times[bottom] - times[top];
        assert!(times[top] - 1.1 > 0.02, "{}", times[top]);
        assert!(
            (fall.start_s[1] - times[top]).abs() < 0.012,
            "{fall:?} {}",
            times[top]
        );
        assert!(
            (fall.length_s[1] - length_s).abs() < 0.024,
            "{fall:?} {length_s}"
        );
        assert!(
            (fall.depth_m[1] - depth_m).abs() < 4e-4,
            "{fall:?} {depth_m}"
        );
    }

    #[test]
    fn the_low_pass_is_not_taken_for_a_part_of_the_fall() {
        let quantity = fallen_through(2.0, 0.006, 0.0001);
        let length_s = |cutoff_hz: f64| {
            let pace = Pace::hook(cutoff_hz);
            fit_fall(&quantity, (0, 150), (66, 84), pace)
                .unwrap()
                .length_s
        };
        let (own, other) = (length_s(2.0), length_s(6.0));
        assert!(own[0] <= 0.3 && 0.3 <= own[2], "{own:?}");
        assert!(
            (own[1] - 0.3).abs() < 0.7 * (other[1] - 0.3).abs(),
            "{own:?} {other:?}"
        );
    }

    #[test]
    fn more_noise_never_narrows_an_interval() {
        let width = |of: [f64; 3]| of[2] - of[0];
        let of = |noise_m: f64| {
            let fall =
                fit_fall(&fallen(0.006, noise_m), (0, 150), (66, 84), Pace::hook(6.0)).unwrap();
            [fall.start_s, fall.length_s, fall.depth_m].map(width)
        };
        let widths = [1e-4, 2e-4, 4e-4, 8e-4].map(of);
        for pair in widths.windows(2) {
            for (less, more) in pair[0].iter().zip(&pair[1]) {
                assert!(more > less, "{widths:?}");
            }
        }
    }
}
