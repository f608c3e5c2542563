/// The length of one tick, in seconds: `numerator / denominator`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct TimeBase {
    /// Seconds, as a whole number.
    pub numerator: i32,
    /// Divided by this; positive.
    pub denominator: i32,
}

impl TimeBase {
    /// A time base; `None` unless both numbers are positive.
    pub fn new(numerator: i32, denominator: i32) -> Option<Self> {
        (numerator > 0 && denominator > 0).then_some(Self {
            numerator,
            denominator,
        })
    }

    /// Length of a tick in seconds.
    pub fn seconds(self) -> f64 {
        f64::from(self.numerator) / f64::from(self.denominator)
    }

    /// The tick nearest to a time.
    #[expect(
        clippy::cast_possible_truncation,
        reason = "the cast saturates; no footage lasts 2^63 ticks"
    )]
    pub fn nearest_tick(self, time_s: f64) -> i64 {
        (time_s * f64::from(self.denominator) / f64::from(self.numerator)).round() as i64
    }
}

/// An instant in a file's own clock: whole ticks, exact.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct MediaTime {
    /// Number of ticks since the clock's zero; may be negative.
    pub ticks: i64,
    /// Length of a tick.
    pub base: TimeBase,
}

impl MediaTime {
    /// The instant in seconds, correct to the rounding of one division.
    pub fn seconds(self) -> f64 {
        // The product is exact in 96 bits; only the division rounds.
        let product = i128::from(self.ticks) * i128::from(self.base.numerator);
        product as f64 / f64::from(self.base.denominator)
    }
}
