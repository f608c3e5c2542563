//! What a person changed: a file beside the practice. The original stays, and the sheet says what was changed.

use crate::ReportError;
use crate::boundaries::Boundaries;
use crate::sentences::Sentences;
use crate::sheet::{Phase, Side};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The only version of the file that this crate reads.
pub const CORRECTIONS_FORMAT: &str = "drawarc-corrections/1";

/// Corrections of one practice.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Corrections {
    format: String,
    /// By shot.
    #[serde(default)]
    pub shots: Vec<ShotCorrection>,
}

/// Corrections of one shot.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShotCorrection {
    /// Which shot, `shot-03`.
    pub shot: String,
    /// No shot, or not to be counted.
    #[serde(default)]
    pub reject: bool,
    /// Who shot it.
    #[serde(default)]
    pub archer: Option<String>,
    /// With which hand.
    #[serde(default)]
    pub side: Option<Side>,
    /// Phases whose start was moved, with the new start (range time, s).
    #[serde(default)]
    pub starts_s: BTreeMap<Phase, f64>,
    /// Why.
    #[serde(default)]
    pub note: Option<String>,
}

impl Corrections {
    /// Reads the file.
    ///
    /// # Errors
    /// [`ReportError::Syntax`] with field, line and column; [`ReportError::Format`] for another version;
    /// [`ReportError::Correction`] for a time that is no number.
    pub fn from_yaml(text: &str) -> Result<Self, ReportError> {
        let found: Self = serde_yaml::from_str(text).map_err(|error| ReportError::Syntax {
            what: "corrections",
            message: error.to_string(),
        })?;
        if found.format != CORRECTIONS_FORMAT {
            return Err(ReportError::Format {
                found: found.format,
                expected: CORRECTIONS_FORMAT,
            });
        }
        for shot in &found.shots {
            if let Some((phase, time_s)) = shot.starts_s.iter().find(|(_, t)| !t.is_finite()) {
                return Err(ReportError::Correction {
                    shot: shot.shot.clone(),
                    what: format!("start of {phase:?}"),
                    time_s: *time_s,
                });
            }
        }
        Ok(found)
    }

    /// What was corrected of a shot.
    pub fn of(&self, shot: &str) -> Option<&ShotCorrection> {
        self.shots.iter().find(|correction| correction.shot == shot)
    }
}

/// Moves the boundaries that a person moved, and says so.
pub(crate) fn apply(
    correction: &ShotCorrection,
    boundaries: &mut Boundaries,
    words: &Sentences,
) -> Result<Vec<String>, ReportError> {
    let mut said = Vec::new();
    for (phase, &time_s) in &correction.starts_s {
        let name = words.plain(phase_key(*phase));
        let refuse = || ReportError::Correction {
            shot: correction.shot.clone(),
            what: format!("start of {name}"),
            time_s,
        };
        let index = boundaries
            .phases
            .iter()
            .position(|(p, _)| p == phase)
            .ok_or_else(refuse)?;
        let before = index
            .checked_sub(1)
            .map_or(f64::NEG_INFINITY, |i| boundaries.phases[i].1.time_s);
        let after = boundaries
            .phases
            .get(index + 1)
            .map_or(boundaries.end.time_s, |(_, next)| next.time_s);
        if !(before < time_s && time_s < after) {
            return Err(refuse());
        }
        let boundary = &mut boundaries.phases[index].1;
        said.push(words.fill(
            "correction-boundary",
            &[
                (
                    "what",
                    words.plain(&format!(
                        "key-{}",
                        phase_key(*phase).trim_start_matches("phase-")
                    )),
                ),
                ("from", format!("{:.3}", boundary.time_s)),
                ("to", format!("{time_s:.3}")),
            ],
        ));
        boundary.time_s = time_s;
        boundary.draws.fill(time_s);
        boundary.corrected = true;
    }
    if correction.archer.is_some() {
        said.push(words.plain("correction-archer"));
    }
    if correction.reject {
        said.push(words.plain("correction-rejected"));
    }
    said.extend(correction.note.clone());
    Ok(said)
}

/// Key of a phase's name among the sentences.
pub(crate) fn phase_key(phase: Phase) -> &'static str {
    match phase {
        Phase::Raise => "phase-raise",
        Phase::SetUp => "phase-set-up",
        Phase::Draw => "phase-draw",
        Phase::Anchor => "phase-anchor",
        Phase::Expansion => "phase-expansion",
        Phase::Release => "phase-release",
        Phase::FollowThrough => "phase-follow-through",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_read_and_an_unknown_field_is_named() {
        let text = "format: drawarc-corrections/1\nshots:\n  - shot: shot-02\n    reject: true\n  - shot: shot-03\n    starts_s: { anchor: 12.5 }\n";
        let found = Corrections::from_yaml(text).unwrap();
        assert!(found.of("shot-02").unwrap().reject);
        let start_s = found.of("shot-03").unwrap().starts_s[&Phase::Anchor];
        assert!((start_s - 12.5).abs() < 1e-12);
        assert!(found.of("shot-01").is_none());
        let wrong = text.replace("reject", "rejekt");
        let message = Corrections::from_yaml(&wrong).unwrap_err().to_string();
        assert!(
            message.contains("rejekt") && message.contains('4'),
            "{message}"
        );
        assert!(Corrections::from_yaml(&text.replace("/1", "/7")).is_err());
        assert!(Corrections::from_yaml(&text.replace("12.5", ".nan")).is_err());
    }
}
