//! The rig sketch: what a coach with a tape measure knows. `format: drawarc-rig-sketch/1`.

use super::marker::MarkerKind;
use super::nominal_shot::NominalArcher;
use crate::StudyError;
use drawarc_rig::{BrownConrady, Camera, ClockFace, ImageSize, Lens, Shutter};
use nalgebra::{Isometry3, Matrix3, Point3, Rotation3, Translation3, UnitQuaternion, Vector3};
use serde::{Deserialize, Serialize};

/// The format word of a sketch.
pub const SKETCH_FORMAT: &str = "drawarc-rig-sketch/1";
/// The middle of what the cameras look at, for an archer of 1.72 m (m).
const AIM: [f64; 3] = [-0.15, 0.0, 1.35];

/// A rig before it stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RigSketch {
    /// [`SKETCH_FORMAT`].
    pub format: String,
    /// Name for a person.
    #[serde(default)]
    pub name: String,
    /// Who shoots.
    pub archer: NominalArcher,
    /// The marker at the elbow.
    pub marker: MarkerKind,
    /// The room.
    #[serde(default)]
    pub surroundings: Surroundings,
    /// How the rig will be surveyed.
    #[serde(default)]
    pub survey: SketchSurvey,
    /// The cameras; the first is the clock of the range.
    pub cameras: Vec<SketchCamera>,
}

/// The room around the archer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Surroundings {
    /// Places on the dial where windows or lamps shine toward the archer.
    pub windows: Vec<ClockFace>,
    /// Half of the lane's width (m): an archer's place on the line is about 0.8 m wide or more (common practice).
    pub lane_half_width_m: f64,
    /// Do others shoot beside this archer?
    pub neighbours: bool,
    /// Legs of a tripod reach this far from its middle (m).
    pub tripod_radius_m: f64,
    /// Walls: the farthest that a camera can stand toward 3, 6 and 9 o'clock (m).
    pub room_m: [f64; 3],
    /// Height of the ceiling (m).
    pub ceiling_m: f64,
    /// Lowest and highest that a tripod goes (m).
    pub tripod_height_m: [f64; 2],
}

impl Default for Surroundings {
    fn default() -> Self {
        Self {
            windows: Vec::new(),
            lane_half_width_m: 0.8,
            neighbours: false,
            tripod_radius_m: 0.5,
            room_m: [4.0, 4.0, 4.0],
            ceiling_m: 3.0,
            tripod_height_m: [0.5, 2.2],
        }
    }
}

/// The board and how it is shown.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SketchSurvey {
    /// Inner corners along the arrow.
    pub columns: usize,
    /// Inner corners across.
    pub rows: usize,
    /// Pitch (m).
    pub pitch_m: f64,
    /// Relative standard deviation of the pitch (measured with a tape over the whole print).
    pub pitch_sd: f64,
    /// Standard deviation of a corner, one axis (px): real footage gave about 0.15 (computed).
    pub corner_sd_px: f64,
    /// Views of the board waved where the archer stands.
    pub views_in_volume: usize,
    /// Views held close to each camera, for its lens.
    pub views_of_lens: usize,
    /// Frames of the board at rest on the shooting line.
    pub views_on_line: usize,
}

impl Default for SketchSurvey {
    fn default() -> Self {
        Self {
            columns: 9,
            rows: 6,
            pitch_m: 0.04,
            pitch_sd: 2e-4,
            corner_sd_px: 0.15,
            views_in_volume: 48,
            views_of_lens: 16,
            views_on_line: 10,
        }
    }
}

/// Where a camera stands.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum Place {
    /// A place on the dial.
    Clock(ClockFace),
    /// Above the archer, looking straight down.
    Overhead,
}

impl TryFrom<String> for Place {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        if text.trim() == "overhead" {
            Ok(Self::Overhead)
        } else {
            ClockFace::try_from(text).map(Self::Clock)
        }
    }
}

impl From<Place> for String {
    fn from(place: Place) -> Self {
        match place {
            Place::Clock(clock) => clock.to_string(),
            Place::Overhead => "overhead".to_owned(),
        }
    }
}

/// A lens, as far as it is known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SketchLens {
    /// Focal length (px).
    FocalPx(f64),
    /// Angle across the longer side of the picture (degrees).
    FieldOfViewDeg(f64),
}

/// How a camera's clock is tied to the first one's.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sync {
    /// One trigger for all.
    Genlock,
    /// A clap; the phone's own lag between sound and picture is not known.
    Sound,
    /// A clap, and the lag was measured once.
    SoundAndLag,
    /// From the motion alone.
    Motion,
    /// A stated standard deviation (s).
    SdS(f64),
}

impl Sync {
    /// Standard deviation of the offset before the motion is looked at (s): common practice, no source, except
    /// sound events themselves (published synchronisation by sound: 0.1 ms rms, J Biomech 2006).
    pub const fn sd_s(self) -> f64 {
        match self {
            Self::Genlock => 2e-5,
            Self::Sound => 4e-3,
            Self::SoundAndLag => 3e-4,
            Self::Motion => 0.1,
            Self::SdS(sd) => sd,
        }
    }
}

