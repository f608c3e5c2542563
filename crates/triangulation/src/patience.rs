//! How far sightings may teach what stays the same for a whole shot: poses, lenses, clocks.
//!
//! The curve needs the sightings' white noise: what changes from frame to frame. The shared unknowns need their errors
//! over a second: a codec that leaves a slow marker where it was, a sleeve of nearly its colour. These do not average
//! out over hundreds of frames. Taken for white they would outvote the survey: on a rendered rig of four cameras they
//! moved the elbow by 10 mm where the survey itself was right to 0.8 mm.

use crate::PathSettings;
use crate::observation::Layout;

/// Factor by which a sighting tells less of the shared unknowns than its covariance says: 1 plus the variance of its
/// lasting error times the sightings that share it, over the variance of its white error. The prior is weighed up by
/// it for the estimate, and the covariance of the shared unknowns is widened by it afterwards.
pub(crate) fn factor(layout: &Layout, settings: &PathSettings) -> f64 {
    let mut steps: Vec<f64> = Vec::new();
    let mut variances: Vec<f64> = Vec::new();
    let mut last: Vec<Option<(usize, f64)>> = Vec::new();
    for o in &layout.observations {
        if last.len() <= o.series {
            last.resize(o.series + 1, None);
        }
        if let Some((piece, before_s)) = last[o.series]
            && piece == o.piece
        {
            steps.push(o.nominal_s - before_s);
        }
        last[o.series] = Some((o.piece, o.nominal_s));
        variances.push(0.5 * o.covariance.trace());
    }
    let (Some(step_s), Some(white_px2)) = (middle(steps), middle(variances)) else {
        return 1.0;
    };
    let sharing = 2.0 * settings.lasting_s / step_s.max(1e-6);
    1.0 + settings.lasting_px * settings.lasting_px * sharing / white_px2.max(1e-12)
}

fn middle(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}
