//! The elbow in the coordinates of the arrow line, and the figures that a study compares.

use crate::StudyError;
use nalgebra::{Point3, UnitVector3, Vector3};
use serde::{Deserialize, Serialize};

/// The arrow line at full draw, and the archer's side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ArrowLine {
    /// A point on it, near the jaw (m).
    pub point_in_range: Point3<f64>,
    /// Direction away from the target.
    pub away_in_range: UnitVector3<f64>,
    /// +1 right-handed, −1 left-handed.
    pub side: f64,
    /// How far along the line, from its point, the elbow stands at full draw (m): a plane across the line is put there.
    pub elbow_reach_m: f64,
}

impl ArrowLine {
    /// Horizontal unit vector toward the archer's back, across the line.
    pub fn behind_in_range(&self) -> UnitVector3<f64> {
        // Away is −x; up × away is −y for a right-handed archer, whose back is at +y.
        UnitVector3::new_normalize(-self.side * Vector3::z().cross(&self.away_in_range))
    }

    /// Where a practitioner holds the rod for a coordinate: on the line near the jaw, for the way around below the elbow.
    pub(crate) fn rod_in_range(&self, axis: Axis) -> Point3<f64> {
        match axis {
            Axis::Behind => {
                self.point_in_range + self.away_in_range.into_inner() * self.elbow_reach_m
            }
            Axis::Away | Axis::Up => self.point_in_range,
        }
    }

    /// Horizontal unit vector of the line itself, away from the target.
    pub fn level_away_in_range(&self) -> UnitVector3<f64> {
        let away = self.away_in_range;
        UnitVector3::new_normalize(Vector3::new(away.x, away.y, 0.0))
    }
}

/// The elbow over one shot: NaN where a coordinate is not known.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ElbowTrack {
    /// Range time (s), rising.
    pub time_s: Vec<f64>,
    /// Along the arrow line, away from the target (m).
    pub away_m: Vec<f64>,
    /// Behind the vertical plane through the line (m).
    pub behind_m: Vec<f64>,
    /// Up, from the line's point (m).
    pub up_m: Vec<f64>,
}

impl ElbowTrack {
    /// From points in the range frame (m).
    pub fn from_points(time_s: &[f64], points_in_range: &[Point3<f64>], line: &ArrowLine) -> Self {
        let (away, behind) = (line.away_in_range, line.behind_in_range());
        let from_line: Vec<Vector3<f64>> = points_in_range
            .iter()
            .map(|point| point - line.point_in_range)
            .collect();
        Self {
            time_s: time_s.to_vec(),
            away_m: from_line.iter().map(|v| v.dot(&away)).collect(),
            behind_m: from_line.iter().map(|v| v.dot(&behind)).collect(),
            up_m: from_line.iter().map(|v| v.z).collect(),
        }
    }

    /// Refuses lists of different lengths and times that do not rise.
    ///
    /// # Errors
    /// [`StudyError`].
    pub fn validate(&self) -> Result<(), StudyError> {
        let n = self.time_s.len();
        for list in [&self.away_m, &self.behind_m, &self.up_m] {
            if list.len() != n {
                return Err(StudyError::Lengths {
                    what: "times and coordinates of a track",
                    left: n,
                    right: list.len(),
                });
            }
        }
        match self.time_s.windows(2).find(|pair| pair[0] >= pair[1]) {
            Some(pair) => Err(StudyError::Value {
                what: "time after the one before it (s)",
                value: pair[1],
            }),
            None => Ok(()),
        }
    }
}

/// When the phases of a shot begin (range time, s).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShotTimes {
    /// Draw starts.
    pub draw_s: f64,
    /// Anchor starts.
    pub anchor_s: f64,
    /// Expansion starts.
    pub expansion_s: f64,
    /// Evaluation ends: shortly before release.
    pub end_s: f64,
}

/// A figure that both the single camera and the 3-D path give.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StudyMeasure {
    /// Travel away from the target in the draw (mm).
    DrawTravel,
    /// Travel away from the target in expansion (mm).
    ExpansionAway,
    /// Deepest reversal toward the target between the start of the draw and the end (mm).
    Reversal,
    /// Lowest speed away from the target in the draw, over 0.15 s (mm/s).
    SlowestDraw,
    /// Way around in expansion: change behind the line (mm).
    ExpansionBehind,
    /// Behind the line at the end (mm).
    BehindAtEnd,
    /// Depth of the V at anchor (mm).
    VDepth,
    /// Rise of the elbow in expansion (mm).
    ExpansionUp,
}

