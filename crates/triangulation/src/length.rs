use crate::ElbowPath;
use drawarc_sync_track::MarkerRole;
use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// Distance between two markers, which on one bone stays the same: a check of the whole chain.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LengthCheck {
    /// The markers.
    pub between: (MarkerRole, MarkerRole),
    /// Instants at which both are known.
    pub instants: usize,
    /// Mean distance (m).
    pub mean_m: f64,
    /// Standard deviation of the distance over time (m).
    pub change_sd_m: f64,
    /// What the paths' own errors would make of a rigid bone (m, rms).
    pub expected_sd_m: f64,
}

impl std::fmt::Display for LengthCheck {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{} to {}: {:.1} mm, changes by {:.2} mm rms over {} instants ({:.2} mm expected of a rigid bone)",
            self.between.0,
            self.between.1,
            self.mean_m * 1e3,
            self.change_sd_m * 1e3,
            self.instants,
            self.expected_sd_m * 1e3
        )
    }
}

/// Compares the distance between two paths of one fit over the given instants (range time, s); `None` where both
/// are known at fewer than two of them.
pub fn length_check(a: &ElbowPath, b: &ElbowPath, times_s: &[f64]) -> Option<LengthCheck> {
    let mut lengths = Vec::new();
    let mut variance_m2 = 0.0;
    for &time_s in times_s {
        let (Some(p), Some(q)) = (a.at(time_s), b.at(time_s)) else {
            continue;
        };
        let across: Vector3<f64> = q.position - p.position;
        let length_m = across.norm();
        let along = across / length_m;
        lengths.push(length_m);
        // Survey and clocks move both alike: only the share of pixels makes the distance change.
        for point in [&p, &q] {
            variance_m2 +=
                point.shares.pixels.clamp(0.0, 1.0) * along.dot(&(point.covariance * along));
        }
    }
    if lengths.len() < 2 {
        return None;
    }
    let n = lengths.len() as f64;
    let mean_m = lengths.iter().sum::<f64>() / n;
    let square = lengths
        .iter()
        .map(|l| (l - mean_m) * (l - mean_m))
        .sum::<f64>();
    Some(LengthCheck {
        between: (a.role(), b.role()),
        instants: lengths.len(),
        mean_m,
        change_sd_m: (square / (n - 1.0)).sqrt(),
        expected_sd_m: (variance_m2 / n).sqrt(),
    })
}