/// One camera of a sketch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SketchCamera {
    /// Name.
    pub name: String,
    /// By the clock, or `overhead`.
    pub place: Place,
    /// Horizontal distance from the middle of the stance (m); 0 for overhead.
    #[serde(default)]
    pub distance_m: f64,
    /// Height of the lens (m).
    pub height_m: f64,
    /// Height above the archer's place at which it is aimed (m); the middle of the draw where not given. Lower where the
    /// board on the ground must be in the picture.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub aim_height_m: Option<f64>,
    /// Lens.
    pub lens: SketchLens,
    /// Stored picture.
    pub image_size: ImageSize,
    /// Rotation that the container asks for (degrees clockwise): 90 or 270 for a phone held upright.
    #[serde(default)]
    pub rotation_deg: u16,
    /// Frames a second.
    pub rate_hz: f64,
    /// Read-out from first to last row (s); 0 for a global shutter.
    #[serde(default)]
    pub readout_s: f64,
    /// Standard deviation of the read-out before the survey (s).
    #[serde(default = "default_readout_sd")]
    pub readout_sd_s: f64,
    /// Exposure (s).
    pub exposure_s: f64,
    /// Clock.
    pub sync: Sync,
}

/// Read-out of a phone of unknown make: 14 to 33 ms in older models, 5 to 20 now; after a survey about 1 ms remains.
const fn default_readout_sd() -> f64 {
    1e-3
}

#[derive(Deserialize)]
struct FormatOnly {
    format: String,
}

impl RigSketch {
    /// Reads a sketch.
    ///
    /// # Errors
    /// [`StudyError`] naming field, line and column, or what cannot be.
    pub fn from_yaml(text: &str) -> Result<Self, StudyError> {
        let syntax = |source: serde_yaml::Error| StudyError::Syntax {
            file: "rig sketch",
            message: source.to_string(),
        };
        let head: FormatOnly = serde_yaml::from_str(text).map_err(syntax)?;
        if head.format != SKETCH_FORMAT {
            return Err(StudyError::Format {
                found: head.format,
                expected: SKETCH_FORMAT,
            });
        }
        let sketch: Self = serde_yaml::from_str(text).map_err(syntax)?;
        sketch.validate()?;
        Ok(sketch)
    }

    /// The sketch as text.
    ///
    /// # Errors
    /// [`StudyError`] where [`Self::validate`] refuses.
    pub fn to_yaml(&self) -> Result<String, StudyError> {
        self.validate()?;
        serde_yaml::to_string(self).map_err(|source| StudyError::Syntax {
            file: "rig sketch",
            message: source.to_string(),
        })
    }

    /// Refuses numbers that cannot be, and names that appear twice.
    ///
    /// # Errors
    /// [`StudyError`] naming the first fault.
    pub fn validate(&self) -> Result<(), StudyError> {
        let within = |what, value: f64, low: f64, high: f64| {
            if value >= low && value <= high {
                Ok(())
            } else {
                Err(StudyError::Value { what, value })
            }
        };
        if self.cameras.len() < 2 {
            return Err(StudyError::TooFew {
                what: "cameras of a rig",
                found: self.cameras.len(),
                needed: 2,
            });
        }
        within("height of the archer (m)", self.archer.height_m, 0.8, 2.4)?;
        within("size of the marker (m)", self.marker.size_m(), 1e-3, 0.3)?;
        within("pitch of the board (m)", self.survey.pitch_m, 1e-3, 1.0)?;
        for (index, camera) in self.cameras.iter().enumerate() {
            if self.cameras[..index]
                .iter()
                .any(|other| other.name == camera.name)
            {
                return Err(StudyError::Name {
                    name: camera.name.clone(),
                    problem: "appears twice",
                });
            }
            // A lens on the dial nearer than this would stand in the archer.
            let nearest_m = match camera.place {
                Place::Clock(_) => 0.3,
                Place::Overhead => 0.0,
            };
            within(
                "distance of a camera (m)",
                camera.distance_m,
                nearest_m,
                200.0,
            )?;
            for (what, pixels) in [
                ("width of a picture (px)", camera.image_size.width_px),
                ("height of a picture (px)", camera.image_size.height_px),
            ] {
                within(what, f64::from(pixels), 64.0, 20_000.0)?;
            }
            within("height of a camera (m)", camera.height_m, 0.0, 30.0)?;
            let aim_m = camera.aim_height_m.unwrap_or(AIM[2]);
            within("height at which a camera is aimed (m)", aim_m, 0.0, 3.0)?;
            within("rate of a camera (Hz)", camera.rate_hz, 1.0, 5000.0)?;
            within(
                "exposure of a camera (s)",
                camera.exposure_s,
                0.0,
                1.0 / camera.rate_hz,
            )?;
            within("read-out of a camera (s)", camera.readout_s.abs(), 0.0, 0.2)?;
            within("read-out SD of a camera (s)", camera.readout_sd_s, 0.0, 0.1)?;
            within("clock SD of a camera (s)", camera.sync.sd_s(), 0.0, 10.0)?;
            within(
                "focal length of a camera (px)",
                camera.focal_px(),
                50.0,
                1e5,
            )?;
            within(
                "rotation of a camera (deg)",
                f64::from(camera.rotation_deg % 90),
                0.0,
                0.0,
            )?;
        }
        Ok(())
    }

