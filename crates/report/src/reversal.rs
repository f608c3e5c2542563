//! Net reversals of a quantity that should only grow, as a statement beyond chance.
//!
//! A path with noise falls back somewhere, always: the running maximum of noise alone makes half a millimetre of
//! "collapse". So every pair of instants is looked at, and a fall `w(s) − w(t)` counts only where it exceeds
//! `c · σ(s, t)`: σ is the standard deviation of that very difference over the joint draws, and c the level that the
//! largest such ratio *anywhere in the shot* exceeds in only 5 % of the draws. If w never truly falls, a fall of the
//! estimate is never larger than the fall of its error, so the chance of a false alarm is at most 5 % a shot, whatever
//! w does (max-t argument; Westfall & Young 1993, from memory). The same holds for the mean over some time *before* `s`
//! minus the mean over some time *after* `t`: if w never falls, that difference of means is not above zero. Means over 0.1
//! and 0.25 s are therefore looked at beside the bare pair; they average the errors of single frames away, and all of them
//! share one c.
//!
//! The fall between the two instants of the best pair is deeper than the true one, because the largest was chosen (by
//! half a millimetre and more at 0.3 mm of noise), and reaches from hill to valley, far beyond the fall, where the
//! movement beside it is slow. Depth, start and length therefore come from all instants around it: from anchor on from the
//! posterior over every place that the fall may have (see [`crate::fall_fit`]), in the fast draw from a least-squares fit of
//! its speed (see [`crate::way_back`]).

use crate::fall_fit::fit_fall;
use crate::fall_pace::{Pace, random_tremor};
use crate::smooth::low_pass_s;
use crate::way_back::{Curve, WayBack};

/// A quantity over one stretch of the shot. Errors are centred: their mean over the draws is zero.
#[derive(Debug, Clone)]
pub(crate) struct Quantity {
    /// Instants (s).
    pub(crate) time_s: Vec<f64>,
    /// Best estimate (m).
    pub(crate) value: Vec<f64>,
    /// `error[i][k]`: draw `k` at instant `i` (m).
    pub(crate) error: Vec<Vec<f64>>,
}

/// Standard deviation (m) below which no measurement of a path goes.
pub(crate) const SIGMA_FLOOR_M: f64 = 1e-5;
/// Shortest time (s) between the two instants of a pair.
const MIN_LAG_S: f64 = 0.04;
/// Instants beyond which a stretch is thinned: after a 6 Hz low-pass 60 instants a second hold all there is.
const MAX_INSTANTS: usize = 240;
/// Times (s) over which the movement before and after a fall is averaged.
const MEANS_S: [f64; 3] = [0.0, 0.1, 0.25];
/// Two phones see an elbow every 8 ms; between two sightings the path is smooth, whatever the elbow did: as if a low-pass of this
/// standard deviation (s) had been over it, ...
const PATH_S: f64 = 0.008;
/// ... and a turn could be anywhere between them: standard deviation (s).
const TURN_SD_S: f64 = 0.0024;

/// What stands beside a fall.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Beside {
    /// A hook, at rest or slow.
    Hook,
    /// The quantity's own movement, as it goes on before and after.
    Own,
    /// The fast draw.
    Draw,
}

