//! An archer as exact curves, and a path as an estimator would give it: truth plus correlated error, with joint draws
//! of the same law. Written for these tests alone.

#![allow(
    dead_code,
    unreachable_pub,
    missing_debug_implementations,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "each test file uses its own part of the archer"
)]

use drawarc_triangulation::PathSamples;
use nalgebra::{Matrix3, Point3, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// A speed profile: knots `(time, rate)`, eased in between, integrated exactly.
#[derive(Debug, Clone)]
pub struct Profile(Vec<(f64, f64, f64)>);

impl Profile {
    pub fn new(rates: &[(f64, f64)]) -> Self {
        let mut knots: Vec<(f64, f64, f64)> = Vec::new();
        for &(t, v) in rates {
            let x = knots
                .last()
                .map_or(0.0, |k| k.2 + 0.5 * (k.1 + v) * (t - k.0));
            knots.push((t, v, x));
        }
        Self(knots)
    }

    pub fn step(from: f64, to: f64, change: f64) -> Self {
        let (edge, top) = (0.35 * (to - from), change / (0.65 * (to - from)));
        Self::new(&[(from, 0.0), (from + edge, top), (to - edge, top), (to, 0.0)])
    }

    pub fn at(&self, t: f64) -> f64 {
        let after = self.0.partition_point(|k| k.0 <= t);
        if after == 0 {
            return self.0.first().map_or(0.0, |k| k.2);
        }
        let (t0, v0, x0) = self.0[after - 1];
        let Some(&(t1, v1, _)) = self.0.get(after) else {
            return x0;
        };
        let (l, s) = (t1 - t0, (t - t0) / (t1 - t0));
        x0 + l * (v0 * s + (v1 - v0) * s.powi(3) * (1.0 - 0.5 * s))
    }
}

/// How the elbow sets out after the release: its way grows as `t^power` until `rise_s`, then it is at full speed.
#[derive(Debug, Clone, Copy)]
pub struct Onset {
    /// 1: the speed is there at once, 2: the acceleration is, 3 and 4: ever more gently.
    pub power: f64,
    /// Until full speed (s).
    pub rise_s: f64,
}

/// The elbow's way after the release, 0 to 1.
enum Loose {
    Eased(Profile),
    Onset { onset: Onset, release: f64 },
}

/// Full speed lasts until here, and all is over a moment later (s after the release).
const LOOSE_S: (f64, f64) = (0.169, 0.26);

impl Loose {
    fn at(&self, t: f64) -> f64 {
        match self {
            Self::Eased(profile) => profile.at(t),
            Self::Onset { onset, release } => {
                let Onset { power, rise_s } = *onset;
                let brake_s = LOOSE_S.1 - LOOSE_S.0;
                let top = 1.0 / (rise_s / power + LOOSE_S.0 - rise_s + 0.5 * brake_s);
                let t = t - release;
                let rising = top * rise_s / power * (t.clamp(0.0, rise_s) / rise_s).powf(power);
                let even = top * (t.min(LOOSE_S.0) - rise_s).max(0.0);
                let u = ((t - LOOSE_S.0) / brake_s).clamp(0.0, 1.0);
                rising + even + top * brake_s * (u - u.powi(3) * (1.0 - 0.5 * u))
            }
        }
    }
}

/// One shot of a simulated archer. Metres, seconds.
#[derive(Debug, Clone)]
pub struct Archer {
    pub side: f64,
    pub forearm: f64,
    /// Start of the raise.
    pub start: f64,
    pub raise: f64,
    pub set_up: f64,
    pub draw: f64,
    pub anchor: f64,
    pub expansion: f64,
    pub set_up_speed: f64,
    pub around: f64,
    pub behind_at_anchor: f64,
    pub hook_travel: f64,
    pub v_depth: f64,
    /// `(after the start of expansion, length, depth)` of a reversal of the hook.
    pub collapse: Option<(f64, f64, f64)>,
    /// The same, of `behind`.
    pub gives_way: Option<(f64, f64, f64)>,
    /// `(after the start of the draw, length, speed)`; a speed below zero goes back.
    pub stall: Option<(f64, f64, f64)>,
    /// `(after the start of expansion, length, way)` of the string in the fingers.
    pub slip: Option<(f64, f64, f64)>,
    /// How the elbow sets out after the release; eased over 91 ms where nothing is said.
    pub onset: Option<Onset>,
    /// The draw ends in a slow way back.
    pub let_down: bool,
    pub sway: f64,
    pub tremor: f64,
    pub stand: Vector3<f64>,
    pub seed: u64,
}

impl Default for Archer {
    fn default() -> Self {
        Self {
            side: 1.0,
            forearm: 0.38,
            start: 1.5,
            raise: 0.9,
            set_up: 0.5,
            draw: 1.1,
            anchor: 0.5,
            expansion: 2.0,
            set_up_speed: 0.05,
            around: 0.025,
            behind_at_anchor: 0.01,
            hook_travel: 0.004,
            v_depth: 0.006,
            collapse: None,
            gives_way: None,
            stall: None,
            slip: None,
            onset: None,
            let_down: false,
            sway: 0.0,
            tremor: 0.0,
            stand: Vector3::new(-0.05, 0.02, 1.52),
            seed: 1,
        }
    }
}

/// Waves for sway or tremor.
struct Waves([Vec<(f64, f64, f64)>; 2]);

impl Waves {
    fn new(rng: &mut ChaCha8Rng, rms: f64, (low, high): (f64, f64)) -> Self {
        let mut axis = || -> Vec<(f64, f64, f64)> {
            (0..9)
                .map(|i| {
                    let share = (f64::from(i) + rng.random::<f64>()) / 9.0;
                    let omega = std::f64::consts::TAU * low * (high / low).powf(share);
                    (
                        omega,
                        rms * (2.0_f64 / 9.0).sqrt(),
                        rng.random::<f64>() * 6.3,
                    )
                })
                .collect()
        };
        Self([axis(), axis()])
    }

    fn at(&self, t: f64) -> (f64, f64) {
        let sum = |axis: &[(f64, f64, f64)]| axis.iter().map(|w| w.1 * (w.0 * t + w.2).sin()).sum();
        (sum(&self.0[0]), sum(&self.0[1]))
    }
}

/// The archer's curves, ready to be evaluated.
pub struct Curves {
    who: Archer,
    draw: Profile,
    raise: Profile,
    hook: Profile,
    around: Profile,
    slip: Profile,
    loose: Loose,
    lower: Profile,
    sway: Waves,
    tremor: Waves,
    pub release: f64,
    pub anchor_start: f64,
    pub expansion_start: f64,
    pub draw_start: f64,
}

const DRAW_LENGTH: f64 = 0.45;

impl Archer {
    pub fn curves(&self) -> Curves {
        let draw_start = self.start + self.raise + self.set_up;
        let anchor_start = draw_start + self.draw;
        let expansion_start = anchor_start + self.anchor;
        let release = expansion_start + self.expansion;
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed);
        let loose_s = if self.let_down { 1.2 } else { 0.26 };
        let still = release + loose_s + 0.6;
        Curves {
            draw: self.draw_profile(draw_start, anchor_start),
            raise: Profile::step(self.start, self.start + self.raise + 0.1, 1.0),
            hook: lobed(self.hook_travel, expansion_start, release, self.collapse),
            around: lobed(self.around, expansion_start, release, self.gives_way),
            slip: lobed(
                0.0,
                expansion_start,
                release,
                self.slip.map(|(after, length, way)| (after, length, -way)),
            ),
            loose: match self.onset {
                Some(onset) => Loose::Onset { onset, release },
                None => Loose::Eased(Profile::step(release, release + loose_s, 1.0)),
            },
            lower: Profile::step(still, still + 1.2, 1.0),
            sway: Waves::new(&mut rng, self.sway, (0.12, 0.8)),
            tremor: Waves::new(&mut rng, self.tremor, (8.0, 12.0)),
            release,
            anchor_start,
            expansion_start,
            draw_start,
            who: self.clone(),
        }
    }

    /// Way drawn (m), from set-up to anchor; the top speed makes it exactly the draw length.
    fn draw_profile(&self, from: f64, to: f64) -> Profile {
        let build = |top: f64| {
            let ramp = 0.34 * (to - from);
            let mut knots = vec![
                (self.start + 0.6 * self.raise, 0.0),
                (self.start + self.raise, self.set_up_speed),
                (from, self.set_up_speed),
                (from + ramp, top),
                (to - ramp, top),
                (to, 0.035),
                (to + 0.55 * self.anchor, 0.0),
            ];
            if let Some((after, length, speed)) = self.stall {
                let (start, end, edge) = (from + after, from + after + length, 0.09);
                let profile = Profile::new(&knots);
                let rate = |t: f64| (profile.at(t + 1e-4) - profile.at(t - 1e-4)) / 2e-4;
                let (before, behind) = (rate(start - edge), rate(end + edge));
                knots.retain(|k| k.0 < start - edge || k.0 > end + edge);
                knots.extend([
                    (start - edge, before),
                    (start, speed),
                    (end, speed),
                    (end + edge, behind),
                ]);
                knots.sort_by(|a, b| a.0.total_cmp(&b.0));
            }
            Profile::new(&knots)
        };
        let (mut low, mut high) = (0.01, 30.0);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            let end = build(middle).at(1e3);
            if end < DRAW_LENGTH {
                low = middle;
            } else {
                high = middle;
            }
        }
        build(0.5 * (low + high))
    }
}

