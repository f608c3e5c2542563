/// What can be wrong with a study, a sketch or the numbers in them.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum StudyError {
    /// Too few numbers for this statistic.
    #[error("{what}: {found} given, at least {needed} needed")]
    TooFew {
        /// Which statistic, and of what.
        what: &'static str,
        /// How many were given.
        found: usize,
        /// How many it takes.
        needed: usize,
    },
    /// Two lists that belong together have different lengths.
    #[error("{what}: {left} and {right} do not belong together")]
    Lengths {
        /// Which lists.
        what: &'static str,
        /// Length of the first.
        left: usize,
        /// Length of the second.
        right: usize,
    },
    /// A number is not one, or outside what it can be.
    #[error("{what} is {value}, which cannot be")]
    Value {
        /// Which quantity.
        what: &'static str,
        /// The value found.
        value: f64,
    },
    /// There is no spread in the numbers, so that the statistic is not defined.
    #[error("{what}: all numbers are the same")]
    NoSpread {
        /// Which statistic.
        what: &'static str,
    },
    /// The text is not what it should be; the message names field, line and column.
    #[error("not a valid {file}: {message}")]
    Syntax {
        /// Which kind of file.
        file: &'static str,
        /// What the YAML reader says, with line and column.
        message: String,
    },
    /// The file says that it is something else, or from another version.
    #[error("this file has format {found:?}; this version reads {expected:?}")]
    Format {
        /// The format word found.
        found: String,
        /// The format word that this version reads.
        expected: &'static str,
    },
    /// A name does not fit: it appears twice, or nobody has it.
    #[error("{name:?} {problem}")]
    Name {
        /// The name.
        name: String,
        /// What is wrong with it.
        problem: &'static str,
    },
    /// The rig cannot be surveyed or used as stated.
    #[error("{problem}")]
    Rig {
        /// Why, and what to change.
        problem: String,
    },
}
