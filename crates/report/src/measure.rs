//! A figure that a person reads, always with its interval.

use serde::{Deserialize, Serialize};

/// A figure with its 95 % interval. The unit stands in the name of the field that holds it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Measure {
    /// Best estimate.
    pub value: f64,
    /// Lower end of the 95 % interval.
    pub low: f64,
    /// Upper end of the 95 % interval.
    pub high: f64,
    /// Number of cameras behind the figure (the fewest that saw the marker over the stretch it is made from).
    pub cameras: u8,
    /// What the reader must know about this figure: an assumed arrow line, an estimated length.
    pub note: Option<String>,
}

impl Measure {
    /// A figure from its estimate and interval ends.
    pub fn new(value: f64, low: f64, high: f64, cameras: u8) -> Self {
        Self {
            value,
            low,
            high,
            cameras,
            note: None,
        }
    }

    /// The same figure with a note.
    #[must_use]
    pub fn with_note(mut self, note: impl Into<String>) -> Self {
        self.note = Some(note.into());
        self
    }

    /// Width of the interval.
    pub fn width(&self) -> f64 {
        self.high - self.low
    }

    /// The figure with value and interval multiplied by a positive factor (a change of unit).
    #[must_use]
    pub fn scaled(mut self, factor: f64) -> Self {
        self.value *= factor;
        self.low *= factor;
        self.high *= factor;
        self
    }
}

/// A figure, or why there is none. Never a guess.
///
/// In JSON: `{"state": "measured", "value": …, "low": …, "high": …, "cameras": …, "note": …}` or
/// `{"state": "not-measurable", "why": "…"}`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "state", rename_all = "kebab-case")]
pub enum Reading {
    /// The figure.
    Measured(Measure),
    /// "Not measurable here".
    NotMeasurable {
        /// Why, in words for a person.
        why: String,
    },
}

impl Reading {
    /// "Not measurable here", because of `why`.
    pub fn not_measurable(why: impl Into<String>) -> Self {
        Self::NotMeasurable { why: why.into() }
    }

    /// The figure, where there is one.
    pub fn measure(&self) -> Option<&Measure> {
        match self {
            Self::Measured(measure) => Some(measure),
            Self::NotMeasurable { .. } => None,
        }
    }

    /// The best estimate, where there is one.
    pub fn value(&self) -> Option<f64> {
        self.measure().map(|measure| measure.value)
    }
}

impl From<Measure> for Reading {
    fn from(measure: Measure) -> Self {
        Self::Measured(measure)
    }
}