/// Steady travel through the expansion, with a reversal cut in.
fn lobed(travel: f64, from: f64, to: f64, lobe: Option<(f64, f64, f64)>) -> Profile {
    let rate = travel / (to - from - 0.12);
    let mut knots = vec![
        (from - 0.02, 0.0),
        (from + 0.2, rate),
        (to, rate),
        (to + 0.04, 0.0),
    ];
    if let Some((after, length, depth)) = lobe {
        let (start, end, edge) = (from + after, from + after + length, 0.05);
        knots.retain(|k| k.0 < start - edge || k.0 > end + edge);
        let fall = -depth / (0.65 * length);
        knots.extend([
            (start - edge, rate),
            (start, 0.0),
            (start + 0.35 * length, fall),
            (end - 0.35 * length, fall),
            (end, 0.0),
            (end + edge, rate),
        ]);
        knots.sort_by(|a, b| a.0.total_cmp(&b.0));
    }
    Profile::new(&knots)
}

impl Curves {
    /// Sway of the whole body at an instant, range frame (m).
    pub fn sway(&self, t: f64) -> Vector3<f64> {
        let (x, y) = self.sway.at(t);
        Vector3::new(x, y, 0.0)
    }

    /// Elbow, range frame (m).
    pub fn elbow(&self, t: f64) -> Point3<f64> {
        let w = &self.who;
        let gone = self.loose.at(t);
        let down = self.lower.at(t);
        let raise = self.raise.at(t) * (1.0 - down);
        let mut drawn = self.draw.at(t) / DRAW_LENGTH * (1.0 - down);
        let (mut away, mut behind, mut over) = (0.0, 0.0, 0.0);
        if w.let_down {
            drawn *= 1.0 - gone;
        } else {
            away = 0.075 * gone;
            behind = 0.045 * gone;
            over = -0.05 * gone;
        }
        let fade = if w.let_down { 1.0 - gone } else { 1.0 } * (1.0 - down);
        let v = {
            let tau = (t - (self.anchor_start + 0.45 * w.anchor)) / (0.75 * w.anchor + 0.05);
            (1.0 - tau * tau).max(0.0).powi(3)
        };
        let b = -0.19 * (1.0 - drawn) * raise - 0.10 * (1.0 - raise)
            + w.behind_at_anchor * drawn
            + (self.around.at(t) + behind) * fade;
        let h = 0.03 - w.v_depth * v
            + over * fade
            + 0.05 * raise * (1.0 - drawn)
            + 0.022 * 4.0 * drawn * (1.0 - drawn)
            - 0.45 * (1.0 - raise);
        let hook = DRAW_LENGTH * drawn + 0.10 * (1.0 - raise) + (self.hook.at(t) + away) * fade;
        let along = (w.forearm * w.forearm - b * b - h.clamp(-0.2, 0.2).powi(2))
            .max(0.01)
            .sqrt();
        let (tx, ty) = self.tremor.at(t);
        let local = Vector3::new(-(hook + along) + DRAW_LENGTH + tx, w.side * (b + ty), h);
        Point3::from(w.stand + local + self.sway(t))
    }

