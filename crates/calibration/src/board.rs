//! What a checkerboard is: `format: drawarc-board/1`.

use crate::CalibrationError;
use nalgebra::Point3;
use serde::{Deserialize, Serialize};
use std::path::Path;

const FORMAT: &str = "drawarc-board/1";
/// Fewer corners than this in either direction carry too little about a lens.
const FEWEST_CORNERS: usize = 3;
/// Nobody prints squares smaller or larger than these (m).
const SMALLEST_PITCH_M: f64 = 0.001;
const LARGEST_PITCH_M: f64 = 1.0;
/// More corners than this in either direction are a slip of the pen, not a board.
const MOST_CORNERS: usize = 100;
/// Relative standard deviation of the pitch where the description says nothing: a steel rule read to 0.2 mm over
/// the 320 mm of an A3 board (common practice, no source).
const DEFAULT_PITCH_SD_PERCENT: f64 = 0.06;

/// A printed checkerboard. Frame and colours: see the [crate's prose](crate).
#[derive(Debug, Clone, PartialEq)]
pub struct Board {
    /// Name for people.
    pub name: String,
    /// Inner corners along the arrow (board `x`).
    pub columns: usize,
    /// Inner corners across the arrow (board `y`).
    pub rows: usize,
    /// Measured distance of neighbouring corners along `x` (m).
    pub pitch_x_m: f64,
    /// Measured distance of neighbouring corners along `y` (m).
    pub pitch_y_m: f64,
    /// Relative standard deviation of the pitch (1 = 100 %), common to both directions: it scales every distance.
    pub pitch_sd: f64,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct BoardFile {
    format: String,
    name: String,
    columns: usize,
    rows: usize,
    pitch_x_mm: f64,
    pitch_y_mm: f64,
    #[serde(default = "default_pitch_sd_percent")]
    pitch_sd_percent: f64,
}

fn default_pitch_sd_percent() -> f64 {
    DEFAULT_PITCH_SD_PERCENT
}

#[derive(Deserialize)]
struct FormatOnly {
    format: String,
}

impl Board {
    /// A board with the same pitch both ways (m), known to the default accuracy.
    ///
    /// # Errors
    /// As [`Board::validate`].
    pub fn new(
        name: &str,
        columns: usize,
        rows: usize,
        pitch_m: f64,
    ) -> Result<Self, CalibrationError> {
        let board = Self {
            name: name.to_owned(),
            columns,
            rows,
            pitch_x_m: pitch_m,
            pitch_y_m: pitch_m,
            pitch_sd: DEFAULT_PITCH_SD_PERCENT / 100.0,
        };
        board.validate()?;
        Ok(board)
    }

    /// Reads a description.
    ///
    /// # Errors
    /// [`CalibrationError::Syntax`] with field, line and column, [`CalibrationError::Format`], or as [`Board::validate`].
    pub fn from_yaml(text: &str) -> Result<Self, CalibrationError> {
        let syntax = |source: serde_yaml::Error| CalibrationError::Syntax {
            message: source.to_string(),
        };
        let head: FormatOnly = serde_yaml::from_str(text).or_else(|_| {
            // Without a readable format word, let the strict reader name field and line.
            serde_yaml::from_str::<BoardFile>(text)
                .map(|file| FormatOnly {
                    format: file.format,
                })
                .map_err(syntax)
        })?;
        if head.format != FORMAT {
            return Err(CalibrationError::Format {
                found: head.format,
                expected: FORMAT,
            });
        }
        let file: BoardFile = serde_yaml::from_str(text).map_err(syntax)?;
        let board = Self {
            name: file.name,
            columns: file.columns,
            rows: file.rows,
            pitch_x_m: file.pitch_x_mm / 1000.0,
            pitch_y_m: file.pitch_y_mm / 1000.0,
            pitch_sd: file.pitch_sd_percent / 100.0,
        };
        board.validate()?;
        Ok(board)
    }

    /// Reads a description from a file.
    ///
    /// # Errors
    /// [`CalibrationError::File`] where it cannot be opened, else as [`Board::from_yaml`].
    pub fn read(path: &Path) -> Result<Self, CalibrationError> {
        let text = std::fs::read_to_string(path).map_err(|source| CalibrationError::File {
            path: path.to_owned(),
            source,
        })?;
        Self::from_yaml(&text)
    }

    /// The description as text.
    ///
    /// # Errors
    /// As [`Board::validate`].
    pub fn to_yaml(&self) -> Result<String, CalibrationError> {
        self.validate()?;
        serde_yaml::to_string(&BoardFile {
            format: FORMAT.to_owned(),
            name: self.name.clone(),
            columns: self.columns,
            rows: self.rows,
            pitch_x_mm: self.pitch_x_m * 1000.0,
            pitch_y_mm: self.pitch_y_m * 1000.0,
            pitch_sd_percent: self.pitch_sd * 100.0,
        })
        .map_err(|source| CalibrationError::Syntax {
            message: source.to_string(),
        })
    }

