//! The practice manifest: what was filmed on one evening. `format: drawarc-practice/1`.

use crate::failure::{Failure, Outcome};
use crate::ground::Ground;
use drawarc_footage::{SlowMotion, SlowStretch};
use drawarc_report::{BowStage, Felt, Side};
use drawarc_rig::ClockFace;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Word at the top of a manifest.
pub(crate) const FORMAT: &str = "drawarc-practice/1";

/// What was filmed on one evening.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Practice {
    /// Always [`FORMAT`].
    pub(crate) format: String,
    /// Title on the page.
    pub(crate) title: String,
    /// Day of the practice, ISO 8601.
    pub(crate) date: String,
    /// Board description, relative to the manifest.
    pub(crate) board: PathBuf,
    /// What fixes the range frame, where it is not the board's last rest on level ground.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) ground: Option<Ground>,
    /// A rig surveyed before; without one it is surveyed from the board in these recordings.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) rig: Option<PathBuf>,
    /// What a person corrected: rejected shots, names, moved boundaries.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) corrections: Option<PathBuf>,
    /// Air temperature (°C): sets the speed of sound.
    #[serde(default = "default_temperature_c")]
    pub(crate) temperature_c: f64,
    /// The cameras; two or more.
    pub(crate) cameras: Vec<CameraEntry>,
    /// The markers on the archer; the elbow's is needed.
    #[serde(default)]
    pub(crate) markers: Vec<MarkerEntry>,
    /// Who shot, in order.
    #[serde(default)]
    pub(crate) turns: Vec<Turn>,
}

fn default_temperature_c() -> f64 {
    20.0
}

/// One camera and what it recorded.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct CameraEntry {
    /// Any name; the rig and every table use it.
    pub(crate) name: String,
    /// Where it stood by the clock, for the words on the page.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) stands: Option<Stand>,
    /// Video files, in order: one recording, or the chapters into which the camera split it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(crate) files: Vec<PathBuf>,
    /// Photographs of the board instead of video (survey only): the n-th of each camera belong together.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(crate) stills: Vec<PathBuf>,
    /// Time from the first row to the last (ms); 0 for a global shutter.
    #[serde(default)]
    pub(crate) readout_ms: f64,
    /// How well that is known (ms, 1 σ): 0 holds it; not given, a quarter of the read-out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) readout_sd_ms: Option<f64>,
    /// Exposure of each row (ms).
    #[serde(default = "default_exposure_ms")]
    pub(crate) exposure_ms: f64,
    /// Do the cameras so marked share one shutter signal?
    #[serde(default)]
    pub(crate) genlocked: bool,
    /// How far the sound may stand off the picture in this camera's files (ms, 1 σ).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) sound_lag_sd_ms: Option<f64>,
    /// Lens: "ordinary" or "wide".
    #[serde(default)]
    pub(crate) lens: LensKind,
    /// Stretches that the files store slower than they were filmed, in their order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(crate) slow_motion: Vec<SlowEntry>,
}

/// A stretch of slow motion.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct SlowEntry {
    /// How many times slower it is stored: 8 where 240 frames a second became 30.
    pub(crate) times_slower: f64,
    /// Where it begins, as a player shows it (s); not given, at the beginning.
    #[serde(default)]
    pub(crate) from_s: f64,
    /// Where it ends (s); not given, at the end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) until_s: Option<f64>,
}

fn default_exposure_ms() -> f64 {
    2.0
}

/// Where a camera stood: a place on the dial such as "5:00", or "overhead".
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub(crate) enum Stand {
    /// On the dial.
    Clock(ClockFace),
    /// Above the archer.
    Overhead,
}

impl TryFrom<String> for Stand {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        if text == "overhead" {
            Ok(Self::Overhead)
        } else {
            ClockFace::try_from(text).map(Self::Clock)
        }
    }
}

impl From<Stand> for String {
    fn from(stand: Stand) -> Self {
        match stand {
            Stand::Overhead => "overhead".to_owned(),
            Stand::Clock(place) => place.to_string(),
        }
    }
}