    /// Back of the string hand, range frame (m): beside the hook, which goes with the elbow.
    pub fn string_hand(&self, t: f64) -> Point3<f64> {
        let w = &self.who;
        let hook = self.hook.at(t) + 0.02 * self.loose.at(t);
        let way = self.draw.at(t) / DRAW_LENGTH;
        let local = Vector3::new(DRAW_LENGTH * (1.0 - way) - hook, -0.01 * w.side, 0.0);
        Point3::from(w.stand + local + self.sway(t))
    }

    /// Nock of the arrow, range frame (m): before the hand, and further before it once the string slipped.
    pub fn nock(&self, t: f64) -> Point3<f64> {
        self.string_hand(t) + Vector3::new(0.06 + self.slip.at(t), 0.0, 0.01)
    }

    /// Bow hand, range frame (m): moves with the body, and forward after the release.
    pub fn bow_hand(&self, t: f64) -> Point3<f64> {
        let down = self.lower.at(t);
        let raise = self.raise.at(t) * (1.0 - down);
        let kick = self.loose.at(t);
        Point3::from(
            self.who.stand
                + Vector3::new(0.72 + 0.01 * kick, 0.0, -0.5 * (1.0 - raise))
                + self.sway(t),
        )
    }
}

/// How an estimator errs: pointwise SD of a correlated error and an offset of the whole shot.
#[derive(Debug, Clone, Copy)]
pub struct Noise {
    pub sd: f64,
    /// Correlation length (s).
    pub length: f64,
    pub offset_sd: f64,
}

