//! From views of a printed checkerboard to a surveyed rig: lenses, poses of any number of cameras, the range
//! frame, and the joint uncertainty of all of it.
//!
//! # The board's frame (binding for who prints, films or draws one)
//!
//! Seen from the printed side with the arrow pointing to the right: `x` to the right along the arrow (the
//! columns), `y` up (the rows), `z` out of the printed side, toward the viewer; right-handed, metres. Inner
//! corner `(c, r)` sits at `(c · pitch_x, r · pitch_y, 0)`, so corner `(0, 0)` is the *lower left* one.
//! The outer square diagonal to corner `(0, 0)`, the lower left square of the board, is *black*. Laid on the
//! shooting line with its printed side up and its arrow toward the target, the board's axes are the range's axes.
//!
//! # Way through
//!
//! [`scan_board`] (the edge: decodes and runs `OpenCV`) → [`BoardSighting`] → [`survey`] (pure) →
//! [`drawarc_rig::Rig`].

mod adjustment;
mod background;
mod background_shift;
mod board;
mod board_check;
mod board_clock;
#[cfg(test)]
mod board_clock_tests;
mod board_flatness;
mod board_glance;
mod board_turning;
mod bundle;
mod corner_order;
mod corner_quality;
mod detector;
mod diagnostics;
mod error;
mod grid_growth;
mod lens_fit;
mod lens_start;
mod libraries;
mod moments;
mod planar_pose;
mod pose_graph;
mod range_frame;
mod re_placement;
mod re_showing;
mod rig_of;
mod saddle_screen;
mod scan;
mod selection;
mod sheet;
mod sighting;
mod square_colours;
mod standing;
mod survey;
mod survey_input;
mod wand;

pub use background::{BackgroundReference, Patch};
pub use background_shift::{BackgroundShift, CameraVerdict, MOVED_DEG, ZOOMED};
pub use board::Board;
pub use board_check::{BoardReport, check_board};
pub use board_clock::{ClockByBoard, clocks_from_board};
pub use board_glance::board_stretches;
pub use detector::{BoardCorners, BoardDetector, Effort, GrayView};
pub use diagnostics::{
    BoardBends, COVERAGE_CELLS, CameraDiagnostics, LeftOut, SolverSummary, Survey,
    SurveyDiagnostics, as_shown,
};
pub use error::CalibrationError;
pub use libraries::libraries;
pub use re_placement::re_place;
pub use re_showing::{PlacedAnew, Showing, ShownAgain, show_again};
pub use scan::{BoardScan, Rest, ScanSettings, scan_board};
pub use sheet::{Paper, Sheet, TARGET_GROUND, TARGETS_MM};
pub use sighting::BoardSighting;
pub use standing::{Held, Stand, Standing, standing};
pub use survey::survey;
pub use survey_input::{
    FrameChoice, LensChoice, PlumbLine, SurveyCamera, SurveyInput, SurveySettings, SurveyedPoint,
};
pub use wand::{VolumePart, WandPlace, WandReport, check_wand, noise_at_rest_mm, wand_by_part};
