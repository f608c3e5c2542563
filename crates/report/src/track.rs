//! A path on an even grid, with its joint draws.

use drawarc_triangulation::PathSamples;
use nalgebra::Point3;

/// A path on an even grid around one shot. Gaps are bridged by straight lines and marked.
#[derive(Debug, Clone)]
pub(crate) struct Track {
    /// First instant (s).
    pub(crate) start_s: f64,
    /// Step (s).
    pub(crate) step_s: f64,
    /// Best estimate (m).
    pub(crate) mean: Vec<Point3<f64>>,
    /// `draws[k][i]` (m).
    pub(crate) draws: Vec<Vec<Point3<f64>>>,
    /// No estimate in the path here.
    pub(crate) in_gap: Vec<bool>,
    /// Cameras seeing the marker.
    pub(crate) cameras: Vec<u8>,
}

/// Where an instant falls among the usable instants of a path: four neighbours and their weights.
struct Place {
    index: [usize; 4],
    weight: [f64; 4],
    in_gap: bool,
    nearest: usize,
}

impl Track {
    /// Samples `path` at `anchor_s + i·step_s` for all such instants within `[from_s, to_s]` that the path covers.
    /// Cubic (Lagrange) through the four nearest usable instants; across gaps straight.
    pub(crate) fn sample(
        path: &PathSamples,
        (from_s, to_s): (f64, f64),
        step_s: f64,
        anchor_s: f64,
    ) -> Self {
        let usable: Vec<usize> = (0..path.len()).filter(|&i| !path.in_gap[i]).collect();
        let (first_s, last_s) = match (usable.first(), usable.last()) {
            (Some(&first), Some(&last)) => (path.time_s[first], path.time_s[last]),
            _ => (f64::INFINITY, f64::NEG_INFINITY),
        };
        // A grain of dust so that an instant on the border is not lost to rounding.
        let dust = 1e-6;
        let low = ((from_s.max(first_s) - anchor_s) / step_s - dust).ceil();
        let high = ((to_s.min(last_s) - anchor_s) / step_s + dust).floor();
        let count = if usable.len() < 4 || high < low {
            0
        } else {
            (high - low) as usize + 1
        };
        let start_s = anchor_s + low * step_s;
        let usual_s = usual_step(path);
        let places: Vec<Place> = (0..count)
            .map(|i| place(path, &usable, start_s + i as f64 * step_s, usual_s))
            .collect();
        let at = |points: &[Point3<f64>]| -> Vec<Point3<f64>> {
            places
                .iter()
                .map(|place| {
                    let mut point = Point3::origin();
                    for (index, weight) in place.index.iter().zip(place.weight) {
                        if weight != 0.0 {
                            point.coords += points[*index].coords * weight;
                        }
                    }
                    point
                })
                .collect()
        };
        Self {
            start_s,
            step_s,
            mean: at(&path.mean),
            draws: path.draws.iter().map(|draw| at(draw)).collect(),
            in_gap: places.iter().map(|place| place.in_gap).collect(),
            cameras: places
                .iter()
                .map(|place| path.cameras_seeing[place.nearest])
                .collect(),
        }
    }

    /// Number of instants.
    pub(crate) fn len(&self) -> usize {
        self.mean.len()
    }

    /// Instant `i` (s).
    pub(crate) fn time_s(&self, i: usize) -> f64 {
        self.start_s + i as f64 * self.step_s
    }

    /// Nearest index to an instant, kept within the track.
    pub(crate) fn index_of(&self, time_s: f64) -> usize {
        let index = ((time_s - self.start_s) / self.step_s).round().max(0.0) as usize;
        index.min(self.len().saturating_sub(1))
    }

    /// Fewest cameras between two instants.
    pub(crate) fn cameras_between(&self, from_s: f64, to_s: f64) -> u8 {
        let (from, to) = (self.index_of(from_s), self.index_of(to_s));
        self.cameras[from.min(to)..=to.max(from)]
            .iter()
            .copied()
            .min()
            .unwrap_or(0)
    }
}

