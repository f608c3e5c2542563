//! The study file: what is compared, from which practices, and what was left out. `format: drawarc-study/1`.

use super::planar::{AssumedPlane, PlanarEstimate, PlanarScale};
use super::track::StudyMeasure;
use crate::StudyError;
use crate::forecast::SketchCamera;
use serde::{Deserialize, Serialize};

/// The format word of a study file.
pub const STUDY_FORMAT: &str = "drawarc-study/1";

/// A study.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StudyFile {
    /// [`STUDY_FORMAT`].
    pub format: String,
    /// Title.
    pub title: String,
    /// The question, in a sentence.
    #[serde(default)]
    pub question: String,
    /// Practice folders or manifests, as the command understands them.
    pub practices: Vec<String>,
    /// Cameras of the rig that are compared; empty: all.
    #[serde(default)]
    pub cameras: Vec<String>,
    /// Angles that no camera has: the 3-D path is projected through these.
    #[serde(default)]
    pub virtual_cameras: Vec<SketchCamera>,
    /// Single-camera estimates; empty: those of [`usual_estimates`].
    #[serde(default)]
    pub estimates: Vec<PlanarEstimate>,
    /// Measures; empty: all.
    #[serde(default)]
    pub measures: Vec<StudyMeasure>,
    /// Shots that are left out, each with its reason.
    #[serde(default)]
    pub exclusions: Vec<Exclusion>,
    /// Numbers of the analysis.
    #[serde(default)]
    pub analysis: Analysis,
}

/// A shot that is left out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Exclusion {
    /// Practice; empty: any.
    #[serde(default)]
    pub practice: String,
    /// Archer; empty: any.
    #[serde(default)]
    pub archer: String,
    /// Shot; empty: all of them.
    #[serde(default)]
    pub shot: String,
    /// Why. A study without reasons is none.
    pub reason: String,
}

/// Numbers of the analysis.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Analysis {
    /// Level of all intervals.
    pub confidence: f64,
    /// Resamples behind the interval of the root mean square.
    pub resamples: usize,
    /// Seed.
    pub seed: u64,
    /// A reversal of at least this depth is called a collapse by whoever looks (mm).
    pub collapse_floor_mm: f64,
    /// A figure can be trusted when nearly all differences stay within this (mm, or mm/s for speeds).
    pub tolerance: f64,
    /// Wanted half width of the limits' intervals (mm) for the advice on sample size.
    pub wanted_half_width: f64,
    /// Marker noise of virtual cameras, one axis (px).
    pub virtual_noise_px: f64,
}

impl Default for Analysis {
    fn default() -> Self {
        Self {
            confidence: 0.95,
            resamples: 1000,
            seed: 1,
            collapse_floor_mm: 2.0,
            tolerance: 3.0,
            wanted_half_width: 1.0,
            virtual_noise_px: 0.1,
        }
    }
}

/// The estimates that practitioners make: along or across the arrow line with a rod or by distance, each with and without
/// lens correction, and as it looks.
pub fn usual_estimates() -> Vec<PlanarEstimate> {
    let make = |name: &str, plane, scale, lens_corrected| PlanarEstimate {
        name: name.to_owned(),
        plane,
        scale,
        lens_corrected,
    };
    let rod = PlanarScale::KnownLength(0.5);
    vec![
        make("rod", AssumedPlane::Aligned, rod, true),
        make("rod-raw-lens", AssumedPlane::Aligned, rod, false),
        make(
            "distance",
            AssumedPlane::Aligned,
            PlanarScale::SurveyedDistance,
            true,
        ),
        make(
            "distance-raw-lens",
            AssumedPlane::Aligned,
            PlanarScale::SurveyedDistance,
            false,
        ),
        make(
            "as-seen",
            AssumedPlane::AsSeen,
            PlanarScale::SurveyedDistance,
            true,
        ),
    ]
}

#[derive(Deserialize)]
struct FormatOnly {
    format: String,
}

impl StudyFile {
    /// Reads a study file.
    ///
    /// # Errors
    /// [`StudyError`] naming field, line and column, or what cannot be.
    pub fn from_yaml(text: &str) -> Result<Self, StudyError> {
        let syntax = |source: serde_yaml::Error| StudyError::Syntax {
            file: "study file",
            message: source.to_string(),
        };
        let head: FormatOnly = serde_yaml::from_str(text).map_err(syntax)?;
        if head.format != STUDY_FORMAT {
            return Err(StudyError::Format {
                found: head.format,
                expected: STUDY_FORMAT,
            });
        }
        let study: Self = serde_yaml::from_str(text).map_err(syntax)?;
        study.validate()?;
        Ok(study)
    }