impl Quantity {
    /// From a curve and one curve for each draw, at the given indices; thinned to at most 360 instants.
    pub(crate) fn new(
        indices: &[usize],
        time_s: impl Fn(usize) -> f64,
        value: &[f64],
        draws: &[Vec<f64>],
    ) -> Self {
        let thin = indices.len().div_ceil(MAX_INSTANTS).max(1);
        let kept: Vec<usize> = indices.iter().copied().step_by(thin).collect();
        let error = kept
            .iter()
            .map(|&i| {
                let centre = draws.iter().map(|draw| draw[i]).sum::<f64>() / draws.len() as f64;
                draws.iter().map(|draw| draw[i] - centre).collect()
            })
            .collect();
        Self {
            time_s: kept.iter().map(|&i| time_s(i)).collect(),
            value: kept.iter().map(|&i| value[i]).collect(),
            error,
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.value.len()
    }

    pub(crate) fn draws(&self) -> usize {
        self.error.first().map_or(0, Vec::len)
    }

    fn is_pair(&self, s: usize, t: usize) -> bool {
        self.time_s[t] - self.time_s[s] >= MIN_LAG_S
    }
}

/// Means over one of [`MEANS_S`], and the standard deviations of all pairs of them.
#[derive(Debug, Clone)]
struct Means {
    over_s: f64,
    /// Best estimate, mean up to each instant (m).
    before: Vec<f64>,
    /// Best estimate, mean from each instant on (m).
    after: Vec<f64>,
    /// Standard deviation of `before[s] − after[t]` at `s n + t` (m).
    sigma: Vec<f64>,
}

impl Means {
    /// Makes the means and keeps each draw's largest ratio of fall to σ: `n² k` operations.
    fn new(quantity: &Quantity, over_s: f64, ratio: &mut [f64]) -> Self {
        let n = quantity.len();
        let time_s = &quantity.time_s;
        let dust = 1e-9;
        let up_to = |i: usize| time_s.partition_point(|&t| t < time_s[i] - over_s - dust)..i + 1;
        let on_from = |i: usize| i..time_s.partition_point(|&t| t <= time_s[i] + over_s + dust);
        let mean_error = |range: std::ops::Range<usize>| -> Vec<f64> {
            let share = (range.len() as f64).recip();
            let mut sum = vec![0.0; quantity.draws()];
            for i in range {
                for (sum, error) in sum.iter_mut().zip(&quantity.error[i]) {
                    *sum += share * error;
                }
            }
            sum
        };
        let mean = |range: std::ops::Range<usize>| -> f64 {
            let count = range.len() as f64;
            quantity.value[range].iter().sum::<f64>() / count
        };
        let error_before: Vec<Vec<f64>> = (0..n).map(|i| mean_error(up_to(i))).collect();
        let error_after: Vec<Vec<f64>> = (0..n).map(|i| mean_error(on_from(i))).collect();
        let mut sigma = vec![SIGMA_FLOOR_M; n * n];
        for s in 0..n {
            for t in s + 1..n {
                if !quantity.is_pair(s, t) {
                    continue;
                }
                let (a, b) = (&error_before[s], &error_after[t]);
                let square: f64 = a.iter().zip(b).map(|(a, b)| (a - b) * (a - b)).sum();
                let sd = (square / quantity.draws().max(1) as f64)
                    .sqrt()
                    .max(SIGMA_FLOOR_M);
                sigma[s * n + t] = sd;
                let weight = sd.recip();
                for ((best, a), b) in ratio.iter_mut().zip(a).zip(b) {
                    let fall = (a - b) * weight;
                    if fall > *best {
                        *best = fall;
                    }
                }
            }
        }
        Self {
            over_s,
            before: (0..n).map(|i| mean(up_to(i))).collect(),
            after: (0..n).map(|i| mean(on_from(i))).collect(),
            sigma,
        }
    }

    /// Fall over σ of a pair.
    fn ratio(&self, s: usize, t: usize) -> f64 {
        (self.before[s] - self.after[t]) / self.sigma[s * self.before.len() + t]
    }
}

/// A quantity with the standard deviations of all its pairs.
#[derive(Debug, Clone)]
pub(crate) struct Judged {
    pub(crate) quantity: Quantity,
    means: Vec<Means>,
    /// Largest ratio of fall to σ in each draw's error.
    pub(crate) ratio: Vec<f64>,
}

impl Judged {
    /// Looks at all pairs.
    pub(crate) fn new(quantity: Quantity) -> Self {
        let mut ratio = vec![0.0_f64; quantity.draws()];
        let means = MEANS_S
            .iter()
            .map(|&over_s| Means::new(&quantity, over_s, &mut ratio))
            .collect();
        Self {
            quantity,
            means,
            ratio,
        }
    }

    /// Median σ of pairs about `lag_s` apart (m), the smallest of the means.
    pub(crate) fn typical_sigma(&self, lag_s: f64) -> Option<f64> {
        let n = self.quantity.len();
        let time_s = &self.quantity.time_s;
        self.means
            .iter()
            .filter_map(|means| {
                let mut found: Vec<f64> = (0..n)
                    .filter_map(|s| {
                        let t = time_s.partition_point(|&t| t < time_s[s] + lag_s);
                        (t < n).then(|| means.sigma[s * n + t])
                    })
                    .collect();
                found.sort_by(f64::total_cmp);
                found.get(found.len() / 2).copied()
            })
            .min_by(f64::total_cmp)
    }

