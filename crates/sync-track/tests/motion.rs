//! Clocks from motion, on tracks projected from a known path with known errors of pixels and survey.

#![expect(
    clippy::unwrap_used,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::print_stdout,
    reason = "test data of known size; measured figures are shown beside their limits"
)]

mod common;

use common::rig;
use drawarc_rig::{ClockModel, Rig, perturb};
use drawarc_sync_track::{
    ClockRemark, MarkerRole, MotionClockSettings, PictureLag, Sighting, SightingSeries,
    SoundClocks, Verdict, clocks_from_motion, combine_clocks,
};
use nalgebra::{Matrix2, Point2, Point3, Vector2, Vector6};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

/// Raise, draw, expansion, release of an elbow; smooth, with a tremor.
fn elbow(t: f64) -> Point3<f64> {
    let ease = |from: f64, to: f64| {
        let s = ((t - from) / (to - from)).clamp(0.0, 1.0);
        s * s * s * (10.0 - 15.0 * s + 6.0 * s * s)
    };
    let tremor = 3e-4 * (std::f64::consts::TAU * 9.0 * t).sin();
    Point3::new(
        0.2 - 0.62 * ease(2.0, 4.2) - 0.15 * ease(7.0, 7.25) + tremor,
        0.1 + 0.12 * ease(2.5, 4.5) + 0.02 * ease(4.5, 7.0) + tremor,
        1.0 + 0.6 * ease(0.3, 1.8) - 0.12 * ease(2.5, 4.0) + 0.02 * ease(4.0, 4.4) + 0.5 * tremor,
    )
}

/// Level cameras and a level, nearly epipolar motion: nothing to tell the clock by.
fn level_slide(t: f64) -> Point3<f64> {
    Point3::new(-0.4 + 0.2 * (0.7 * t).sin(), 0.1 * (0.7 * t).sin(), 1.4)
}

struct View {
    rate_hz: f64,
    /// Range time = camera time + offset.
    offset_s: f64,
}

fn observe(
    rig: &Rig,
    views: &[View],
    path: fn(f64) -> Point3<f64>,
    sd_px: f64,
    rng: &mut ChaCha8Rng,
) -> Vec<SightingSeries> {
    let noise = Normal::new(0.0, sd_px.max(1e-12)).unwrap();
    views
        .iter()
        .enumerate()
        .map(|(index, view)| {
            let camera = &rig.cameras[index];
            let samples = (0..(9.0 * view.rate_hz) as u64)
                .filter_map(|frame| {
                    let camera_s = frame as f64 / view.rate_hz - view.offset_s;
                    // The row at which it is seen depends on where it is: two rounds settle it.
                    let mut range_s = camera_s + view.offset_s;
                    let mut pixel = camera.pixel_from_range(&path(range_s))?;
                    for _ in 0..3 {
                        range_s = camera_s
                            + view.offset_s
                            + camera
                                .shutter
                                .row_delay_s(pixel.y, camera.image_size.height_px);
                        pixel = camera.pixel_from_range(&path(range_s))?;
                    }
                    let error = Vector2::new(noise.sample(rng), noise.sample(rng));
                    Some(Sighting {
                        frame_index: frame,
                        camera_s,
                        verdict: Verdict::Seen,
                        centre_px: Point2::from(pixel.coords + error),
                        covariance_px2: Matrix2::identity() * sd_px.max(0.01).powi(2),
                        velocity_px_s: Vector2::zeros(),
                        radius_px: 7.0,
                    })
                })
                .collect();
            SightingSeries {
                camera: index,
                role: MarkerRole::Elbow,
                samples,
            }
        })
        .collect()
}

fn five_and_three() -> Vec<Point3<f64>> {
    vec![Point3::new(-2.6, -1.5, 1.5), Point3::new(0.2, -3.2, 1.9)]
}

fn unknown(cameras: usize) -> Vec<ClockModel> {
    let mut clocks = vec![ClockModel::identity()];
    clocks.resize(cameras, ClockModel::constant(0.0, 4.0));
    clocks
}

