//! All words of the page, read from one file so that they can be translated.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::error::PageError;
use crate::export::Source;
use crate::sentences::Sentences;
use drawarc_rig::words::{fill, places};

/// The only version of the words file that this crate reads.
pub const WORDS_FORMAT: &str = "drawarc-words/1";

const ENGLISH: &str = include_str!("../../words/en.yaml");

/// The words of one language. A missing or unknown key is refused by name, and so is a `{name}` that the English text
/// does not have.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Words {
    /// Format and version of the file, [`WORDS_FORMAT`].
    pub format: String,
    /// Language tag of the page, such as `en`.
    pub language: String,
    /// Direction of writing, `ltr` or `rtl`.
    pub direction: String,
    /// Headings and notes of the page.
    pub page: PageWords,
    /// Name and meaning of each mark, by its key.
    pub marks: BTreeMap<String, MarkWords>,
    /// Names of the phases, by their key.
    pub phases: BTreeMap<String, String>,
    /// Names, units and decimals of the measures of a shot, by the name of their field.
    pub measures: BTreeMap<String, MeasureWord>,
    /// Names of the travel along the axes, by axis.
    pub travel: BTreeMap<String, String>,
    /// A found fault in one line, by the key of its mark.
    pub found: BTreeMap<String, String>,
    /// Names of the bow stages, by their key.
    pub stages: BTreeMap<String, String>,
    /// Small words between numbers.
    pub few: BTreeMap<String, String>,
    /// What an archer may have felt, by its key.
    pub felt: BTreeMap<String, String>,
    /// Names and units of the curves.
    pub curves: CurveWords,
    /// Words that the script of the page uses; `{name}` is filled in.
    pub script: BTreeMap<String, String>,
    /// Words in the picture of a clip; `{name}` is filled in.
    pub clips: BTreeMap<String, String>,
    /// The cautions, in the order in which they are shown.
    pub cautions: Vec<String>,
    /// The methods in words.
    pub methods: MethodWords,
    /// What the analysis says of a shot and of a series, by key; `{name}` is filled in.
    sentences: BTreeMap<String, String>,
    /// State of the rig, and how sure the path is; `{name}` is filled in.
    health: BTreeMap<String, String>,
}

/// The methods in words; `{version}` and `{cameras}` are filled in.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MethodWords {
    /// Name of the list of settings.
    pub settings: String,
    /// Name of the list of versions.
    pub versions: String,
    /// Name of the list of files.
    pub inputs: String,
    /// Name of the list of sources.
    pub sources: String,
    /// Published sources of the methods.
    pub citations: Vec<Source>,
    /// What was done.
    pub paragraphs: Vec<String>,
}

/// A mark in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MarkWords {
    /// Short name.
    pub name: String,
    /// What it means, for the legend.
    pub meaning: String,
}

/// A curve in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CurveWord {
    /// Name of the quantity.
    pub name: String,
    /// Its unit.
    pub unit: String,
}

/// A measure of a shot in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MeasureWord {
    /// Name of the measure.
    pub name: String,
    /// Its unit.
    pub unit: String,
    /// Decimals shown.
    pub decimals: u8,
}

/// The curves of a shot in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CurveWords {
    /// Distance away from the target.
    pub away: CurveWord,
    /// Distance behind the arrow line.
    pub behind: CurveWord,
    /// Height.
    pub height: CurveWord,
    /// Speed.
    pub speed: CurveWord,
    /// Change of the distance behind, where no arrow line is known.
    pub behind_change: CurveWord,
    /// What the band means.
    pub band: String,
}

