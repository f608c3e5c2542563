//! What is filmed: a scenario, as a value and as YAML (`format: drawarc-scenario/1`).

use crate::error::{RangeSimError, check};
use crate::film_camera::FilmCamera;
use serde::{Deserialize, Serialize};

/// The format that this version reads and writes.
pub const SCENARIO_FORMAT: &str = "drawarc-scenario/1";

/// One practice: people, things, cameras, light, and what happens when. Times are range time (s).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// Always [`SCENARIO_FORMAT`].
    pub format: String,
    /// Name for people.
    pub name: String,
    /// Seed of everything random.
    pub seed: u64,
    /// Range time at which the recordings end (s).
    pub end_s: f64,
    /// Temperature of the air (°C): how fast sound travels.
    pub air_temperature_c: f64,
    /// Who shoots.
    pub archer: Archer,
    /// Markers worn.
    pub markers: Vec<MarkerPlan>,
    /// Whether another archer moves in the next lane.
    pub neighbour: bool,
    /// Hand claps (s).
    pub claps_s: Vec<f64>,
    /// The checkerboard and when it is shown.
    pub board: Option<BoardPlan>,
    /// A stick with two markers, waved for a check of distances.
    #[serde(default)]
    pub wand: Option<WandPlan>,
    /// Where a marker lies still (m), for a check of the noise.
    #[serde(default)]
    pub at_rest_m: Option<[f64; 3]>,
    /// The shots in order of time.
    pub shots: Vec<ShotPlan>,
    /// The cameras.
    pub cameras: Vec<FilmCamera>,
    /// Light and look.
    pub light: LightPlan,
}

/// Who shoots.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Archer {
    /// Body height (m).
    pub height_m: f64,
    /// Left-handed: everything mirrored.
    pub left_handed: bool,
    /// Hook to middle of the elbow marker (m); `None`: 0.217 of the body height.
    pub forearm_m: Option<f64>,
    /// Tremor of the elbow in each axis, 8 to 12 Hz (m rms).
    pub tremor_m: f64,
    /// Sway of the whole body, horizontally (m rms).
    pub sway_m: f64,
    /// Rise of the chest with breathing (m, amplitude).
    pub breathing_m: f64,
    /// Height of the arrow line over its horizontal (°, upward positive).
    pub arrow_elevation_deg: f64,
    /// Colour of the shirt, linear RGB.
    pub shirt_rgb: [f32; 3],
    /// Colour of the skin, linear RGB.
    pub skin_rgb: [f32; 3],
}

impl Archer {
    /// Hook to middle of the elbow marker (m). Default: forearm .146 and half of the hand .108 of the height
    /// (Drillis & Contini 1966, from memory) plus the marker on the tip: .217.
    pub fn forearm_m(&self) -> f64 {
        self.forearm_m.unwrap_or(0.217 * self.height_m)
    }
}

/// Where a marker sits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MarkerPlace {
    /// Tip of the draw elbow.
    Elbow,
    /// Back of the hand that holds the bow.
    BowHand,
    /// Back of the hand that draws.
    StringHand,
    /// Nock of the arrow.
    Nock,
    /// Arrow rest.
    ArrowRest,
    /// Shoulder of the draw arm.
    DrawShoulder,
    /// First end of the wand.
    WandFirst,
    /// Second end of the wand.
    WandSecond,
    /// On nobody: it lies still.
    AtRest,
}

/// What a marker looks like.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum MarkerLook {
    /// A ball.
    Ball {
        /// Diameter (m).
        diameter_m: f64,
    },
    /// A band around the limb; its centre lies on the limb's axis.
    Band {
        /// Width along the limb (m).
        width_m: f64,
    },
    /// A flat dot on the skin, facing backward along the forearm.
    Dot {
        /// Diameter (m).
        diameter_m: f64,
    },
    /// A flat dot on a round black ground, printed; worn as a dot is.
    Target {
        /// Diameter of the dot (m).
        diameter_m: f64,
        /// Diameter of the ground (m).
        ground_m: f64,
    },
}

