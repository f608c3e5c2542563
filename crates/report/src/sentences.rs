//! Every word that the analysis says, from one file, so that it can be translated.

use crate::ReportError;
use serde::Deserialize;
use std::collections::BTreeMap;

/// The only version of the file that this crate reads.
pub const SENTENCES_FORMAT: &str = "drawarc-sentences/1";

const ENGLISH: &str = include_str!("../words/sentences-en.yaml");

/// Sentences by key; `{name}` in a sentence is filled in.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sentences {
    format: String,
    /// Language tag, such as `en`.
    pub language: String,
    #[serde(rename = "sentences")]
    by_key: BTreeMap<String, String>,
}

impl Sentences {
    /// The English sentences that the crate carries.
    ///
    /// # Errors
    /// [`ReportError::Syntax`] where the carried file is broken, which a test rules out.
    pub fn english() -> Result<Self, ReportError> {
        Self::from_yaml(ENGLISH)
    }

    /// Reads a translation: every key of the English file must be there, and no other.
    ///
    /// # Errors
    /// [`ReportError::Syntax`] with line and column, [`ReportError::Format`] for another version.
    pub fn from_yaml(text: &str) -> Result<Self, ReportError> {
        let refuse = |message: String| ReportError::Syntax {
            what: "sentences",
            message,
        };
        let read = |text: &str| -> Result<Self, ReportError> {
            serde_yaml::from_str(text).map_err(|error| refuse(error.to_string()))
        };
        let found = read(text)?;
        if found.format != SENTENCES_FORMAT {
            return Err(ReportError::Format {
                found: found.format,
                expected: SENTENCES_FORMAT,
            });
        }
        if text != ENGLISH {
            let english = read(ENGLISH)?;
            if let Some(key) = english
                .by_key
                .keys()
                .find(|key| !found.by_key.contains_key(*key))
            {
                return Err(refuse(format!("the sentence {key:?} is missing")));
            }
            if let Some(key) = found
                .by_key
                .keys()
                .find(|key| !english.by_key.contains_key(*key))
            {
                return Err(refuse(format!("the sentence {key:?} is not known")));
            }
        }
        Ok(found)
    }

    /// A sentence with nothing to fill in. A key that is not there reads as itself.
    pub(crate) fn plain(&self, key: &str) -> String {
        self.by_key
            .get(key)
            .cloned()
            .unwrap_or_else(|| key.to_owned())
    }

    /// A sentence with its places filled in.
    pub(crate) fn fill(&self, key: &str, values: &[(&str, String)]) -> String {
        let mut sentence = self.plain(key);
        for (name, value) in values {
            sentence = sentence.replace(&format!("{{{name}}}"), value);
        }
        sentence
    }
}