    /// Refuses what no board can be.
    ///
    /// # Errors
    /// [`CalibrationError::Board`] for a pitch that is not positive or fewer than 3 × 3 corners,
    /// [`CalibrationError::AmbiguousBoard`] where half a turn shows the same picture.
    pub fn validate(&self) -> Result<(), CalibrationError> {
        let refuse = |what, value, need| {
            Err(CalibrationError::Board {
                board: self.name.clone(),
                what,
                value,
                need,
            })
        };
        for (what, pitch_m) in [("pitch_x", self.pitch_x_m), ("pitch_y", self.pitch_y_m)] {
            if !(pitch_m.is_finite() && pitch_m > 0.0) {
                return refuse(
                    what,
                    pitch_m * 1000.0,
                    "it must be a positive number of millimetres",
                );
            }
            if !(SMALLEST_PITCH_M..LARGEST_PITCH_M).contains(&pitch_m) {
                return refuse(
                    what,
                    pitch_m * 1000.0,
                    "squares are 1 to 1000 mm; is it written in another unit?",
                );
            }
        }
        if !(self.pitch_sd.is_finite() && (0.0..0.2).contains(&self.pitch_sd)) {
            return refuse(
                "pitch_sd_percent",
                self.pitch_sd * 100.0,
                "it must be between 0 and 20",
            );
        }
        for (what, count) in [("columns", self.columns), ("rows", self.rows)] {
            if !(FEWEST_CORNERS..=MOST_CORNERS).contains(&count) {
                return refuse(
                    what,
                    count as f64,
                    "it must be 3 to 100 inner corners (one less than the squares)",
                );
            }
        }
        if (self.columns + self.rows).is_multiple_of(2) {
            return Err(CalibrationError::AmbiguousBoard {
                board: self.name.clone(),
                columns: self.columns,
                rows: self.rows,
            });
        }
        Ok(())
    }

    /// Number of inner corners.
    pub fn corner_count(&self) -> usize {
        self.columns * self.rows
    }

    /// Inner corner `(column, row)` in the board's frame (m).
    pub fn corner(&self, column: usize, row: usize) -> Point3<f64> {
        Point3::new(
            column as f64 * self.pitch_x_m,
            row as f64 * self.pitch_y_m,
            0.0,
        )
    }

    /// All inner corners in the board's frame (m), row by row: `(0,0) (1,0) ... (0,1) ...`.
    pub fn corners(&self) -> Vec<Point3<f64>> {
        (0..self.rows)
            .flat_map(|row| (0..self.columns).map(move |column| self.corner(column, row)))
            .collect()
    }

    /// Middle of the inner corners in the board's frame (m).
    pub fn centre(&self) -> Point3<f64> {
        Point3::new(
            (self.columns - 1) as f64 * self.pitch_x_m / 2.0,
            (self.rows - 1) as f64 * self.pitch_y_m / 2.0,
            0.0,
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "format: drawarc-board/1\nname: A3\ncolumns: 9\nrows: 6\npitch_x_mm: 40.0\npitch_y_mm: 40.1\npitch_sd_percent: 0.05\n";

    #[test]
    fn what_is_written_is_read() {
        let board = Board::from_yaml(TEXT).unwrap();
        assert_eq!((board.columns, board.rows), (9, 6));
        assert!((board.pitch_y_m - 0.0401).abs() < 1e-15);
        let back = Board::from_yaml(&board.to_yaml().unwrap()).unwrap();
        assert_eq!(back, board);
        assert!((board.corners()[10] - Point3::new(0.04, 0.0401, 0.0)).norm() < 1e-15);
    }

    #[test]
    fn a_board_that_cannot_be_is_refused() {
        let with = |from: &str, to: &str| Board::from_yaml(&TEXT.replace(from, to)).unwrap_err();
        for pitch in ["0", "-3", ".nan"] {
            let error = with("pitch_x_mm: 40.0", &format!("pitch_x_mm: {pitch}"));
            assert!(matches!(error, CalibrationError::Board { .. }), "{error}");
        }
        assert!(matches!(
            with("columns: 9", "columns: 2"),
            CalibrationError::Board { .. }
        ));
        assert!(matches!(
            with("columns: 9", "columns: 8"),
            CalibrationError::AmbiguousBoard { .. }
        ));
        assert!(matches!(
            with("board/1", "board/2"),
            CalibrationError::Format { .. }
        ));
        let message = with("rows: 6", "row: 6").to_string();
        assert!(
            message.contains("row") && message.contains("line"),
            "{message}"
        );
        let message = with("rows: 6", "rows: six").to_string();
        assert!(message.contains("line"), "{message}");
        assert!(Board::from_yaml("").is_err());
    }
}
