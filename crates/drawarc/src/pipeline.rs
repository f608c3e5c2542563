//! The pipeline: which steps run, with which settings. `format: drawarc-pipeline/1`.

use crate::failure::{Failure, Outcome};
use drawarc_report::Advice;
use drawarc_report::page::Words;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Word at the top of a pipeline file.
pub(crate) const FORMAT: &str = "drawarc-pipeline/1";

/// A step of the way from footage to page.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Step {
    /// Board footage to rig.
    Survey,
    /// The clock of every camera.
    Clocks,
    /// The markers in every frame.
    Sightings,
    /// The elbow's path.
    Path,
    /// Shot sheets and page.
    Sheet,
}

/// Which steps run, with which settings; everything has a default.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Pipeline {
    /// Always [`FORMAT`].
    pub(crate) format: String,
    /// Steps in order, from the first on, without a hole.
    pub(crate) steps: Vec<Step>,
    /// Seed of every random number.
    #[serde(default = "default_seed")]
    pub(crate) seed: u64,
    /// Clock settings.
    #[serde(default)]
    pub(crate) clocks: ClockSettings,
    /// Which stretches of the footage are measured.
    #[serde(default)]
    pub(crate) sightings: WindowSettings,
    /// Path settings.
    #[serde(default)]
    pub(crate) path: PathChoices,
    /// Sheet settings.
    #[serde(default)]
    pub(crate) sheet: SheetChoices,
    /// Folder of the pipeline file.
    #[serde(skip)]
    folder: PathBuf,
}

const fn default_seed() -> u64 {
    1
}

/// How clocks are found.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct ClockSettings {
    /// Use the sound.
    pub(crate) from_sound: bool,
    /// Use the motion of the markers.
    pub(crate) from_motion: bool,
    /// How far a camera's sound may stand off its picture (ms, 1 σ) where the manifest does not say.
    /// Phones: common practice, no source.
    pub(crate) sound_lag_sd_ms: f64,
}

impl Default for ClockSettings {
    fn default() -> Self {
        Self {
            from_sound: true,
            from_motion: true,
            sound_lag_sd_ms: 10.0,
        }
    }
}

/// Which stretches of the footage are measured.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct WindowSettings {
    /// Of long recordings, from so long before a loud event (s).
    pub(crate) before_s: f64,
    /// To so long after it (s).
    pub(crate) after_s: f64,
    /// Measure all of a long recording, not only where a first look found movement or sounds.
    pub(crate) everything: bool,
}

impl Default for WindowSettings {
    fn default() -> Self {
        Self {
            before_s: 8.0,
            after_s: 2.5,
            everything: false,
        }
    }
}

/// Path settings.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct PathChoices {
    /// Joint samples of the path that every probability stands on.
    pub(crate) draws: usize,
    /// Step of the exported path (s).
    pub(crate) step_s: f64,
    /// The path of the whole practice is fitted in parts of no more than this (s, all markers together): memory grows with it.
    pub(crate) at_once_s: f64,
}

impl Default for PathChoices {
    fn default() -> Self {
        Self {
            draws: 400,
            step_s: 0.005,
            at_once_s: 180.0,
        }
    }
}

/// Sheet settings.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct SheetChoices {
    /// A collapse below this depth is never marked (mm).
    pub(crate) floor_mm: f64,
    /// Shot clock (s).
    pub(crate) shot_clock_s: f64,
    /// Pictures of the archer on the page; off: path and drawn figure only.
    pub(crate) pictures: bool,
    /// Words of the report in another language, beside the pipeline; a copy of `words/en.yaml` of the report, translated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) words: Option<PathBuf>,
    /// The coach's own table of what to work on next, beside the pipeline.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) advice: Option<PathBuf>,
}

impl Default for SheetChoices {
    fn default() -> Self {
        Self {
            floor_mm: 2.0,
            shot_clock_s: 40.0,
            pictures: true,
            words: None,
            advice: None,
        }
    }
}

impl Default for Pipeline {
    fn default() -> Self {
        Self {
            format: FORMAT.to_owned(),
            steps: vec![
                Step::Survey,
                Step::Clocks,
                Step::Sightings,
                Step::Path,
                Step::Sheet,
            ],
            seed: default_seed(),
            clocks: ClockSettings::default(),
            sightings: WindowSettings::default(),
            path: PathChoices::default(),
            sheet: SheetChoices::default(),
            folder: PathBuf::new(),
        }
    }
}