/// Which family of lens to survey.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum LensKind {
    /// Up to about 100° across.
    #[default]
    Ordinary,
    /// Wide-angle.
    Wide,
}

/// One marker.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct MarkerEntry {
    /// Where it sits.
    pub(crate) on: drawarc_sync_track::MarkerRole,
    /// What it is.
    pub(crate) shape: MarkerShapeName,
    /// Diameter of ball or dot, width of a band (mm).
    pub(crate) size_mm: f64,
    /// Its colour, by name.
    pub(crate) colour: String,
}

/// What a marker is, by name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum MarkerShapeName {
    /// A ball on an elastic band.
    Ball,
    /// A bright band around the limb.
    Band,
    /// A flat dot.
    Dot,
}

/// One archer's turn.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Turn {
    /// Any alias.
    pub(crate) archer: String,
    /// Which hand draws.
    pub(crate) handedness: Side,
    /// Body height (cm).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) height_cm: Option<f64>,
    /// Band, light bow or own bow.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) stage: Option<BowStage>,
    /// Draw weight (lb).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) draw_weight_lb: Option<f64>,
    /// How many of the shots found belong to this turn; all that are left where not said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) shots: Option<usize>,
    /// What the archer said of each shot before seeing anything.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(crate) felt: Vec<Felt>,
}

impl CameraEntry {
    /// From the files' times to those at which they were filmed.
    pub(crate) fn slowed(&self) -> Outcome<SlowMotion> {
        let stretch = |entry: &SlowEntry| SlowStretch {
            from_s: entry.from_s,
            until_s: entry.until_s.unwrap_or(f64::INFINITY),
            slower: entry.times_slower,
        };
        SlowMotion::new(self.slow_motion.iter().map(stretch).collect()).ok_or_else(|| {
            Failure::input(format!(
                "camera {:?}: the stretches under `slow_motion:` cannot be",
                self.name
            ))
            .help("list them in order, each from_s before its until_s, each times_slower above 1")
        })
    }

    fn shares_no_file_with(&self, others: &[Self]) -> Outcome<()> {
        for file in &self.files {
            if let Some(other) = others.iter().find(|other| other.files.contains(file)) {
                return Err(Failure::input(format!(
                    "cameras {:?} and {:?} name the same file, {}",
                    other.name,
                    self.name,
                    file.display()
                )));
            }
        }
        Ok(())
    }
}

impl Turn {
    fn validate(&self) -> Outcome<()> {
        if self.archer.trim().is_empty() {
            return Err(Failure::input("a turn names no archer; any alias will do"));
        }
        for (what, value, (low, high)) in [
            ("height_cm", self.height_cm, (80.0, 240.0)),
            ("draw_weight_lb", self.draw_weight_lb, (0.5, 150.0)),
        ] {
            if let Some(value) = value
                && !(low..=high).contains(&value)
            {
                return Err(Failure::input(format!(
                    "{}: {what} is {value}; it must be {low} to {high}",
                    self.archer
                )));
            }
        }
        Ok(())
    }
}

/// A day of the Gregorian calendar as ISO 8601 writes it, `2026-01-31`.
fn is_day(text: &str) -> bool {
    let parts: Vec<&str> = text.split('-').collect();
    let [year, month, day] = parts[..] else {
        return false;
    };
    let number = |text: &str, digits: usize| {
        (text.len() == digits && text.bytes().all(|byte| byte.is_ascii_digit()))
            .then(|| text.parse::<u32>().ok())
            .flatten()
    };
    let (Some(year), Some(month), Some(day)) = (number(year, 4), number(month, 2), number(day, 2))
    else {
        return false;
    };
    let leap = year.is_multiple_of(4) && (!year.is_multiple_of(100) || year.is_multiple_of(400));
    let days = match month {
        1 | 3 | 5 | 7 | 8 | 10 | 12 => 31,
        4 | 6 | 9 | 11 => 30,
        2 => 28 + u32::from(leap),
        _ => return false,
    };
    (1..=days).contains(&day)
}

#[derive(Deserialize)]
struct FormatOnly {
    format: String,
}

impl Practice {
    /// Whether all cameras are said to share one shutter signal.
    pub(crate) fn one_signal(&self) -> bool {
        self.cameras.iter().all(|camera| camera.genlocked)
    }

