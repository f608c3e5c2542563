//! What can go wrong in an export.

use thiserror::Error;

/// Why an export could not be written.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum ExportError {
    /// A value does not fit the format.
    #[error("{format} cannot hold this: {problem}")]
    DoesNotFit {
        /// Name of the format.
        format: &'static str,
        /// What does not fit.
        problem: String,
    },
    /// JSON failed.
    #[error("the sheet could not be written as JSON")]
    Json(#[from] serde_json::Error),
    /// Parquet failed.
    #[error("the table could not be written as Parquet")]
    Parquet(#[from] parquet::errors::ParquetError),
}
