use std::path::PathBuf;

/// What can go wrong when a scenario is read or filmed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RangeSimError {
    /// A file could not be read or written.
    #[error("{path}: {source}")]
    File {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// The scenario's text is no scenario.
    #[error("scenario: {0}")]
    Scenario(String),
    /// A number of the scenario cannot be.
    #[error("scenario: {what} = {value}: {why}")]
    Value {
        /// Which number.
        what: &'static str,
        /// Its value.
        value: f64,
        /// What it should be.
        why: &'static str,
    },
    /// There is no preset of that name.
    #[error("there is no preset {0:?}")]
    Preset(String),
    /// The video could not be written.
    #[error("writing video: {0}")]
    Footage(#[from] drawarc_footage::FootageError),
    /// The encoder's thread broke down.
    #[error("the encoder broke down")]
    Encoder,
    /// The truth could not be written.
    #[error("writing truth: {0}")]
    Truth(#[from] serde_json::Error),
}

/// Refuses a value that cannot be filmed.
pub(crate) fn check(
    good: bool,
    what: &'static str,
    value: f64,
    why: &'static str,
) -> Result<(), RangeSimError> {
    if good {
        Ok(())
    } else {
        Err(RangeSimError::Value { what, value, why })
    }
}
