//! What a camera's microphone hears.

use crate::film_camera::FilmCamera;
use crate::film_time::range_time_s;
use crate::view::View;
use crate::world::{Noise, NoiseKind, World};
use nalgebra::Point3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Samples a second.
pub const SOUND_RATE_HZ: u32 = 48_000;

/// Speed of sound (m/s) at an air temperature (°C): ISO 9613-1:1993, `343.2 √(T / 293.15 K)`.
pub fn speed_of_sound_m_s(temperature_c: f64) -> f64 {
    343.2 * ((temperature_c + 273.15) / 293.15).sqrt()
}

/// A damped tone.
struct Tone {
    omega: f64,
    damping: f64,
    amplitude: f64,
    phase: f64,
}

/// One noise as a function of the time since its onset: damped tones, so that it can be evaluated at any instant.
struct Wave {
    tones: Vec<Tone>,
    attack_s: f64,
    length_s: f64,
}

impl Wave {
    fn new(kind: NoiseKind, rng: &mut ChaCha8Rng) -> Self {
        // (tones, lowest Hz, highest Hz, shortest and longest decay s, attack s, loudness)
        let (count, low, high, short, long, attack_s, loudness) = match kind {
            NoiseKind::Clap => (60, 500.0, 7000.0, 0.003, 0.012, 0.000_15, 1.0),
            NoiseKind::Shot => (45, 140.0, 3200.0, 0.006, 0.045, 0.000_3, 0.75),
            NoiseKind::NeighbourShot => (45, 140.0, 3000.0, 0.006, 0.045, 0.000_3, 0.6),
            NoiseKind::Impact => (30, 60.0, 700.0, 0.008, 0.04, 0.002, 0.9),
        };
        let tones = (0..count)
            .map(|_| Tone {
                omega: std::f64::consts::TAU * low * (high / low).powf(rng.random::<f64>()),
                damping: 1.0 / rng.random_range(short..long),
                amplitude: loudness * rng.random_range(0.4..1.0) * 1.6 / f64::from(count).sqrt(),
                phase: rng.random_range(0.0..std::f64::consts::TAU),
            })
            .collect();
        Self {
            tones,
            attack_s,
            length_s: 8.0 * long,
        }
    }

    fn at(&self, since_s: f64) -> f64 {
        if since_s <= 0.0 || since_s > self.length_s {
            return 0.0;
        }
        let rise = 1.0 - (-since_s / self.attack_s).exp();
        let sum: f64 = self
            .tones
            .iter()
            .map(|tone| {
                tone.amplitude
                    * (-since_s * tone.damping).exp()
                    * (tone.omega * since_s + tone.phase).sin()
            })
            .sum();
        rise * sum
    }
}

/// When a noise reaches a camera (range time, s), by the straight way.
pub fn arrival_s(noise: &Noise, camera_in_range: &Point3<f64>, temperature_c: f64) -> f64 {
    noise.at_s
        + (Point3::from(noise.place_m) - camera_in_range).norm() / speed_of_sound_m_s(temperature_c)
}

/// Mono samples at [`SOUND_RATE_HZ`] from the start of a camera's file to its end: room noise, every noise with
/// its way through the air, and its echoes from floor and back wall; the file's clock and the camera's lag apply.
pub fn hear(world: &World, view: &View, seed: u64, until_camera_s: f64) -> Vec<f32> {
    let camera: &FilmCamera = &view.camera;
    let rate = f64::from(SOUND_RATE_HZ);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "samples of a clip"
    )]
    let count = (until_camera_s.max(0.0) * rate) as usize;
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x0073_6f75_6e64);
    let mut samples = Vec::with_capacity(count);
    // Room: low rumble and hiss.
    let (mut rumble, mut hum) = (0.0_f64, 0.0_f64);
    for _ in 0..count {
        let white = rng.random::<f64>() - 0.5;
        rumble += 0.012 * (white - rumble);
        hum += 0.2 * (white - hum);
        samples.push(0.035 * rumble + 0.003 * hum + 0.0015 * white);
    }
    let ears = view.centre_in_range();
    let speed = speed_of_sound_m_s(world.scenario.air_temperature_c);
    for (index, noise) in world.noises().iter().enumerate() {
        let mut wave_rng =
            ChaCha8Rng::seed_from_u64(world.scenario.seed.wrapping_add(1000 + index as u64));
        let wave = Wave::new(noise.kind, &mut wave_rng);
        let source = Point3::from(noise.place_m);
        let below = Point3::new(source.x, source.y, -source.z);
        let behind = Point3::new(-14.0 - source.x, source.y, source.z);
        let aside = Point3::new(source.x, 17.0 - source.y, source.z);
        for (place, strength) in [(source, 1.0), (below, 0.45), (behind, 0.30), (aside, 0.25)] {
            let distance = (place - ears).norm();
            let arrival = noise.at_s + distance / speed;
            // Camera time of the arrival, later by the lag in the file.
            let file_s = view.camera_s(arrival) + camera.clock.sound_lag_s;
            let first = file_s * rate;
            if first + wave.length_s * rate < 0.0 || first >= count as f64 {
                continue;
            }
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "checked against the clip"
            )]
            let (from, to) = (
                first.ceil().max(0.0) as usize,
                ((first + wave.length_s * rate) as usize).min(count),
            );
            for (k, sample) in samples.iter_mut().enumerate().take(to).skip(from) {
                let heard = range_time_s(&camera.clock, k as f64 / rate - camera.clock.sound_lag_s);
                *sample += strength * 0.9 / distance.max(0.5) * wave.at(heard - arrival);
            }
        }
    }
    #[expect(
        clippy::cast_possible_truncation,
        reason = "samples are single precision"
    )]
    let samples = samples
        .into_iter()
        .map(|s| (s / (1.0 + s.abs() * 0.3)) as f32)
        .collect();
    samples
}
