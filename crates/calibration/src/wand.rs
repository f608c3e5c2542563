//! Proof that needs no simulator: a stick with two markers a measured distance apart, waved through the volume, and a marker
//! that lies still.

use nalgebra::{Matrix3, Point3, Vector3};
use serde::Serialize;

/// One instant at which both markers of the stick were placed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WandPlace {
    /// The markers in the range frame (m).
    pub ends: [Point3<f64>; 2],
}

/// What the stick says about distances.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WandReport {
    /// Instants that went in.
    pub count: usize,
    /// Mean error of the distance (mm): scale.
    pub mean_mm: f64,
    /// Standard deviation of the distance (mm): noise and distortion.
    pub sd_mm: f64,
    /// Root mean square error (mm).
    pub rms_mm: f64,
    /// Largest error (mm).
    pub worst_mm: f64,
    /// Change of the error along x, y and z of the range (mm per m): a volume that is bent or stretched to one side.
    pub slope_mm_per_m: [f64; 3],
    /// Lowest and highest corner of the volume that the stick's middle swept (m).
    pub volume_m: [[f64; 3]; 2],
}

/// Fewer instants than this say nothing.
const LEAST_PLACES: usize = 10;

/// Compares the stick's length with what was measured by hand (m). `None` for fewer than ten places.
pub fn check_wand(places: &[WandPlace], length_m: f64) -> Option<WandReport> {
    if places.len() < LEAST_PLACES {
        return None;
    }
    let count = places.len() as f64;
    let errors_mm: Vec<f64> = places
        .iter()
        .map(|place| 1000.0 * ((place.ends[1] - place.ends[0]).norm() - length_m))
        .collect();
    let middles: Vec<Vector3<f64>> = places
        .iter()
        .map(|place| nalgebra::center(&place.ends[0], &place.ends[1]).coords)
        .collect();
    let mean_mm = errors_mm.iter().sum::<f64>() / count;
    let squares: f64 = errors_mm.iter().map(|e| e * e).sum();
    let variance = (squares - count * mean_mm * mean_mm) / (count - 1.0);
    let centre = middles.iter().sum::<Vector3<f64>>() / count;
    let mut spread = Matrix3::zeros();
    let mut pull = Vector3::zeros();
    for (middle, error) in middles.iter().zip(&errors_mm) {
        let from_centre = middle - centre;
        spread += from_centre * from_centre.transpose();
        pull += from_centre * (error - mean_mm);
    }
    // A direction that the stick never went along shows no slope.
    let slope = spread
        .svd(true, true)
        .solve(&pull, 1e-6 * spread.trace())
        .unwrap_or_else(|_| Vector3::zeros());
    let extreme = |pick: fn(f64, f64) -> f64, from: f64| {
        middles.iter().fold([from; 3], |known, middle| {
            [0, 1, 2].map(|axis| pick(known[axis], middle[axis]))
        })
    };
    Some(WandReport {
        count: places.len(),
        mean_mm,
        sd_mm: variance.max(0.0).sqrt(),
        rms_mm: (squares / count).sqrt(),
        worst_mm: errors_mm.iter().fold(0.0, |worst, e| e.abs().max(worst)),
        slope_mm_per_m: slope.into(),
        volume_m: [
            extreme(f64::min, f64::INFINITY),
            extreme(f64::max, f64::NEG_INFINITY),
        ],
    })
}

/// What the stick says in one part of the volume.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct VolumePart {
    /// Lowest corner of the part (m).
    pub low_m: [f64; 3],
    /// Highest corner of the part (m).
    pub high_m: [f64; 3],
    /// Instants at which the stick's middle was in it.
    pub count: usize,
    /// Mean error of the distance (mm).
    pub mean_mm: f64,
    /// Standard deviation of the distance (mm); 0 for one instant.
    pub sd_mm: f64,
    /// Largest error (mm).
    pub worst_mm: f64,
}

