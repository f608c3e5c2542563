//! The sheet as JSON, versioned, with a JSON Schema beside it.

use serde::{Deserialize, Serialize};

use crate::{SeriesSheet, ShotSheet};

use super::{error::ExportError, provenance::Provenance};

/// Format and version of the file.
pub const SHEET_FORMAT: &str = "drawarc-sheet/1";

/// The JSON Schema (draft 2020-12) that every [`SheetFile`] satisfies.
pub const SHEET_SCHEMA: &str = include_str!("../../schema/drawarc-sheet-1.json");

/// All that was found in one practice.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SheetFile {
    /// [`SHEET_FORMAT`].
    pub format: String,
    /// Title of the practice.
    pub title: String,
    /// Day, ISO 8601.
    pub date: String,
    /// Where the results come from.
    pub provenance: Provenance,
    /// The shots in order of time.
    pub shots: Vec<ShotSheet>,
    /// The series that were looked at.
    pub series: Vec<SeriesSheet>,
}

impl SheetFile {
    /// The file's text. A number that is not finite (a gap in a curve) becomes `null`.
    ///
    /// # Errors
    /// Serialisation failed.
    pub fn to_json(&self) -> Result<String, ExportError> {
        let mut text = serde_json::to_string(self)?;
        text.push('\n');
        Ok(text)
    }
}
