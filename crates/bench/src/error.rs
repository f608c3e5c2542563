//! What can go wrong in the bench itself; what goes wrong in a measurement is a result.

use std::path::PathBuf;

/// A failure of the bench.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub(crate) enum BenchError {
    /// No practice of that name.
    #[error("no practice is called {0}; --list names them")]
    NoPractice(String),
    /// The command was not built.
    #[error("{path}: the command is not there; build it with `cargo build --release -p drawarc`")]
    NoCommand {
        /// Where it was looked for.
        path: PathBuf,
    },
    /// A program could not be started.
    #[error("{program}: {source}")]
    Program {
        /// Which.
        program: String,
        /// Why.
        source: std::io::Error,
    },
    /// A file could not be read or written.
    #[error("{path}: {source}")]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A file does not hold what it should.
    #[error("{path}: {what}")]
    Content {
        /// Which.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
    /// The simulator refused.
    #[error(transparent)]
    Film(#[from] drawarc_range_sim::RangeSimError),
    /// A value has no text.
    #[error("writing a manifest or a result: {0}")]
    Words(String),
}