    /// Reads a manifest; paths in it become relative to the present folder.
    pub(crate) fn read(path: &Path) -> Outcome<Self> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| Failure::input(format!("{}: {source}", path.display())))?;
        let mut practice = Self::parse(&text).map_err(|failure| failure.found_in(path))?;
        let folder = path.parent().unwrap_or(Path::new(""));
        let anchor = |entry: &mut PathBuf| *entry = folder.join(&*entry);
        anchor(&mut practice.board);
        practice.rig.iter_mut().for_each(anchor);
        practice.corrections.iter_mut().for_each(anchor);
        for camera in &mut practice.cameras {
            camera.files.iter_mut().for_each(anchor);
            camera.stills.iter_mut().for_each(anchor);
        }
        Ok(practice)
    }

    /// Reads the text of a manifest.
    pub(crate) fn parse(text: &str) -> Outcome<Self> {
        let head: FormatOnly = serde_yaml::from_str(text).map_err(Failure::input)?;
        if head.format != FORMAT {
            return Err(Failure::input(format!(
                "this file says format {:?}; a practice manifest says {FORMAT:?}",
                head.format
            )));
        }
        let practice: Self = serde_yaml::from_str(text).map_err(Failure::input)?;
        practice.validate()?;
        Ok(practice)
    }

    fn validate(&self) -> Outcome<()> {
        if self.cameras.len() < 2 {
            return Err(Failure::input(format!(
                "{} camera in the manifest; a 3-D path needs two or more",
                self.cameras.len()
            ))
            .help("list a second camera under `cameras:`, at least 30° round the clock from the first"));
        }
        if !is_day(&self.date) {
            return Err(Failure::input(format!(
                "{:?} is no day; days are written 2026-01-31",
                self.date
            )));
        }
        for (index, camera) in self.cameras.iter().enumerate() {
            if camera.name.trim().is_empty() {
                return Err(Failure::input(format!(
                    "camera number {} has no name",
                    index + 1
                )));
            }
            if self.cameras[..index]
                .iter()
                .any(|other| other.name == camera.name)
            {
                return Err(Failure::input(format!(
                    "two cameras are called {:?}",
                    camera.name
                )));
            }
            if camera.files.is_empty() == camera.stills.is_empty() {
                return Err(Failure::input(format!(
                    "camera {:?} needs either `files:` (video) or `stills:` (photographs of the board)",
                    camera.name
                )));
            }
            camera.shares_no_file_with(&self.cameras[..index])?;
            camera.slowed()?;
            let times = [
                camera.readout_ms.abs(),
                camera.readout_sd_ms.unwrap_or(0.0),
                camera.exposure_ms,
                camera.sound_lag_sd_ms.unwrap_or(0.0),
            ];
            if times.iter().any(|ms| !(0.0..1000.0).contains(ms)) {
                return Err(Failure::input(format!(
                    "camera {:?}: read-out, exposure and sound lag are times in milliseconds, 0 to 1000",
                    camera.name
                )));
            }
        }
        for (index, marker) in self.markers.iter().enumerate() {
            if self.markers[..index]
                .iter()
                .any(|other| other.on == marker.on)
            {
                return Err(Failure::input(format!(
                    "two markers on the {}",
                    serde_yaml::to_string(&marker.on)
                        .unwrap_or_default()
                        .trim_end()
                )));
            }
            if !(1.0..500.0).contains(&marker.size_mm) {
                return Err(Failure::input(format!(
                    "a marker of {} mm cannot be; sizes are millimetres, 1 to 500",
                    marker.size_mm
                )));
            }
        }
        for turn in &self.turns {
            turn.validate()?;
        }
        if !(-60.0..60.0).contains(&self.temperature_c) {
            return Err(Failure::input(format!(
                "{} °C is no temperature to shoot at",
                self.temperature_c
            )));
        }
        Ok(())
    }

    /// The manifest as text.
    pub(crate) fn to_yaml(&self) -> Outcome<String> {
        serde_yaml::to_string(self).map_err(Failure::output)
    }
}