/// The error of the stick's length (m) in each eighth of the volume that its middle swept; parts where it never was are left
/// out.
pub fn wand_by_part(places: &[WandPlace], length_m: f64) -> Vec<VolumePart> {
    let Some(whole) = check_wand(places, length_m) else {
        return Vec::new();
    };
    let [low, high] = whole.volume_m;
    let halfway: [f64; 3] = std::array::from_fn(|axis| f64::midpoint(low[axis], high[axis]));
    let mut parts = Vec::new();
    for octant in 0..8_usize {
        let upper = |axis: usize| octant >> axis & 1 == 1;
        let errors_mm: Vec<f64> = places
            .iter()
            .filter(|place| {
                let middle = nalgebra::center(&place.ends[0], &place.ends[1]);
                (0..3).all(|axis| (middle[axis] >= halfway[axis]) == upper(axis))
            })
            .map(|place| 1000.0 * ((place.ends[1] - place.ends[0]).norm() - length_m))
            .collect();
        if errors_mm.is_empty() {
            continue;
        }
        let count = errors_mm.len() as f64;
        let mean_mm = errors_mm.iter().sum::<f64>() / count;
        let squares: f64 = errors_mm.iter().map(|e| (e - mean_mm).powi(2)).sum();
        parts.push(VolumePart {
            low_m: std::array::from_fn(|k| if upper(k) { halfway[k] } else { low[k] }),
            high_m: std::array::from_fn(|k| if upper(k) { high[k] } else { halfway[k] }),
            count: errors_mm.len(),
            mean_mm,
            sd_mm: (squares / (count - 1.0).max(1.0)).sqrt(),
            worst_mm: errors_mm.iter().fold(0.0, |worst, e| e.abs().max(worst)),
        });
    }
    parts
}

/// Noise of a marker that lies still: standard deviation along x, y and z of the range (mm). `None` for fewer than ten places.
pub fn noise_at_rest_mm(places: &[Point3<f64>]) -> Option<[f64; 3]> {
    if places.len() < LEAST_PLACES {
        return None;
    }
    let count = places.len() as f64;
    let mean = places.iter().map(|p| p.coords).sum::<Vector3<f64>>() / count;
    let squares = places
        .iter()
        .map(|p| (p.coords - mean).component_mul(&(p.coords - mean)))
        .sum::<Vector3<f64>>();
    let sd = squares.map(|square| 1000.0 * (square / (count - 1.0)).sqrt());
    Some(sd.into())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn places(scale: impl Fn(f64) -> f64) -> Vec<WandPlace> {
        (0..200)
            .map(|k| {
                let t = f64::from(k) * 0.1;
                let middle =
                    Vector3::new(t.sin(), 0.6 * (1.7 * t).cos(), 1.2 + 0.4 * (0.8 * t).sin());
                let along = Vector3::new((2.3 * t).cos(), (2.3 * t).sin(), 0.4).normalize();
                let half = along * 0.15 * scale(middle.x);
                WandPlace {
                    ends: [Point3::from(middle - half), Point3::from(middle + half)],
                }
            })
            .collect()
    }

    #[test]
    fn a_stretched_and_a_bent_volume_show() {
        let exact = check_wand(&places(|_| 1.0), 0.3).unwrap();
        assert!(exact.worst_mm < 1e-9);
        let stretched = check_wand(&places(|_| 1.001), 0.3).unwrap();
        assert!((stretched.mean_mm - 0.3).abs() < 1e-9 && stretched.sd_mm < 1e-9);
        // 0.2 % more at x = 1 m than at 0: 0.6 mm per metre of a stick of 300 mm.
        let bent = check_wand(&places(|x| 1.0 + 0.002 * x), 0.3).unwrap();
        assert!((bent.slope_mm_per_m[0] - 0.6).abs() < 1e-9, "{bent:?}");
        assert!(bent.slope_mm_per_m[1].abs() < 1e-9);
        assert!(check_wand(&places(|_| 1.0)[..5], 0.3).is_none());
        let parts = wand_by_part(&places(|x| 1.0 + 0.002 * x), 0.3);
        assert_eq!(parts.iter().map(|part| part.count).sum::<usize>(), 200);
        for part in &parts {
            assert_eq!(part.mean_mm > 0.0, part.high_m[0] > 0.5, "{part:?}");
        }
    }

    #[test]
    fn rest_has_its_noise_by_axis() {
        let still: Vec<_> = (0..1000)
            .map(|k| Point3::new(1.0, 2.0 + 1e-4 * f64::from(k % 2), 0.5))
            .collect();
        let noise = noise_at_rest_mm(&still).unwrap();
        assert!(noise[0] < 1e-9 && (noise[1] - 0.05).abs() < 1e-4);
    }
}
