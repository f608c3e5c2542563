use serde::{Deserialize, Serialize};

/// A two-sided interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Interval {
    /// `centre ± half_width`.
    pub fn around(centre: f64, half_width: f64) -> Self {
        Self {
            low: centre - half_width,
            high: centre + half_width,
        }
    }

    /// Does it hold `value` (ends included)?
    pub fn holds(&self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }

    /// Length.
    pub fn width(&self) -> f64 {
        self.high - self.low
    }

    /// Both ends through a rising function.
    #[must_use]
    pub fn map(self, rising: impl Fn(f64) -> f64) -> Self {
        Self {
            low: rising(self.low),
            high: rising(self.high),
        }
    }
}
