//! What the shared unknowns do to pixels.

use crate::border::{Border, Stand};
use crate::normal::{Estimate, Modes, linearise};
use crate::observation::Layout;
use nalgebra::DMatrix;

/// Sightings looked at to find which shared unknowns matter.
const EFFECT_SAMPLES: usize = 300;

/// Sum of squared pixel shifts by raw parameters over a spread of sightings, and how many there were.
pub(crate) fn effects(
    layout: &Layout,
    border: &Border,
    stand: &Stand,
    estimate: &Estimate,
) -> (DMatrix<f64>, usize) {
    let n = border.modes.nrows();
    let mut sum = DMatrix::zeros(n, n);
    let mut count = 0;
    if border.len() == 0 {
        return (sum, 0);
    }
    let modes = Modes::new(border, layout, stand);
    let step = (layout.observations.len() / EFFECT_SAMPLES).max(1);
    for observation in layout.observations.iter().step_by(step) {
        let Some(linear) = linearise(layout, stand, estimate, observation, true) else {
            continue;
        };
        let indices: Vec<usize> = modes.raw_indices(observation.source).collect();
        for row in &linear.by_raw {
            for (a, &i) in indices.iter().enumerate() {
                for (b, &j) in indices.iter().enumerate() {
                    sum[(i, j)] += row[a] * row[b];
                }
            }
        }
        count += 1;
    }
    (sum, count)
}

/// Standard deviation of the image of a point in each camera, from survey and pixels (px).
pub(crate) fn expected_px(
    layout: &Layout,
    border: &Border,
    stand: &Stand,
    estimate: &Estimate,
) -> Vec<f64> {
    let cameras = stand.cameras.len();
    let mut sums = vec![(0.0, 0.0); cameras];
    let modes = Modes::new(border, layout, stand);
    let step = (layout.observations.len() / EFFECT_SAMPLES).max(1);
    for o in layout.observations.iter().step_by(step) {
        let Some(linear) = linearise(layout, stand, estimate, o, true) else {
            continue;
        };
        let by_modes = modes.by_modes(o.source, &linear);
        let shift: f64 = by_modes.iter().flatten().map(|v| v * v).sum();
        sums[o.camera].0 += shift + o.covariance.trace();
        sums[o.camera].1 += 1.0;
    }
    sums.into_iter()
        .map(|(sum, count): (f64, f64)| (sum / count.max(1.0)).sqrt())
        .collect()
}
