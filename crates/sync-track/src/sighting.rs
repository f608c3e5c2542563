use crate::MarkerRole;
use nalgebra::{Matrix2, Point2, Vector2};
use serde::{Deserialize, Serialize};

/// Why no marker was reported although it should be in the picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HiddenReason {
    /// Nothing of the marker's colour near the prediction, nor elsewhere.
    NothingOfItsColour,
    /// Patches of its colour, none of which has its size or shape.
    NoneOfItsShape,
    /// Patches of its colour and shape, none where smooth motion or the other cameras allow it.
    NoneInItsPlace,
    /// The marker is there but partly covered, so that its centre cannot be trusted.
    PartlyCovered,
    /// So close to the picture's border that part of it is cut off.
    CutByBorder,
    /// It has stood still since long before, and this frame was not looked at closely.
    Resting,
}

/// Why a frame has more than one answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AmbiguousReason {
    /// Two patches explain colour, shape, motion and views about equally well.
    TwoCandidates,
    /// The views of different cameras contradict each other and it is not clear which one is right.
    ViewsDisagree,
    /// It is off the smooth path of its neighbours.
    OffItsPath,
    /// The patch is merged with another thing of nearly the same colour.
    Merged,
}

/// What is known of a marker in one frame of one camera.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Seen; the centre counts.
    Seen,
    /// Not seen.
    Hidden(HiddenReason),
    /// Perhaps seen, but not to be relied on.
    Ambiguous(AmbiguousReason),
    /// The track leads out of the picture.
    OutOfPicture,
}

impl Verdict {
    /// Does the centre count?
    pub fn is_seen(self) -> bool {
        self == Self::Seen
    }
}

impl std::fmt::Display for Verdict {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Seen => "seen",
            Self::Hidden(HiddenReason::NothingOfItsColour) => "hidden: nothing of its colour",
            Self::Hidden(HiddenReason::NoneOfItsShape) => {
                "hidden: things of its colour, none of its size and shape"
            }
            Self::Hidden(HiddenReason::NoneInItsPlace) => {
                "hidden: look-alikes only, none where motion and the other views allow it"
            }
            Self::Hidden(HiddenReason::PartlyCovered) => "hidden: partly covered",
            Self::Hidden(HiddenReason::CutByBorder) => "hidden: cut by the picture's border",
            Self::Hidden(HiddenReason::Resting) => "not measured: at rest for long",
            Self::Ambiguous(AmbiguousReason::TwoCandidates) => "ambiguous: two candidates",
            Self::Ambiguous(AmbiguousReason::ViewsDisagree) => "ambiguous: the views disagree",
            Self::Ambiguous(AmbiguousReason::OffItsPath) => "ambiguous: off its own path",
            Self::Ambiguous(AmbiguousReason::Merged) => {
                "ambiguous: merged with a thing of its colour"
            }
            Self::OutOfPicture => "out of the picture",
        })
    }
}

/// One marker in one frame of one camera.
///
/// The instant of the sighting is `clock.range_from_camera(camera_s + shutter.row_delay_s(centre_px.y, height))`:
/// the row's delay is *not* in `camera_s`; whoever uses the sighting applies it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sighting {
    /// Index of the frame in the recording, from 0.
    pub frame_index: u64,
    /// Presentation time of the frame in the recording's own clock (s).
    pub camera_s: f64,
    /// Seen or not, and why.
    pub verdict: Verdict,
    /// Image of the marker's centre at mid-exposure of its row (stored, distorted px). Counts only when
    /// [`Verdict::Seen`]; else the prediction or the doubtful candidate, NaN where there is none (in a file: no centre, `null`).
    #[serde(with = "centre_or_none")]
    pub centre_px: Point2<f64>,
    /// Covariance of the centre (px²), noise of the image itself. Zero where not seen.
    pub covariance_px2: Matrix2<f64>,
    /// Image velocity (px/s) as far as the track around it tells; zero where unknown.
    pub velocity_px_s: Vector2<f64>,
    /// Mean radius of the patch (px): √(area/π); 0 where not seen.
    pub radius_px: f64,
}

impl Sighting {
    /// A frame without a marker.
    pub fn missing(frame_index: u64, camera_s: f64, verdict: Verdict) -> Self {
        Self {
            frame_index,
            camera_s,
            verdict,
            centre_px: Point2::new(f64::NAN, f64::NAN),
            covariance_px2: Matrix2::zeros(),
            velocity_px_s: Vector2::zeros(),
            radius_px: 0.0,
        }
    }
}

/// All frames of one marker in one camera, in order of time; one sample for every frame looked at.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SightingSeries {
    /// Index of the camera in the rig.
    pub camera: usize,
    /// Which marker.
    pub role: MarkerRole,
    /// One for every frame looked at; frames outside the windows are absent.
    pub samples: Vec<Sighting>,
}

impl SightingSeries {
    /// The samples that count.
    pub fn seen(&self) -> impl Iterator<Item = &Sighting> {
        self.samples
            .iter()
            .filter(|sample| sample.verdict.is_seen())
    }

    /// Share of samples that count, 0 without samples.
    pub fn seen_share(&self) -> f64 {
        if self.samples.is_empty() {
            return 0.0;
        }
        self.seen().count() as f64 / self.samples.len() as f64
    }
}

/// A centre in a file: two numbers, or none at all. JSON has no NaN: a number that is none could be written, but not read again.
mod centre_or_none {
    use nalgebra::Point2;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub(super) fn serialize<S: Serializer>(centre: &Point2<f64>, to: S) -> Result<S::Ok, S::Error> {
        let there = centre.iter().all(|value| value.is_finite());
        there.then_some([centre.x, centre.y]).serialize(to)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Point2<f64>, D::Error> {
        let centre = Option::<[f64; 2]>::deserialize(from)?;
        Ok(Point2::from(centre.unwrap_or([f64::NAN; 2])))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sightings_come_back_from_a_file_with_and_without_a_centre() {
        let missing = Sighting::missing(7, 0.25, Verdict::OutOfPicture);
        let seen = Sighting {
            verdict: Verdict::Seen,
            centre_px: Point2::new(812.25, 1.0 / 3.0),
            ..missing
        };
        let series = SightingSeries {
            camera: 1,
            role: MarkerRole::Elbow,
            samples: vec![missing, seen],
        };
        let text = serde_json::to_string(&series).unwrap();
        assert!(text.contains("\"centre_px\":null"), "{text}");
        let back: SightingSeries = serde_json::from_str(&text).unwrap();
        assert!(back.samples[0].centre_px.iter().all(|value| value.is_nan()));
        assert_eq!(back.samples[0].verdict, missing.verdict);
        assert_eq!(back.samples[1], seen);
    }
}
