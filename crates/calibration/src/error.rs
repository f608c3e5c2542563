use std::path::PathBuf;

/// Why there is no survey.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CalibrationError {
    /// The text is not a board description; the message names field, line and column.
    #[error("not a valid board description: {message}")]
    Syntax {
        /// What the YAML reader says, with line and column.
        message: String,
    },
    /// The description is of another format or version.
    #[error("this file has format {found:?}; this version reads {expected:?}")]
    Format {
        /// The format word found.
        found: String,
        /// The format word read.
        expected: &'static str,
    },
    /// A number of the board that cannot be.
    #[error("board {board:?}: {what} is {value}; {need}")]
    Board {
        /// Name of the board.
        board: String,
        /// Which quantity.
        what: &'static str,
        /// The value found.
        value: f64,
        /// What it must be.
        need: &'static str,
    },
    /// A sheet that nobody can print or wear.
    #[error("{0}")]
    Sheet(String),
    /// A board that looks the same when it is turned by half a turn.
    #[error(
        "board {board:?} has {columns} x {rows} inner corners and cannot tell its ends apart: one count must be even, the other odd (9 x 6, 8 x 5, ...)"
    )]
    AmbiguousBoard {
        /// Name of the board.
        board: String,
        /// Inner corners along the arrow.
        columns: usize,
        /// Inner corners across.
        rows: usize,
    },
    /// The board was never seen by a camera.
    #[error("camera {camera:?} never saw the board: {hint}")]
    BoardNeverSeen {
        /// Name of the camera.
        camera: String,
        /// What may be wrong.
        hint: String,
    },
    /// A board of another size was seen instead.
    #[error(
        "camera {camera:?} sees a board of {found_columns} x {found_rows} inner corners, but the description says {columns} x {rows}"
    )]
    WrongBoardSize {
        /// Name of the camera.
        camera: String,
        /// Inner corners along the arrow, as described.
        columns: usize,
        /// Inner corners across, as described.
        rows: usize,
        /// Inner corners along, as seen.
        found_columns: usize,
        /// Inner corners across, as seen.
        found_rows: usize,
    },
    /// Too few views to know a lens.
    #[error(
        "camera {camera:?} has {views} usable views of the board; a lens needs at least {needed}, tilted in different ways"
    )]
    TooFewViews {
        /// Name of the camera.
        camera: String,
        /// Views found.
        views: usize,
        /// Views needed.
        needed: usize,
    },
    /// The lens of a camera could not be found.
    #[error("the lens of camera {camera:?} could not be found: {reason}")]
    Lens {
        /// Name of the camera.
        camera: String,
        /// Why.
        reason: String,
    },
    /// Cameras that no board frame ties to the rest.
    #[error(
        "no view of the board ties {} to {}: show the board to both at once", cameras.join(", "), rest.join(", ")
    )]
    Unconnected {
        /// Cameras that stand apart.
        cameras: Vec<String>,
        /// The cameras that hang together.
        rest: Vec<String>,
    },
    /// The board's movement does not say when a camera was started.
    #[error("the movement of the board does not tell when camera {camera:?} was started: {reason}")]
    ClockUntold {
        /// Name of the camera.
        camera: String,
        /// Why not.
        reason: String,
    },
    /// No still view of the board on the shooting line.
    #[error("the board was never at rest on the shooting line in view of a camera: {hint}")]
    NoBoardOnLine {
        /// What may be wrong.
        hint: String,
    },
    /// Surveyed points that do not fix a frame.
    #[error("the surveyed points do not fix the range frame: {reason}")]
    SurveyedPoints {
        /// Why not.
        reason: String,
    },
    /// Input that does not fit together.
    #[error("camera {camera:?}: {problem}")]
    Input {
        /// Name of the camera.
        camera: String,
        /// What does not fit.
        problem: String,
    },
    /// The equations of the survey are singular.
    #[error("the survey is not determined by these views: {what}")]
    Degenerate {
        /// Which part.
        what: String,
    },
    /// `OpenCV` reported an error.
    #[error("OpenCV: {message}")]
    Vision {
        /// Its message.
        message: String,
    },
    /// The footage could not be read.
    #[error(transparent)]
    Footage(#[from] drawarc_footage::FootageError),
    /// A file could not be read.
    #[error("{}: {source}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// The system's reason.
        #[source]
        source: std::io::Error,
    },
}
