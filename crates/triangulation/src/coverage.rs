//! When which camera sees a marker, and hence where a path can be.

use drawarc_sync_track::MarkerRole;

/// A stretch without a path.
#[derive(Debug, Clone, PartialEq)]
pub struct Gap {
    /// The marker.
    pub role: MarkerRole,
    /// Start (range time, s).
    pub from_s: f64,
    /// End (range time, s).
    pub to_s: f64,
    /// The cameras that see the marker during most of it: none or one.
    pub seen_by: Vec<usize>,
}

impl std::fmt::Display for Gap {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{}: gap of {:.2} s from {:.2} s on, seen by ",
            self.role,
            self.to_s - self.from_s,
            self.from_s
        )?;
        match self.seen_by.as_slice() {
            [] => f.write_str("no camera"),
            [one] => write!(f, "camera {} alone", one + 1),
            several => write!(f, "{} cameras in turn", several.len()),
        }
    }
}

/// Stretches in which each camera sees one marker.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Coverage {
    /// For each camera: disjoint stretches of range time (s), rising.
    pub(crate) stretches: Vec<Vec<(f64, f64)>>,
}

/// Two sightings belong to one stretch if they are closer than this many frame intervals.
const FRAMES_TO_BREAK: f64 = 1.6;

impl Coverage {
    pub(crate) fn none(cameras: usize) -> Self {
        Self {
            stretches: vec![Vec::new(); cameras],
        }
    }

    /// Adds the instants (rising, s) at which `camera` sees the marker; `interval_s` is its frame interval.
    pub(crate) fn add(&mut self, camera: usize, instants: &[f64], interval_s: f64) {
        let mut found: Vec<(f64, f64)> = Vec::new();
        for &t in instants {
            match found.last_mut() {
                Some(last) if t - last.1 <= FRAMES_TO_BREAK * interval_s => last.1 = t,
                _ => found.push((t, t)),
            }
        }
        let half = interval_s / 2.0;
        self.stretches[camera].extend(found.iter().map(|&(a, b)| (a - half, b + half)));
        self.stretches[camera].sort_by(|a, b| a.0.total_cmp(&b.0));
    }

    /// Cameras that see the marker at an instant.
    pub(crate) fn seeing(&self, time_s: f64) -> impl Iterator<Item = usize> {
        self.stretches
            .iter()
            .enumerate()
            .filter(move |(_, stretches)| {
                let after = stretches.partition_point(|s| s.0 <= time_s);
                after > 0 && stretches[after - 1].1 >= time_s
            })
            .map(|(camera, _)| camera)
    }

    /// Stretches in which at least two cameras see the marker, joined across holes up to `bridge_s`.
    pub(crate) fn stereo(&self, bridge_s: f64) -> Vec<(f64, f64)> {
        let mut edges: Vec<(f64, i32)> = self
            .stretches
            .iter()
            .flatten()
            .flat_map(|&(a, b)| [(a, 1), (b, -1)])
            .collect();
        // Starts before ends at the same instant: stretches that touch count as one.
        edges.sort_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)));
        let mut count = 0;
        let mut from = 0.0;
        let mut runs: Vec<(f64, f64)> = Vec::new();
        for (t, step) in edges {
            let before = count;
            count += step;
            if before < 2 && count >= 2 {
                from = t;
            } else if before >= 2 && count < 2 {
                match runs.last_mut() {
                    Some(last) if from - last.1 <= bridge_s => last.1 = t,
                    _ => runs.push((from, t)),
                }
            }
        }
        runs
    }

    /// The gaps between the given stretches of path.
    pub(crate) fn gaps(&self, role: MarkerRole, pieces: &[(f64, f64)]) -> Vec<Gap> {
        pieces
            .windows(2)
            .map(|pair| {
                let (from_s, to_s) = (pair[0].1, pair[1].0);
                let seen_by = (0..self.stretches.len())
                    .filter(|&camera| {
                        let seen: f64 = self.stretches[camera]
                            .iter()
                            .map(|&(a, b)| (b.min(to_s) - a.max(from_s)).max(0.0))
                            .sum();
                        seen > 0.5 * (to_s - from_s)
                    })
                    .collect();
                Gap {
                    role,
                    from_s,
                    to_s,
                    seen_by,
                }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_holes_are_bridged_long_ones_named() {
        let frames =
            |from: i32, to: i32| -> Vec<f64> { (from..to).map(|i| f64::from(i) / 100.0).collect() };
        let mut coverage = Coverage::none(2);
        coverage.add(0, &frames(0, 300), 0.01);
        // Holes of 0.05 s and of 0.5 s.
        for (from, to) in [(50, 100), (105, 150), (200, 250)] {
            coverage.add(1, &frames(from, to), 0.01);
        }
        let pieces = coverage.stereo(0.1);
        assert_eq!(pieces.len(), 2);
        // Frames last half an interval to both sides: the path ends at 1.495 s.
        assert!((pieces[0].0 - 0.495).abs() < 1e-9 && (pieces[0].1 - 1.495).abs() < 1e-9);
        let gaps = coverage.gaps(MarkerRole::Elbow, &pieces);
        assert_eq!(gaps.len(), 1);
        assert_eq!(gaps[0].seen_by, vec![0]);
        assert_eq!(
            gaps[0].to_string(),
            "elbow: gap of 0.50 s from 1.49 s on, seen by camera 1 alone"
        );
        assert_eq!(coverage.seeing(1.02).collect::<Vec<_>>(), vec![0]);
    }
}
