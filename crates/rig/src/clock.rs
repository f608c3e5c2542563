//! From a file's own time to the time that all cameras share.

use serde::{Deserialize, Serialize};

/// One stretch over which a camera's clock runs evenly.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClockSegment {
    /// Camera time (presentation seconds in the file) at which this stretch starts.
    pub from_camera_s: f64,
    /// Camera time about which `offset_s` is stated: choose the middle of the data, so that offset and
    /// rate are nearly uncorrelated.
    pub reference_camera_s: f64,
    /// Range time at `reference_camera_s` minus `reference_camera_s` (s).
    pub offset_s: f64,
    /// Range seconds per camera second; 1 for a perfect clock, 1/8 for eightfold slow motion played
    /// back at the nominal rate.
    pub rate: f64,
    /// Variance of `offset_s` (s²).
    pub offset_variance_s2: f64,
    /// Variance of `rate`.
    pub rate_variance: f64,
    /// Covariance of `offset_s` and `rate` (s).
    pub offset_rate_covariance_s: f64,
}

/// Where a camera's time jumps: frames were lost between two files, or slow motion begins elsewhere than it was said to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClockJump {
    /// When (s, camera clock).
    pub camera_s: f64,
    /// From then on range time is later by this (s): so much is missing in the recording.
    pub later_s: f64,
    /// Its variance (s²).
    pub variance_s2: f64,
}

/// Range time as a function of camera time: piecewise linear, one stretch in the usual case.
///
/// `range_s = camera_s + offset_s + (rate − 1)(camera_s − reference_camera_s)`.
/// Range time is the time of the first camera's clock unless a survey says otherwise.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Stretches")]
pub struct ClockModel {
    segments: Vec<ClockSegment>,
}

/// A clock as a file holds it.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Stretches {
    segments: Vec<ClockSegment>,
}

impl TryFrom<Stretches> for ClockModel {
    type Error = &'static str;

    fn try_from(file: Stretches) -> Result<Self, Self::Error> {
        let runs = |segment: &ClockSegment| segment.rate > 0.0;
        if !file.segments.iter().all(runs) {
            return Err("a clock that stands still or runs backwards");
        }
        Self::piecewise(file.segments)
            .ok_or("a clock without stretches, or with stretches out of order")
    }
}

impl ClockModel {
    /// The clock that *is* range time.
    pub fn identity() -> Self {
        Self::constant(0.0, 0.0)
    }

    /// A constant offset (s) with its variance (s²), rate exactly 1.
    pub fn constant(offset_s: f64, offset_variance_s2: f64) -> Self {
        Self::linear(0.0, offset_s, 1.0, [offset_variance_s2, 0.0, 0.0])
    }

    /// Offset and rate about `reference_camera_s`; `covariance` is `[var offset, var rate, cov]`.
    pub fn linear(reference_camera_s: f64, offset_s: f64, rate: f64, covariance: [f64; 3]) -> Self {
        Self {
            segments: vec![ClockSegment {
                from_camera_s: f64::MIN,
                reference_camera_s,
                offset_s,
                rate,
                offset_variance_s2: covariance[0],
                rate_variance: covariance[1],
                offset_rate_covariance_s: covariance[2],
            }],
        }
    }

    /// A piecewise clock. Returns `None` without segments, or where they are not in order of time.
    pub fn piecewise(segments: Vec<ClockSegment>) -> Option<Self> {
        let ordered = segments
            .windows(2)
            .all(|pair| pair[0].from_camera_s < pair[1].from_camera_s);
        (!segments.is_empty() && ordered).then_some(Self { segments })
    }

    /// This clock, which runs evenly, with jumps: from each one's instant on range time is later by what it says, and so much less
    /// well known. `None` where the instants are not in order, or this clock has several stretches already.
    pub fn with_jumps(&self, jumps: &[ClockJump]) -> Option<Self> {
        let [even] = self.segments[..] else {
            return None;
        };
        let mut segments = vec![even];
        let (mut later_s, mut variance_s2) = (0.0, 0.0);
        for jump in jumps {
            later_s += jump.later_s;
            variance_s2 += jump.variance_s2;
            let at_s = jump.camera_s;
            let lever = at_s - even.reference_camera_s;
            segments.push(ClockSegment {
                from_camera_s: at_s,
                reference_camera_s: at_s,
                offset_s: self.range_from_camera(at_s) - at_s + later_s,
                rate: even.rate,
                offset_variance_s2: self.variance_at(at_s) + variance_s2,
                rate_variance: even.rate_variance,
                offset_rate_covariance_s: even.offset_rate_covariance_s
                    + lever * even.rate_variance,
            });
        }
        Self::piecewise(segments)
    }

    /// This clock as it ran before its first jump.
    #[must_use]
    pub fn before_jumps(&self) -> Self {
        Self {
            segments: vec![self.segments[0]],
        }
    }

    /// The stretches, in order of time.
    pub fn segments(&self) -> &[ClockSegment] {
        &self.segments
    }

    fn segment_at(&self, camera_s: f64) -> &ClockSegment {
        let after = self
            .segments
            .partition_point(|segment| segment.from_camera_s <= camera_s);
        &self.segments[after.saturating_sub(1)]
    }