/// Median step of a path (s).
fn usual_step(path: &PathSamples) -> f64 {
    let mut steps: Vec<f64> = path.time_s.windows(2).map(|w| w[1] - w[0]).collect();
    steps.sort_by(f64::total_cmp);
    steps.get(steps.len() / 2).copied().unwrap_or(0.01)
}

fn place(path: &PathSamples, usable: &[usize], time_s: f64, usual_s: f64) -> Place {
    let after = usable
        .partition_point(|&i| path.time_s[i] <= time_s)
        .clamp(1, usable.len() - 1);
    let (a, b) = (usable[after - 1], usable[after]);
    let nearest = if time_s - path.time_s[a] < path.time_s[b] - time_s {
        a
    } else {
        b
    };
    let on_a_sample = (time_s - path.time_s[nearest]).abs() < 1e-6 * usual_s;
    let in_gap = !on_a_sample && (b != a + 1 || path.time_s[b] - path.time_s[a] > 6.0 * usual_s);
    let straight = |index: [usize; 4]| {
        let share = (time_s - path.time_s[a]) / (path.time_s[b] - path.time_s[a]);
        Place {
            index,
            weight: [0.0, 1.0 - share, share, 0.0],
            in_gap,
            nearest,
        }
    };
    if after < 2 || after + 1 >= usable.len() {
        return straight([a, a, b, b]);
    }
    let index = [usable[after - 2], a, b, usable[after + 1]];
    // Neighbours beyond a gap say nothing about the shape here.
    if index.windows(2).any(|pair| pair[1] != pair[0] + 1) {
        return straight(index);
    }
    let mut weight = [1.0; 4];
    for (i, w) in weight.iter_mut().enumerate() {
        for j in (0..4).filter(|&j| j != i) {
            *w *=
                (time_s - path.time_s[index[j]]) / (path.time_s[index[i]] - path.time_s[index[j]]);
        }
    }
    Place {
        index,
        weight,
        in_gap,
        nearest,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{Matrix3, Vector3};

    fn cubic_path(times: &[f64], gap: std::ops::Range<usize>) -> PathSamples {
        let point = |t: f64| Point3::new(t * t * t - t, 2.0 * t, 1.0);
        let in_gap: Vec<bool> = (0..times.len()).map(|i| gap.contains(&i)).collect();
        let mean: Vec<_> = times
            .iter()
            .zip(&in_gap)
            .map(|(&t, &gone)| {
                if gone {
                    Point3::new(f64::NAN, f64::NAN, f64::NAN)
                } else {
                    point(t)
                }
            })
            .collect();
        PathSamples {
            time_s: times.to_vec(),
            velocity: vec![Vector3::zeros(); times.len()],
            acceleration: vec![Vector3::zeros(); times.len()],
            covariance: vec![Matrix3::zeros(); times.len()],
            draws: vec![mean.clone()],
            mean,
            in_gap,
            cameras_seeing: vec![2; times.len()],
            bands: None,
        }
    }

    #[test]
    fn a_cubic_comes_through_exactly_and_a_gap_is_marked() {
        let times: Vec<f64> = (0..200).map(|i| f64::from(i) * 0.011).collect();
        let track = Track::sample(&cubic_path(&times, 90..110), (0.3, 1.9), 0.008, 0.5);
        assert!(track.time_s(0) >= 0.3 - 1e-9 && track.time_s(track.len() - 1) <= 1.9 + 1e-9);
        for i in 0..track.len() {
            let t = track.time_s(i);
            let inside = t > 89.0 * 0.011 + 1e-6 && t < 110.0 * 0.011 - 1e-6;
            assert_eq!(track.in_gap[i], inside, "at {t}");
            assert!(track.mean[i].x.is_finite());
            if (t - 1.1).abs() > 0.15 {
                assert!((track.mean[i].x - (t * t * t - t)).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn nothing_is_made_up_outside_the_path() {
        let times: Vec<f64> = (0..50).map(|i| f64::from(i) * 0.01).collect();
        let track = Track::sample(&cubic_path(&times, 0..0), (-5.0, 9.0), 0.01, 0.0);
        assert_eq!(track.len(), 50);
        assert_eq!(
            Track::sample(&cubic_path(&times, 0..0), (2.0, 9.0), 0.01, 0.0).len(),
            0
        );
    }
}
