//! What video coding does to a marker that moves slowly, and how it is taken off.
//!
//! Between key frames an encoder leaves out what hardly changes, so the decoded marker trails the true one along its motion. A
//! key frame is coded without the pictures before it: there the marker stands where it was. So the footage itself tells how far a
//! camera's pictures trail: by how much its markers jump ahead in key frames, off the path through the frames around.
//! One amplitude a camera is estimated from all of its key frames, over a law of speed that was measured on rendered film
//! (H.264, 18 Mbit/s), and taken off the other frames: the less sure it is, the less of it (the positive part of James and
//! Stein's estimator, 1961; reference from memory). To ask eight key frames, and three times the error, left 0.2 px in a film of one shot.

use crate::{Sighting, SightingSeries};
use nalgebra::{Matrix3, Vector2, Vector3};

/// Speed (px a frame) from which the whole lag is there...
const WHOLE_FROM: f64 = 0.06;
/// ... and at which motion compensation has taken half of it away again.
const HALF_AT: f64 = 0.8;
/// Key frames are used below this speed (px a frame): above, the path through their neighbours is no parabola.
const SLOW: f64 = 1.0;
/// Frames before and after a frame through which its path is laid.
const AROUND: usize = 6;
/// Fewest frames of a path.
const FEWEST: usize = 7;
/// A parabola may span so many times its frames' usual distance, not more: a gap is no path.
const SPAN: f64 = 1.5;
/// Fewest key frames that tell a lag: a film of one shot has seven slow ones.
const FEWEST_KEYS: usize = 5;
/// A jump further than this is another thing than a lag (px).
const WRONG_PX: f64 = 1.0;

/// How far a camera's pictures trail.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct CodingLag {
    /// Largest lag (px), at about [`WHOLE_FROM`] px a frame.
    pub(crate) px: f64,
    /// Its standard error (px).
    pub(crate) sd_px: f64,
    /// Key frames that told it.
    pub(crate) keys: usize,
}

/// Share of the largest lag at a speed (px a frame).
fn share(speed: f64) -> f64 {
    (speed / WHOLE_FROM).min(1.0) / (1.0 + speed / HALF_AT)
}

/// Takes the lag off the series of one camera, whose key frames are `keys` (indices, in order). Returns what was taken off; nothing
/// is changed where nothing is told, or less than its standard error.
pub(crate) fn take_off(series: &mut [&mut SightingSeries], keys: &[u64]) -> Option<CodingLag> {
    let is_key = |sample: &Sighting| keys.binary_search(&sample.frame_index).is_ok();
    let mut told = Vec::new();
    for one in series.iter() {
        for (k, sample) in one.samples.iter().enumerate() {
            if !(sample.verdict.is_seen() && is_key(sample)) {
                continue;
            }
            let Some(path) = path_at(&one.samples, k, &is_key) else {
                continue;
            };
            let speed = path.step_px.norm();
            let jump = sample.centre_px.coords - path.centre_px;
            if speed < SLOW && speed > 0.0 && jump.norm() < WRONG_PX {
                told.push((share(speed), jump.dot(&path.step_px) / speed));
            }
        }
    }
    let lag = lag_of(&told)?;
    for one in series {
        let before = one.samples.clone();
        for (k, sample) in one.samples.iter_mut().enumerate() {
            if !sample.verdict.is_seen() || is_key(sample) {
                continue;
            }
            if let Some(path) = path_at(&before, k, &is_key) {
                let speed = path.step_px.norm();
                if speed > 0.0 {
                    sample.centre_px += path.step_px * (lag.px * share(speed) / speed);
                }
            }
        }
    }
    Some(lag)
}

/// Least squares of one amplitude, once more without what lies off by three deviations.
fn lag_of(told: &[(f64, f64)]) -> Option<CodingLag> {
    let fit = |kept: &[(f64, f64)]| -> Option<(CodingLag, f64)> {
        let weight: f64 = kept.iter().map(|(share, _)| share * share).sum();
        if kept.len() < FEWEST_KEYS || weight <= 0.0 {
            return None;
        }
        let px = kept.iter().map(|(share, jump)| share * jump).sum::<f64>() / weight;
        let rest: f64 = kept.iter().map(|(s, jump)| (jump - s * px).powi(2)).sum();
        let freedom = (kept.len() - 1) as f64;
        let sd = (rest / freedom).sqrt();
        // Few key frames do not know their own scatter: the variance is Student's.
        let lag = CodingLag {
            px,
            sd_px: sd * (freedom / (freedom - 2.0) / weight).sqrt(),
            keys: kept.len(),
        };
        Some((lag, sd))
    };
    let (first, sd) = fit(told)?;
    let kept: Vec<(f64, f64)> = told
        .iter()
        .copied()
        .filter(|(share, jump)| (jump - share * first.px).abs() <= 3.0 * sd)
        .collect();
    let (lag, _) = fit(&kept)?;
    let sure = 1.0 - (lag.sd_px / lag.px).powi(2);
    (lag.px > 0.0 && sure > 0.0).then_some(CodingLag {
        px: sure * lag.px,
        ..lag
    })
}

