//! The forecast of a rig against the covariance of the fit that will be made of its films: two codes, one answer.
//!
//! The forecast inverts an information matrix of its own, since it must run for a hundred places of a camera and knows
//! nothing of sightings. The fit (`drawarc_triangulation::forecast`) is told the same rig with the same covariance, the same
//! frames with the same noise, and a path with the same movement and tremor.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(clippy::print_stdout, reason = "both codes' figures are printed")]

use drawarc_rig::{ClockModel, Rig};
use drawarc_study::forecast::{
    CameraTiming, Forecast, ForecastInput, ForecastSettings, MarkerKind, MarkerNoise,
    NominalArcher, RigSketch, Surroundings, Sync, forecast, look, nominal_rig, timing_of,
    two_phones,
};
use drawarc_sync_track::{MarkerRole, Sighting, SightingSeries, Verdict};
use drawarc_triangulation::{PathInput, PathSettings};
use nalgebra::{Matrix2, Point3, Vector2, Vector3};

/// A shot of the nominal archer (s).
const LENGTH_S: f64 = 5.7;
/// Both are judged from the end of set-up (s) ...
const JUDGED_S: f64 = 1.6;
/// ... to 20 ms before release, at 60 frames a second.
const JUDGED_FRAMES: u32 = 197;
/// The forecast's tremor: 0.25 mm rms at 10 Hz.
const TREMOR_M: f64 = 0.25e-3 * std::f64::consts::SQRT_2;
const BALL: MarkerKind = MarkerKind::Ball { diameter_m: 0.03 };

/// Where the elbow is, tremor included (m).
fn place(archer: NominalArcher, t: f64) -> Point3<f64> {
    let turn = 2.0 * std::f64::consts::PI * 10.0 * t;
    archer.body(t).elbow
        + Vector3::new(turn.sin(), (turn + 2.0).sin(), (turn + 4.0).sin()) * TREMOR_M
}

/// What a camera will see of the shot.
fn series(
    rig: &Rig,
    camera: usize,
    timing: CameraTiming,
    archer: NominalArcher,
    noise: &MarkerNoise,
) -> SightingSeries {
    let mut samples = Vec::new();
    for frame in 0_u32.. {
        let time_s = (f64::from(frame) + timing.phase) / timing.rate_hz;
        if time_s >= LENGTH_S {
            break;
        }
        let seen = look(
            &rig.cameras[camera],
            &archer.body(time_s),
            &archer.elbow_velocity(time_s),
            BALL,
            noise,
        );
        if let Ok(seen) = seen {
            samples.push(Sighting {
                frame_index: u64::from(frame),
                camera_s: time_s,
                verdict: Verdict::Seen,
                centre_px: seen.projection.pixel,
                covariance_px2: Matrix2::identity() * seen.sd_px.powi(2),
                velocity_px_s: Vector2::zeros(),
                radius_px: 0.5 * seen.diameter_px,
            });
        }
    }
    SightingSeries {
        camera,
        role: MarkerRole::Elbow,
        samples,
    }
}

fn rms(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| {
        (sum + value * value, count + 1.0)
    });
    (sum / count).sqrt()
}

/// Rms over the judged stretch (mm): absolute errors in space, and their shape; from the forecast and from the fit.
fn both(sketch: &RigSketch, settings: &ForecastSettings) -> [(f64, f64); 2] {
    let rig = nominal_rig(sketch).unwrap();
    let timing = timing_of(sketch);
    let made: Forecast = forecast(
        &ForecastInput {
            rig: &rig,
            timing: &timing,
            archer: sketch.archer,
            marker: BALL,
            surroundings: &Surroundings::default(),
        },
        settings,
    )
    .unwrap();
    let clocks: Vec<ClockModel> = timing
        .iter()
        .enumerate()
        .map(|(index, timing)| {
            if index == 0 {
                ClockModel::identity()
            } else {
                ClockModel::constant(0.0, timing.clock_sd_s.powi(2))
            }
        })
        .collect();
    let series: Vec<SightingSeries> = (0..rig.cameras.len())
        .map(|camera| series(&rig, camera, timing[camera], sketch.archer, &settings.noise))
        .collect();
    let paths = drawarc_triangulation::forecast(
        &PathInput {
            rig: &rig,
            clocks: &clocks,
            series: &series,
            release_hint_s: None,
            settings: PathSettings {
                find_release: false,
                constant_px: 0.0,
                ..PathSettings::default()
            },
        },
        &|_, t| place(sketch.archer, t),
    )
    .unwrap();
    let times: Vec<f64> = (0..JUDGED_FRAMES)
        .map(|k| JUDGED_S + f64::from(k) / 60.0)
        .collect();
    let samples = paths[0].sample(&times, 400, 3);
    let mut shape_squares = 0.0;
    for draw in &samples.draws {
        let off: Vec<Vector3<f64>> = draw.iter().zip(&samples.mean).map(|(a, b)| a - b).collect();
        let mean = off.iter().sum::<Vector3<f64>>() / off.len() as f64;
        shape_squares += rms(off.iter().map(|o| 1e3 * (o - mean).norm())).powi(2);
    }
    let absolute = rms(samples.covariance.iter().map(|c| 1e3 * c.trace().sqrt()));
    let shape = (shape_squares / samples.draws.len() as f64).sqrt();
    [
        (made.absolute.space_mm, made.shape.space_mm),
        (absolute, shape),
    ]
}

#[test]
fn forecast_and_fit_state_the_same_errors() {
    let mut settings = ForecastSettings::default();
    settings.noise.lasting_px = 0.0;
    let mut genlocked = two_phones();
    for camera in &mut genlocked.cameras {
        camera.sync = Sync::Genlock;
        camera.readout_s = 0.0;
        camera.rate_hz = 120.0;
    }
    for (what, sketch) in [("two phones", two_phones()), ("genlocked", genlocked)] {
        let [(absolute, shape), (fit_absolute, fit_shape)] = both(&sketch, &settings);
        println!(
            "{what}: absolute {absolute:.3} mm, the fit {fit_absolute:.3}; shape {shape:.3}, the fit {fit_shape:.3}"
        );
        assert!((absolute / fit_absolute - 1.0).abs() < 0.05, "{what}");
        // The fit is told how rough the path is at every instant; the forecast takes the nominal movement's jerk, and is
        // therefore the more careful of the two.
        assert!((1.0..1.2).contains(&(shape / fit_shape)), "{what}");
    }
}
