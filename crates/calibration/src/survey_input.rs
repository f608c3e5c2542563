//! What a survey needs.

use crate::{Board, BoardSighting};
use drawarc_rig::{ClockModel, ImageSize, Lens, Shutter};
use nalgebra::{Point2, Point3, Vector2};

/// Which lens model a camera gets.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LensChoice {
    /// Brown-Conrady, as many terms as held-out views bear out; Kannala-Brandt where that fits better.
    Auto,
    /// Brown-Conrady with `radial` of k1, k2, k3 free, and p1, p2 where `tangential`.
    BrownConrady {
        /// Number of radial terms, 0 to 3.
        radial: u8,
        /// Are p1 and p2 free?
        tangential: bool,
    },
    /// Kannala-Brandt.
    Wide,
    /// Known already: held fixed.
    Known(Lens),
}

/// One camera's share of the input.
#[derive(Debug, Clone)]
pub struct SurveyCamera {
    /// Name.
    pub name: String,
    /// Stored picture size.
    pub image_size: ImageSize,
    /// Rotation in the container (degrees clockwise).
    pub rotation_deg: u16,
    /// Shutter; the read-out is estimated where `readout_sd_s > 0`, with that as its prior.
    pub shutter: Shutter,
    /// Range time from this camera's clock; refined where its variance is not zero, with that as its prior.
    pub clock: ClockModel,
    /// Where the board was seen, in order of time.
    pub sightings: Vec<BoardSighting>,
    /// Lens model.
    pub lens: LensChoice,
    /// Photographs: no clock; equal `frame_index` means the same instant in all cameras, the board at rest.
    pub stills: bool,
}

/// How the range frame is found.
#[derive(Debug, Clone, PartialEq)]
pub enum FrameChoice {
    /// From the board at rest on the shooting line: the last still moment of at least `least_rest_s`, or the
    /// last within `window_s` (range time) where given.
    BoardOnLine {
        /// Range time between which to look; `None`: anywhere.
        window_s: Option<(f64, f64)>,
        /// How long the board must lie still (s).
        least_rest_s: f64,
        /// Where the range's origin lies, from the middle of the board, in the board's directions (m).
        origin_from_centre_m: Vector2<f64>,
    },
    /// Three or more points with known places in the range frame (m), each marked in two or more cameras.
    SurveyedPoints {
        /// The points.
        points: Vec<SurveyedPoint>,
    },
    /// The first camera's own frame.
    FirstCamera,
}

impl Default for FrameChoice {
    fn default() -> Self {
        Self::BoardOnLine {
            window_s: None,
            least_rest_s: 1.5,
            origin_from_centre_m: Vector2::zeros(),
        }
    }
}

/// A point on the range whose place is known.
#[derive(Debug, Clone, PartialEq)]
pub struct SurveyedPoint {
    /// Its place (m).
    pub point_in_range: Point3<f64>,
    /// Camera index and pixel of each mark.
    pub marks_px: Vec<(usize, Point2<f64>)>,
}

/// A plumb line, or a post known to be upright, marked at two places far apart: which way is up on sloping ground.
#[derive(Debug, Clone, PartialEq)]
pub struct PlumbLine {
    /// Camera index and pixel of each mark of the upper place; two cameras or more.
    pub top_px: Vec<(usize, Point2<f64>)>,
    /// The same of the lower place.
    pub bottom_px: Vec<(usize, Point2<f64>)>,
}

/// What can be tuned. The defaults are what the pipelines use.
#[derive(Debug, Clone, PartialEq)]
pub struct SurveySettings {
    /// Moments of the board that enter the adjustment, at most.
    pub most_moments: usize,
    /// Steps of the solver, at most.
    pub most_steps: usize,
    /// Huber's limit: distance beyond which a corner's pull no longer grows (standard deviations of the two-dimensional
    /// residual). A normal corner exceeds the default once in 260; infinity makes it plain least squares.
    pub loss_limit: f64,
    /// A view is left out where its rms residual is over this many times its camera's median.
    pub view_limit: f64,
    /// May the board be bent? Then its shape is looked for, and taken into account where it is certain.
    pub board_may_bend: bool,
    /// Standard deviation of a corner, per axis (px); `None`: measured from the residuals, camera by camera.
    pub corner_sd_px: Option<f64>,
}

impl Default for SurveySettings {
    fn default() -> Self {
        Self {
            most_moments: 150,
            most_steps: 60,
            loss_limit: 3.33,
            view_limit: 3.5,
            board_may_bend: true,
            corner_sd_px: None,
        }
    }
}

/// Everything a survey needs.
#[derive(Debug, Clone)]
pub struct SurveyInput {
    /// The cameras, in the order of the rig.
    pub cameras: Vec<SurveyCamera>,
    /// The board.
    pub board: Board,
    /// How the range frame is found.
    pub frame: FrameChoice,
    /// Which way is up, where the board on the line may lie on a slope; ignored where surveyed points fix the frame.
    pub plumb: Option<PlumbLine>,
    /// What can be tuned.
    pub settings: SurveySettings,
}
