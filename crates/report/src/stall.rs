//! Stalls: the elbow stops although the draw is not over.
//!
//! The speed of a short window is the slope of a straight line through the path *inside* the window (least squares,
//! all three coordinates), times its length a net displacement. A low-pass would not do: the elbow moves at half a
//! metre a second on both sides of a stall, and any filter carries millimetres of that into it (a 6 Hz filter hides a
//! stall of 0.15 s completely). The slope uses nothing outside its window. A tremor of 8 to 12 Hz and 0.3 mm rms changes
//! it by 2.6 mm/s rms over 0.12 s and by 0.4 over 0.26 s; it is a movement, so that no joint draw shows it, and stands in the
//! probability as an error of its own.
//!
//! A length of three noisy numbers is longer than the true one: equal weight for every velocity would say "faster than it
//! was" of every stop. Draws therefore weigh `1/speed²`, equal weight for every speed (the reference prior of a norm:
//! Bernardo 1979, from memory).
//!
//! Of many windows the slowest looks slower than it is. Windows therefore only point to a stall; it is one if the speed
//! over its whole measured extent, which was not chosen for being slow, is below the limit with the same probability.

use crate::ReportSettings;
use crate::break_fit::{Search, find_break};
use crate::track::Track;
use nalgebra::{Point3, Vector3};
use statrs::distribution::{ContinuousCDF, Normal};

/// Lengths of the windows, as multiples of the probe: a longer stop is told in more noise.
const SCALES: [f64; 4] = [1.0, 1.5, 2.2, 3.2];
/// How much of the fast movement beside a stall times its ends (s).
const BURST_S: f64 = 0.075;
/// Said with 95 % and found with 80 %: one-sided normal quantiles.
const SAID_AND_FOUND: f64 = 1.645 + 0.842;
/// Lengths (s) of a full stop that are asked after in turn: would this shot have shown it?
const LENGTHS_S: [f64; 9] = [0.12, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.8];
/// Left off at either end of a measured extent (s), where it starts and stops softly.
const SOFT_END_S: f64 = 0.02;
/// The tremor band (Hz).
const TREMOR_HZ: [f64; 5] = [8.0, 9.0, 10.0, 11.0, 12.0];

/// A stall.
#[derive(Debug, Clone)]
pub(crate) struct Stall {
    pub(crate) start_s: f64,
    pub(crate) start_sd_s: f64,
    pub(crate) end_s: f64,
    pub(crate) length_sd_s: f64,
    /// Speed (m/s): estimate, low, high.
    pub(crate) speed_m_s: [f64; 3],
    pub(crate) probability: f64,
}

/// What looking for stalls gave.
#[derive(Debug, Clone)]
pub(crate) struct StallSearch {
    pub(crate) stalls: Vec<Stall>,
    /// Lowest speed (m/s): estimate, low, high; and its instant (s). `None` where no window is free of gaps.
    pub(crate) slowest: Option<([f64; 3], f64)>,
    /// Highest true speed (m/s) at which a stall of the shortest length is still found with 80 % power; negative: none
    /// is.
    pub(crate) detectable_m_s: f64,
    /// Shortest full stop (s) that is found with 80 % power; none where not even the longest asked after is.
    pub(crate) shortest_s: Option<f64>,
}

/// Speeds over all windows of the probe that lie within a span.
pub(crate) struct Speeds {
    /// Middle of each window (index of the track, may end in ½).
    pub(crate) middle: Vec<f64>,
    /// Best estimate (m/s).
    pub(crate) mean: Vec<f64>,
    /// `draws[w][k]` (m/s).
    pub(crate) draws: Vec<Vec<f64>>,
    /// Standard deviation along the movement (m/s).
    pub(crate) sd: Vec<f64>,
}

impl Speeds {
    /// Windows of `probe_s` within `[from_s, to_s]`, those that touch a gap left out.
    pub(crate) fn new(track: &Track, (from_s, to_s): (f64, f64), probe_s: f64) -> Self {
        let width = ((probe_s / track.step_s).round() as usize).max(2);
        let from = ((from_s - track.start_s) / track.step_s).ceil().max(0.0) as usize;
        let to = ((to_s - track.start_s) / track.step_s).floor().max(0.0) as usize;
        let to = to.min(track.len().saturating_sub(1));
        let mut speeds = Self {
            middle: Vec::new(),
            mean: Vec::new(),
            draws: Vec::new(),
            sd: Vec::new(),
        };
        for start in from..(to + 1).saturating_sub(width) {
            let end = start + width;
            if track.in_gap[start..=end].iter().any(|&gone| gone) {
                continue;
            }
            let velocity = slope(&track.mean[start..=end], track.step_s);
            let each: Vec<Vector3<f64>> = track
                .draws
                .iter()
                .map(|draw| slope(&draw[start..=end], track.step_s))
                .collect();
            let centre = each.iter().sum::<Vector3<f64>>() / each.len().max(1) as f64;
            let along = centre.try_normalize(1e-9).unwrap_or_else(Vector3::x);
            let variance = each
                .iter()
                .map(|v| (v - centre).dot(&along).powi(2))
                .sum::<f64>()
                / each.len().max(1) as f64;
            speeds.middle.push(start as f64 + width as f64 / 2.0);
            speeds.mean.push(velocity.norm());
            // Draws scatter about the best estimate, not about their own mean.
            speeds.draws.push(
                each.iter()
                    .map(|v| (velocity + v - centre).norm())
                    .collect(),
            );
            speeds.sd.push(variance.sqrt());
        }
        speeds
    }