/// One marker.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MarkerPlan {
    /// Where.
    pub place: MarkerPlace,
    /// Shape.
    pub look: MarkerLook,
    /// Colour, linear RGB.
    pub rgb: [f32; 3],
}

/// The checkerboard: its size, and when it is waved and laid down.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BoardPlan {
    /// Inner corners along the arrow.
    pub columns: usize,
    /// Inner corners across.
    pub rows: usize,
    /// Distance of neighbouring corners along the arrow (m).
    pub pitch_x_m: f64,
    /// Distance of neighbouring corners across the arrow (m).
    pub pitch_y_m: f64,
    /// White rim around the outermost squares (m).
    pub rim_m: f64,
    /// Bend: how far the middle stands out over the ends (m); 0 is flat.
    pub bend_m: f64,
    /// Shown from (s).
    pub waved_from_s: f64,
    /// Shown until (s).
    pub waved_until_s: f64,
    /// At rest on the shooting line from (s).
    pub on_line_from_s: f64,
    /// At rest until (s).
    pub on_line_until_s: f64,
    /// Middle of the space in which it is waved (m).
    pub middle_m: [f64; 3],
    /// Half size of that space (m).
    pub reach_m: [f64; 3],
    /// Laid with its arrow away from the target, as nobody should.
    #[serde(default)]
    pub wrong_way_round: bool,
}

/// A stick with two balls.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WandPlan {
    /// Distance between the centres (m).
    pub length_m: f64,
    /// Waved from (s).
    pub from_s: f64,
    /// Waved until (s).
    pub until_s: f64,
}

/// One shot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShotPlan {
    /// Raise begins (s).
    pub start_s: f64,
    /// What is drawn and how it ends.
    pub kind: ShotKind,
    /// Length of the raise (s).
    pub raise_s: f64,
    /// Length of set-up: the slow stretch between raise and draw (s).
    pub set_up_s: f64,
    /// Length of the draw (s).
    pub draw_s: f64,
    /// Length of the anchor with its V (s).
    pub anchor_s: f64,
    /// Length of the expansion (s).
    pub expansion_s: f64,
    /// Speed of the elbow along its path in set-up (m/s).
    pub set_up_speed_m_s: f64,
    /// Depth of the V (m).
    pub v_depth_m: f64,
    /// Elbow behind the arrow line as the expansion begins (m).
    pub behind_at_anchor_m: f64,
    /// How far the expansion carries the elbow further behind the line (m).
    pub around_m: f64,
    /// How far the hook still creeps back in expansion (m); 0 is perfect rest at the jaw.
    pub hook_travel_m: f64,
    /// How long the board of the bow arm is brought up in the shot: the elbow over the arrow line at anchor (m).
    pub elbow_over_line_m: f64,
    /// Faults.
    #[serde(default)]
    pub faults: Vec<FaultPlan>,
}

/// What is drawn and how it ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ShotKind {
    /// A shot with a bow.
    Shot,
    /// Drawn, held and let down.
    LetDown,
    /// Exercise band, let down slowly, no release.
    Band,
}

/// A fault, dialled in. Sizes are net sizes of the movement without tremor and sway.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum FaultPlan {
    /// In the draw the elbow slows to this speed (0: a stall) for this long.
    Slow {
        /// Start of the slow stretch after the start of the draw (s).
        after_s: f64,
        /// Length (s).
        length_s: f64,
        /// Speed of the elbow (m/s).
        speed_m_s: f64,
        /// How far the bow hand goes on pushing meanwhile (m).
        push_m: f64,
    },
    /// The elbow gives way toward the target.
    Collapse {
        /// In which phase.
        phase: CollapsePhase,
        /// Start after the start of that phase (s).
        after_s: f64,
        /// Length (s).
        length_s: f64,
        /// Net depth (m).
        depth_m: f64,
    },
    /// In expansion the elbow slides back toward the chest side.
    GivesWayAround {
        /// Start after the start of the expansion (s).
        after_s: f64,
        /// Length (s).
        length_s: f64,
        /// Net drop of `behind` (m).
        depth_m: f64,
    },
    /// In expansion the hook is lost slowly toward the target.
    Creep {
        /// Start after the start of the expansion (s).
        after_s: f64,
        /// Length (s).
        length_s: f64,
        /// Net depth (m).
        depth_m: f64,
    },
    /// The string slips in the fingers: nock and hand come apart before release, and the elbow is dragged along.
    HookSlip {
        /// Start after the start of the expansion (s).
        after_s: f64,
        /// Length (s).
        length_s: f64,
        /// How far nock and hand come apart (m).
        slip_m: f64,
        /// How far the elbow is dragged forward (m).
        drag_m: f64,
    },
}

