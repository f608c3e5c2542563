//! What the shared unknowns do to pixels.

use crate::border::{Border, Stand};
use crate::normal::{ByRaw, Estimate, Modes, linearise};
use crate::observation::{Layout, Observation};
use nalgebra::DMatrix;

/// Sightings of each camera that are looked at to find which shared unknowns matter.
const SAMPLES: usize = 150;

/// A spread of sightings: the same number of each camera. Steps through all of them together would meet one
/// camera alone where cameras take turns.
fn spread(layout: &Layout, cameras: usize) -> Vec<&Observation> {
    let mut by_camera = vec![Vec::new(); cameras];
    for observation in &layout.observations {
        by_camera[observation.camera].push(observation);
    }
    by_camera
        .into_iter()
        .flat_map(|list| {
            let step = (list.len() / SAMPLES).max(1);
            list.into_iter().step_by(step)
        })
        .collect()
}

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
    let mut by_raw = ByRaw::default();
    for observation in spread(layout, stand.cameras.len()) {
        if linearise(layout, stand, estimate, observation, Some(&mut by_raw)).is_none() {
            continue;
        }
        let indices: Vec<usize> = modes.raw_indices(observation.source).collect();
        for row in by_raw.rows() {
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
    let mut by_raw = ByRaw::default();
    let mut by_modes = vec![0.0; 2 * border.len()];
    for o in spread(layout, cameras) {
        if linearise(layout, stand, estimate, o, Some(&mut by_raw)).is_none() {
            continue;
        }
        modes.by_modes(o.source, &by_raw, &mut by_modes);
        let shift: f64 = by_modes.iter().map(|v| v * v).sum();
        sums[o.camera].0 += shift + o.covariance.trace();
        sums[o.camera].1 += 1.0;
    }
    sums.into_iter()
        .map(|(sum, count): (f64, f64)| (sum / count.max(1.0)).sqrt())
        .collect()
}
