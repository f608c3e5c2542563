use crate::sheet::ShotKind;

/// Why there is no shot sheet.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReportError {
    /// The lists of the path do not have one length, or hold too little.
    #[error(
        "the path has {instants} instants and {draws} joint samples; at least {needed_instants} and {needed_draws} are needed"
    )]
    Path {
        /// Instants in the path.
        instants: usize,
        /// Joint samples in the path.
        draws: usize,
        /// Fewest instants.
        needed_instants: usize,
        /// Fewest joint samples.
        needed_draws: usize,
    },
    /// Every draw runs toward the target.
    #[error(
        "{shots} draws run toward the target and {right_way} away from it: the board lay on the shooting line the wrong way round; its arrow must point to the target"
    )]
    BoardReversed {
        /// Shots found with the target on the other side.
        shots: usize,
        /// Shots found with the target where the board says.
        right_way: usize,
    },
    /// The window holds no draw.
    #[error("no draw of at least {needed_mm:.0} mm between {start_s:.2} s and {end_s:.2} s")]
    NoDraw {
        /// Start of the window (s).
        start_s: f64,
        /// End of the window (s).
        end_s: f64,
        /// Shortest draw (mm).
        needed_mm: f64,
    },
    /// A boundary that a person set stands outside the shot or out of order.
    #[error(
        "shot {shot}: the corrected {what} at {time_s:.3} s is out of order, or the shot has no such phase"
    )]
    Correction {
        /// Which shot.
        shot: String,
        /// Which boundary.
        what: String,
        /// Where it was put (s).
        time_s: f64,
    },
    /// A correction of a shot that was not found.
    #[error("no shot is called {shot}; the shots found are {known}")]
    UnknownShot {
        /// The name given.
        shot: String,
        /// The names known.
        known: String,
    },
    /// A shot stands twice among the corrections.
    #[error("shot {shot} stands twice among the corrections")]
    Twice {
        /// Which shot.
        shot: String,
    },
    /// A shot of this kind has no such figure.
    #[error("a shot of kind {kind:?} has no {what}")]
    Kind {
        /// The kind.
        kind: ShotKind,
        /// What was asked for.
        what: &'static str,
    },
    /// A settings, corrections or advice file that cannot be read.
    #[error("{what}: {message}")]
    Syntax {
        /// Which kind of file.
        what: &'static str,
        /// What the YAML reader says, with line and column.
        message: String,
    },
    /// The file says that it is something else, or from another version.
    #[error("this file has format {found:?}; this version reads {expected:?}")]
    Format {
        /// The format word found.
        found: String,
        /// The format word expected.
        expected: &'static str,
    },
    /// A setting that cannot be.
    #[error("setting {name} is {value}, which cannot be")]
    Setting {
        /// Which.
        name: &'static str,
        /// Its value.
        value: f64,
    },
}
