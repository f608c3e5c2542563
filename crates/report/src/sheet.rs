//! What the tool says about one shot. Millimetres, degrees and seconds: this is what a person reads.

use crate::{AnglesSheet, Curves, Measure, Reading, SecondWay};
use serde::{Deserialize, Serialize};

/// The word with which a shot sheet's JSON begins.
pub const SHOT_FORMAT: &str = "drawarc-shot/1";

/// The archer's handedness.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// Draws with the right hand: chest to 3 o'clock.
    Right,
    /// Draws with the left hand: chest to 9 o'clock.
    Left,
}

impl Side {
    /// +1 for a right-handed archer, −1 for a left-handed one.
    pub fn sign(self) -> f64 {
        match self {
            Self::Right => 1.0,
            Self::Left => -1.0,
        }
    }
}

/// With what the movement was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BowStage {
    /// Exercise band, no bow.
    Band,
    /// A light bow.
    LightBow,
    /// The archer's own bow.
    OwnBow,
    /// Compound bow with a release aid: path and travel only, no rules on release and hook.
    Compound,
}

/// What the archer said before seeing any picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Felt {
    /// "The elbow kept moving."
    Moved,
    /// "It stopped."
    Stopped,
    /// "It gave way."
    GaveWay,
    /// "I cannot say."
    Unsure,
}

/// How a shot ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ShotKind {
    /// The string was released.
    Released,
    /// The string was let down under control.
    LetDown,
    /// The recording or the sightings end before the shot does.
    Unfinished,
}

/// Phases of a shot, in their order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    /// Height rises.
    Raise,
    /// The slowing between raise and draw.
    SetUp,
    /// The hook comes back.
    Draw,
    /// End of the draw, with the V.
    Anchor,
    /// Slow travel until release.
    Expansion,
    /// The burst: from the break of the movement to the elbow's highest speed.
    Release,
    /// Until still.
    FollowThrough,
}

/// A phase with the uncertainty of its ends. Where a phase was not there, it is not in the list.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PhaseSheet {
    /// Which phase.
    pub phase: Phase,
    /// Start, range time (s).
    pub start_s: f64,
    /// Standard deviation of the start (s).
    pub start_sd_s: f64,
    /// End, range time (s).
    pub end_s: f64,
    /// Standard deviation of the end (s).
    pub end_sd_s: f64,
    /// Duration (s) with interval.
    pub duration_s: Measure,
    /// A person moved one of the ends (corrections file).
    pub corrected: bool,
}

/// The faults that the tool looks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FaultKind {
    /// The elbow stopped while the draw was not over.
    Stall,
    /// The elbow gave way toward the target.
    Collapse,
    /// The elbow slid back toward the chest side.
    GaveWayAround,
    /// The hook crept forward slowly.
    Creep,
    /// The hook slipped on the string before release.
    HookSlip,
}

/// A fault beyond doubt and beyond the practical floor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fault {
    /// Which.
    pub kind: FaultKind,
    /// Phase in which it started.
    pub phase: Phase,
    /// Start, range time (s).
    pub start_s: f64,
    /// Standard deviation of the start (s).
    pub start_sd_s: f64,
    /// 95 % interval of the start, range time (s), where it is lopsided or holds more than one place; without it, 1.96
    /// standard deviations either way.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub start_between_s: Option<[f64; 2]>,
    /// Length (s).
    pub length_s: Measure,
    /// Net depth (mm), corrected for the bias of a maximum. For a stall: the net displacement of the elbow
    /// during it.
    pub depth_mm: Measure,
    /// Mean speed of the elbow during it (mm/s); for a stall the statement that it rests on.
    pub speed_mm_s: Measure,
    /// Probability that it is real: stall: posterior probability of a net speed below the limit; reversals:
    /// one minus the chance that this shot's errors alone make one as clear anywhere in the shot.
    pub probability: f64,
    /// Stall, with hand and bow-hand markers: how far the hand went on relative to the bow hand (mm).
    pub hand_went_on_mm: Option<Measure>,
    /// Where the elbow was at start and end, range frame (mm): `[start, end]`.
    pub place_mm: [[f64; 3]; 2],
}

impl Fault {
    /// 95 % interval of the start, range time (s).
    pub fn start_between(&self) -> [f64; 2] {
        self.start_between_s
            .unwrap_or_else(|| [-1.96, 1.96].map(|z| self.start_s + z * self.start_sd_s))
    }
}

/// What came of looking for one kind of fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Finding {
    /// Found: see the list of faults.
    Found,
    /// Looked for and not found.
    NotFound,
    /// This shot or rig could not show it.
    NotMeasurable,
    /// The rule is switched off for this kind of shot.
    NotApplicable,
}

