//! When a marker that was all but still sets out: the release, from the sightings themselves.
//!
//! A fitted path is no witness for this: its prior rounds off whatever is sudden, and what is rounded off looks like a
//! gentle onset that began earlier. So the sightings around it are looked at once more, each linear about the path. Until the
//! onset `t₀` the marker moves on a straight line, with wander, tremor and sightings' errors as a Gaussian process; from then
//! on `c · s(t − t₀)` is added, `c` unknown. How an elbow sets out nobody knows beforehand: its speed grows like
//! `u^q (1 + u^(qk))^(−1/k)`, `u = τ/θ`: from a speed that is there at once (q = 0) over an acceleration that is (1) or that
//! grows evenly from nothing (2) to a gentler one still (2½), levelling off after 8 to 140 ms, softly or sharply. All of them
//! are tried at every instant, and what each of them leaves unexplained weighs it. Markers that move with the string are looked at together, each with a
//! shape of its own.

use crate::border::Stand;
use crate::fit::PathFit;
use crate::normal::linearise;
use drawarc_rig::Rig;
use drawarc_sync_track::MarkerRole;
use nalgebra::{DMatrix, DVector, Matrix2, Matrix2x3, Matrix3, Vector2, Vector3};
use std::f64::consts::TAU;

/// Markers that the string holds back until the release. The bow hand's own movement may begin before.
const HELD: [MarkerRole; 2] = [MarkerRole::Elbow, MarkerRole::StringHand];
/// Sightings so long before and after the onset are looked at (s).
const SPAN_S: (f64, f64) = (0.12, 0.06);
/// The onset is sought so far from where it is thought to be (s).
const REACH_S: f64 = 0.04;
/// Steps of the search, coarse and fine (s).
const STEPS_S: (f64, f64) = (0.004, 0.001);
/// The search has settled when it moves by less (s), or after so many times.
const SETTLED: (f64, usize) = (0.004, 5);
/// The search begins where the path is as fast as this (m/s), and goes no further back than so long before (s): a span that
/// ends before the burst would tell nothing.
const FAST: (f64, f64) = (0.15, 0.05);
/// So far before and after the instant asked about it is looked for (s): the rough end of a hold may be 0.2 s early.
const NEAR_S: (f64, f64) = (0.1, 0.4);
/// Where the marker is before it sets out: the mean of its places from so long to so long before the onset (s).
const REST_S: (f64, f64) = (0.07, 0.03);
/// Powers `q` that are tried, each as likely as the next.
const POWERS: [f64; 6] = [0.0, 0.5, 1.0, 1.5, 2.0, 2.5];
/// Times `θ` (s) that are tried.
const RISES_S: [f64; 6] = [0.008, 0.014, 0.025, 0.045, 0.08, 0.14];
/// Knees `k` that are tried: how sharply the speed levels off.
const KNEES: [f64; 2] = [1.5, 6.0];
/// Shapes are tabulated in such steps (s), to this many.
const TABLE: (f64, usize) = (0.0005, 400);
/// Wander about the straight line: size (m, rms) and how long it lasts (s); sway, expansion, what the sightings' errors share.
const WANDER: (f64, f64) = (0.0003, 0.08);
/// Tremor: size (m, rms an axis), frequency and its spread (Hz). Common practice, no source: 8 to 12 Hz, a fraction of a
/// millimetre.
const TREMOR: (f64, f64, f64) = (0.0003, 10.0, 1.2);
/// Sightings' errors that last: size (px) and how long (s), as measured on film.
const LASTING: (f64, f64) = (0.1, 0.12);
/// What no shape explains: this share of the way gone, over so long (s).
const MISFIT: (f64, f64) = (0.03, 0.02);
/// Fewest sightings of a marker in the span, and of them after its middle.
const FEWEST: (usize, usize) = (10, 4);

/// When a marker set out: a probability for each of a row of instants.
#[derive(Debug, Clone, PartialEq)]
pub struct Onset {
    /// Evenly spaced, range time (s).
    pub time_s: Vec<f64>,
    /// Their probabilities; they sum to 1.
    pub probability: Vec<f64>,
}

