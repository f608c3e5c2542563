//! What is known about a shot besides the path of the elbow.

use crate::corrections::ShotCorrection;
use crate::sheet::{BowStage, Felt, Side};
use drawarc_rig::Camera;
use drawarc_triangulation::{InstantPath, Onset, PathSamples};
use nalgebra::{Point3, Vector3};

/// A sudden sound at the bow: range time, the sound's own travel already taken off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SoundAt {
    /// Range time (s).
    pub time_s: f64,
    /// Standard deviation (s), the clock's and the sound-to-picture lag's shares included.
    pub sd_s: f64,
}

/// Paths of the further markers, sampled with as many joint draws as the elbow's, draw `k` of each belonging
/// together. Times may differ from the elbow's.
#[derive(Debug, Clone, Copy, Default)]
pub struct Markers<'a> {
    /// Back of the bow hand.
    pub bow_hand: Option<&'a PathSamples>,
    /// Back of the string hand.
    pub string_hand: Option<&'a PathSamples>,
    /// Nock of the arrow.
    pub nock: Option<&'a PathSamples>,
    /// Arrow rest.
    pub arrow_rest: Option<&'a PathSamples>,
    /// Shoulder of the draw arm.
    pub draw_shoulder: Option<&'a PathSamples>,
}

/// Where the arrow line comes from when nock and rest carry no markers.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum ArrowLineChoice {
    /// From the markers at nock and rest where they are tracked, else unknown.
    #[default]
    MarkersOrAssumed,
    /// Nock and rest picked in two views at full draw.
    Picks {
        /// Nock, range frame (m).
        nock_in_range: Point3<f64>,
        /// Arrow rest, range frame (m).
        rest_in_range: Point3<f64>,
        /// Standard deviation of each pick, an axis (m).
        sd_m: f64,
    },
    /// Horizontal toward the target through this point.
    StatedAnchor {
        /// A point on the line, range frame (m).
        anchor_in_range: Point3<f64>,
        /// Standard deviation across the line, an axis (m).
        sd_m: f64,
    },
}

/// What is known about a shot besides the path of the elbow.
#[derive(Debug, Clone)]
pub struct ShotContext<'a> {
    /// Name within the practice, `shot-03`.
    pub id: String,
    /// Alias of the archer.
    pub archer: String,
    /// Handedness.
    pub side: Side,
    /// Body height (m).
    pub body_height_m: Option<f64>,
    /// Hook to elbow (m) with standard deviation, where a tape measured it.
    pub forearm_m: Option<(f64, f64)>,
    /// Band, light bow, own bow.
    pub stage: BowStage,
    /// Draw weight (lb).
    pub draw_weight_lb: Option<f64>,
    /// What the archer felt.
    pub felt: Option<Felt>,
    /// The arrow line.
    pub arrow_line: ArrowLineChoice,
    /// Marker on the nock to the arrow's axis, range frame (m), added to the marker.
    pub nock_offset_m: Vector3<f64>,
    /// Marker at the rest to the arrow's axis, range frame (m), added to the marker.
    pub rest_offset_m: Vector3<f64>,
    /// When the elbow set out after the hold, as its sightings tell.
    pub onset: Option<Onset>,
    /// All sudden sounds around the shot; the one that fits is used.
    pub sounds: Vec<SoundAt>,
    /// Further markers.
    pub markers: Markers<'a>,
    /// The rig's cameras, for what each of them shows.
    pub cameras: Vec<Camera>,
    /// The elbow by the simple way, to stand beside the path.
    pub simple: Option<&'a InstantPath>,
    /// What a person corrected.
    pub correction: Option<ShotCorrection>,
}

impl ShotContext<'_> {
    /// An archer with their own bow of whom nothing else is known.
    pub fn new(id: impl Into<String>, archer: impl Into<String>, side: Side) -> Self {
        Self {
            id: id.into(),
            archer: archer.into(),
            side,
            body_height_m: None,
            forearm_m: None,
            stage: BowStage::OwnBow,
            draw_weight_lb: None,
            felt: None,
            arrow_line: ArrowLineChoice::default(),
            nock_offset_m: Vector3::zeros(),
            rest_offset_m: Vector3::zeros(),
            onset: None,
            sounds: Vec::new(),
            markers: Markers::default(),
            cameras: Vec::new(),
            simple: None,
            correction: None,
        }
    }
}