#[test]
fn an_unknown_start_is_found_from_motion_alone() {
    let rig = rig(&five_and_three(), (0.0, 0.0));
    let views = [
        View {
            rate_hz: 59.94,
            offset_s: 0.0,
        },
        View {
            rate_hz: 60.0,
            offset_s: 3.217_43,
        },
    ];
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let series = observe(&rig, &views, elbow, 0.1, &mut rng);
    let found =
        clocks_from_motion(&rig, &series, &unknown(2), &MotionClockSettings::default()).unwrap();
    let clock = found.clocks[1].as_ref().expect("raise and draw tell it");
    let at = clock.segments()[0].reference_camera_s;
    let off = clock.range_from_camera(at) - at - 3.217_43;
    println!(
        "off by {:.3} ms, sd {:.3} ms, bound {:.3} ms, misfit {:.2}",
        off * 1e3,
        clock.variance_at(at).sqrt() * 1e3,
        found.bound_sd_s[1] * 1e3,
        found.misfit
    );
    assert!(off.abs() < 5e-4);
    assert!(clock.variance_at(at).sqrt() > 0.95 * found.bound_sd_s[1]);
}

#[test]
fn three_cameras_are_solved_together() {
    let mut places = five_and_three();
    places.push(Point3::new(0.3, 0.4, 3.4));
    let rig = rig(&places, (2e-4, 3e-4));
    let views = [
        View {
            rate_hz: 60.0,
            offset_s: 0.0,
        },
        View {
            rate_hz: 50.0,
            offset_s: -0.613,
        },
        View {
            rate_hz: 120.0,
            offset_s: 1.029,
        },
    ];
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let series = observe(&rig, &views, elbow, 0.1, &mut rng);
    let found =
        clocks_from_motion(&rig, &series, &unknown(3), &MotionClockSettings::default()).unwrap();
    for (camera, truth) in [(1, -0.613), (2, 1.029)] {
        let clock = found.clocks[camera].as_ref().unwrap();
        let at = clock.segments()[0].reference_camera_s;
        let off = clock.range_from_camera(at) - at - truth;
        let sd = clock.variance_at(at).sqrt();
        println!(
            "camera {camera}: off by {:.3} ms, sd {:.3} ms",
            off * 1e3,
            sd * 1e3
        );
        assert!(off.abs() < 4.0 * sd && sd < 2e-3);
    }
}

#[test]
fn level_motion_cannot_tell_and_says_so() {
    let level = [Point3::new(-2.6, -1.5, 1.4), Point3::new(0.2, -3.2, 1.4)];
    let rig = rig(&level, (2e-4, 3e-4));
    let views = [
        View {
            rate_hz: 60.0,
            offset_s: 0.0,
        },
        View {
            rate_hz: 60.0,
            offset_s: 0.1,
        },
    ];
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let series = observe(&rig, &views, level_slide, 0.1, &mut rng);
    let found =
        clocks_from_motion(&rig, &series, &unknown(2), &MotionClockSettings::default()).unwrap();
    assert!(found.clocks[1].is_none(), "{:?}", found.clocks[1]);
    assert!(matches!(
        found.remarks[..],
        [ClockRemark::MotionCannotTell { camera: 1, .. }]
    ));
}