    /// Probability that window `w` is slower than `limit` (m/s), tremor of `tremor` (m/s) beside what the draws say.
    fn share_below(&self, w: usize, limit: f64, tremor: f64) -> f64 {
        let normal = Normal::standard();
        let (mut below, mut all) = (0.0, 0.0);
        for &v in &self.draws[w] {
            let weight = weight(v);
            below += weight * normal.cdf((limit - v) / tremor.max(1e-6));
            all += weight;
        }
        below / f64::max(all, f64::MIN_POSITIVE)
    }

    /// Typical standard deviation of the speed (m/s).
    fn typical_sd(&self) -> Option<f64> {
        let mut sd = self.sd.clone();
        sd.sort_by(f64::total_cmp);
        (!sd.is_empty()).then(|| crate::reversal::quantile(&sd, 0.5))
    }

    /// Speed of window `w` with its 95 % interval (m/s).
    pub(crate) fn interval(&self, w: usize) -> [f64; 3] {
        let mut sorted = self.draws[w].clone();
        sorted.sort_by(f64::total_cmp);
        let all: f64 = sorted.iter().map(|&v| weight(v)).sum();
        let quantile = |share: f64| {
            let mut sum = 0.0;
            sorted
                .iter()
                .copied()
                .find(|&v| {
                    sum += weight(v);
                    sum >= share * all
                })
                .unwrap_or(self.mean[w])
        };
        [
            self.mean[w],
            quantile(0.025).min(self.mean[w]),
            quantile(0.975).max(self.mean[w]),
        ]
    }

    /// Window with the lowest or highest speed.
    pub(crate) fn extreme(&self, lowest: bool) -> Option<usize> {
        let all = 0..self.mean.len();
        if lowest {
            all.min_by(|&a, &b| self.mean[a].total_cmp(&self.mean[b]))
        } else {
            all.max_by(|&a, &b| self.mean[a].total_cmp(&self.mean[b]))
        }
    }
}

/// Weight of a draw of that speed (m/s); below half a millimetre a second speeds are not told apart.
fn weight(speed: f64) -> f64 {
    speed.max(5e-4).powi(-2)
}

/// Least-squares slope (m/s) of evenly spaced points.
fn slope(points: &[Point3<f64>], step_s: f64) -> Vector3<f64> {
    let middle = (points.len() - 1) as f64 / 2.0;
    let (mut sum, mut square) = (Vector3::zeros(), 0.0);
    for (i, point) in points.iter().enumerate() {
        let lag = (i as f64 - middle) * step_s;
        sum += (point - points[0]) * lag;
        square += lag * lag;
    }
    sum / square
}

/// Looks for stalls between two instants (end of the raise, anchor).
pub(crate) fn find_stalls(
    track: &Track,
    span_s: (f64, f64),
    settings: &ReportSettings,
) -> StallSearch {
    let speeds = Speeds::new(track, span_s, settings.stall_probe_s);
    let limit = settings.stall_speed_m_s;
    let slowest = speeds.extreme(true).map(|w| {
        (
            speeds.interval(w),
            track.start_s + speeds.middle[w] * track.step_s,
        )
    });
    let room = |length_s: f64| {
        let sd = Speeds::new(track, span_s, length_s).typical_sd()?;
        let tremor = tremor_speed(settings.tremor_m, length_s);
        Some(limit - SAID_AND_FOUND * sd.hypot(tremor))
    };
    let detectable_m_s = room(settings.stall_probe_s).unwrap_or(-1.0);
    let shortest_s = LENGTHS_S
        .into_iter()
        .find(|&length_s| room(length_s).is_some_and(|room| room > 0.0))
        .map(|length_s| length_s.max(settings.stall_length_s));
    let mut slow = slow_spans(track, span_s, &speeds, settings);
    slow.sort_by(|a, b| a.from_s.total_cmp(&b.from_s));
    let mut stalls = Vec::new();
    let mut rest = &slow[..];
    while let Some(first) = rest.first() {
        // Windows that overlap tell of one stall.
        let (mut to_s, mut count, mut best) = (first.to_s, 1, first);
        for next in &rest[1..] {
            if next.from_s > to_s {
                break;
            }
            to_s = to_s.max(next.to_s);
            count += 1;
            if (next.probability, -next.speed_m_s[0]) > (best.probability, -best.speed_m_s[0]) {
                best = next;
            }
        }
        let stall = measure(track, span_s, (first.from_s, to_s), best);
        // A tenth of the probe for rounding: a stall of exactly the shortest length is one.
        let long =
            stall.end_s - stall.start_s >= settings.stall_length_s - 0.1 * settings.stall_probe_s;
        if long {
            stalls.extend(confirmed(track, &stall, settings));
        }
        rest = &rest[count..];
    }
    StallSearch {
        stalls,
        slowest,
        detectable_m_s,
        shortest_s,
    }
}

