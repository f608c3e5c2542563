//! What a person changed: a file beside the practice. The original stays, and the sheet says what was changed.

use crate::ReportError;
use crate::boundaries::Boundaries;
use crate::context::ShotContext;
use crate::sentences::Sentences;
use crate::sheet::{Felt, Phase, Side};
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
    /// What the archer felt, told before anybody looked.
    #[serde(default)]
    pub felt: Option<Felt>,
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
    /// [`ReportError::Correction`] for a time that is no number, [`ReportError::Twice`] for a shot that stands there twice.
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
        for (index, shot) in found.shots.iter().enumerate() {
            if found.shots[..index]
                .iter()
                .any(|other| other.shot == shot.shot)
            {
                return Err(ReportError::Twice {
                    shot: shot.shot.clone(),
                });
            }
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

    /// Refuses corrections of shots that are not there.
    ///
    /// # Errors
    /// [`ReportError::UnknownShot`] naming the first, and the shots that are there.
    pub fn fits(&self, shots: &[&str]) -> Result<(), ReportError> {
        match self
            .shots
            .iter()
            .find(|c| !shots.contains(&c.shot.as_str()))
        {
            None => Ok(()),
            Some(unknown) => Err(ReportError::UnknownShot {
                shot: unknown.shot.clone(),
                known: shots.join(", "),
            }),
        }
    }

    /// What was corrected of a shot.
    pub fn of(&self, shot: &str) -> Option<&ShotCorrection> {
        self.shots.iter().find(|correction| correction.shot == shot)
    }
}

/// The context with what a person corrected, and the corrections in words.
pub(crate) fn named<'a>(
    context: &ShotContext<'a>,
    words: &Sentences,
) -> (ShotContext<'a>, Vec<String>) {
    let mut named = context.clone();
    let mut said = Vec::new();
    let Some(correction) = &context.correction else {
        return (named, said);
    };
    if let Some(archer) = &correction.archer {
        let from = context.archer.clone();
        said.push(words.fill("correction-archer", &[("from", from)]));
        named.archer.clone_from(archer);
    }
    if let Some(side) = correction.side.filter(|side| *side != context.side) {
        let from = words.plain(match context.side {
            Side::Right => "hand-right",
            Side::Left => "hand-left",
        });
        said.push(words.fill("correction-side", &[("from", from)]));
        named.side = side;
    }
    if let Some(felt) = correction.felt {
        said.push(words.plain("correction-felt"));
        named.felt = Some(felt);
    }
    if correction.reject {
        said.push(words.plain("correction-rejected"));
    }
    said.extend(correction.note.clone());
    (named, said)
}

/// Moves the boundaries that a person moved, and says from where. All are moved before their order is looked at, so that
/// neighbours can move together.
pub(crate) fn move_boundaries(
    correction: &ShotCorrection,
    boundaries: &mut Boundaries,
    words: &Sentences,
) -> Result<Vec<String>, ReportError> {
    let mut said = Vec::new();
    let refuse = |phase: Phase, time_s: f64| ReportError::Correction {
        shot: correction.shot.clone(),
        what: format!("start of {}", words.plain(phase_key(phase))),
        time_s,
    };
    for (phase, &time_s) in &correction.starts_s {
        let (_, boundary) = boundaries
            .phases
            .iter_mut()
            .find(|(p, _)| p == phase)
            .ok_or_else(|| refuse(*phase, time_s))?;
        let key = phase_key(*phase).trim_start_matches("phase-");
        said.push(words.fill(
            "correction-boundary",
            &[
                ("what", words.plain(&format!("key-{key}"))),
                ("from", format!("{:.3}", boundary.time_s)),
                ("to", format!("{time_s:.3}")),
            ],
        ));
        boundary.time_s = time_s;
        boundary.draws.fill(time_s);
        boundary.corrected = true;
    }
    let ends = boundaries.phases[1..]
        .iter()
        .map(|(_, next)| next)
        .chain(std::iter::once(&boundaries.end));
    for ((phase, start), end) in boundaries.phases.iter().zip(ends) {
        if start.time_s >= end.time_s {
            // The one that was moved is to blame.
            let blamed = if start.corrected {
                Some((*phase, start.time_s))
            } else {
                boundaries
                    .phases
                    .iter()
                    .find(|(_, other)| other.corrected && other.time_s >= end.time_s - 1e-9)
                    .map(|(phase, other)| (*phase, other.time_s))
            };
            if let Some((phase, time_s)) = blamed.or_else(|| {
                correction
                    .starts_s
                    .iter()
                    .next()
                    .map(|(phase, time_s)| (*phase, *time_s))
            }) {
                return Err(refuse(phase, time_s));
            }
        }
    }
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
        assert!(found.fits(&["shot-01", "shot-02", "shot-03"]).is_ok());
        let unknown = found.fits(&["shot-01", "shot-02"]).unwrap_err().to_string();
        assert!(unknown.contains("shot-03") && unknown.contains("shot-01, shot-02"));
        let twice = text.replace("shot-03", "shot-02");
        let message = Corrections::from_yaml(&twice).unwrap_err().to_string();
        assert!(message.contains("twice"), "{message}");
        assert!(Corrections::from_yaml(&text.replace("/1", "/7")).is_err());
        assert!(Corrections::from_yaml(&text.replace("12.5", ".nan")).is_err());
    }
}
