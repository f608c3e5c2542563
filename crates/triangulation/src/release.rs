//! Where the path breaks: the elbow jumps when the string leaves the fingers.
//!
//! Bursts of acceleration of the fitted path are looked at one by one: a stretch around each is fitted again with
//! two roughnesses, quiet before an instant and rough after it, for every instant in turn. The likelihood of the
//! sightings (the stretch's path integrated out) says whether and when there is such an instant.

use crate::bordered::{Band, Bordered};
use crate::normal::{Estimate, Normal};
use crate::observation::Piece;
use crate::smoothness::Smoothness;
use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};
use std::cmp::Ordering;

/// A sudden change of the motion, found in the data.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Break {
    /// Range time (s).
    pub time_s: f64,
    /// Its standard deviation (s).
    pub sd_s: f64,
    /// Gain in log likelihood of a path that breaks here over one that is equally rough before and after.
    pub gain: f64,
    /// Largest acceleration of the path around it, before it was let break (m/s²).
    pub acceleration_m_s2: f64,
}

/// Bursts are stronger than this: only where to look, whether it is a break the likelihood says. No source; an arm
/// raised by 0.35 m within a second reaches 2 m/s².
pub const BURST_M_S2: f64 = 10.0;
/// The stretch that is fitted again reaches this far before and after the burst (s).
const STRETCH_S: (f64, f64) = (0.3, 0.12);
/// The break is sought this far before and after the burst (s).
const SEARCH_S: (f64, f64) = (0.15, 0.04);
/// How long a burst takes, to guess how rough it is (s).
const BURST_S: f64 = 0.03;
/// Roughness after the break that is tried, in multiples of the guess (variance).
const ROUGHER: [f64; 4] = [0.1, 1.0, 10.0, 100.0];
/// Roughness before the break that is tried, in multiples of that of the quiet stretch before (variance).
const QUIETER: [f64; 3] = [0.1, 1.0, 10.0];
/// The string lets go at once: acceleration jumps within one difference, which is this much rougher than those
/// after it (variance).
const IMPULSE: f64 = 100.0;
/// Gain in log likelihood that parts the path.
const LEAST_GAIN: f64 = 20.0;
/// Two releases are further apart than this (s).
const APART_S: f64 = 1.0;
/// What a sound adds to its own spread: bow to picture (s).
const HINT_EXTRA_S: f64 = 0.02;
/// A hint breaks ties; it never outvotes the marker: at most this much (log likelihood).
const HINT_MOST: f64 = 4.0;

/// What the search needs to know of the fit.
pub(crate) struct Search<'a> {
    pub(crate) normal: &'a Normal,
    pub(crate) estimate: &'a Estimate,
    pub(crate) smoothness: &'a Smoothness,
    pub(crate) order: usize,
    pub(crate) hint_s: Option<(f64, f64)>,
}

/// A stretch of coefficients, the rest held where it is.
struct Stretch<'a> {
    search: &'a Search<'a>,
    band: Band,
    rhs: Vec<f64>,
    first: usize,
    /// Differences that lie wholly inside.
    differences: std::ops::Range<usize>,
}

impl<'a> Stretch<'a> {
    fn new(search: &'a Search<'a>, differences: std::ops::Range<usize>) -> Self {
        let all = &search.smoothness.differences;
        let first = all[differences.start].first;
        let last = all[differences.end - 1].first + search.order;
        let (from, to) = (3 * first, 3 * (last + 1));
        let whole = &search.normal.band;
        let half = whole.half();
        let mut band = Band::zeros(to - from, half);
        let k = search.estimate.z.len();
        let rhs = (from..to)
            .map(|i| {
                let mut value = search.normal.rhs[i];
                for j in i.saturating_sub(half)..(i + half + 1).min(whole.len()) {
                    if j < from || j >= to {
                        value -= whole.get(i, j) * search.estimate.coefficients[j];
                    } else if j <= i {
                        band.add(i - from, j - from, whole.get(i, j));
                    }
                }
                let border = &search.normal.border[i * k..(i + 1) * k];
                value -= border
                    .iter()
                    .zip(search.estimate.z.iter())
                    .map(|(b, z)| b * z)
                    .sum::<f64>();
                value
            })
            .collect();
        Self {
            search,
            band,
            rhs,
            first,
            differences,
        }
    }

    /// Minus twice the log likelihood, but for a constant, with one roughness before difference `at` and another
    /// from it on.
    fn deviance(&self, at: usize, before: f64, after: f64) -> Option<f64> {
        let mut band = self.band.clone();
        let mut log_variance = 0.0;
        for index in self.differences.clone() {
            let variance = match index.cmp(&at) {
                Ordering::Less => before,
                Ordering::Equal => after * IMPULSE,
                Ordering::Greater => after,
            };
            log_variance += 3.0 * variance.ln();
            self.search.smoothness.add_difference(
                &mut band,
                self.search.smoothness.differences[index].first - self.first,
                variance,
            );
        }
        let factor = Bordered {
            band,
            border: Vec::new(),
            corner: DMatrix::zeros(0, 0),
        }
        .factor()
        .ok()?;
        let (x, _) = factor.solve(&self.rhs, &DVector::zeros(0));
        let explained: f64 = self.rhs.iter().zip(&x).map(|(a, b)| a * b).sum();
        Some(factor.log_det() + log_variance - explained)
    }

