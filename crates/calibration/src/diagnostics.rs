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
    /// How far the board is from flat; `None` where it was not looked for, or the views do not tell.
    pub board_bends: Option<BoardBends>,
    /// By how much the covariance was widened because the corners of one moment err together (1 = not at all).
    pub widened: f64,
}

/// How far the board's corners stand out of their plane toward the printed side, each with its standard deviation (mm).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BoardBends {
    /// The middle over the ends, along the arrow.
    pub along_mm: (f64, f64),
    /// The middle over the ends, across the arrow.
    pub across_mm: (f64, f64),
    /// One pair of opposite corners over the middle, as far as the other pair stands under it.
    pub twist_mm: (f64, f64),
    /// Is it bent for certain, and was the survey made with the bent shape?
    pub taken_into_account: bool,
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
    /// Its rms residual where no other view has a say in where the board is (px).
    pub alone_px: f64,
}

impl LeftOut {
    /// Why: what is amiss with the view.
    pub fn reason(&self) -> &'static str {
        if self.alone_px > self.limit_px {
            "its corners are not those of the board: something hides it, or it is blurred"
        } else {
            "a board, but not where the other views have it at that moment: it moved too abruptly, or a clock is off"
        }
    }
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
    /// Quarters of the stored picture that the board hardly entered: `(0 left, 1 right; 0 up, 1 down)`.
    pub thin_quarters: Vec<(usize, usize)>,
    /// What to film more of, by the picture as it is shown.
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
    found.thin_quarters = thin_quarters(&found);
    found.advice = advice(&found, camera.rotation_deg);
    found
}

fn thin_quarters(found: &CameraDiagnostics) -> Vec<(usize, usize)> {
    let (columns, rows) = (COVERAGE_CELLS.0 / 2, COVERAGE_CELLS.1 / 2);
    [(0, 0), (1, 0), (0, 1), (1, 1)]
        .into_iter()
        .filter(|(right, down)| {
            let empty = (0..rows)
                .flat_map(|r| (0..columns).map(move |c| (c, r)))
                .filter(|(c, r)| {
                    let cell = (down * rows + r) * COVERAGE_CELLS.0 + right * columns + c;
                    found.coverage[cell] < FEW_CORNERS
                })
                .count();
            empty * 2 > columns * rows
        })
        .collect()
}

/// Where a place of the stored picture is when it is shown: the container's rotation is clockwise. All from 0 to 1.
#[must_use]
pub fn as_shown((x, y): (f64, f64), rotation_deg: u16) -> (f64, f64) {
    match rotation_deg {
        90 => (1.0 - y, x),
        180 => (1.0 - x, 1.0 - y),
        270 => (y, 1.0 - x),
        _ => (x, y),
    }
}

fn advice(found: &CameraDiagnostics, rotation_deg: u16) -> Vec<String> {
    let name = &found.name;
    let mut advice = Vec::new();
    let places: Vec<String> = found
        .thin_quarters
        .iter()
        .map(|(right, down)| {
            let middle = (*right as f64 * 0.5 + 0.25, *down as f64 * 0.5 + 0.25);
            let (x, y) = as_shown(middle, rotation_deg);
            let height = if y < 0.5 { "upper" } else { "lower" };
            let side = if x < 0.5 { "left" } else { "right" };
            format!("{height} {side}")
        })
        .collect();
    if places.len() == 4 {
        advice.push(format!(
            "camera {name:?}: the board stayed in the middle of the picture; show it in all four corners"
        ));
    } else if !places.is_empty() {
        advice.push(format!(
            "camera {name:?}: the board was hardly in the {} of the picture; show it there",
            places.join(" and ")
        ));
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_corner_that_the_board_never_saw_is_named_as_people_see_it() {
        let mut found = CameraDiagnostics {
            name: "five".to_owned(),
            coverage: vec![100; COVERAGE_CELLS.0 * COVERAGE_CELLS.1],
            distance_m: (1.0, 3.0),
            steepest_tilt_deg: 45.0,
            ..CameraDiagnostics::default()
        };
        assert!(thin_quarters(&found).is_empty() && advice(&found, 0).is_empty());
        for row in 0..COVERAGE_CELLS.1 / 2 {
            for column in 0..COVERAGE_CELLS.0 / 2 {
                found.coverage[row * COVERAGE_CELLS.0 + column] = 3;
            }
        }
        found.thin_quarters = thin_quarters(&found);
        assert_eq!(found.thin_quarters, [(0, 0)]);
        for (rotation_deg, words) in [
            (0, "upper left"),
            (90, "upper right"),
            (180, "lower right"),
            (270, "lower left"),
        ] {
            let said = advice(&found, rotation_deg);
            assert!(said.len() == 1 && said[0].contains(words), "{said:?}");
        }
    }
}
