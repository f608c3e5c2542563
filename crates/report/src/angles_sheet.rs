//! What every angle shows, as it stands on the sheet.

use serde::{Deserialize, Serialize};

/// What a view is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ViewKind {
    /// A half hour of the clock face.
    Clock,
    /// Straight down.
    Overhead,
    /// One of the rig's own cameras.
    Camera,
}

/// What a person would judge from a view.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SeenVerdict {
    /// Looks good.
    Good,
    /// Looks as if it stopped.
    Stall,
    /// Looks as if it gave way.
    GaveWay,
    /// Nothing can be judged from there.
    CannotTell,
}

/// What one view shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ViewSheet {
    /// "5:30", "overhead", or the camera's name.
    pub name: String,
    /// What it is.
    pub kind: ViewKind,
    /// Place on the dial (hours, 0 ≤ h < 12); none for overhead.
    pub clock_hours: Option<f64>,
    /// Unit direction from the archer toward the camera, range frame.
    pub toward_camera: [f64; 3],
    /// Fraction (0 to 1) of a movement toward the target that this view shows.
    pub collapse_share: f64,
    /// Fraction of the way around.
    pub around_share: f64,
    /// Fraction of the V (vertical).
    pub v_share: f64,
    /// The shot's deepest reversal (fault or not) as it would be measured in this view's picture plane along the
    /// direction in which "away" shows (mm).
    pub reversal_seen_mm: f64,
    /// For a rig camera: pixels of the collapse (or of 1 mm of it, where there was none), of the way around in
    /// expansion, and of the V: `[collapse, around, v]`.
    pub pixels: Option<[f64; 3]>,
    /// What a person would judge from there.
    pub person: SeenVerdict,
    /// That differs from what was measured.
    pub misleads: bool,
}

/// Every angle.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AnglesSheet {
    /// The twenty-four half hours, overhead, then the rig's cameras.
    pub views: Vec<ViewSheet>,
    /// Index of the view that shows this shot's fault (without one: a collapse) best.
    pub best: usize,
    /// Views that cannot show it at all.
    pub blind: Vec<usize>,
    /// Best and blind in words.
    pub words: String,
}
