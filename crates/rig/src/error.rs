use std::path::PathBuf;

/// What can be wrong with a rig.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RigError {
    /// The text is not a rig file; the message names field, line and column.
    #[error("not a valid rig file: {message}")]
    Syntax {
        /// What the YAML reader says, with line and column.
        message: String,
    },
    /// The file says that it is something else, or from another version.
    #[error("this file has format {found:?}; this version reads {expected:?}")]
    Format {
        /// The format word found in the file.
        found: String,
        /// The format word that this version writes.
        expected: &'static str,
    },
    /// A number is not one: NaN, infinite, or out of its domain.
    #[error("camera {camera:?}: {what} is {value}, which cannot be")]
    Value {
        /// Camera name.
        camera: String,
        /// Which quantity.
        what: &'static str,
        /// The value found.
        value: f64,
    },
    /// The covariance does not belong to these cameras.
    #[error("the covariance has {found} numbers; these cameras need {expected}")]
    Covariance {
        /// Numbers found.
        found: usize,
        /// Numbers needed (lower triangle).
        expected: usize,
    },
    /// Two cameras carry one name, or a name asked for is not there.
    #[error("camera {name:?}: {problem}")]
    Name {
        /// The name.
        name: String,
        /// "appears twice" or "is not in this rig".
        problem: &'static str,
    },
    /// A file could not be read or written.
    #[error("{}: {source}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// The system's reason.
        #[source]
        source: std::io::Error,
    },
}
