//! When each frame and each row of a camera is taken.

use crate::film_camera::{ClockPlan, FilmCamera};
use drawarc_rig::Shutter;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Ticks a second of the time stamps in the rendered files.
pub const TICKS_PER_SECOND: i32 = 90_000;

/// Mid-exposure of row `y_px` after mid-exposure of the centre row (s), in a picture of `height_px` rows:
/// the first row is taken `readout/2` before, the last `readout/2` after.
pub fn row_time_s(shutter: &Shutter, y_px: f64, height_px: u32) -> f64 {
    let centre = 0.5 * (f64::from(height_px) - 1.0);
    shutter.readout_s * (y_px - centre) / (f64::from(height_px) - 1.0)
}

/// Range time (s) of a camera's own time (s).
pub fn range_time_s(clock: &ClockPlan, camera_s: f64) -> f64 {
    clock.offset_s + camera_s * (1.0 + clock.drift)
}

/// A camera's own time (s) of range time (s).
pub fn camera_time_s(clock: &ClockPlan, range_s: f64) -> f64 {
    (range_s - clock.offset_s) / (1.0 + clock.drift)
}

/// Presentation times in ticks of all frames that a camera takes until `until_range_s`: nominal rate, jitter,
/// frames dropped.
pub fn frame_ticks(camera: &FilmCamera, seed: u64, until_range_s: f64) -> Vec<i64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x0066_7261_6d65);
    let end_s = camera_time_s(&camera.clock, until_range_s);
    let mut ticks = Vec::new();
    let mut last = -1_i64;
    let step_s = 1.0 / camera.rate_hz;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "frames of a clip fit"
    )]
    let count = (end_s / step_s).max(0.0) as u64;
    for k in 0..count {
        let wander: f64 = StandardNormal.sample(&mut rng);
        let drop: f64 = rng.random();
        let jitter = (wander * camera.clock.jitter_s).clamp(-0.4 * step_s, 0.4 * step_s);
        if k > 0 && drop < camera.clock.dropped {
            continue;
        }
        let time_s = if k == 0 {
            0.0
        } else {
            k as f64 * step_s + jitter
        };
        #[expect(clippy::cast_possible_truncation, reason = "ticks of a clip fit")]
        let tick = (time_s * f64::from(TICKS_PER_SECOND)).round() as i64;
        let tick = tick.max(last + 1);
        ticks.push(tick);
        last = tick;
    }
    ticks
}