impl Onset {
    /// Mean (range time, s).
    pub fn mean_s(&self) -> f64 {
        self.all().map(|(t, p)| t * p).sum()
    }

    /// Standard deviation (s), that of a step of the row included.
    pub fn sd_s(&self) -> f64 {
        let mean_s = self.mean_s();
        let variance: f64 = self.all().map(|(t, p)| (t - mean_s).powi(2) * p).sum();
        (variance + self.step_s().powi(2) / 12.0).sqrt()
    }

    /// The instant (range time, s) before which it lies with the probability `share`, each step of the row taken as even.
    pub fn quantile_s(&self, share: f64) -> f64 {
        let step_s = self.step_s();
        let mut before = 0.0;
        for (t, p) in self.all() {
            if before + p >= share && p > 0.0 {
                return t + step_s * ((share - before) / p - 0.5);
            }
            before += p;
        }
        self.time_s.last().copied().unwrap_or(f64::NAN)
    }

    /// With what something else says of the same instant: Gaussian, at `time_s` with `sd_s` (s).
    #[must_use]
    pub fn and(&self, time_s: f64, sd_s: f64) -> Self {
        let logs: Vec<f64> = self
            .all()
            .map(|(t, p)| p.ln() - 0.5 * ((t - time_s) / sd_s).powi(2))
            .collect();
        Self {
            time_s: self.time_s.clone(),
            probability: normalised(&logs),
        }
    }

    fn all(&self) -> impl Iterator<Item = (f64, f64)> {
        self.time_s
            .iter()
            .copied()
            .zip(self.probability.iter().copied())
    }

    fn step_s(&self) -> f64 {
        match self.time_s.as_slice() {
            [a, b, ..] => b - a,
            _ => 0.0,
        }
    }
}

/// Probabilities from their logarithms.
fn normalised(logs: &[f64]) -> Vec<f64> {
    let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let raw: Vec<f64> = logs.iter().map(|log| (log - most).exp()).collect();
    let sum: f64 = raw.iter().sum();
    raw.into_iter().map(|p| p / sum).collect()
}

impl PathFit {
    /// When the draw elbow, and the string hand where it is tracked, set out near an instant (range time, s): the release.
    /// `None` where too few sightings lie around it. `rig` is the one of the fit.
    pub fn onset(&self, rig: &Rig, near_s: f64) -> Option<Onset> {
        let markers: Vec<Vec<Sight>> = HELD
            .iter()
            .map(|&role| self.sights(rig, role, (near_s - 0.35, near_s + 0.6)))
            .filter(|sights| sights.len() >= FEWEST.0)
            .collect();
        let shapes = shapes();
        let search = |near_s: f64, step_s: f64| -> Option<Onset> {
            let steps = whole(2.0 * REACH_S / step_s);
            let time_s: Vec<f64> = (0..=steps)
                .map(|i| near_s - REACH_S + i as f64 * step_s)
                .collect();
            let mut logs = vec![0.0; time_s.len()];
            let mut seen = false;
            for sights in &markers {
                if let Some(found) = log_likelihood(sights, near_s, &time_s, &shapes) {
                    seen = true;
                    logs.iter_mut()
                        .zip(found)
                        .for_each(|(log, more)| *log += more);
                }
            }
            seen.then(|| Onset {
                probability: normalised(&logs),
                time_s,
            })
        };
        let fast_s = self.first_fast(near_s)?;
        let mut centre_s = fast_s;
        for _ in 0..SETTLED.1 {
            let found_s = search(centre_s, STEPS_S.0)?.mean_s().max(fast_s - FAST.1);
            let moved_s = (found_s - centre_s).abs();
            centre_s = found_s;
            if moved_s < SETTLED.0 {
                break;
            }
        }
        search(centre_s, STEPS_S.1)
    }