/// The coordinate that a measure lives in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Axis {
    /// Along the arrow line.
    Away,
    /// Across it.
    Behind,
    /// Up.
    Up,
}

/// Half-width of the local parabola that smooths both sides alike (s): passes what is slower than about 4 Hz.
const SMOOTH_HALF_S: f64 = 0.1;
/// Steps at which curves are read (s).
const STEP_S: f64 = 0.01;
/// Window of the lowest speed (s): the shortest stall.
const SLOW_WINDOW_S: f64 = 0.15;
/// A gap longer than this is not read across (s).
const LONGEST_GAP_S: f64 = 0.12;

impl StudyMeasure {
    /// All measures.
    pub const ALL: [Self; 8] = [
        Self::DrawTravel,
        Self::ExpansionAway,
        Self::Reversal,
        Self::SlowestDraw,
        Self::ExpansionBehind,
        Self::BehindAtEnd,
        Self::VDepth,
        Self::ExpansionUp,
    ];

    /// The coordinate it needs.
    pub const fn axis(self) -> Axis {
        match self {
            Self::DrawTravel | Self::ExpansionAway | Self::Reversal | Self::SlowestDraw => {
                Axis::Away
            }
            Self::ExpansionBehind | Self::BehindAtEnd => Axis::Behind,
            Self::VDepth | Self::ExpansionUp => Axis::Up,
        }
    }

    /// Unit of the figure.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::SlowestDraw => "mm/s",
            _ => "mm",
        }
    }

    /// Name in files.
    pub const fn name(self) -> &'static str {
        match self {
            Self::DrawTravel => "draw-travel",
            Self::ExpansionAway => "expansion-away",
            Self::Reversal => "reversal",
            Self::SlowestDraw => "slowest-draw",
            Self::ExpansionBehind => "expansion-behind",
            Self::BehindAtEnd => "behind-at-end",
            Self::VDepth => "v-depth",
            Self::ExpansionUp => "expansion-up",
        }
    }

    /// The figure from a track, smoothed; none where the track does not cover it.
    pub fn of(self, track: &ElbowTrack, times: &ShotTimes) -> Option<f64> {
        let list = match self.axis() {
            Axis::Away => &track.away_m,
            Axis::Behind => &track.behind_m,
            Axis::Up => &track.up_m,
        };
        let at = |t: f64| smoothed(&track.time_s, list, t);
        let change = |from: f64, to: f64| Some(1e3 * (at(to)? - at(from)?));
        match self {
            Self::DrawTravel => change(times.draw_s, times.anchor_s),
            Self::ExpansionAway | Self::ExpansionBehind | Self::ExpansionUp => {
                change(times.expansion_s, times.end_s)
            }
            Self::BehindAtEnd => Some(1e3 * at(times.end_s)?),
            Self::Reversal => {
                let curve = curve(&track.time_s, list, times.draw_s, times.end_s)?;
                Some(1e3 * crate::forecast::deepest_reversal(curve.into_iter()))
            }
            Self::SlowestDraw => {
                let curve = curve(&track.time_s, list, times.draw_s, times.anchor_s)?;
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "fifteen steps"
                )]
                let window = (SLOW_WINDOW_S / STEP_S).round() as usize;
                let speeds = curve
                    .windows(window + 1)
                    .map(|w| (w[window] - w[0]) / SLOW_WINDOW_S);
                speeds.min_by(f64::total_cmp).map(|speed| 1e3 * speed)
            }
            Self::VDepth => {
                let curve = curve(
                    &track.time_s,
                    list,
                    times.anchor_s - 0.1,
                    times.expansion_s + 0.1,
                )?;
                let (place, lowest) = curve
                    .iter()
                    .copied()
                    .enumerate()
                    .min_by(|a, b| a.1.total_cmp(&b.1))?;
                let before = curve[..=place].iter().copied().fold(f64::MIN, f64::max);
                let after = curve[place..].iter().copied().fold(f64::MIN, f64::max);
                Some(1e3 * (before.min(after) - lowest))
            }
        }
    }
}

/// A curve read at even steps; none where it has a gap.
fn curve(time_s: &[f64], values: &[f64], from_s: f64, to_s: f64) -> Option<Vec<f64>> {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a shot lasts seconds"
    )]
    let steps = ((to_s - from_s) / STEP_S).floor().max(0.0) as usize;
    (0..=steps)
        .map(|k| smoothed(time_s, values, from_s + k as f64 * STEP_S))
        .collect()
}

