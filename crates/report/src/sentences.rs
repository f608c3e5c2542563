//! What the analysis says, out of the one file of words.

use crate::ReportError;
use crate::page::Words;
use drawarc_rig::words::fill;
use std::collections::BTreeMap;

/// Sentences by key; `{name}` in a sentence is filled in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sentences {
    by_key: BTreeMap<String, String>,
}

impl Sentences {
    /// The English sentences that the crate carries.
    ///
    /// # Errors
    /// [`ReportError::Syntax`] where the carried file is broken, which a test rules out.
    pub fn english() -> Result<Self, ReportError> {
        Words::english()
            .map(|words| words.sentences())
            .map_err(|error| ReportError::Syntax {
                what: "words",
                message: error.to_string(),
            })
    }

    pub(crate) fn new(by_key: BTreeMap<String, String>) -> Self {
        Self { by_key }
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
        let values: Vec<(&str, &str)> = values
            .iter()
            .map(|(name, value)| (*name, value.as_str()))
            .collect();
        fill(self.by_key.get(key).map_or(key, String::as_str), &values)
    }
}