    /// The first instant about `near_s` at which the path is fast.
    fn first_fast(&self, near_s: f64) -> Option<f64> {
        let posterior = &self.path.posterior;
        let steps = whole((NEAR_S.0 + NEAR_S.1) / STEPS_S.0);
        (0..=steps)
            .map(|i| near_s - NEAR_S.0 + i as f64 * STEPS_S.0)
            .find(|&t| {
                self.path
                    .pieces
                    .iter()
                    .find(|p| t >= p.grid.start_s && t <= p.grid.end_s())
                    .is_some_and(|p| posterior.value(p, &p.grid.weights(t), 1).norm() > FAST.0)
            })
    }

    /// A marker's sightings about its path.
    fn sights(&self, rig: &Rig, role: MarkerRole, span_s: (f64, f64)) -> Vec<Sight> {
        let posterior = &self.path.posterior;
        let layout = &posterior.layout;
        let raw = &posterior.border.modes * &posterior.estimate.z;
        let stand = Stand::new(rig, &layout.sources, &raw);
        layout
            .observations
            .iter()
            .filter(|o| {
                layout.pieces[o.piece].role == role && (span_s.0..=span_s.1).contains(&o.nominal_s)
            })
            .filter_map(|o| {
                let linear = linearise(layout, &stand, &posterior.estimate, o, None)?;
                let (time_s, _) = stand.instant(o.source, o.camera, o.camera_s, o.row_fraction);
                let piece = &layout.pieces[o.piece];
                let degree = piece.grid.degree;
                let estimate = &posterior.estimate;
                Some(Sight {
                    time_s,
                    camera: o.camera,
                    by_point: linear.by_point,
                    residual: linear.residual,
                    point: estimate.value(piece.offset, degree, &linear.weights, 0),
                    covariance: o.covariance,
                })
            })
            .collect()
    }
}

/// One sighting, linear about the path.
#[derive(Debug, Clone, Copy)]
struct Sight {
    /// Range time (s).
    time_s: f64,
    camera: usize,
    /// ∂pixel/∂point (px/m).
    by_point: Matrix2x3<f64>,
    /// Observed minus predicted (px).
    residual: Vector2<f64>,
    /// The path there, range frame (m).
    point: Vector3<f64>,
    /// As the tracker states it (px²).
    covariance: Matrix2<f64>,
}

/// Way gone after the onset, in steps of [`TABLE`], for every shape, with the weight of the shape.
fn shapes() -> Vec<(Vec<f64>, f64)> {
    let speeds = |speed: &dyn Fn(f64) -> f64| -> Vec<f64> {
        let mut way = 0.0;
        (0..TABLE.1)
            .map(|i| {
                let before = way;
                way += TABLE.0 * speed((i as f64 + 0.5) * TABLE.0);
                before
            })
            .collect()
    };
    let mut all = Vec::new();
    for q in POWERS {
        if q == 0.0 {
            all.push((speeds(&|_| 1.0), (RISES_S.len() * KNEES.len()) as f64));
            continue;
        }
        for rise_s in RISES_S {
            for knee in KNEES {
                let speed = |t: f64| {
                    let u = (t / rise_s).powf(q);
                    u * (1.0 + u.powf(knee)).powf(-1.0 / knee)
                };
                all.push((speeds(&speed), 1.0));
            }
        }
    }
    all
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a few hundred, and none below 0"
)]
fn whole(number: f64) -> usize {
    number.round().max(0.0) as usize
}

fn way(shape: &[f64], tau_s: f64) -> f64 {
    let place = (tau_s / TABLE.0).max(0.0);
    let index = whole(place.floor()).min(shape.len() - 2);
    shape[index] + (place - index as f64) * (shape[index + 1] - shape[index])
}

fn bell(lag_s: f64, length_s: f64) -> f64 {
    (-0.5 * (lag_s / length_s).powi(2)).exp()
}

