//! The movement beside a fall: how it goes on by itself, and the tremor on it.

use crate::reversal::Quantity;
use crate::smooth::low_pass_s;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// How long a pace lasts (s).
const PACE_S: f64 = 1.0;
/// Tremor at the elbow (m rms) and its band (Hz).
const TREMOR_M: f64 = 0.0003;
const TREMOR_HZ: [f64; 5] = [8.0, 9.0, 10.0, 11.0, 12.0];

/// What stands beside a fall: pace of the movement (m/s), mean and standard deviation, and the Gaussian low-pass that all of it
/// went through (standard deviation, s).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pace {
    /// Mean (m/s).
    pub(crate) mean: f64,
    /// Standard deviation (m/s).
    sd: f64,
    pub(crate) low_pass_s: f64,
}

/// Of a hook in the hold (m/s): at rest, or a few millimetres in a second or two. Common practice, no source.
const HOOK: (f64, f64) = (0.002, 0.0015);

impl Pace {
    /// Of a hook in the hold, seen through a low-pass of this cut-off (Hz).
    pub(crate) fn hook(cutoff_hz: f64) -> Self {
        Self {
            mean: HOOK.0,
            sd: HOOK.1,
            low_pass_s: low_pass_s(cutoff_hz),
        }
    }

    /// As fast as the quantity rises before and after the pair of indices, give or take half of that. With the fall in it the
    /// pace came out too slow, and the fall too deep.
    pub(crate) fn beside(quantity: &Quantity, (s, t): (usize, usize), cutoff_hz: f64) -> Self {
        let outside = |values: &[f64]| match values {
            [first, .., last] => (values[s] - first) + (last - values[t]),
            _ => 0.0,
        };
        let rise = outside(&quantity.value).max(0.0) / outside(&quantity.time_s).max(0.1);
        Self {
            mean: rise,
            sd: HOOK.1.hypot(0.5 * rise),
            low_pass_s: low_pass_s(cutoff_hz),
        }
    }

    /// Covariance (m²) of the ways gone until two instants after the first: an Ornstein-Uhlenbeck pace, integrated.
    pub(crate) fn covariance(self, a: f64, b: f64) -> f64 {
        let way = |x: f64| (-x / PACE_S).exp();
        self.sd.powi(2)
            * PACE_S
            * (2.0 * a.min(b) - PACE_S + PACE_S * (way(a) + way(b) - way((a - b).abs())))
    }

    /// Variance (m²) of the way gone in some time.
    pub(crate) fn rise_variance(self, length_s: f64) -> f64 {
        self.covariance(length_s, length_s)
    }
}

/// So many tremors (m) at these instants, as the low-pass leaves them.
pub(crate) fn random_tremor(time_s: &[f64], draws: usize, low_pass_s: f64) -> Vec<Vec<f64>> {
    let mut rng = ChaCha8Rng::seed_from_u64(0x7e_0021);
    let share = (2.0 / TREMOR_HZ.len() as f64).sqrt();
    (0..draws)
        .map(|_| {
            let waves = TREMOR_HZ.map(|hz| {
                let omega = std::f64::consts::TAU * hz;
                let left = (-0.5 * (omega * low_pass_s).powi(2)).exp();
                let phase = std::f64::consts::TAU * rng.random::<f64>();
                (omega, TREMOR_M * share * left, phase)
            });
            let at = |t: &f64| -> f64 {
                let wave = |(omega, size, phase)| -> f64 { size * f64::sin(omega * t + phase) };
                waves.map(wave).into_iter().sum()
            };
            time_s.iter().map(at).collect()
        })
        .collect()
}

/// Covariance (m²) of tremor below the low-pass at two instants so far apart.
pub(crate) fn tremor(lag_s: f64, low_pass_s: f64) -> f64 {
    let power: f64 = TREMOR_HZ
        .iter()
        .map(|hz| {
            let omega = std::f64::consts::TAU * hz;
            (-(omega * low_pass_s).powi(2)).exp() * (omega * lag_s).cos()
        })
        .sum();
    TREMOR_M * TREMOR_M * power / TREMOR_HZ.len() as f64
}