    /// Range time (s) of camera time `camera_s` (s).
    pub fn range_from_camera(&self, camera_s: f64) -> f64 {
        let segment = self.segment_at(camera_s);
        camera_s + segment.offset_s + (segment.rate - 1.0) * (camera_s - segment.reference_camera_s)
    }

    /// Camera time (s) of range time `range_s` (s): inverse of [`Self::range_from_camera`].
    pub fn camera_from_range(&self, range_s: f64) -> f64 {
        let invert = |segment: &ClockSegment| {
            segment.reference_camera_s
                + (range_s - segment.offset_s - segment.reference_camera_s) / segment.rate
        };
        self.segments
            .iter()
            .rev()
            .find(|segment| invert(segment) >= segment.from_camera_s)
            .map_or_else(|| invert(&self.segments[0]), invert)
    }

    /// Range seconds per camera second at `camera_s`.
    pub fn rate_at(&self, camera_s: f64) -> f64 {
        self.segment_at(camera_s).rate
    }

    /// Variance (s²) of [`Self::range_from_camera`] at `camera_s`.
    pub fn variance_at(&self, camera_s: f64) -> f64 {
        let segment = self.segment_at(camera_s);
        let lever = camera_s - segment.reference_camera_s;
        segment.offset_variance_s2
            + 2.0 * lever * segment.offset_rate_covariance_s
            + lever * lever * segment.rate_variance
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn camera_time_comes_back(offset in -50f64..50.0, rate in 0.1f64..2.0, t in -100f64..4000.0) {
            let clock = ClockModel::linear(12.0, offset, rate, [1e-6, 0.0, 0.0]);
            let back = clock.camera_from_range(clock.range_from_camera(t));
            prop_assert!((back - t).abs() < 1e-9 * (1.0 + t.abs()));
        }
    }

    #[test]
    fn a_clock_from_a_file_has_stretches_in_order_and_runs_forward() {
        let clock = ClockModel::linear(12.0, 0.4, 1.00001, [1e-6, 1e-12, 0.0]);
        let text = serde_json::to_string(&clock).unwrap();
        assert_eq!(serde_json::from_str::<ClockModel>(&text).unwrap(), clock);
        let still = text.replace("\"rate\":1.00001", "\"rate\":0.0");
        assert!(serde_json::from_str::<ClockModel>(&still).is_err());
        assert!(serde_json::from_str::<ClockModel>("{\"segments\":[]}").is_err());
    }

    #[test]
    fn a_ramp_is_continuous_both_ways() {
        let first = ClockModel::linear(0.0, 1.0, 1.0, [0.0; 3]).segments()[0];
        // From camera time 10 on, eightfold slow motion; continuous at 10.
        let second = ClockSegment {
            from_camera_s: 10.0,
            reference_camera_s: 10.0,
            offset_s: 1.0,
            rate: 0.125,
            ..first
        };
        let clock = ClockModel::piecewise(vec![first, second]).unwrap();
        for camera_s in [-3.0, 0.0, 9.999, 10.0, 10.5, 80.0] {
            let range_s = clock.range_from_camera(camera_s);
            assert!((clock.camera_from_range(range_s) - camera_s).abs() < 1e-9);
        }
        assert!((clock.range_from_camera(18.0) - 12.0).abs() < 1e-12);
    }

    #[test]
    fn after_a_jump_range_time_is_later_and_less_well_known() {
        let even = ClockModel::linear(5.0, 0.4, 1.00001, [1e-8, 1e-12, 0.0]);
        let jump = |camera_s, later_s| ClockJump {
            camera_s,
            later_s,
            variance_s2: 4e-8,
        };
        let clock = even
            .with_jumps(&[jump(20.0, 0.05), jump(30.0, -0.01)])
            .unwrap();
        for (camera_s, later_s, variance_s2) in
            [(19.9, 0.0, 0.0), (20.1, 0.05, 4e-8), (40.0, 0.04, 8e-8)]
        {
            let expected_s = even.range_from_camera(camera_s) + later_s;
            assert!((clock.range_from_camera(camera_s) - expected_s).abs() < 1e-12);
            assert!((clock.camera_from_range(expected_s) - camera_s).abs() < 1e-9);
            let variance = even.variance_at(camera_s) + variance_s2;
            assert!((clock.variance_at(camera_s) - variance).abs() < 1e-18);
        }
        assert!(
            even.with_jumps(&[jump(30.0, 0.1), jump(20.0, 0.1)])
                .is_none()
        );
        assert!(clock.with_jumps(&[]).is_none());
        assert_eq!(clock.before_jumps(), even);
    }

    #[test]
    fn uncertainty_grows_away_from_the_reference() {
        let clock = ClockModel::linear(5.0, 0.0, 1.0, [1e-8, 1e-10, 0.0]);
        assert!((clock.variance_at(5.0) - 1e-8).abs() < 1e-20);
        assert!((clock.variance_at(15.0) - (1e-8 + 1e-8)).abs() < 1e-20);
    }
}
