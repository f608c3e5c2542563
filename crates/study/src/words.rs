//! The words of study pages and forecast plans, read from one file so that they can be translated.
//!
//! They stand here and not among the report's words, because this crate stands on the rig alone.

use crate::StudyError;
use crate::agreement::{Angle, StudyMeasure, Trust};
use drawarc_rig::words::{fill, places};
use serde::Deserialize;
use std::collections::BTreeMap;

/// The only version of the words file that this crate reads.
pub const STUDY_WORDS_FORMAT: &str = "drawarc-study-words/1";

const ENGLISH: &str = include_str!("../words/en.yaml");

/// The words of one language. A missing or unknown key is refused by name, and so is a `{name}` that the English text does
/// not have.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StudyWords {
    format: String,
    /// Language tag of the page, such as `en`.
    pub language: String,
    /// Direction of writing, `ltr` or `rtl`.
    pub direction: String,
    words: BTreeMap<String, String>,
}

impl StudyWords {
    /// The English words that ship with the crate.
    ///
    /// # Errors
    /// Never, as long as the crate's own file passes its test.
    pub fn english() -> Result<Self, StudyError> {
        Self::read(ENGLISH)
    }

    /// Reads the words of a language.
    ///
    /// # Errors
    /// The file is no YAML, a key is missing or unknown, a text has other `{names}` than in English, or the format is not
    /// [`STUDY_WORDS_FORMAT`].
    pub fn from_yaml(text: &str) -> Result<Self, StudyError> {
        let (english, words) = (Self::english()?, Self::read(text)?);
        if !["ltr", "rtl"].contains(&words.direction.as_str()) {
            return Err(wrong(format!(
                "direction is {:?}; it is ltr or rtl",
                words.direction
            )));
        }
        let lacks = |of: &Self, from: &Self| {
            of.words
                .keys()
                .find(|key| !from.words.contains_key(*key))
                .cloned()
        };
        if let Some(key) = lacks(&english, &words) {
            return Err(wrong(format!("words.{key} is missing")));
        }
        if let Some(key) = lacks(&words, &english) {
            return Err(wrong(format!("words.{key} is not known")));
        }
        for (key, text) in &words.words {
            let (expected, found) = (places(&english.words[key]), places(text));
            if expected != found {
                return Err(wrong(format!(
                    "words.{key} has the places {found:?}; in English it has {expected:?}"
                )));
            }
        }
        Ok(words)
    }

    fn read(text: &str) -> Result<Self, StudyError> {
        let words: Self =
            serde_yaml::from_str(text).map_err(|problem| wrong(problem.to_string()))?;
        if words.format != STUDY_WORDS_FORMAT {
            return Err(StudyError::Format {
                found: words.format,
                expected: STUDY_WORDS_FORMAT,
            });
        }
        Ok(words)
    }

    /// A text with its `{names}` filled in; its key where the file does not know it.
    pub fn say(&self, key: &str, values: &[(&str, &str)]) -> String {
        fill(self.words.get(key).map_or(key, String::as_str), values)
    }

    /// A text without places; its key where the file does not know it.
    pub fn plain<'a>(&'a self, key: &'a str) -> &'a str {
        self.words.get(key).map_or(key, String::as_str)
    }

    /// Name of a measure for a person.
    pub fn measure(&self, measure: StudyMeasure) -> &str {
        self.plain(match measure {
            StudyMeasure::DrawTravel => "draw_travel",
            StudyMeasure::ExpansionAway => "expansion_away",
            StudyMeasure::Reversal => "reversal",
            StudyMeasure::SlowestDraw => "slowest_draw",
            StudyMeasure::ExpansionBehind => "expansion_behind",
            StudyMeasure::BehindAtEnd => "behind_at_end",
            StudyMeasure::VDepth => "v_depth",
            StudyMeasure::ExpansionUp => "expansion_up",
        })
    }

    /// Unit of a measure for a person.
    pub fn unit(&self, measure: StudyMeasure) -> &str {
        self.plain(match measure {
            StudyMeasure::SlowestDraw => "mm_s",
            _ => "mm",
        })
    }

    /// How far a figure can be trusted.
    pub fn trust(&self, trust: Trust) -> &str {
        self.plain(match trust {
            Trust::Good => "trust_good",
            Trust::Coarse => "trust_coarse",
            Trust::Poor => "trust_poor",
            Trust::None => "trust_none",
        })
    }

    /// Where a camera stands.
    pub fn angle(&self, angle: Angle) -> String {
        match angle {
            Angle::Clock(_) => angle.to_string(),
            Angle::Overhead => self.plain("overhead").to_owned(),
        }
    }
}

fn wrong(message: String) -> StudyError {
    StudyError::Syntax {
        file: "words file",
        message,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_translation_must_be_whole() {
        let refused = |from: &str, to: &str| {
            assert!(ENGLISH.contains(from), "{from}");
            let text = ENGLISH.replacen(from, to, 1);
            StudyWords::from_yaml(&text).unwrap_err().to_string()
        };
        for (from, to, says) in [
            ("  target: target\n", "", "words.target is missing"),
            (
                "  target: target",
                "  target: target\n  targt: x",
                "words.targt is not known",
            ),
            (
                "bias {value}",
                "bias {valeu}",
                "words.plot_bias has the places",
            ),
            ("study-words/1", "study-words/9", "study-words/9"),
            ("direction: ltr", "direction: up", "ltr or rtl"),
        ] {
            let problem = refused(from, to);
            assert!(problem.contains(says), "{problem}");
        }
        let other =
            StudyWords::from_yaml(&ENGLISH.replacen("target: target", "target: Ziel", 1)).unwrap();
        assert_eq!(other.plain("target"), "Ziel");
    }
}