impl Default for Noise {
    fn default() -> Self {
        Self {
            sd: 0.0003,
            length: 0.02,
            offset_sd: 0.0005,
        }
    }
}

/// One error path (m), three axes.
fn error(rng: &mut ChaCha8Rng, times: &[f64], noise: Noise) -> Vec<Vector3<f64>> {
    let step = times[1] - times[0];
    let sigma = (noise.length / step).max(0.5);
    let reach = (3.0 * sigma).ceil() as i64;
    let kernel: Vec<f64> = (-reach..=reach)
        .map(|i| (-(i as f64 / sigma).powi(2)).exp())
        .collect();
    let size = kernel.iter().map(|k| k * k).sum::<f64>().sqrt();
    let n = times.len();
    let mut axis = || -> Vec<f64> {
        let white: Vec<f64> = (0..n + kernel.len())
            .map(|_| StandardNormal.sample(rng))
            .collect();
        let z: f64 = StandardNormal.sample(rng);
        (0..n)
            .map(|i| {
                let sum: f64 = kernel
                    .iter()
                    .enumerate()
                    .map(|(j, k)| k * white[i + j])
                    .sum();
                noise.offset_sd * z + noise.sd * sum / size
            })
            .collect()
    };
    let (x, y, z) = (axis(), axis(), axis());
    (0..n).map(|i| Vector3::new(x[i], y[i], z[i])).collect()
}

/// A path as an estimator would give it: truth plus one error, and draws about that estimate.
pub fn path(
    times: &[f64],
    truth: impl Fn(f64) -> Point3<f64>,
    noise: Noise,
    draws: usize,
    seed: u64,
) -> PathSamples {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let own = error(&mut rng, times, noise);
    let mean: Vec<Point3<f64>> = times.iter().zip(&own).map(|(&t, e)| truth(t) + e).collect();
    let draws = (0..draws)
        .map(|_| {
            let each = error(&mut rng, times, noise);
            mean.iter().zip(&each).map(|(p, e)| p + e).collect()
        })
        .collect();
    samples(times, mean, draws)
}

/// A path from values.
pub fn samples(times: &[f64], mean: Vec<Point3<f64>>, draws: Vec<Vec<Point3<f64>>>) -> PathSamples {
    let n = times.len();
    PathSamples {
        time_s: times.to_vec(),
        velocity: vec![Vector3::zeros(); n],
        acceleration: vec![Vector3::zeros(); n],
        covariance: vec![Matrix3::zeros(); n],
        in_gap: vec![false; n],
        cameras_seeing: vec![2; n],
        bands: None,
        mean,
        draws,
    }
}

/// Even instants.
pub fn times(from: f64, to: f64, hz: f64) -> Vec<f64> {
    let n = ((to - from) * hz).floor() as usize;
    (0..=n).map(|i| from + i as f64 / hz).collect()
}
