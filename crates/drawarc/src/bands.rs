//! How sure the elbow's motion is, for the exports.

use crate::steps::Plan;
use drawarc_report::ShotWindow;
use drawarc_triangulation::{ElbowPath, MotionBands};

/// Fewer joint samples than this make no band of 95 %.
const LEAST_DRAWS: usize = 200;
/// The bands end this long before the release (s): there the curve may break.
const BEFORE_RELEASE_S: f64 = 0.02;

/// Bands of velocity and acceleration, simultaneous from the draw's start to shortly before the release.
pub(crate) fn of(
    plan: &Plan<'_>,
    elbow: &ElbowPath,
    times_s: &[f64],
    window: &ShotWindow,
) -> Option<MotionBands> {
    let from_s = window.strokes_s.first()?.0;
    let whole_s = (from_s, window.hold_end_s - BEFORE_RELEASE_S);
    let draws = plan.pipeline.path.draws.max(LEAST_DRAWS);
    elbow
        .motion_bands(times_s, whole_s, draws, plan.pipeline.seed)
        .ok()
}
