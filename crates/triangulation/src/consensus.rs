//! One camera against the rest: knocked, refocused, or looking at another thing.

use crate::border::Stand;
use crate::initial::{Glimpse, glimpses, instants, meet, tracks};
use crate::observation::Layout;

/// A camera whose view contradicts all others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Disagreement {
    /// Its index in the rig.
    pub camera: usize,
    /// Median distance between what it sees and where the others put the marker (px).
    pub distance_px: f64,
    /// Median reprojection distance of the others among themselves (px).
    pub others_px: f64,
}

/// Without the odd camera the others agree at least this many times better.
const LEAST_GAIN: f64 = 3.0;
/// A distance within this many standard deviations of survey and pixels is no contradiction.
const LEAST_SIGMA: f64 = 4.0;
/// Fewer common instants than this decide nothing.
const LEAST_INSTANTS: usize = 10;

fn median(values: &mut [f64]) -> f64 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Rms reprojection distance of all glimpses but one camera's, and that camera's own distance.
fn distances(stand: &Stand, seen: &[Glimpse], without: Option<usize>) -> Option<(f64, f64)> {
    let point = meet(stand, seen, without)?;
    let (mut sum, mut count, mut own) = (0.0, 0, 0.0);
    for glimpse in seen {
        let predicted = stand.cameras[glimpse.camera].pixel_from_range(&point)?;
        let off = (glimpse.pixel - predicted).norm();
        if Some(glimpse.camera) == without {
            own = off;
        } else {
            sum += off * off;
            count += 1;
        }
    }
    // n views of a point leave 2n − 3 of 2n numbers.
    Some(((sum / f64::from(2 * count - 3)).sqrt(), own))
}

/// Finds the camera, if there is one, without which the rest agree. `expected_px` is each camera's standard
/// deviation of the image of a point (survey and pixels together).
pub(crate) fn find(layout: &Layout, stand: &Stand, expected_px: &[f64]) -> Option<Disagreement> {
    let cameras = stand.cameras.len();
    let mut all = Vec::new();
    let mut without = vec![(Vec::new(), Vec::new()); cameras];
    for (index, piece) in layout.pieces.iter().enumerate() {
        let tracks = tracks(layout, stand, index);
        for time_s in instants(piece).into_iter().step_by(3) {
            let seen = glimpses(&tracks, time_s);
            if seen.len() < 3 {
                continue;
            }
            let Some((rms, _)) = distances(stand, &seen, None) else {
                continue;
            };
            all.push(rms);
            for glimpse in &seen {
                if let Some((rest, own)) = distances(stand, &seen, Some(glimpse.camera)) {
                    let slot = &mut without[glimpse.camera];
                    slot.0.push(rest);
                    slot.1.push(own);
                }
            }
        }
    }
    if all.len() < LEAST_INSTANTS {
        return None;
    }
    let together = median(&mut all);
    without
        .iter_mut()
        .enumerate()
        .filter(|(_, (rest, _))| rest.len() >= LEAST_INSTANTS)
        .map(|(camera, (rest, own))| Disagreement {
            camera,
            distance_px: median(own),
            others_px: median(rest),
        })
        .filter(|d| {
            together > LEAST_GAIN * d.others_px
                && d.distance_px > LEAST_SIGMA * expected_px[d.camera]
        })
        .min_by(|a, b| a.others_px.total_cmp(&b.others_px))
}