    /// The least deviance over roughnesses, for a break at `at`.
    fn best(&self, at: usize, quiet: f64, rough: f64) -> f64 {
        let mut least = f64::INFINITY;
        for quieter in QUIETER {
            for rougher in ROUGHER {
                if let Some(deviance) = self.deviance(at, quiet * quieter, rough * rougher) {
                    least = least.min(deviance);
                }
            }
        }
        least
    }

    /// The least deviance of a path that does not break.
    fn unbroken(&self, quiet: f64, rough: f64) -> f64 {
        let (low, high) = ((quiet * QUIETER[0]).ln(), (rough * ROUGHER[3]).ln());
        (0..=16)
            .filter_map(|i| {
                let variance = (low + (high - low) * f64::from(i) / 16.0).exp();
                self.deviance(self.differences.end, variance, variance)
            })
            .fold(f64::INFINITY, f64::min)
    }
}

impl Search<'_> {
    /// Instants of bursts in one piece, the strongest first, each with its acceleration.
    fn bursts(&self, piece: &Piece) -> Vec<(f64, f64)> {
        let mut all: Vec<(f64, f64)> = (0..=piece.grid.intervals)
            .map(|i| {
                let t = piece.grid.start_s + piece.grid.knot_s * i as f64;
                let w = piece.grid.weights(t);
                let a = self.estimate.value(piece.offset, piece.grid.degree, &w, 2);
                (t, a.norm())
            })
            .filter(|(_, a)| *a > BURST_M_S2)
            .collect();
        all.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.total_cmp(&b.0)));
        let mut kept: Vec<(f64, f64)> = Vec::new();
        for (t, a) in all {
            if kept.iter().all(|(other, _)| (t - other).abs() > APART_S) {
                kept.push((t, a));
            }
        }
        kept
    }

    /// The break of one burst, with the first difference after it.
    fn break_of(
        &self,
        piece: &Piece,
        range: &std::ops::Range<usize>,
        burst: (f64, f64),
    ) -> Option<(usize, Break)> {
        let all = &self.smoothness.differences;
        let index = |t: f64| range.start + all[range.clone()].partition_point(|d| d.time_s < t);
        let stretch_range = index(burst.0 - STRETCH_S.0)..index(burst.0 + STRETCH_S.1);
        let from = index(burst.0 - SEARCH_S.0).max(stretch_range.start + self.order + 1);
        let to = index(burst.0 + SEARCH_S.1).min(stretch_range.end.saturating_sub(1));
        if from + 2 > to {
            return None;
        }
        let stretch = Stretch::new(self, stretch_range.clone());
        let calm = &all[stretch_range.start..from];
        let quiet = (calm.iter().map(|d| d.variance.ln()).sum::<f64>() / calm.len() as f64).exp();
        let h = piece.grid.knot_s;
        let rough = burst.1 * h * h * (2..self.order).map(|_| h / BURST_S).product::<f64>();
        let rough = rough * rough;
        let deviances: Vec<f64> = (from..to)
            .map(|at| {
                let hint = self.hint_s.map_or(0.0, |(hint_s, sd_s)| {
                    let off = (all[at].time_s - hint_s) / sd_s.hypot(HINT_EXTRA_S);
                    (off * off).min(2.0 * HINT_MOST)
                });
                stretch.best(at, quiet, rough) + hint
            })
            .collect();
        let best = (0..deviances.len()).min_by(|&a, &b| deviances[a].total_cmp(&deviances[b]))?;
        let gain = 0.5 * (stretch.unbroken(quiet, rough) - deviances[best]);
        if gain.is_nan() || gain < LEAST_GAIN {
            return None;
        }
        let (mut sum, mut mean, mut square) = (0.0, 0.0, 0.0);
        for (k, deviance) in deviances.iter().enumerate() {
            let weight = (0.5 * (deviances[best] - deviance)).exp();
            let t = all[from + k].time_s - all[from + best].time_s;
            sum += weight;
            mean += weight * t;
            square += weight * t * t;
        }
        mean /= sum;
        let centre = mean;
        // Acceleration (order 2) is bent at knots: it rises at the first one after the break, half a knot late on
        // average. Jerk (order 3) belongs to the interval in which the break lies.
        mean -= 0.5 * h * (3.0 - self.order as f64);
        let variance = (square / sum - centre * centre).max(0.0) + h * h / 12.0;
        Some((
            from + best,
            Break {
                time_s: all[from + best].time_s + mean,
                sd_s: variance.sqrt(),
                gain,
                acceleration_m_s2: burst.1,
            },
        ))
    }

    /// All breaks of a piece, each with the first difference after it, in order of time.
    pub(crate) fn find(&self, piece: &Piece, index: usize) -> Vec<(usize, Break)> {
        let range = self.smoothness.range_of(index);
        let mut found: Vec<(usize, Break)> = self
            .bursts(piece)
            .into_iter()
            .filter_map(|burst| self.break_of(piece, &range, burst))
            .collect();
        found.sort_by_key(|(at, _)| *at);
        found.dedup_by_key(|(at, _)| *at);
        found
    }
}