/// Value at `t` of a parabola fitted to the neighbours within ±0.1 s, weighted to the middle (Cleveland 1979, locally
/// weighted regression \[from memory\]); none without neighbours close on both sides. Works at any spacing of frames.
pub(crate) fn smoothed(time_s: &[f64], values: &[f64], t: f64) -> Option<f64> {
    let from = time_s.partition_point(|time| *time < t - SMOOTH_HALF_S);
    let to = time_s.partition_point(|time| *time <= t + SMOOTH_HALF_S);
    let mut normal = nalgebra::Matrix3::zeros();
    let mut right = Vector3::zeros();
    let (mut nearest_before, mut nearest_after) = (f64::MAX, f64::MAX);
    for i in from..to {
        if !values[i].is_finite() {
            continue;
        }
        let s = (time_s[i] - t) / SMOOTH_HALF_S;
        if s <= 0.0 {
            nearest_before = nearest_before.min(-s);
        }
        if s >= 0.0 {
            nearest_after = nearest_after.min(s);
        }
        let weight = (1.0 - s.abs().powi(3)).powi(3).max(1e-9);
        let row = Vector3::new(1.0, s, s * s);
        normal += row * row.transpose() * weight;
        right += row * (values[i] * weight);
    }
    if (nearest_before + nearest_after) * SMOOTH_HALF_S > LONGEST_GAP_S {
        return None;
    }
    Some(normal.cholesky()?.solve(&right)[0])
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn line(side: f64) -> ArrowLine {
        ArrowLine {
            point_in_range: Point3::new(0.0, -0.1 * side, 1.5),
            away_in_range: UnitVector3::new_normalize(-Vector3::x()),
            side,
            elbow_reach_m: 0.4,
        }
    }

    #[test]
    fn behind_is_the_archers_back() {
        assert_relative_eq!(
            line(1.0).behind_in_range().into_inner(),
            Vector3::y(),
            epsilon = 1e-12
        );
        assert_relative_eq!(
            line(-1.0).behind_in_range().into_inner(),
            -Vector3::y(),
            epsilon = 1e-12
        );
    }

    #[test]
    fn planted_figures_come_back() {
        // Away: 300 mm in a second, then 10 mm out and 6 mm back; behind: 20 mm; V of 5 mm.
        let time_s: Vec<f64> = (0..=500).map(|k| f64::from(k) * 0.01).collect();
        let step = |t: f64, from: f64, to: f64| {
            let s = ((t - from) / (to - from)).clamp(0.0, 1.0);
            s * s * s * (10.0 - s * (15.0 - 6.0 * s))
        };
        let points: Vec<Point3<f64>> = time_s
            .iter()
            .map(|t| {
                let away = 0.3 * step(*t, 0.5, 2.0) + 0.010 * step(*t, 2.5, 3.2)
                    - 0.006 * step(*t, 3.3, 3.8);
                let v = -0.005 * (-0.5 * ((t - 2.2) / 0.1).powi(2)).exp();
                Point3::new(-away, -0.1 + 0.020 * step(*t, 2.6, 4.2), 1.5 + v)
            })
            .collect();
        let track = ElbowTrack::from_points(&time_s, &points, &line(1.0));
        track.validate().unwrap();
        let times = ShotTimes {
            draw_s: 0.5,
            anchor_s: 2.05,
            expansion_s: 2.5,
            end_s: 4.4,
        };
        let of = |measure: StudyMeasure| measure.of(&track, &times).unwrap();
        assert_relative_eq!(of(StudyMeasure::DrawTravel), 300.0, epsilon = 0.3);
        assert_relative_eq!(of(StudyMeasure::Reversal), 6.0, epsilon = 0.05);
        assert_relative_eq!(of(StudyMeasure::ExpansionBehind), 20.0, epsilon = 0.05);
        assert_relative_eq!(of(StudyMeasure::BehindAtEnd), 20.0, epsilon = 0.05);
        assert_relative_eq!(of(StudyMeasure::ExpansionAway), 4.0, epsilon = 0.05);
        assert_relative_eq!(of(StudyMeasure::VDepth), 5.0, epsilon = 0.4);
    }

    #[test]
    fn across_a_gap_nothing_is_read() {
        let time_s: Vec<f64> = (0..100).map(|k| f64::from(k) * 0.01).collect();
        let mut values: Vec<f64> = time_s.iter().map(|t| t * t).collect();
        assert_relative_eq!(
            smoothed(&time_s, &values, 0.5).unwrap(),
            0.25,
            epsilon = 1e-9
        );
        for value in &mut values[40..60] {
            *value = f64::NAN;
        }
        assert!(smoothed(&time_s, &values, 0.5).is_none());
        assert!(smoothed(&time_s, &values, 2.0).is_none());
    }
}