    /// The study as text.
    ///
    /// # Errors
    /// [`StudyError`] where [`Self::validate`] refuses.
    pub fn to_yaml(&self) -> Result<String, StudyError> {
        self.validate()?;
        serde_yaml::to_string(self).map_err(|source| StudyError::Syntax {
            file: "study file",
            message: source.to_string(),
        })
    }

    /// Refuses names that appear twice, numbers that cannot be, and exclusions without a reason.
    ///
    /// # Errors
    /// [`StudyError`] naming the first fault.
    pub fn validate(&self) -> Result<(), StudyError> {
        let unique = |names: Vec<&String>| {
            for (index, name) in names.iter().enumerate() {
                if names[..index].contains(name) {
                    return Err(StudyError::Name {
                        name: (*name).clone(),
                        problem: "appears twice",
                    });
                }
            }
            Ok(())
        };
        unique(
            self.estimates
                .iter()
                .map(|estimate| &estimate.name)
                .collect(),
        )?;
        unique(
            self.virtual_cameras
                .iter()
                .map(|camera| &camera.name)
                .collect(),
        )?;
        if let Some(silent) = self
            .exclusions
            .iter()
            .find(|exclusion| exclusion.reason.trim().is_empty())
        {
            return Err(StudyError::Name {
                name: silent.shot.clone(),
                problem: "is excluded without a reason",
            });
        }
        let analysis = &self.analysis;
        crate::statistics::check_confidence(analysis.confidence)?;
        for (what, value) in [
            ("collapse_floor_mm", analysis.collapse_floor_mm),
            ("tolerance", analysis.tolerance),
            ("wanted_half_width", analysis.wanted_half_width),
        ] {
            if !(value.is_finite() && value > 0.0) {
                return Err(StudyError::Value { what, value });
            }
        }
        if !(analysis.virtual_noise_px.is_finite() && analysis.virtual_noise_px >= 0.0) {
            return Err(StudyError::Value {
                what: "virtual_noise_px",
                value: analysis.virtual_noise_px,
            });
        }
        for estimate in &self.estimates {
            if let PlanarScale::KnownLength(length) = estimate.scale
                && !(length.is_finite() && length > 0.0)
            {
                return Err(StudyError::Value {
                    what: "known length (m)",
                    value: length,
                });
            }
        }
        Ok(())
    }

    /// Why a shot is left out, if it is.
    pub fn exclusion(&self, practice: &str, archer: &str, shot: &str) -> Option<&Exclusion> {
        let fits = |wanted: &str, found: &str| wanted.is_empty() || wanted == found;
        self.exclusions.iter().find(|exclusion| {
            fits(&exclusion.practice, practice)
                && fits(&exclusion.archer, archer)
                && fits(&exclusion.shot, shot)
        })
    }

    /// The estimates in force.
    pub fn estimates_in_force(&self) -> Vec<PlanarEstimate> {
        if self.estimates.is_empty() {
            usual_estimates()
        } else {
            self.estimates.clone()
        }
    }

    /// The measures in force.
    pub fn measures_in_force(&self) -> Vec<StudyMeasure> {
        if self.measures.is_empty() {
            StudyMeasure::ALL.to_vec()
        } else {
            self.measures.clone()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "format: drawarc-study/1
title: One phone against the centre
practices: [monday, tuesday]
measures: [reversal, expansion-behind]
estimates:
  - {name: rod, plane: aligned, scale: {known-length: 0.5}, lens_corrected: true}
  - {name: tape, plane: as-seen, scale: surveyed-distance, lens_corrected: false}
exclusions:
  - {practice: monday, shot: shot-03, reason: the ball slipped}
analysis: {tolerance: 2.5}
";

    #[test]
    fn a_study_is_read_written_and_read_again() {
        let study = StudyFile::from_yaml(TEXT).unwrap();
        assert_eq!(
            study.measures,
            [StudyMeasure::Reversal, StudyMeasure::ExpansionBehind]
        );
        assert_eq!(study.estimates[1].plane, AssumedPlane::AsSeen);
        assert!(study.exclusion("monday", "anna", "shot-03").is_some());
        assert!(study.exclusion("tuesday", "anna", "shot-03").is_none());
        assert_eq!(
            StudyFile::from_yaml(&study.to_yaml().unwrap()).unwrap(),
            study
        );
    }

    #[test]
    fn what_does_not_belong_is_refused() {
        for (from, to) in [
            ("tolerance", "tolerence"),
            ("reason: the ball slipped", "reason: ''"),
            ("name: tape", "name: rod"),
            ("study/1", "study/9"),
            ("known-length: 0.5", "known-length: -0.5"),
        ] {
            assert!(
                StudyFile::from_yaml(&TEXT.replacen(from, to, 1)).is_err(),
                "{to}"
            );
        }
    }
}