/// One row for each kind of fault.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FaultCheck {
    /// Which.
    pub kind: FaultKind,
    /// What came of it.
    pub finding: Finding,
    /// Smallest fault that this shot would have shown (80 % power, 5 % false alarms a shot). Stall: the highest
    /// speed (mm/s) at which a stall of the shortest length is still found; all others: depth (mm).
    pub smallest_detectable: Option<f64>,
    /// Unit of `smallest_detectable`: `mm/s` or `mm`.
    pub unit: String,
    /// Stall: the shortest full stop (s) that this shot would have shown (80 % power).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shortest_s: Option<f64>,
    /// Why, where not measurable or not applicable; what a further marker would show.
    pub why: Option<String>,
}

/// The raw reversal along x that a naive rule would mark; reported beside the faults, never marked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawReversal {
    /// Largest movement toward the target from anchor to release (mm), as it stands in the path.
    pub depth_mm: Reading,
    /// The part of it that going around a hook at rest explains, `(r₁² − r₀²)/2d` (mm).
    pub explained_mm: Reading,
    /// Start and end, range time (s).
    pub span_s: Option<[f64; 2]>,
}

/// The worst thing that the sheet says, in one word. Ordered from best to worst.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Kept moving, gave nothing away.
    Good,
    /// Compound bow or the like: path and travel only.
    TravelOnly,
    /// Could not be judged.
    NotMeasurable,
    /// Let down before release; no fault until then.
    LetDown,
    /// Slowed clearly, never stopped.
    Slowed,
    /// The hook crept forward.
    Creep,
    /// The elbow slid back toward the chest side.
    GaveWayAround,
    /// The hook slipped.
    HookSlip,
    /// The elbow stopped.
    Stall,
    /// The elbow gave way toward the target.
    Collapse,
}

/// Travel in one phase.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PhaseTravel {
    /// Which phase.
    pub phase: Phase,
    /// Net travel away from the target (mm).
    pub away_mm: Reading,
    /// Net travel behind the line (mm).
    pub behind_mm: Reading,
    /// Net travel upward (mm).
    pub height_mm: Reading,
    /// Length of the path below the tremor band (mm).
    pub path_length_mm: Reading,
    /// Lowest speed (mm/s, over a window of the stall rule).
    pub lowest_speed_mm_s: Reading,
    /// Mean speed along the path (mm/s).
    pub mean_speed_mm_s: Reading,
    /// Highest speed (mm/s).
    pub highest_speed_mm_s: Reading,
}

/// The figures of the whole shot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShotMeasures {
    /// Lowest speed from the end of the raise to anchor (mm/s): the figure behind "slowed".
    pub slowest_mm_s: Reading,
    /// Depth of the V at anchor (mm).
    pub v_depth_mm: Reading,
    /// Where the elbow stood behind the arrow line when expansion began (mm).
    pub behind_at_anchor_mm: Reading,
    /// Where it stood at release (mm).
    pub behind_at_release_mm: Reading,
    /// Travel of the elbow around in expansion, along `behind` (mm).
    pub expansion_behind_mm: Reading,
    /// Travel away from the target in expansion (mm).
    pub expansion_away_mm: Reading,
    /// Travel in expansion about the draw shoulder (degrees).
    pub expansion_around_deg: Reading,
    /// What the hook did along the arrow line in expansion (mm, positive away from the target).
    pub hook_travel_mm: Reading,
    /// Forearm against arrow at release, seen from overhead (degrees, positive: elbow behind the line).
    pub alignment_deg: Reading,
    /// From the start of the draw to anchor (s).
    pub draw_up_s: Reading,
    /// From anchor to release (s).
    pub hold_s: Reading,
    /// From the start of the raise to release (s).
    pub shot_s: Reading,
}

/// Time used against the shot clock.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShotClock {
    /// The limit (s), a setting.
    pub limit_s: f64,
    /// From the start of the raise to release (s).
    pub used_s: f64,
    /// Was it within the limit?
    pub within: bool,
}

/// Where the arrow line came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ArrowLineSource {
    /// Markers at nock and arrow rest.
    Markers,
    /// Picks of nock and rest in two views.
    Picks,
    /// Horizontal toward the target through a stated anchor point.
    StatedAnchor,
    /// Horizontal toward the target, its place unknown: only changes are reported.
    Assumed,
}

/// The arrow line and what it costs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ArrowLineSheet {
    /// Source.
    pub source: ArrowLineSource,
    /// A sentence for a person.
    pub words: String,
    /// Unit direction away from the target, range frame.
    pub away_in_range: [f64; 3],
    /// A point on it, range frame (mm).
    pub point_mm: [f64; 3],
    /// Standard deviation of the line at the elbow, horizontally across it (mm).
    pub sd_at_elbow_mm: f64,
    /// Standard deviation of its horizontal direction (degrees).
    pub direction_sd_deg: f64,
}