/// Covariance of all sightings (two rows each) but for what sets out: wander and tremor of the marker, and their errors.
fn covariance(sights: &[Sight], gone_m: &[f64]) -> DMatrix<f64> {
    let n = sights.len();
    let mut all = DMatrix::zeros(2 * n, 2 * n);
    for (i, a) in sights.iter().enumerate() {
        for (j, b) in sights.iter().enumerate().take(i + 1) {
            let lag_s = a.time_s - b.time_s;
            let tremor = (TAU * TREMOR.1 * lag_s).cos() * bell(TAU * TREMOR.2 * lag_s, 1.0);
            let place = WANDER.0.powi(2) * bell(lag_s, WANDER.1)
                + TREMOR.0.powi(2) * tremor
                + MISFIT.0.powi(2) * gone_m[i] * gone_m[j] * bell(lag_s, MISFIT.1);
            let mut block = a.by_point * b.by_point.transpose() * place;
            if a.camera == b.camera {
                block += Matrix2::identity() * (LASTING.0.powi(2) * bell(lag_s, LASTING.1));
            }
            if i == j {
                block += a.covariance;
            }
            all.fixed_view_mut::<2, 2>(2 * i, 2 * j).copy_from(&block);
            all.fixed_view_mut::<2, 2>(2 * j, 2 * i)
                .copy_from(&block.transpose());
        }
    }
    all
}

/// Log likelihood of an onset at each of the instants, whatever its shape, but for a constant.
fn log_likelihood(
    sights: &[Sight],
    near_s: f64,
    time_s: &[f64],
    shapes: &[(Vec<f64>, f64)],
) -> Option<Vec<f64>> {
    let rest: Vec<&Sight> = sights
        .iter()
        .filter(|s| (near_s - REST_S.0..near_s - REST_S.1).contains(&s.time_s))
        .collect();
    let start = rest.iter().map(|s| s.point).sum::<Vector3<f64>>() / rest.len() as f64;
    let sights: Vec<Sight> = sights
        .iter()
        .filter(|s| (near_s - SPAN_S.0..=near_s + SPAN_S.1).contains(&s.time_s))
        .copied()
        .collect();
    let after = sights.iter().filter(|s| s.time_s > near_s).count();
    if rest.is_empty() || sights.len() < FEWEST.0 || after < FEWEST.1 {
        return None;
    }
    let gone_m: Vec<f64> = sights
        .iter()
        .map(|s| {
            let gone = s.time_s > near_s - REST_S.1;
            f64::from(u8::from(gone)) * (s.point - start).norm()
        })
        .collect();
    let n = sights.len();
    let lower = covariance(&sights, &gone_m).cholesky()?.unpack();
    // The straight line before: where the marker is, and how fast.
    let mut line = DMatrix::zeros(2 * n, 6);
    let mut seen = DVector::zeros(2 * n);
    let late = sights.partition_point(|s| s.time_s < near_s - REACH_S);
    let sorted = sights
        .windows(2)
        .all(|pair| pair[0].time_s <= pair[1].time_s);
    let late = if sorted { late } else { 0 };
    let mut moved = DMatrix::zeros(2 * n, 3 * (n - late));
    for (i, s) in sights.iter().enumerate() {
        let lag = (s.time_s - near_s) / SPAN_S.0;
        line.fixed_view_mut::<2, 3>(2 * i, 0).copy_from(&s.by_point);
        line.fixed_view_mut::<2, 3>(2 * i, 3)
            .copy_from(&(s.by_point * lag));
        let pixel = s.residual + s.by_point * (s.point - start);
        seen.fixed_rows_mut::<2>(2 * i).copy_from(&pixel);
        if i >= late {
            moved
                .fixed_view_mut::<2, 3>(2 * i, 3 * (i - late))
                .copy_from(&s.by_point);
        }
    }
    let white = |m: &DMatrix<f64>| lower.solve_lower_triangular(m);
    let basis = white(&line)?.qr().q();
    let mut seen = lower.solve_lower_triangular(&seen)?;
    seen -= &basis * basis.tr_mul(&seen);
    let mut moved = white(&moved)?;
    moved -= &basis * basis.tr_mul(&moved);
    let (gram, answer) = (moved.tr_mul(&moved), moved.tr_mul(&seen));
    let all = seen.norm_squared();
    let unexplained: Vec<Vec<f64>> = time_s
        .iter()
        .map(|&t0| {
            shapes
                .iter()
                .map(|(shape, _)| {
                    let ways: Vec<f64> = sights[late..]
                        .iter()
                        .map(|s| way(shape, s.time_s - t0))
                        .collect();
                    all - explained(&ways, &gram, &answer)
                })
                .collect()
        })
        .collect();
    // Line and burst have used up nine numbers.
    Some(marginal(&unexplained, shapes, 2.0 * n as f64 - 9.0))
}

