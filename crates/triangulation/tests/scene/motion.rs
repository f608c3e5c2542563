//! How the elbow of the tests moves: known exactly at every instant.

use nalgebra::{Point3, Vector3};
use rand::Rng as _;
use rand_chacha::ChaCha8Rng;
use std::f64::consts::TAU;

/// A smooth step of degree five from 0 to 1 over `[from_s, from_s + length_s]`.
fn ease(t: f64, from_s: f64, length_s: f64) -> f64 {
    let u = ((t - from_s) / length_s).clamp(0.0, 1.0);
    u * u * u * (10.0 + u * (6.0 * u - 15.0))
}

/// One shot, instants in range time (s).
#[derive(Debug, Clone)]
pub struct Shot {
    pub start_s: f64,
    /// The elbow stands still for this long in the middle of the draw (s).
    pub stall_s: f64,
    /// How far it comes forward before release (m).
    pub collapse_m: f64,
    /// How far it jumps at release (m).
    pub jump_m: f64,
}

impl Shot {
    /// End of set-up: the draw begins.
    pub fn draw_s(&self) -> f64 {
        self.start_s + 1.2
    }

    pub fn stall_from_s(&self) -> f64 {
        self.draw_s() + 0.6
    }

    pub fn anchor_s(&self) -> f64 {
        self.stall_from_s() + self.stall_s + 0.7
    }

    pub fn collapse_from_s(&self) -> f64 {
        self.anchor_s() + 1.0
    }

    pub fn release_s(&self) -> f64 {
        self.anchor_s() + 1.5
    }

    fn at(&self, t: f64) -> Vector3<f64> {
        let half = 0.16;
        let draw = half * ease(t, self.draw_s(), 0.6)
            + half * ease(t, self.stall_from_s() + self.stall_s, 0.7);
        let expand = ease(t, self.anchor_s(), 1.5);
        let collapse = self.collapse_m * ease(t, self.collapse_from_s(), 0.3);
        let after = ((t - self.release_s()) / 0.03).max(0.0);
        let jump = self.jump_m * (1.0 - (-after).exp() * (1.0 + after));
        let down = ease(t, self.release_s() + 0.9, 0.9);
        let raise = ease(t, self.start_s, 1.0) - down;
        Vector3::new(
            -draw * (1.0 - down) - 0.004 * expand * (1.0 - down) + collapse * (1.0 - down)
                - jump * (1.0 - down),
            0.05 * draw * (1.0 - down) - 0.02 * expand * (1.0 - down) - 0.4 * jump * (1.0 - down),
            0.35 * raise + 0.15 * draw * (1.0 - down)
                - 0.03 * expand * (1.0 - down)
                - 0.3 * jump * (1.0 - down),
        )
    }
}

/// Sway, tremor and shots.
#[derive(Debug, Clone)]
pub struct Motion {
    pub shots: Vec<Shot>,
    /// Where the marker sits from the elbow (m).
    pub offset_m: Vector3<f64>,
    waves: Vec<(Vector3<f64>, f64, f64)>,
}

impl Motion {
    /// Sway of about 1.5 mm rms in all and tremor of 8 to 12 Hz, 0.2 mm rms in all.
    pub fn new(shots: Vec<Shot>, random: &mut ChaCha8Rng) -> Self {
        let mut waves = Vec::new();
        let mut add = |count: usize, low: f64, high: f64, rms_m: f64, random: &mut ChaCha8Rng| {
            for _ in 0..count {
                let direction = Vector3::from_fn(|_, _| random.random_range(-1.0..1.0f64));
                let size = rms_m * (2.0 / count as f64).sqrt();
                waves.push((
                    direction.normalize() * size,
                    random.random_range(low..high),
                    random.random_range(0.0..TAU),
                ));
            }
        };
        add(6, 0.15, 0.7, 1.5e-3, random);
        add(8, 8.0, 12.0, 0.2e-3, random);
        Self {
            shots,
            offset_m: Vector3::zeros(),
            waves,
        }
    }

    /// The elbow in the range frame (m).
    pub fn elbow(&self, t: f64) -> Point3<f64> {
        let mut place = Point3::new(-0.1, 0.05, 1.15) + self.offset_m;
        for (size, rate_hz, phase) in &self.waves {
            place += size * (TAU * rate_hz * t + phase).sin();
        }
        for shot in &self.shots {
            place += shot.at(t);
        }
        place
    }
}
