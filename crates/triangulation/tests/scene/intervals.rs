//! Do intervals hold, and are they no wider than they must be?

use super::{Plan, Scene};
use drawarc_triangulation::{PathSettings, fit_path};

pub const NAMES: [&str; 4] = [
    "position",
    "velocity",
    "difference over 0.3 s",
    "difference over 1 s",
];

/// Of one kind of value, over shots: one instant and one coordinate a shot count for coverage, all for sizes.
#[derive(Debug, Clone, Copy, Default)]
pub struct Tally {
    pub shots: u64,
    pub within: u64,
    error2: f64,
    stated2: f64,
}

impl Tally {
    /// Stated standard deviation over true error, both rms.
    pub fn width(&self) -> f64 {
        (self.stated2 / self.error2).sqrt()
    }

    fn add(&mut self, errors: &[(f64, f64)], pick: usize) {
        let (error, sd) = errors[pick % errors.len()];
        self.shots += 1;
        self.within += u64::from(error.abs() <= 1.96 * sd);
        let n = errors.len() as f64;
        self.error2 += errors.iter().map(|e| e.0 * e.0).sum::<f64>() / n;
        self.stated2 += errors.iter().map(|e| e.1 * e.1).sum::<f64>() / n;
    }
}

/// Shots of two phones, from end of set-up to 20 ms before release.
pub fn tally(shots: u64, plan: impl Fn(u64) -> Plan) -> [Tally; 4] {
    let mut tallies = [Tally::default(); 4];
    for seed in 0..shots {
        let plan = plan(seed);
        let scene = Scene::new(&plan);
        let path = fit_path(&scene.input(PathSettings::default()))
            .unwrap()
            .path;
        let shot = &plan.shots[0];
        let truth = |t: f64| scene.motion.elbow(t);
        let (from_s, to_s) = (shot.draw_s(), shot.release_s() - 0.02);
        let times: Vec<f64> = (0..10_000)
            .map(|i| from_s + 0.05 * f64::from(i))
            .take_while(|t| *t <= to_s)
            .collect();
        let samples = path.sample(&times, 200, seed);
        let mut errors: [Vec<(f64, f64)>; 4] = Default::default();
        for (i, &t) in times.iter().enumerate() {
            let point = path.at(t).unwrap();
            let h = 1e-4;
            let velocity = (truth(t + h) - truth(t - h)) / (2.0 * h);
            for axis in 0..3 {
                errors[0].push((
                    (point.position - truth(t))[axis],
                    point.covariance[(axis, axis)].sqrt(),
                ));
                errors[1].push((
                    (point.velocity - velocity)[axis],
                    point.velocity_covariance[(axis, axis)].sqrt(),
                ));
            }
            for (kind, step) in [(2, 6), (3, 20)] {
                if i + step >= times.len() {
                    continue;
                }
                let moved = samples.mean[i + step] - samples.mean[i];
                let error = moved - (truth(times[i + step]) - truth(t));
                for axis in 0..3 {
                    let square = samples
                        .draws
                        .iter()
                        .map(|d| ((d[i + step] - d[i] - moved)[axis]).powi(2));
                    let sd = (square.sum::<f64>() / samples.draws.len() as f64).sqrt();
                    errors[kind].push((error[axis], sd));
                }
            }
        }
        for (kind, (tally, list)) in tallies.iter_mut().zip(&errors).enumerate() {
            tally.add(list, seed as usize * 7919 + kind * 31);
        }
    }
    tallies
}

/// Exact binomial 95 % interval of a rate (Clopper & Pearson 1934), by bisection.
pub fn exact(within: u64, shots: u64) -> (f64, f64) {
    let outside = shots - within;
    (1.0 - highest(outside, shots), 1.0 - lowest(outside, shots))
}

/// Chance of at most `k`, in logarithms first: `(1 − p)ⁿ` is too small to write down where p is near 1.
fn at_most(k: u64, shots: u64, p: f64) -> f64 {
    let mut log = shots as f64 * (1.0 - p).ln();
    let mut sum = log.exp();
    for i in 0..k {
        log += ((shots - i) as f64 / (i + 1) as f64 * p / (1.0 - p)).ln();
        sum += log.exp();
    }
    sum
}

fn crossing(k: u64, shots: u64, level: f64) -> f64 {
    let (mut low, mut high) = (1e-12, 1.0 - 1e-12);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if at_most(k, shots, middle) < level {
            high = middle;
        } else {
            low = middle;
        }
    }
    low
}

fn highest(k: u64, shots: u64) -> f64 {
    if k == shots {
        1.0
    } else {
        crossing(k, shots, 0.025)
    }
}

fn lowest(k: u64, shots: u64) -> f64 {
    if k == 0 {
        0.0
    } else {
        crossing(k - 1, shots, 0.975)
    }
}