    /// Largest fall over σ of a pair, whose means must lie within the stretch `[from, to)`.
    fn pair_ratio(&self, (s, t): (usize, usize), (from, to): (usize, usize)) -> f64 {
        let time_s = &self.quantity.time_s;
        self.means
            .iter()
            .filter(|means| {
                let clear_before = from == 0 || time_s[s] - means.over_s >= time_s[from];
                let clear_after = to == time_s.len() || time_s[t] + means.over_s <= time_s[to - 1];
                means.over_s == 0.0 || (clear_before && clear_after)
            })
            .map(|means| means.ratio(s, t))
            .fold(f64::NEG_INFINITY, f64::max)
    }

    /// Pairs `(s, t)` beyond `c · σ`, the deepest first in each stretch, then what lies before and after it.
    fn pairs(&self, critical: f64, floor_m: f64) -> Vec<(usize, usize, f64)> {
        let n = self.quantity.len();
        let mut found = Vec::new();
        let mut stretches = vec![(0, n)];
        while let Some((from, to)) = stretches.pop() {
            let mut best: Option<(f64, usize, usize, f64)> = None;
            for s in from..to {
                for t in s + 1..to {
                    let fall = self.quantity.value[s] - self.quantity.value[t];
                    if fall <= best.map_or(floor_m, |b| b.0) || !self.quantity.is_pair(s, t) {
                        continue;
                    }
                    let ratio = self.pair_ratio((s, t), (from, to));
                    if ratio > critical {
                        best = Some((fall, s, t, ratio));
                    }
                }
            }
            if let Some((_, s, t, ratio)) = best {
                found.push((s, t, ratio));
                stretches.push((from, s));
                stretches.push((t + 1, to));
            }
        }
        found.sort_unstable_by_key(|&(s, t, _)| (s, t));
        found
    }

    /// Reversals beyond chance whose fitted depth reaches the floor.
    ///
    /// `family` holds the largest ratio of each draw over everything judged in the shot, sorted. The quantity went through a
    /// low-pass of `cutoff_hz`.
    pub(crate) fn reversals(
        &self,
        family: &[f64],
        critical: f64,
        floor_m: f64,
        (beside, cutoff_hz): (Beside, f64),
    ) -> Vec<Reversal> {
        let pairs = self.pairs(critical, floor_m);
        let n = self.quantity.len();
        pairs
            .iter()
            .enumerate()
            .filter_map(|(index, &(s, t, ratio))| {
                let from = if index == 0 { 0 } else { pairs[index - 1].1 };
                let to = pairs.get(index + 1).map_or(n, |next| next.0 + 1);
                // With K draws nothing below one in K + 1 can be told from zero.
                let beyond = family.len() - family.partition_point(|&r| r < ratio);
                let probability = 1.0 - (beyond as f64 + 1.0) / (family.len() as f64 + 1.0);
                let reversal = match beside {
                    Beside::Hook => self.placed((s, t), (from, to), Pace::hook(cutoff_hz)),
                    Beside::Own => {
                        let pace = Pace::beside(&self.quantity, (s, t), cutoff_hz);
                        self.placed((s, t), (from, to), pace)
                    }
                    Beside::Draw => self.in_draw((s, t), (from, to), low_pass_s(cutoff_hz)),
                }?;
                (reversal.depth_m[1] >= floor_m).then_some(Reversal {
                    probability,
                    ..reversal
                })
            })
            .collect()
    }

    /// Summed over every place that it may have.
    fn placed(
        &self,
        pair: (usize, usize),
        stretch: (usize, usize),
        pace: Pace,
    ) -> Option<Reversal> {
        let fall = fit_fall(&self.quantity, stretch, pair, pace)?;
        let [low, start_s, high] = fall.start_s;
        Some(Reversal {
            depth_m: fall.depth_m.map(|depth| depth.max(0.0)),
            start_s,
            start_sd_s: fall.start_sd_s,
            start_between_s: Some([low, high]),
            length_s: fall.length_s,
            probability: 0.0,
        })
    }