/// Log likelihood at each instant, shapes averaged out: from what each leaves unexplained of so many free numbers.
fn marginal(unexplained: &[Vec<f64>], shapes: &[(Vec<f64>, f64)], free: f64) -> Vec<f64> {
    let least = unexplained
        .iter()
        .flatten()
        .copied()
        .fold(f64::INFINITY, f64::min);
    // Errors larger than stated flatten everything.
    let scale = (least / free).max(1.0);
    unexplained
        .iter()
        .map(|row| {
            row.iter()
                .zip(shapes)
                .map(|(rest, (_, weight))| weight * (-0.5 * (rest - least) / scale).exp())
                .sum::<f64>()
                .max(f64::MIN_POSITIVE)
                .ln()
        })
        .collect()
}

/// Sum of squares that a movement of the given course explains, its size and direction free.
fn explained(ways: &[f64], gram: &DMatrix<f64>, answer: &DVector<f64>) -> f64 {
    let mut square = Matrix3::zeros();
    let mut side = Vector3::zeros();
    for (i, a) in ways.iter().enumerate().filter(|(_, a)| **a > 0.0) {
        side += answer.fixed_rows::<3>(3 * i) * *a;
        let mut row = Matrix3::zeros();
        for (j, b) in ways.iter().enumerate().take(i).filter(|(_, b)| **b > 0.0) {
            row += gram.fixed_view::<3, 3>(3 * i, 3 * j) * *b;
        }
        let own = gram.fixed_view::<3, 3>(3 * i, 3 * i) * (a * a);
        square += (row + row.transpose()) * *a + own;
    }
    // A direction that hardly shows must not divide by nothing.
    let ridge = 1e-6 * square.trace();
    (square + Matrix3::identity() * ridge)
        .try_inverse()
        .map_or(0.0, |inverse| side.dot(&(inverse * side)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shapes_begin_with_their_power() {
        for (shape, _) in shapes() {
            assert!(shape.windows(2).all(|pair| pair[1] >= pair[0]));
        }
        let all = shapes();
        // q = 2, θ = 80 ms, a sharp knee: the way grows with the third power.
        let gentle = &all[1 + 2 * (6 * 3 + 4) + 1].0;
        let ratio = way(gentle, 0.02) / way(gentle, 0.01);
        assert!((ratio - 8.0).abs() < 0.2, "{ratio}");
        assert!((way(&all[0].0, 0.03) - 0.03).abs() < 1e-12);
    }

    #[test]
    fn quantiles_and_products_are_those_of_the_row() {
        let time_s: Vec<f64> = (0..401).map(|i| f64::from(i) * 0.0005).collect();
        let logs: Vec<f64> = time_s
            .iter()
            .map(|t| -0.5 * ((t - 0.1) / 0.01f64).powi(2))
            .collect();
        let onset = Onset {
            probability: normalised(&logs),
            time_s,
        };
        assert!((onset.mean_s() - 0.1).abs() < 1e-6);
        assert!((onset.sd_s() - 0.01).abs() < 1e-4);
        assert!((onset.quantile_s(0.975) - 0.1196).abs() < 1e-4);
        let both = onset.and(0.11, 0.01);
        assert!((both.mean_s() - 0.105).abs() < 1e-5);
        assert!((both.sd_s() - 0.01 / 2f64.sqrt()).abs() < 1e-4);
    }
}