    /// The cameras where the sketch puts them, aimed at the middle of the archer's draw or at the stated height.
    pub fn cameras(&self) -> Vec<Camera> {
        let scale = self.archer.height_m / 1.72;
        let middle = Point3::from(AIM.map(|value| value * scale));
        self.cameras
            .iter()
            .map(|camera| camera.camera(&middle))
            .collect()
    }
}

impl SketchCamera {
    /// Focal length (px).
    pub fn focal_px(&self) -> f64 {
        match self.lens {
            SketchLens::FocalPx(focal) => focal,
            SketchLens::FieldOfViewDeg(angle) => {
                let longer = self.image_size.width_px.max(self.image_size.height_px);
                0.5 * f64::from(longer) / (0.5 * angle).to_radians().tan()
            }
        }
    }

    /// Where the lens stands in the range frame (m).
    pub fn centre_in_range(&self, aim: &Point3<f64>) -> Point3<f64> {
        match self.place {
            Place::Clock(clock) => {
                let place = clock.direction().into_inner() * self.distance_m;
                Point3::new(place.x, place.y, self.height_m)
            }
            Place::Overhead => Point3::new(aim.x, aim.y, self.height_m),
        }
    }

    /// The camera as it stands, aimed at a point of the range frame (m), at its own height where one is stated.
    pub fn camera(&self, middle: &Point3<f64>) -> Camera {
        let aim = &Point3::new(middle.x, middle.y, self.aim_height_m.unwrap_or(middle.z));
        let centre = self.centre_in_range(aim);
        let forward = (aim - centre).normalize();
        // Straight down, 12 o'clock is at the top of the picture.
        let up = if matches!(self.place, Place::Overhead) {
            Vector3::x()
        } else {
            Vector3::z()
        };
        let right = forward.cross(&up).normalize();
        let down = forward.cross(&right);
        let (sine, cosine) = f64::from(self.rotation_deg).to_radians().sin_cos();
        // The stored picture is the shown one turned back against the clock.
        let x = right * cosine + down * sine;
        let y = down * cosine - right * sine;
        let rotation = Matrix3::from_rows(&[x.transpose(), y.transpose(), forward.transpose()]);
        let rotation =
            UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(rotation));
        let translation = Translation3::from(-(rotation * centre.coords));
        let centre_px = |size: u32| 0.5 * (f64::from(size) - 1.0);
        Camera {
            name: self.name.clone(),
            image_size: self.image_size,
            rotation_deg: self.rotation_deg,
            lens: Lens::BrownConrady(BrownConrady::pinhole(
                self.focal_px(),
                centre_px(self.image_size.width_px),
                centre_px(self.image_size.height_px),
            )),
            shutter: Shutter {
                readout_s: self.readout_s,
                readout_sd_s: if self.readout_s == 0.0 {
                    0.0
                } else {
                    self.readout_sd_s
                },
                exposure_s: self.exposure_s,
            },
            camera_from_range: Isometry3::from_parts(translation, rotation),
        }
    }
}

/// Two phones at 5 and 3 o'clock, held upright so that the board on the ground is in the picture: what a club starts
/// with.
pub fn two_phones() -> RigSketch {
    let phone = |name: &str, hours: f64, height_m: f64| SketchCamera {
        name: name.to_owned(),
        place: Place::Clock(ClockFace::from_hours(hours)),
        distance_m: 3.0,
        height_m,
        aim_height_m: None,
        lens: SketchLens::FieldOfViewDeg(65.0),
        image_size: ImageSize {
            width_px: 1920,
            height_px: 1080,
        },
        rotation_deg: 90,
        rate_hz: 60.0,
        readout_s: 0.016,
        readout_sd_s: default_readout_sd(),
        exposure_s: 0.002,
        sync: Sync::Sound,
    };
    RigSketch {
        format: SKETCH_FORMAT.to_owned(),
        name: "two phones".to_owned(),
        archer: NominalArcher::right_handed(1.72),
        marker: MarkerKind::Ball { diameter_m: 0.03 },
        surroundings: Surroundings::default(),
        survey: SketchSurvey::default(),
        cameras: vec![phone("five", 5.0, 1.9), phone("three", 3.0, 1.3)],
    }
}

#[cfg(test)]
#[path = "sketch_tests.rs"]
mod tests;