    /// Between the turns of a fitted speed, which every draw moves for itself: with the error of the path, and with tremor, which
    /// is a movement and no part of the fall.
    fn in_draw(
        &self,
        (s, t): (usize, usize),
        (from, to): (usize, usize),
        low_pass_s: f64,
    ) -> Option<Reversal> {
        let q = &self.quantity;
        let own = Curve {
            time_s: &q.time_s[from..to],
            value: &q.value[from..to],
            low_pass_s: low_pass_s.hypot(PATH_S),
        };
        let ways = own.way_backs((s - from, t - from));
        if ways.is_empty() {
            return None;
        }
        let tremor = random_tremor(&q.time_s[from..to], q.draws(), low_pass_s);
        let each: Vec<WayBack> = tremor
            .iter()
            .enumerate()
            .filter_map(|(k, tremor)| {
                // The draws take the bends in turn: what is not known of them stands in the interval.
                let noisy: Vec<f64> = (from..to)
                    .map(|i| q.value[i] + q.error[i][k] + tremor[i - from])
                    .collect();
                let value = &noisy;
                Curve { value, ..own }.moved(&ways[k % ways.len()])
            })
            .collect();
        // What an error does to the estimate, the estimate's own error did to the truth. `doubt` is a further standard deviation.
        let interval = |of: &dyn Fn(&WayBack) -> f64, doubt: f64| {
            let own = ways.iter().map(of).sum::<f64>() / ways.len() as f64;
            let mut error: Vec<f64> = each.iter().map(|way| of(way) - own).collect();
            error.sort_by(f64::total_cmp);
            let [low, middle, high] =
                [0.975, 0.5, 0.025].map(|share| own - quantile(&error, share));
            let wider = |half: f64| half.hypot(1.96 * doubt);
            [
                middle - wider(middle - low),
                middle,
                middle + wider(high - middle),
            ]
        };
        let [early_s, start_s, late_s] = interval(&|way| way.start_s, TURN_SD_S);
        let positive = |row: [f64; 3]| row.map(|value| value.max(0.0));
        Some(Reversal {
            depth_m: positive(interval(&|way| way.depth_m, 0.0)),
            start_s,
            start_sd_s: spread(each.iter().map(|way| way.start_s), start_s).hypot(TURN_SD_S),
            start_between_s: Some([early_s, late_s]),
            length_s: positive(interval(&|way| way.length_s, 2.0_f64.sqrt() * TURN_SD_S)),
            probability: 0.0,
        })
    }
}

/// A net reversal. Three numbers are the low end, the estimate and the high end of 95 %.
#[derive(Debug, Clone)]
pub(crate) struct Reversal {
    pub(crate) depth_m: [f64; 3],
    pub(crate) start_s: f64,
    pub(crate) start_sd_s: f64,
    /// 95 % interval of the start, where it need not be even about it.
    pub(crate) start_between_s: Option<[f64; 2]>,
    pub(crate) length_s: [f64; 3],
    pub(crate) probability: f64,
}

/// Largest fall of a curve below its running maximum.
pub(crate) fn deepest(values: impl Iterator<Item = f64>) -> f64 {
    let (mut top, mut depth) = (f64::NEG_INFINITY, 0.0_f64);
    for value in values {
        top = top.max(value);
        depth = depth.max(top - value);
    }
    depth
}

/// The same with the indices of top and bottom.
pub(crate) fn deepest_pair(values: &[f64]) -> (f64, usize, usize) {
    let (mut top, mut best) = (0, (0.0, 0, 0));
    for (i, &value) in values.iter().enumerate() {
        if value > values[top] {
            top = i;
        }
        if values[top] - value > best.0 {
            best = (values[top] - value, top, i);
        }
    }
    best
}

/// Quantile of sorted values, linear between them (type 7 of Hyndman & Fan 1996).
pub(crate) fn quantile(sorted: &[f64], share: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else {
        return 0.0;
    };
    let place = share * last as f64;
    let below = place.floor() as usize;
    let above = (below + 1).min(last);
    sorted[below] + (place - below as f64) * (sorted[above] - sorted[below])
}

fn spread(values: impl Iterator<Item = f64>, centre: f64) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for value in values {
        sum += (value - centre).powi(2);
        count += 1.0;
    }
    (sum / f64::max(count, 1.0)).sqrt()
}

/// Largest ratio of each draw over several quantities, sorted, and its upper quantile.
pub(crate) fn family(judged: &[&Judged], false_alarms: f64) -> (Vec<f64>, f64) {
    let draws = judged.iter().map(|j| j.ratio.len()).max().unwrap_or(0);
    let mut largest: Vec<f64> = (0..draws)
        .map(|k| {
            judged
                .iter()
                .filter_map(|j| j.ratio.get(k))
                .copied()
                .fold(0.0, f64::max)
        })
        .collect();
    largest.sort_by(f64::total_cmp);
    let critical = quantile(&largest, 1.0 - false_alarms);
    (largest, critical)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_deepest_fall() {
        let values = [0.0, 2.0, 1.0, 3.0, 0.5, 2.0];
        assert!((deepest(values.iter().copied()) - 2.5).abs() < 1e-12);
        assert_eq!(deepest_pair(&values), (2.5, 3, 4));
    }
}