impl Pipeline {
    /// Reads a pipeline file.
    pub(crate) fn read(path: &Path) -> Outcome<Self> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| Failure::input(format!("{}: {source}", path.display())))?;
        let mut pipeline = Self::parse(&text).map_err(|failure| failure.found_in(path))?;
        path.parent()
            .unwrap_or(Path::new(""))
            .clone_into(&mut pipeline.folder);
        Ok(pipeline)
    }

    /// Reads the text of a pipeline file.
    pub(crate) fn parse(text: &str) -> Outcome<Self> {
        let pipeline: Self = serde_yaml::from_str(text).map_err(Failure::input)?;
        pipeline.validate()?;
        Ok(pipeline)
    }

    /// The words of the report, and their file where they are not English.
    pub(crate) fn words(&self) -> Outcome<(Words, Option<PathBuf>)> {
        let file = self.sheet.words.as_ref().map(|name| self.folder.join(name));
        let words = match &file {
            None => Words::english().map_err(Failure::input)?,
            Some(path) => read(path, Words::from_yaml)?,
        };
        Ok((words, file))
    }

    /// What to work on next, and the coach's own file where there is one.
    pub(crate) fn advice(&self) -> Outcome<(Advice, Option<PathBuf>)> {
        let file = self
            .sheet
            .advice
            .as_ref()
            .map(|name| self.folder.join(name));
        let advice = match &file {
            None => Advice::ours().map_err(Failure::input)?,
            Some(path) => read(path, Advice::from_yaml)?,
        };
        Ok((advice, file))
    }

    /// Does this step run?
    pub(crate) fn runs(&self, step: Step) -> bool {
        self.steps.contains(&step)
    }

    fn validate(&self) -> Outcome<()> {
        if self.format != FORMAT {
            return Err(Failure::input(format!(
                "this file says format {:?}; a pipeline says {FORMAT:?}",
                self.format
            )));
        }
        let whole = Self::default().steps;
        let from_rig = &whole[1..];
        let is_start_of = |way: &[Step]| way.starts_with(&self.steps);
        if self.steps.is_empty() || !(is_start_of(&whole) || is_start_of(from_rig)) {
            return Err(Failure::input(
                "steps stand in this order without a hole: survey, clocks, sightings, path, sheet (survey may be left out where the manifest names a rig; the end may be left off)",
            ));
        }
        // A step of a nanosecond would fill any memory with samples.
        let ranges = [
            (
                "clocks.sound_lag_sd_ms",
                self.clocks.sound_lag_sd_ms,
                0.0,
                1000.0,
            ),
            ("sightings.before_s", self.sightings.before_s, 0.1, 600.0),
            ("sightings.after_s", self.sightings.after_s, 0.1, 600.0),
            ("path.step_s", self.path.step_s, 0.000_5, 0.1),
            ("path.at_once_s", self.path.at_once_s, 5.0, 3600.0),
            ("sheet.shot_clock_s", self.sheet.shot_clock_s, 1.0, 3600.0),
        ];
        for (name, value, low, high) in ranges {
            if !(low..=high).contains(&value) {
                return Err(Failure::input(format!(
                    "{name} is {value}; it must be {low} to {high}"
                )));
            }
        }
        if !(50..=20_000).contains(&self.path.draws) {
            return Err(Failure::input(format!(
                "path.draws is {}; 50 to 20000 samples make a probability",
                self.path.draws
            )));
        }
        if self.path.draws as f64 / self.path.step_s > 2e6 {
            return Err(Failure::input(format!(
                "path.draws is {} at a path.step_s of {} s: more samples than memory should hold; at most 2 000 000 a second",
                self.path.draws, self.path.step_s
            )));
        }
        if !(0.0..=100.0).contains(&self.sheet.floor_mm) {
            return Err(Failure::input(format!(
                "sheet.floor_mm is {}; a floor lies between 0 and 100 mm",
                self.sheet.floor_mm
            )));
        }
        Ok(())
    }
}

/// Reads a file of texts; what is wrong with it is said beside its name.
fn read<T, E: std::fmt::Display>(
    path: &Path,
    from_yaml: impl Fn(&str) -> Result<T, E>,
) -> Outcome<T> {
    let wrong = |words: String| Failure::input(format!("{}: {words}", path.display()));
    let text = std::fs::read_to_string(path).map_err(|source| wrong(source.to_string()))?;
    from_yaml(&text).map_err(|source| wrong(source.to_string()))
}