/// What tremor does to the slope over a window (m/s, rms): the least-squares slope of a sine of that size, mean square over
/// the band and over all phases.
fn tremor_speed(tremor_m: f64, length_s: f64) -> f64 {
    let half = 0.5 * length_s;
    let square: f64 = TREMOR_HZ
        .iter()
        .map(|hz| {
            let omega = std::f64::consts::TAU * hz;
            let (sin, cos) = (omega * half).sin_cos();
            let lever = 2.0 * (sin / (omega * omega) - half * cos / omega);
            (12.0 / length_s.powi(3) * lever).powi(2)
        })
        .sum();
    tremor_m * (square / TREMOR_HZ.len() as f64).sqrt()
}

/// The stall with the speed over its whole extent, if that is below the limit with the probability asked for.
fn confirmed(track: &Track, stall: &Stall, settings: &ReportSettings) -> Option<Stall> {
    let length_s = stall.end_s - stall.start_s;
    let soft_s = SOFT_END_S.min(0.5 * (length_s - settings.stall_probe_s).max(0.0));
    let span_s = (stall.start_s + soft_s, stall.end_s - soft_s);
    let core_s = (span_s.1 - span_s.0).max(settings.stall_probe_s);
    let middle_s = 0.5 * (span_s.0 + span_s.1);
    let margin_s = 0.5 * core_s + track.step_s;
    let speeds = Speeds::new(track, (middle_s - margin_s, middle_s + margin_s), core_s);
    let w = speeds.middle.len().checked_sub(1)? / 2;
    let tremor = tremor_speed(settings.tremor_m, core_s);
    let probability = speeds.share_below(w, settings.stall_speed_m_s, tremor);
    (probability >= settings.stall_probability).then(|| Stall {
        speed_m_s: speeds.interval(w),
        probability,
        ..stall.clone()
    })
}

/// A window that is slow beyond doubt.
struct Slow {
    from_s: f64,
    to_s: f64,
    speed_m_s: [f64; 3],
    probability: f64,
}

fn slow_spans(
    track: &Track,
    span_s: (f64, f64),
    shortest: &Speeds,
    settings: &ReportSettings,
) -> Vec<Slow> {
    let mut found = Vec::new();
    for scale in SCALES {
        let probe_s = scale * settings.stall_probe_s;
        let longer;
        let speeds = if scale > 1.0 {
            longer = Speeds::new(track, span_s, probe_s);
            &longer
        } else {
            shortest
        };
        let tremor = tremor_speed(settings.tremor_m, probe_s);
        for w in 0..speeds.mean.len() {
            let probability = speeds.share_below(w, settings.stall_speed_m_s, tremor);
            if probability >= settings.stall_probability {
                let middle_s = track.start_s + speeds.middle[w] * track.step_s;
                found.push(Slow {
                    from_s: middle_s - 0.5 * probe_s,
                    to_s: middle_s + 0.5 * probe_s,
                    speed_m_s: speeds.interval(w),
                    probability,
                });
            }
        }
    }
    found
}

/// Start and end from the breaks between the slow core and the fast movement beside it.
fn measure(track: &Track, span_s: (f64, f64), core: (f64, f64), best: &Slow) -> Stall {
    let from = track.index_of(span_s.0 - 0.15);
    let to = track.index_of(span_s.1 + 0.15);
    let time_s: Vec<f64> = (from..=to).map(|i| track.time_s(i)).collect();
    let half = 0.5 * (core.1 - core.0);
    let ends = |points: &[Point3<f64>], near: (f64, f64), reach_s: f64| {
        let end = |near_s: f64, backward: bool| {
            let search = Search {
                near_s,
                reach_s,
                step_s: 0.002,
                slow_s: half.min(0.15),
                burst_s: BURST_S,
                backward,
            };
            find_break(&time_s, &points[from..=to], search).unwrap_or(near_s)
        };
        (
            end(near.0, true).max(span_s.0),
            end(near.1, false).min(span_s.1),
        )
    };
    let rough = ends(&track.mean, core, 0.06);
    let (start_s, end_s) = ends(&track.mean, rough, 0.02);
    let each: Vec<(f64, f64)> = track
        .draws
        .iter()
        .map(|draw| ends(draw, (start_s, end_s), 0.02))
        .collect();
    let rms = |values: &dyn Fn(&(f64, f64)) -> f64, centre: f64| {
        let sum: f64 = each.iter().map(|e| (values(e) - centre).powi(2)).sum();
        (sum / each.len().max(1) as f64)
            .sqrt()
            .hypot(crate::break_fit::MODEL_SD_S)
    };
    Stall {
        start_s,
        start_sd_s: rms(&|e| e.0, start_s),
        end_s: end_s.max(start_s),
        length_sd_s: rms(&|e| e.1 - e.0, end_s - start_s),
        speed_m_s: best.speed_m_s,
        probability: best.probability,
    }
}
