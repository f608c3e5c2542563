//! What a survey says about itself.

use crate::bundle::Bundle;
use crate::{Board, SurveyCamera};
use drawarc_rig::{ClockModel, Rig};
use serde::Serialize;

/// A surveyed rig.
#[derive(Debug, Clone)]
pub struct Survey {
    /// The rig.
    pub rig: Rig,
    /// The cameras' clocks, refined from the board's motion where they were uncertain.
    pub clocks: Vec<ClockModel>,
    /// What it says about itself, in numbers.
    pub diagnostics: SurveyDiagnostics,
}

/// What a survey says about itself, beyond [`drawarc_rig::SurveySummary`].
#[derive(Debug, Clone, Default, Serialize)]
pub struct SurveyDiagnostics {
    /// Camera by camera.
    pub cameras: Vec<CameraDiagnostics>,
    /// Moments that each pair of cameras shares; the diagonal counts a camera's own.
    pub shared_moments: Vec<Vec<usize>>,
    /// Views that fit badly and were left out.
    pub left_out: Vec<LeftOut>,
    /// How the solver ended.
    pub solver: SolverSummary,
    /// The rest of the board that fixed the range frame: range time of its middle and its length (s).
    pub board_on_line_s: Option<(f64, f64)>,
    /// By how much the covariance was widened because the corners of one moment err together (1 = not at all).
    pub widened: f64,
}

/// How the solver ended.
#[derive(Debug, Clone, Default, Serialize)]
pub struct SolverSummary {
    /// In words.
    pub ended: String,
    /// Did it converge?
    pub converged: bool,
    /// Steps taken.
    pub steps: usize,
    /// Cost at the start (units of corner variance).
    pub first_cost: f64,
    /// Cost at the end.
    pub last_cost: f64,
    /// Condition number of the cameras' system, scaled to unit diagonal.
    pub condition: f64,
    /// Moments that went in.
    pub moments: usize,
}

/// A view that was left out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LeftOut {
    /// Index of the camera.
    pub camera: usize,
    /// Frame, or number of the exposure.
    pub frame_index: u64,
    /// Presentation time (s, camera clock).
    pub time_s: f64,
    /// Its rms residual (px).
    pub rms_px: f64,
    /// The limit that it exceeded (px).
    pub limit_px: f64,
}

/// Columns and rows of [`CameraDiagnostics::coverage`].
pub const COVERAGE_CELLS: (usize, usize) = (8, 6);

/// What one camera saw of the board.
#[derive(Debug, Clone, Default, Serialize)]
pub struct CameraDiagnostics {
    /// Name.
    pub name: String,
    /// The lens model taken.
    pub lens: String,
    /// Models tried, with the rms of views held out (px).
    pub lenses_tried: Vec<(String, f64)>,
    /// Corners used in each cell of the picture, row by row from the top left.
    pub coverage: Vec<u32>,
    /// Nearest and farthest board (m).
    pub distance_m: (f64, f64),
    /// Steepest tilt of the board against the line of sight (deg).
    pub steepest_tilt_deg: f64,
    /// Views used.
    pub views: usize,
    /// Root mean square residual (px).
    pub residual_px: f64,
    /// Correction of the clock's offset with its standard deviation (s); zeros where it was held.
    pub clock_step_s: (f64, f64),
    /// Read-out with its standard deviation (s).
    pub readout_s: (f64, f64),
    /// What to film more of.
    pub advice: Vec<String>,
}

/// A corner of the picture with fewer board corners than this has not been surveyed.
const FEW_CORNERS: u32 = 10;
/// Boards tilted less than this say little about focal length (common practice, no source).
const ENOUGH_TILT_DEG: f64 = 30.0;
/// Nearest and farthest board should differ by this factor.
const ENOUGH_DEPTH: f64 = 1.4;

fn cell_of(value: f64, size: u32, cells: usize) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the cells"
    )]
    let cell = (value / f64::from(size) * cells as f64).clamp(0.0, cells as f64 - 1.0) as usize;
    cell
}

/// Coverage, distances and tilts of camera `index`, with advice.
pub(crate) fn of_camera(
    bundle: &Bundle,
    board: &Board,
    camera: &SurveyCamera,
    index: usize,
) -> CameraDiagnostics {
    let mut found = CameraDiagnostics {
        name: camera.name.clone(),
        coverage: vec![0; COVERAGE_CELLS.0 * COVERAGE_CELLS.1],
        distance_m: (f64::INFINITY, 0.0),
        ..CameraDiagnostics::default()
    };
    let mut squares = 0.0;
    let middle = board.centre();
    for moment in &bundle.moments {
        for view in moment.used().filter(|view| view.camera == index) {
            found.views += 1;
            squares += bundle.view_rms_px(moment, view).powi(2);
            let camera_from_board =
                bundle.cameras[index].camera_from_world * moment.motion.world_from_board(&middle);
            let sight = (camera_from_board * middle).coords;
            let distance = sight.norm();
            found.distance_m = (
                found.distance_m.0.min(distance),
                found.distance_m.1.max(distance),
            );
            let normal = camera_from_board * nalgebra::Vector3::z();
            let tilt = (normal.dot(&sight) / distance).abs().min(1.0).acos();
            found.steepest_tilt_deg = found.steepest_tilt_deg.max(tilt.to_degrees());
            for corner in &view.corners_px {
                let column = cell_of(corner.x, camera.image_size.width_px, COVERAGE_CELLS.0);
                let row = cell_of(corner.y, camera.image_size.height_px, COVERAGE_CELLS.1);
                found.coverage[row * COVERAGE_CELLS.0 + column] += 1;
            }
        }
    }
    found.residual_px = (squares / found.views.max(1) as f64).sqrt();
    found.advice = advice(&found);
    found
}

fn advice(found: &CameraDiagnostics) -> Vec<String> {
    let name = &found.name;
    let mut advice = Vec::new();
    let (columns, rows) = COVERAGE_CELLS;
    let quarters = [
        ("upper left", 0, 0),
        ("upper right", columns / 2, 0),
        ("lower left", 0, rows / 2),
        ("lower right", columns / 2, rows / 2),
    ];
    for (place, column, row) in quarters {
        let empty = (row..row + rows / 2)
            .flat_map(|r| (column..column + columns / 2).map(move |c| r * columns + c))
            .filter(|cell| found.coverage[*cell] < FEW_CORNERS)
            .count();
        if empty * 2 > columns * rows / 4 {
            advice.push(format!(
                "camera {name:?}: the board was hardly in the {place} quarter of the stored picture; show it there"
            ));
        }
    }
    if found.steepest_tilt_deg < ENOUGH_TILT_DEG {
        advice.push(format!(
            "camera {name:?}: the board was tilted by {:.0} degrees at most; tilt it to 45",
            found.steepest_tilt_deg
        ));
    }
    if found.distance_m.1 < ENOUGH_DEPTH * found.distance_m.0 {
        advice.push(format!(
            "camera {name:?}: the board stayed between {:.2} and {:.2} m; bring it nearer and farther",
            found.distance_m.0, found.distance_m.1
        ));
    }
    advice
}
