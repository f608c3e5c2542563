//! The one shape in which every error reaches a person: what, why, what to do, and an exit code.

use miette::Diagnostic;
use std::fmt::Display;
use std::path::Path;

/// What the exit code tells a script.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Exit {
    /// 3: a file, a manifest or a setting is wrong.
    Input,
    /// 4: the input is in order, but does not hold what the measurement needs.
    NotMeasurable,
    /// 5: a result cannot be written.
    Output,
    /// 6: a result of something else stands where this one would go.
    Refused,
}

impl Exit {
    /// The number that the process returns.
    pub(crate) const fn code(self) -> u8 {
        match self {
            Self::Input => 3,
            Self::NotMeasurable => 4,
            Self::Output => 5,
            Self::Refused => 6,
        }
    }
}

/// An error on its way to a person.
#[derive(Debug, thiserror::Error, Diagnostic)]
#[error("{what}")]
pub(crate) struct Failure {
    what: String,
    #[help]
    help: Option<String>,
    /// What the process returns.
    pub(crate) exit: Exit,
}

/// What every verb returns.
pub(crate) type Outcome<T> = Result<T, Failure>;

impl Failure {
    /// A file, a manifest or a setting is wrong.
    pub(crate) fn input(what: impl Display) -> Self {
        Self::new(Exit::Input, what)
    }

    /// The input does not hold what the measurement needs.
    pub(crate) fn not_measurable(what: impl Display) -> Self {
        Self::new(Exit::NotMeasurable, what)
    }

    /// A result cannot be written.
    pub(crate) fn output(what: impl Display) -> Self {
        Self::new(Exit::Output, what)
    }

    /// A result of something else is in the way.
    pub(crate) fn refused(what: impl Display) -> Self {
        Self::new(Exit::Refused, what)
    }

    fn new(exit: Exit, what: impl Display) -> Self {
        Self {
            what: what.to_string(),
            help: None,
            exit,
        }
    }

    /// Says in which file it was found; what to do about it stays.
    pub(crate) fn found_in(mut self, path: &Path) -> Self {
        self.what = format!("{}: {}", path.display(), self.what);
        self
    }

    /// Says what to do about it.
    pub(crate) fn help(mut self, help: impl Display) -> Self {
        self.help = Some(help.to_string());
        self
    }
}
