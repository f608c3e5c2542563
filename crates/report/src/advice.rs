//! What to work on next: a table that a coach can edit. General coaching practice, never a diagnosis.

use crate::ReportError;
use crate::sheet::{BowStage, Verdict};
use serde::Deserialize;

/// The only version of the table that this crate reads.
pub const ADVICE_FORMAT: &str = "drawarc-advice/1";

const OURS: &str = include_str!("../words/next-work.yaml");

/// The table.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Advice {
    format: String,
    rows: Vec<Row>,
}

#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    verdict: Verdict,
    stages: Vec<BowStage>,
    advice: String,
}

impl Advice {
    /// The table that the crate carries.
    ///
    /// # Errors
    /// [`ReportError::Syntax`] where the carried file is broken, which a test rules out.
    pub fn ours() -> Result<Self, ReportError> {
        Self::from_yaml(OURS)
    }

    /// Reads a coach's own table.
    ///
    /// # Errors
    /// [`ReportError::Syntax`] with field, line and column; [`ReportError::Format`] for another version.
    pub fn from_yaml(text: &str) -> Result<Self, ReportError> {
        let found: Self = serde_yaml::from_str(text).map_err(|error| ReportError::Syntax {
            what: "advice",
            message: error.to_string(),
        })?;
        if found.format == ADVICE_FORMAT {
            Ok(found)
        } else {
            Err(ReportError::Format {
                found: found.format,
                expected: ADVICE_FORMAT,
            })
        }
    }

    /// The first row that fits.
    pub fn of(&self, verdict: Verdict, stage: BowStage) -> Option<&str> {
        self.rows
            .iter()
            .find(|row| row.verdict == verdict && row.stages.contains(&stage))
            .map(|row| row.advice.as_str())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn our_table_reads_and_a_stall_leads_back_a_stage() {
        let ours = Advice::ours().unwrap();
        assert!(
            ours.of(Verdict::Stall, BowStage::OwnBow)
                .unwrap()
                .contains("light bow")
        );
        assert!(ours.of(Verdict::LetDown, BowStage::Band).is_none());
        let error = Advice::from_yaml("format: drawarc-advice/1\nrows:\n  - verdikt: stall\n")
            .unwrap_err()
            .to_string();
        assert!(error.contains("verdikt"), "{error}");
    }
}