/// Where a collapse happens.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CollapsePhase {
    /// During the draw: net reversal of the elbow along the arrow line.
    Draw,
    /// During expansion: net reversal of the hook along the arrow line, with the elbow.
    Expansion,
}

/// Light and look.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LightPlan {
    /// Strength of the lamps from one side against all light: 0 even, 1 harsh; negative: markers shine evenly, for
    /// tests of their outline.
    pub one_sided: f32,
    /// Brightness of the whole (1: well exposed).
    pub exposure: f32,
    /// Things of nearly the markers' colour in view.
    pub look_alikes: bool,
}

impl Scenario {
    /// Reads YAML; unknown fields are refused.
    ///
    /// # Errors
    /// [`RangeSimError`] with line and column, or naming the number that cannot be.
    pub fn from_yaml(text: &str) -> Result<Self, RangeSimError> {
        let scenario: Self = serde_yaml::from_str(text)
            .map_err(|error| RangeSimError::Scenario(error.to_string()))?;
        scenario.validate()?;
        Ok(scenario)
    }

    /// Writes YAML.
    ///
    /// # Errors
    /// [`RangeSimError::Scenario`] where a value has no YAML.
    pub fn to_yaml(&self) -> Result<String, RangeSimError> {
        serde_yaml::to_string(self).map_err(|error| RangeSimError::Scenario(error.to_string()))
    }

    /// `+1` right-handed, `−1` left-handed.
    pub fn side(&self) -> f64 {
        if self.archer.left_handed { -1.0 } else { 1.0 }
    }

    /// Refuses numbers that cannot be filmed.
    ///
    /// # Errors
    /// [`RangeSimError::Value`] or [`RangeSimError::Scenario`] naming the first.
    pub fn validate(&self) -> Result<(), RangeSimError> {
        if self.format != SCENARIO_FORMAT {
            return Err(RangeSimError::Scenario(format!(
                "format {:?}; this version reads {SCENARIO_FORMAT:?}",
                self.format
            )));
        }
        if self.cameras.is_empty() {
            return Err(RangeSimError::Scenario("no camera".to_owned()));
        }
        check(
            (0.5..=3600.0).contains(&self.end_s),
            "end_s",
            self.end_s,
            "0.5 s to an hour",
        )?;
        let height = self.archer.height_m;
        check(
            (1.1..=2.3).contains(&height),
            "archer.height_m",
            height,
            "1.1 to 2.3 m",
        )?;
        for camera in &self.cameras {
            camera.validate()?;
        }
        for shot in &self.shots {
            for (what, value) in [
                ("shot.raise_s", shot.raise_s),
                ("shot.set_up_s", shot.set_up_s),
                ("shot.draw_s", shot.draw_s),
                ("shot.anchor_s", shot.anchor_s),
                ("shot.expansion_s", shot.expansion_s),
            ] {
                check((0.05..=60.0).contains(&value), what, value, "0.05 to 60 s")?;
            }
        }
        let ordered = self
            .shots
            .windows(2)
            .all(|pair| pair[0].start_s < pair[1].start_s);
        if !ordered {
            return Err(RangeSimError::Scenario(
                "shots are not in order of time".to_owned(),
            ));
        }
        Ok(())
    }
}
