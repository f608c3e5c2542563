//! Velocity and acceleration of the elbow with their bands, for exports.

use drawarc_triangulation::PathSamples;
use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// One vector of the range frame for each instant; none in gaps.
type Vectors = Vec<Option<[f64; 3]>>;

/// Velocity and acceleration of the elbow as it was fitted, tremor and all, in the range frame at the times of
/// [`crate::Curves`]. A pointwise 95 % band is ±1.96 standard deviations. With the factors in place of 1.96 it holds the
/// whole curve, along all three axes, from end of set-up to 20 ms before release.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MotionCurves {
    /// Velocity (mm/s).
    pub velocity_mm_s: Vectors,
    /// Its pointwise standard deviation (mm/s).
    pub velocity_sd_mm_s: Vectors,
    /// Acceleration (m/s²).
    pub acceleration_m_s2: Vectors,
    /// Its pointwise standard deviation (m/s²).
    pub acceleration_sd_m_s2: Vectors,
    /// Factor of the simultaneous 95 % band of position.
    pub position_factor: f64,
    /// Of velocity.
    pub velocity_factor: f64,
    /// Of acceleration.
    pub acceleration_factor: f64,
}

impl MotionCurves {
    /// At the given instants (range time, s); `None` for a path without bands.
    pub(crate) fn at(path: &PathSamples, times_s: &[f64]) -> Option<Self> {
        let bands = path.bands.as_ref()?;
        let factors = bands.simultaneous_95;
        let of = |values: &[Vector3<f64>], unit: f64| -> Vectors {
            times_s
                .iter()
                .map(|&t| Some((between(path, values, t)? * unit).into()))
                .collect()
        };
        Some(Self {
            velocity_mm_s: of(&path.velocity, 1000.0),
            velocity_sd_mm_s: of(&bands.velocity_sd, 1000.0),
            acceleration_m_s2: of(&path.acceleration, 1.0),
            acceleration_sd_m_s2: of(&bands.acceleration_sd, 1.0),
            position_factor: factors.position,
            velocity_factor: factors.velocity,
            acceleration_factor: factors.acceleration,
        })
    }
}

/// Straight between the two instants about `time_s`; none beyond the ends and in gaps.
fn between(path: &PathSamples, values: &[Vector3<f64>], time_s: f64) -> Option<Vector3<f64>> {
    let after = path
        .time_s
        .partition_point(|&t| t <= time_s)
        .min(path.len().checked_sub(1)?);
    let before = after.checked_sub(1)?;
    let (from, to) = (path.time_s[before], path.time_s[after]);
    let share = (time_s - from) / (to - from);
    let value = values[before] * (1.0 - share) + values[after] * share;
    ((-1e-6..=1.0 + 1e-6).contains(&share) && value.iter().all(|v| v.is_finite())).then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;
    use drawarc_triangulation::{BandFactors, MotionBands};

    #[test]
    fn straight_between_instants_and_nothing_in_gaps() {
        let nan = Vector3::repeat(f64::NAN);
        let line = |slope: f64| -> Vec<Vector3<f64>> {
            (0..6)
                .map(|i| {
                    if i == 3 {
                        nan
                    } else {
                        Vector3::repeat(slope * f64::from(i))
                    }
                })
                .collect()
        };
        let path = PathSamples {
            time_s: (0..6).map(|i| 0.01 * f64::from(i)).collect(),
            velocity: line(0.1),
            acceleration: line(2.0),
            bands: Some(MotionBands {
                velocity_sd: line(0.01),
                acceleration_sd: line(1.0),
                simultaneous_95: BandFactors {
                    position: 3.0,
                    velocity: 3.5,
                    acceleration: 4.0,
                },
            }),
            ..PathSamples::default()
        };
        let curves = MotionCurves::at(&path, &[0.005, 0.025, 0.05, 0.06]).unwrap();
        let close = |found: Option<[f64; 3]>, wanted: f64| {
            found.unwrap().iter().all(|v| (v - wanted).abs() < 1e-9)
        };
        assert!(close(curves.velocity_mm_s[0], 50.0) && close(curves.velocity_mm_s[2], 500.0));
        assert!(close(curves.acceleration_m_s2[0], 1.0));
        assert!(close(curves.velocity_sd_mm_s[0], 5.0));
        assert_eq!(
            (curves.velocity_mm_s[1], curves.velocity_mm_s[3]),
            (None, None)
        );
        assert_eq!(MotionCurves::at(&PathSamples::default(), &[0.0]), None);
    }
}
