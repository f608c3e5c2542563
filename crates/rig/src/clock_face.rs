//! The clock face on which coaches name camera positions: the target stands at 12 o'clock, the archer at
//! the centre of the dial, seen from above.

use nalgebra::{Point3, UnitVector3, Vector3};
use serde::{Deserialize, Serialize};

/// A place on the dial, in minutes past twelve (0 ≤ minutes < 720); "5:30" is 330.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct ClockFace {
    minutes: f64,
}

impl ClockFace {
    /// From hours (fractions allowed; taken modulo 12).
    pub fn from_hours(hours: f64) -> Self {
        Self {
            minutes: (hours * 60.0).rem_euclid(720.0),
        }
    }

    /// Hours, 0 ≤ h < 12.
    pub fn hours(self) -> f64 {
        self.minutes / 60.0
    }

    /// Where the dial says a camera at `position_in_range` (m) stands, seen from an archer at
    /// `archer_in_range` (m).
    pub fn of_position(position_in_range: &Point3<f64>, archer_in_range: &Point3<f64>) -> Self {
        let from_archer = position_in_range - archer_in_range;
        // 12 o'clock is +x, 9 o'clock is +y: the dial turns against the mathematical sense.
        Self::from_hours(-from_archer.y.atan2(from_archer.x).to_degrees() / 30.0)
    }

    /// Horizontal unit vector from the archer toward this place on the dial, in the range frame.
    pub fn direction(self) -> UnitVector3<f64> {
        let angle = -(self.hours() * 30.0).to_radians();
        UnitVector3::new_normalize(Vector3::new(angle.cos(), angle.sin(), 0.0))
    }

    /// The twenty-four half hours of the dial, from 12 o'clock on.
    pub fn half_hours() -> impl Iterator<Item = Self> {
        (0..24).map(|half| Self::from_hours(f64::from(half) / 2.0))
    }
}

impl std::fmt::Display for ClockFace {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // Adding zero turns −0 into 0.
        let rounded = self.minutes.round().rem_euclid(720.0) + 0.0;
        let (hour, minute) = ((rounded / 60.0).floor(), rounded.rem_euclid(60.0));
        let hour = if hour < 1.0 { 12.0 } else { hour };
        write!(f, "{hour:.0}:{minute:02.0}")
    }
}

impl TryFrom<String> for ClockFace {
    type Error = String;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        let refuse =
            || format!("{text:?} is no place on the clock; write it like \"5:00\" or \"5:30\"");
        let (hour, minute) = text.split_once(':').unwrap_or((&text, "0"));
        let hour: u8 = hour.trim().parse().ok().ok_or_else(refuse)?;
        let minute: u8 = minute.trim().parse().ok().ok_or_else(refuse)?;
        if hour == 0 || hour > 12 || minute > 59 {
            return Err(refuse());
        }
        Ok(Self::from_hours(f64::from(hour) + f64::from(minute) / 60.0))
    }
}

impl From<ClockFace> for String {
    fn from(place: ClockFace) -> Self {
        place.to_string()
    }
}

/// Where somebody looks from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ViewDirection {
    /// Level, from a place on the dial toward the archer.
    Clock(ClockFace),
    /// Straight down, 12 o'clock at the top of the picture.
    Overhead,
}

impl ViewDirection {
    /// The image axes of a distant camera that looks from here, as rows `(right, up)` in the range frame.
    pub fn right_and_up(self) -> (UnitVector3<f64>, UnitVector3<f64>) {
        match self {
            Self::Clock(place) => {
                let toward_camera = place.direction();
                let up = Vector3::z_axis();
                (UnitVector3::new_normalize(up.cross(&toward_camera)), up)
            }
            // Seen from above, 12 o'clock (x) is up and 3 o'clock (−y) is right.
            Self::Overhead => (-Vector3::y_axis(), Vector3::x_axis()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn the_four_quarters() {
        for (hours, x, y) in [
            (0.0, 1.0, 0.0),
            (3.0, 0.0, -1.0),
            (6.0, -1.0, 0.0),
            (9.0, 0.0, 1.0),
        ] {
            let place = ClockFace::from_hours(hours);
            assert_relative_eq!(
                place.direction().into_inner(),
                Vector3::new(x, y, 0.0),
                epsilon = 1e-12
            );
            let stand = Point3::new(1.0, 2.0, 0.5) + place.direction().into_inner() * 3.0;
            let read = ClockFace::of_position(&stand, &Point3::new(1.0, 2.0, 0.0));
            assert_eq!(read.to_string(), place.to_string());
        }
    }

    #[test]
    fn words_go_both_ways() {
        for text in ["12:00", "5:30", "9:00", "11:59"] {
            assert_eq!(
                ClockFace::try_from(text.to_owned()).unwrap().to_string(),
                text
            );
        }
        for text in ["13:00", "0:10", "5:60", "five", "", "-1:00"] {
            assert!(ClockFace::try_from(text.to_owned()).is_err(), "{text}");
        }
    }

    #[test]
    fn from_three_oclock_the_target_is_on_the_right() {
        // Standing at 3 o'clock, facing the archer's chest, 12 o'clock is to the right.
        let (right, up) = ViewDirection::Clock(ClockFace::from_hours(3.0)).right_and_up();
        assert_relative_eq!(right.into_inner(), Vector3::x(), epsilon = 1e-12);
        assert_relative_eq!(up.into_inner(), Vector3::z(), epsilon = 1e-12);
        let (right, up) = ViewDirection::Overhead.right_and_up();
        assert_relative_eq!(right.cross(&up), Vector3::z(), epsilon = 1e-12);
    }
}