/// Where the frames around one, key frames left out, see the marker at its instant, and how far it goes from frame to frame.
struct LocalPath {
    centre_px: Vector2<f64>,
    step_px: Vector2<f64>,
}

fn path_at(
    samples: &[Sighting],
    k: usize,
    is_key: &impl Fn(&Sighting) -> bool,
) -> Option<LocalPath> {
    let (first, last) = (k.checked_sub(AROUND)?, k + AROUND);
    let around = samples.get(first..=last)?;
    let frames = around[2 * AROUND].frame_index - around[0].frame_index;
    if frames as f64 > SPAN * (2 * AROUND) as f64 {
        return None;
    }
    let step_s = (around[2 * AROUND].camera_s - around[0].camera_s) / frames as f64;
    let mut normal = Matrix3::zeros();
    let mut right = [Vector3::zeros(); 2];
    let mut used = 0;
    for sample in around.iter().filter(|s| s.verdict.is_seen() && !is_key(s)) {
        let t = (sample.camera_s - samples[k].camera_s) / step_s;
        let row = Vector3::new(1.0, t, t * t);
        normal += row * row.transpose();
        right[0] += row * sample.centre_px.x;
        right[1] += row * sample.centre_px.y;
        used += 1;
    }
    if used < FEWEST {
        return None;
    }
    let inverse = normal.try_inverse()?;
    let [x, y] = right.map(|right| inverse * right);
    Some(LocalPath {
        centre_px: Vector2::new(x[0], y[0]),
        step_px: Vector2::new(x[1], y[1]),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{MarkerRole, Verdict};
    use nalgebra::{Matrix2, Point2};
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// A marker that goes slowly to and fro in a picture that trails by `lag_px`, with noise; key frames every 30.
    fn trailing(lag_px: f64, noise_px: f64) -> (SightingSeries, Vec<Point2<f64>>, Vec<u64>) {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let place = |t: f64| {
            let x = 900.0 + 40.0 * (1.1 * t).sin();
            Point2::new(x, 500.0 + 15.0 * (0.7 * t).cos())
        };
        let keys: Vec<u64> = (0..1200).step_by(30).collect();
        let mut truth = Vec::new();
        let samples = (0..1200_u64)
            .map(|frame_index| {
                let t = frame_index as f64 / 60.0;
                let step = (place(t + 1e-4) - place(t - 1e-4)) / 2e-4 / 60.0;
                let behind = if keys.contains(&frame_index) {
                    Vector2::zeros()
                } else {
                    step.normalize() * (lag_px * share(step.norm()))
                };
                let mut noise =
                    || noise_px * 1.7 * (rng.random::<f64>() + rng.random::<f64>() - 1.0);
                let noise = Vector2::new(noise(), noise());
                truth.push(place(t));
                Sighting {
                    frame_index,
                    camera_s: t,
                    verdict: Verdict::Seen,
                    centre_px: place(t) - behind + noise,
                    covariance_px2: Matrix2::identity() * 0.0016,
                    velocity_px_s: Vector2::zeros(),
                    radius_px: 6.0,
                }
            })
            .collect();
        let series = SightingSeries {
            camera: 0,
            role: MarkerRole::Elbow,
            samples,
        };
        (series, truth, keys)
    }

    fn rms(series: &SightingSeries, truth: &[Point2<f64>]) -> f64 {
        let sum: f64 = series
            .samples
            .iter()
            .zip(truth)
            .map(|(sample, place)| (sample.centre_px - place).norm_squared())
            .sum();
        (sum / truth.len() as f64).sqrt()
    }

    #[test]
    fn key_frames_tell_the_lag_and_it_is_taken_off() {
        let (mut series, truth, keys) = trailing(0.16, 0.03);
        let before = rms(&series, &truth);
        let lag = take_off(&mut [&mut series], &keys).unwrap();
        assert!((lag.px - 0.16).abs() < 3.0 * lag.sd_px, "{lag:?}");
        assert!(lag.sd_px < 0.02, "{lag:?}");
        let after = rms(&series, &truth);
        assert!(after < 0.55 * before, "{before} {after}");
    }

    #[test]
    fn next_to_nothing_is_taken_off_where_nothing_trails() {
        let (mut series, truth, keys) = trailing(0.0, 0.03);
        let before = rms(&series, &truth);
        let taken_px = take_off(&mut [&mut series], &keys).map_or(0.0, |lag| lag.px);
        assert!(taken_px < 0.02, "{taken_px}");
        assert!(rms(&series, &truth) < 1.02 * before);
    }

    #[test]
    fn a_film_of_key_frames_alone_has_no_lag() {
        let (mut series, _, _) = trailing(0.16, 0.03);
        let before = series.clone();
        let all: Vec<u64> = (0..1200).collect();
        assert_eq!(take_off(&mut [&mut series], &all), None);
        assert_eq!(series, before);
    }
}