/// An instant worth a picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeyInstant {
    /// For programs: `raise`, `set-up`, `draw`, `anchor`, `expansion`, `release`, `follow-through`, `fault-1`, …
    pub key: String,
    /// For people.
    pub words: String,
    /// Range time (s).
    pub time_s: f64,
}

/// When the string left the fingers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReleaseSheet {
    /// Range time (s).
    pub time_s: Measure,
    /// From the break in the movement alone (s).
    pub motion_s: Measure,
    /// Sound confirmed it: sound minus motion (s, the power stroke taken off).
    pub sound_minus_motion_s: Option<f64>,
    /// In words: from motion, from motion and sound, sound disagrees, set by hand.
    pub words: String,
}

/// Everything that the tool says about one shot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShotSheet {
    /// [`SHOT_FORMAT`].
    pub format: String,
    /// Name of the shot within its practice, e.g. `shot-03`.
    pub id: String,
    /// Alias of the archer (data: escape it).
    pub archer: String,
    /// Handedness.
    pub side: Side,
    /// Band, light bow, own bow.
    pub stage: BowStage,
    /// Draw weight (lb).
    pub draw_weight_lb: Option<f64>,
    /// What the archer felt.
    pub felt: Option<Felt>,
    /// How it ended.
    pub kind: ShotKind,
    /// Start, range time (s).
    pub start_s: f64,
    /// End, range time (s).
    pub end_s: f64,
    /// The release, where there was one.
    pub release: Option<ReleaseSheet>,
    /// The verdict in one word.
    pub verdict: Verdict,
    /// The verdict in one sentence that an archer of twelve understands.
    pub sentence: String,
    /// What the archer felt beside what was measured, in one sentence.
    pub felt_sentence: Option<String>,
    /// How sure, in one sentence: the smallest faults that this shot would have shown.
    pub how_sure: String,
    /// Remarks for a person: gaps, assumptions, disagreeing sound, what a further marker would have shown.
    pub remarks: Vec<String>,
    /// Phases in order of time.
    pub phases: Vec<PhaseSheet>,
    /// Faults in order of time.
    pub faults: Vec<Fault>,
    /// One row for each kind of fault.
    pub checks: Vec<FaultCheck>,
    /// The raw reversal, unmarked.
    pub raw_reversal: RawReversal,
    /// Travel by phase.
    pub travel: Vec<PhaseTravel>,
    /// Figures of the whole shot.
    pub measures: ShotMeasures,
    /// Against the shot clock, where one is set.
    pub shot_clock: Option<ShotClock>,
    /// The arrow line.
    pub arrow_line: ArrowLineSheet,
    /// Every angle.
    pub angles: AnglesSheet,
    /// Curves for plots and exports.
    pub curves: Curves,
    /// The simple way beside the path, where it was computed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub second_way: Option<SecondWay>,
    /// Instants for the film strip.
    pub key_instants: Vec<KeyInstant>,
    /// A person rejected the shot (corrections file): it is shown, and counts in no series.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub rejected: bool,
    /// What a person changed (corrections file), in words, each with what stood there before.
    pub corrections: Vec<String>,
}

impl ShotSheet {
    /// The phase of that kind, where the shot had one.
    pub fn phase(&self, phase: Phase) -> Option<&PhaseSheet> {
        self.phases.iter().find(|sheet| sheet.phase == phase)
    }

    /// The deepest or longest fault behind the verdict.
    pub fn main_fault(&self) -> Option<&Fault> {
        self.faults
            .iter()
            .filter(|fault| fault.kind.verdict() == self.verdict)
            .max_by(|a, b| {
                let size = |fault: &Fault| match fault.kind {
                    FaultKind::Stall => fault.length_s.value,
                    _ => fault.depth_mm.value,
                };
                size(a).total_cmp(&size(b))
            })
    }
}

impl FaultKind {
    /// All kinds, in the order of the table.
    pub const ALL: [Self; 5] = [
        Self::Stall,
        Self::Collapse,
        Self::GaveWayAround,
        Self::Creep,
        Self::HookSlip,
    ];

    /// The verdict that this fault earns.
    pub fn verdict(self) -> Verdict {
        match self {
            Self::Stall => Verdict::Stall,
            Self::Collapse => Verdict::Collapse,
            Self::GaveWayAround => Verdict::GaveWayAround,
            Self::Creep => Verdict::Creep,
            Self::HookSlip => Verdict::HookSlip,
        }
    }
}