/// 200 practices, each with its own error of the survey and of every pixel: the intervals must hold what they say.
#[test]
fn intervals_are_honest_over_two_hundred_practices() {
    let pose_sd = (3e-4, 4e-4);
    let believed = rig(&five_and_three(), pose_sd);
    let mut rng = ChaCha8Rng::seed_from_u64(6);
    let unit = Normal::new(0.0, 1.0).unwrap();
    let (mut inside, mut squares) = (0, 0.0);
    let mut errors = Vec::new();
    for practice in 0..200 {
        // The true rig differs from the surveyed one as the survey's covariance says.
        let mut truth = believed.clone();
        for camera in &mut truth.cameras {
            let tangent = Vector6::from_fn(|k, _| {
                unit.sample(&mut rng) * if k < 3 { pose_sd.0 } else { pose_sd.1 }
            });
            camera.camera_from_range = perturb(&camera.camera_from_range, &tangent);
        }
        let offset_s = 0.1 * unit.sample(&mut rng);
        let views = [
            View {
                rate_hz: 60.0,
                offset_s: 0.0,
            },
            View {
                rate_hz: 59.94,
                offset_s,
            },
        ];
        let series = observe(&truth, &views, elbow, 0.1, &mut rng);
        let start = [ClockModel::identity(), ClockModel::constant(0.0, 0.01)];
        let found = clocks_from_motion(&believed, &series, &start, &MotionClockSettings::default())
            .unwrap();
        let clock = found.clocks[1]
            .as_ref()
            .unwrap_or_else(|| panic!("practice {practice}, offset {offset_s}: {found:?}"));
        let at = clock.segments()[0].reference_camera_s;
        let off = clock.range_from_camera(at) - at - offset_s;
        let z = off / clock.variance_at(at).sqrt();
        inside += usize::from(z.abs() < 1.96);
        squares += z * z;
        errors.push(off);
    }
    let rms = (errors.iter().map(|e| e * e).sum::<f64>() / 200.0).sqrt();
    println!(
        "200 practices: rms {:.3} ms, 95 % intervals held {inside}, mean z² {:.2}",
        rms * 1e3,
        squares / 200.0
    );
    // Exact binomial: 95 % of 200 lies within 181 ..= 198 with 99 % probability.
    assert!((181..=198).contains(&inside), "{inside}");
}

#[test]
fn sound_and_motion_make_one_estimate_and_learn_the_lag() {
    let rig = rig(&five_and_three(), (1e-4, 2e-4));
    let views = [
        View {
            rate_hz: 60.0,
            offset_s: 0.0,
        },
        View {
            rate_hz: 60.0,
            offset_s: 0.5,
        },
    ];
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    let series = observe(&rig, &views, elbow, 0.1, &mut rng);
    let motion =
        clocks_from_motion(&rig, &series, &unknown(2), &MotionClockSettings::default()).unwrap();
    // The second phone stamps its sound 14 ms late: sound says 0.486 s.
    let heard = |offset_s: f64| SoundClocks {
        anchor: Some(0),
        clocks: vec![
            Some(ClockModel::identity()),
            Some(ClockModel::linear(3.0, offset_s, 1.0, [4e-8, 1e-12, 0.0])),
        ],
        jumps: vec![Vec::new(); 2],
        events: vec![],
        remarks: vec![],
    };
    let priors = [PictureLag::default(); 2];
    let both = combine_clocks(Some(&heard(0.486)), Some(&motion), &priors).unwrap();
    let off = both.clocks[1].range_from_camera(3.0) - 3.5;
    println!(
        "together off by {:.3} ms; lags {:?}",
        off * 1e3,
        both.picture_lags
    );
    assert!(off.abs() < 5e-4);
    let lag = both.picture_lags[1].mean_s - both.picture_lags[0].mean_s;
    assert!(
        (lag - 0.014).abs() < 1e-3,
        "only the difference of lags can be learned"
    );
    assert!(both.remarks.is_empty(), "{:?}", both.remarks);
    // Sound alone: the lags' prior stands in the interval.
    let alone = combine_clocks(Some(&heard(0.486)), None, &priors).unwrap();
    let sd = alone.clocks[1].variance_at(3.0).sqrt();
    assert!((sd - 0.01 * 2f64.sqrt()).abs() < 2e-4, "{sd}");
    // A phone whose lag is remembered, and sound that says something else.
    let remembered = [PictureLag {
        mean_s: 0.0,
        sd_s: 1e-3,
    }; 2];
    let odd = combine_clocks(Some(&heard(0.486)), Some(&motion), &remembered).unwrap();
    assert!(matches!(
        odd.remarks[..],
        [ClockRemark::Disagreement { camera: 1, .. }]
    ));
    // Nothing at all.
    let nothing = combine_clocks(None, None, &priors).unwrap();
    assert!(matches!(
        nothing.remarks[..],
        [ClockRemark::Untied { camera: 1 }]
    ));
}