macro_rules! page_words {
    ($($name:ident),+ $(,)?) => {
        /// Headings and notes of the page; the file `words/en.yaml` shows each of them in use.
        #[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
        #[serde(deny_unknown_fields)]
        pub struct PageWords {
            $(#[doc = concat!("The text `", stringify!($name), "`.")] pub $name: String,)+
        }
    };
}

page_words!(
    notebook,
    pictures_inside,
    no_pictures,
    needs_script,
    at_a_glance,
    choose_a_shot,
    sketch_note,
    shot,
    felt,
    warnings,
    right_handed,
    left_handed,
    invented,
    numbers,
    measure,
    value,
    interval,
    cameras,
    not_measurable,
    smallest,
    series,
    series_each,
    spread,
    trend,
    rig,
    rig_good,
    rig_watch,
    rig_bad,
    costs_mm,
    certainty,
    cautions,
    methods,
    legend,
    made_with,
    paper_note,
    next,
    next_note,
);

impl Words {
    /// Reads the words of a language.
    ///
    /// # Errors
    /// The file is no YAML, a key is missing or unknown, a text has other `{names}` than in English, or the format is
    /// not [`WORDS_FORMAT`].
    pub fn from_yaml(text: &str) -> Result<Self, PageError> {
        let words: Self = serde_yaml::from_str(text).map_err(|problem| PageError::Words {
            problem: problem.to_string(),
        })?;
        if words.format != WORDS_FORMAT {
            return Err(PageError::Words {
                problem: format!("format is {:?}, expected {WORDS_FORMAT:?}", words.format),
            });
        }
        if text != ENGLISH {
            let tree = |text: &str| -> Result<serde_json::Value, PageError> {
                serde_yaml::from_str(text).map_err(|problem| PageError::Words {
                    problem: problem.to_string(),
                })
            };
            if let Some(problem) = difference("", &tree(ENGLISH)?, &tree(text)?) {
                return Err(PageError::Words { problem });
            }
        }
        Ok(words)
    }

    /// The English words that ship with the crate.
    ///
    /// # Errors
    /// Never, as long as the crate's own file passes its test.
    pub fn english() -> Result<Self, PageError> {
        Self::from_yaml(ENGLISH)
    }

    /// Name of a mark; its key where the file does not know it.
    pub fn mark_name<'a>(&'a self, key: &'a str) -> &'a str {
        self.marks.get(key).map_or(key, |mark| &mark.name)
    }

    /// A text of one of the small tables with its `{names}` filled in; the key where it is missing.
    pub(super) fn filled(
        table: &BTreeMap<String, String>,
        key: &str,
        values: &[(&str, &str)],
    ) -> String {
        fill(table.get(key).map_or(key, String::as_str), values)
    }

    /// The sentences of the analysis, with the names of phases and measures.
    pub fn sentences(&self) -> Sentences {
        let mut by_key = self.sentences.clone();
        let phases = self.phases.iter();
        by_key.extend(phases.map(|(key, name)| (format!("phase-{key}"), name.clone())));
        let measures = self.measures.iter();
        by_key.extend(measures.map(|(key, word)| (format!("measure-{key}"), word.name.clone())));
        Sentences::new(by_key)
    }

    /// A text about the rig with its `{names}` filled in; its key where the file does not know it.
    pub fn health(&self, key: &str, values: &[(&str, &str)]) -> String {
        Self::filled(&self.health, key, values)
    }

    /// A word of a clip with its `{names}` filled in; its key where the file does not know it.
    pub fn clip(&self, key: &str, values: &[(&str, &str)]) -> String {
        Self::filled(&self.clips, key, values)
    }

    /// A word of the page's script with its `{names}` filled in; its key where the file does not know it.
    pub fn script_text(&self, key: &str, values: &[(&str, &str)]) -> String {
        Self::filled(&self.script, key, values)
    }

    /// A small text between numbers with its `{names}` filled in; its key where the file does not know it.
    pub fn few(&self, key: &str, values: &[(&str, &str)]) -> String {
        Self::filled(&self.few, key, values)
    }

    /// Name of a phase; its key where the file does not know it.
    pub fn phase_name<'a>(&'a self, key: &'a str) -> &'a str {
        self.phases.get(key).map_or(key, String::as_str)
    }
}

/// What a translation lacks, or has too much, against the English file; lists of sources may differ.
fn difference(
    place: &str,
    english: &serde_json::Value,
    other: &serde_json::Value,
) -> Option<String> {
    use serde_json::Value;
    match (english, other) {
        (Value::Object(english), Value::Object(other)) => {
            let below = |key: &str| {
                let dot = if place.is_empty() { "" } else { "." };
                format!("{place}{dot}{key}")
            };
            english
                .keys()
                .find(|key| !other.contains_key(*key))
                .map(|key| format!("{} is missing", below(key)))
                .or_else(|| {
                    let unknown = other.keys().find(|key| !english.contains_key(*key))?;
                    Some(format!("{} is not known", below(unknown)))
                })
                .or_else(|| {
                    english
                        .iter()
                        .find_map(|(key, value)| difference(&below(key), value, other.get(key)?))
                })
        }
        (Value::Array(english), Value::Array(other)) => (place == "cautions"
            && english.len() != other.len())
        .then(|| format!("{place} holds {} of {}", other.len(), english.len())),
        (Value::String(english), Value::String(other)) => {
            let (english, other) = (places(english), places(other));
            (english != other)
                .then(|| format!("{place} has the places {other:?}; in English it has {english:?}"))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shipped_words_are_complete() {
        let words = Words::english().unwrap();
        assert_eq!(words.cautions.len(), 10);
        for mark in super::super::card::Mark::ALL {
            assert!(words.marks.contains_key(mark.key()), "{}", mark.key());
        }
        for phase in super::super::card::PhaseKey::ALL {
            assert!(words.phases.contains_key(phase.key()), "{}", phase.key());
        }
    }

    #[test]
    fn a_translation_must_be_whole() {
        let refused = |from: &str, to: &str| {
            assert!(ENGLISH.contains(from), "{from}");
            let text = ENGLISH.replacen(from, to, 1);
            Words::from_yaml(&text).unwrap_err().to_string()
        };
        let problem = refused("  felt-right: You felt it right.\n", "");
        assert!(
            problem.contains("sentences.felt-right is missing"),
            "{problem}"
        );
        let problem = refused("  felt-right:", "  felt-write: x\n  felt-right:");
        assert!(
            problem.contains("sentences.felt-write is not known"),
            "{problem}"
        );
        let problem = refused(
            "your hand slowly crept {mm} mm",
            "your hand slowly crept {cm} cm",
        );
        assert!(
            problem.contains("sentences.verdict-creep has the places"),
            "{problem}"
        );
        let problem = refused(
            "  - The numbers inform a coach. They are no medical finding.\n",
            "",
        );
        assert!(problem.contains("cautions holds 9 of 10"), "{problem}");
        let other = ENGLISH.replacen("You felt it right.", "Das stimmt.", 1);
        let other = Words::from_yaml(&other.replacen("language: en", "language: de", 1)).unwrap();
        assert_eq!(other.sentences().plain("felt-right"), "Das stimmt.");
    }

    #[test]
    fn an_unknown_key_is_named() {
        let text = include_str!("../../words/en.yaml").replace("  notebook:", "  notebok:");
        let problem = Words::from_yaml(&text).unwrap_err().to_string();
        assert!(problem.contains("notebok"), "{problem}");
    }
}
