//! Small movements that never stop: tremor, sway, breathing; sums of sines with seeded phases, so that they
//! can be evaluated at any instant.

use nalgebra::Vector3;
use rand::Rng;
use rand_chacha::ChaCha8Rng;

/// Band-limited movement in three axes.
#[derive(Debug, Clone)]
pub(crate) struct Wobble {
    /// Per axis: `(angular frequency, amplitude, phase)`.
    waves: [Vec<(f64, f64, f64)>; 3],
}

impl Wobble {
    /// `rms_m` per axis, between two frequencies (Hz), amplitude falling as `frequency^slope`.
    pub(crate) fn new(
        rng: &mut ChaCha8Rng,
        rms_m: [f64; 3],
        band_hz: (f64, f64),
        slope: f64,
    ) -> Self {
        const WAVES: usize = 9;
        let waves = rms_m.map(|rms| {
            let mut axis: Vec<(f64, f64, f64)> = (0..WAVES)
                .map(|k| {
                    let place = (k as f64 + rng.random::<f64>()) / WAVES as f64;
                    let frequency = band_hz.0 * (band_hz.1 / band_hz.0).powf(place);
                    let phase = rng.random::<f64>() * std::f64::consts::TAU;
                    (
                        frequency * std::f64::consts::TAU,
                        frequency.powf(slope),
                        phase,
                    )
                })
                .collect();
            let power: f64 = axis.iter().map(|wave| 0.5 * wave.1 * wave.1).sum();
            for wave in &mut axis {
                wave.1 *= rms / power.sqrt();
            }
            axis
        });
        Self { waves }
    }

    /// Displacement (m) at a time.
    pub(crate) fn at(&self, time_s: f64) -> Vector3<f64> {
        let axis = |k: usize| -> f64 {
            self.waves[k]
                .iter()
                .map(|&(omega, amplitude, phase)| amplitude * (omega * time_s + phase).sin())
                .sum()
        };
        Vector3::new(axis(0), axis(1), axis(2))
    }
}
