//! One shot as the page shows it: verdict, marks, phases, curves, figures and what each angle shows.
//!
//! A card holds values, no layout. Times are seconds of range time, lengths millimetres in the range
//! frame, because everything here is about to be read by a person.

use serde::{Deserialize, Serialize};

/// The mark of a verdict or of a fault. Every mark has a shape of its own, so that none is told by
/// colour alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mark {
    /// The elbow kept moving and never gave way.
    Good,
    /// It slowed, but never stopped.
    Slowed,
    /// It stopped.
    Stall,
    /// It gave way toward the target.
    Collapse,
    /// It slid back toward the chest side.
    GaveWay,
    /// It gave way over seconds.
    Creep,
    /// The hook slipped on the string.
    HookSlip,
    /// The shot had no release.
    LetDown,
    /// The rig cannot settle it.
    Unclear,
}

impl Mark {
    /// Every mark, in the order of the legend.
    pub const ALL: [Self; 9] = [
        Self::Good,
        Self::Slowed,
        Self::Stall,
        Self::Collapse,
        Self::GaveWay,
        Self::Creep,
        Self::HookSlip,
        Self::LetDown,
        Self::Unclear,
    ];

    /// Key in the words file and in the page's symbols.
    pub fn key(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Slowed => "slowed",
            Self::Stall => "stall",
            Self::Collapse => "collapse",
            Self::GaveWay => "gave-way",
            Self::Creep => "creep",
            Self::HookSlip => "hook-slip",
            Self::LetDown => "let-down",
            Self::Unclear => "unclear",
        }
    }

    /// Whether the mark says that something went wrong with the shot.
    pub fn is_fault(self) -> bool {
        matches!(
            self,
            Self::Stall | Self::Collapse | Self::GaveWay | Self::Creep | Self::HookSlip
        )
    }
}

/// A phase of the shot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PhaseKey {
    /// The arms go up.
    Raise,
    /// The slowing between raise and draw.
    SetUp,
    /// The hook comes back.
    Draw,
    /// The end of the draw, with its shallow V.
    Anchor,
    /// Slow travel until release.
    Expansion,
    /// The burst as the string leaves.
    Release,
    /// Until the elbow is still.
    FollowThrough,
}

impl PhaseKey {
    /// Every phase, in the order of a shot.
    pub const ALL: [Self; 7] = [
        Self::Raise,
        Self::SetUp,
        Self::Draw,
        Self::Anchor,
        Self::Expansion,
        Self::Release,
        Self::FollowThrough,
    ];

    /// Key in the words file.
    pub fn key(self) -> &'static str {
        match self {
            Self::Raise => "raise",
            Self::SetUp => "set-up",
            Self::Draw => "draw",
            Self::Anchor => "anchor",
            Self::Expansion => "expansion",
            Self::Release => "release",
            Self::FollowThrough => "follow-through",
        }
    }
}

/// A phase on the time axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PhaseBar {
    /// Which phase.
    pub phase: PhaseKey,
    /// Start, range time, s.
    pub start_s: f64,
    /// End, range time, s.
    pub end_s: f64,
}

/// A fault on the time axis.
#[derive(Debug, Clone, PartialEq)]
pub struct FaultBar {
    /// Its mark.
    pub mark: Mark,
    /// Start, range time, s.
    pub start_s: f64,
    /// End, range time, s.
    pub end_s: f64,
    /// What happened, in one short line with its number and interval.
    pub text: String,
}

/// A curve with its pointwise 95 % half width.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct BandCurve {
    /// Values at the card's times.
    pub value: Vec<f64>,
    /// Half of the 95 % interval at the same times.
    pub half_width: Vec<f64>,
}

/// The curves of a shot, all at the same instants.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Curves {
    /// Instants, range time, s, increasing.
    pub time_s: Vec<f64>,
    /// Elbow in the range frame, mm.
    pub position_in_range_mm: Vec<[f64; 3]>,
    /// Along the arrow line, positive away from the target, mm.
    pub away_mm: BandCurve,
    /// From the vertical plane through the arrow line, positive on the archer's back, mm.
    pub behind_mm: BandCurve,
    /// Height, mm.
    pub height_mm: BandCurve,
    /// Speed, mm/s.
    pub speed_mm_s: BandCurve,
    /// Where fewer than two cameras saw the marker.
    pub in_gap: Vec<bool>,
}

/// A number of the shot as a person reads it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Figure {
    /// What it is.
    pub name: String,
    /// Value with unit; `None` is "not measurable here".
    pub value: Option<String>,
    /// 95 % interval with unit, or why it is not measurable.
    pub interval: String,
    /// How many cameras stand behind it.
    pub cameras: Option<u8>,
}

/// What a view from one place shows, as fractions from 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AngleShare {
    /// Place on the dial, hours; `None` is overhead.
    pub hours: Option<f64>,
    /// Of the giving way; `None` where there was none.
    pub giving_way: Option<f64>,
    /// Of the way around behind the line.
    pub around: Option<f64>,
    /// Of the V at anchor.
    pub v: Option<f64>,
}

/// The arrow line as drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ArrowLine {
    /// A point on it, range frame, mm.
    pub point_in_range_mm: [f64; 3],
    /// Unit direction toward the target, range frame.
    pub toward_target: [f64; 3],
}

/// One shot as the page shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct ShotCard {
    /// Number in the practice, from 1.
    pub number: usize,
    /// Whose shot.
    pub archer: String,
    /// `+1` right-handed, `-1` left-handed.
    pub side: f64,
    /// Bow stage and draw weight in words, such as "own bow, 38 lb".
    pub bow: String,
    /// Body height, m, for the drawn figure.
    pub body_height_m: Option<f64>,
    /// The one mark of the shot.
    pub mark: Mark,
    /// The verdict: one sentence that an archer of twelve understands.
    pub sentence: String,
    /// A key of the words file under `felt`, or the archer's own words.
    pub felt: Option<String>,
    /// Release, range time, s.
    pub release_s: Option<f64>,
    /// End of set-up, range time, s.
    pub set_up_s: Option<f64>,
    /// Anchor, range time, s.
    pub anchor_s: Option<f64>,
    /// The phases that the shot has.
    pub phases: Vec<PhaseBar>,
    /// The faults that were found.
    pub faults: Vec<FaultBar>,
    /// The curves.
    pub curves: Curves,
    /// Whether `behind` is measured from a known arrow line (else it is a change since set-up).
    pub arrow_line_known: bool,
    /// The arrow line.
    pub arrow_line: Option<ArrowLine>,
    /// Key figures for the list, at most three: name and value with interval.
    pub headline: Vec<(String, String)>,
    /// All figures.
    pub figures: Vec<Figure>,
    /// What each angle shows.
    pub angles: Vec<AngleShare>,
    /// From where its fault is seen best and from where not at all, in words.
    pub angle_words: String,
    /// The smallest faults that this shot could have shown, in words.
    pub smallest: Option<String>,
    /// Anything a person must know about this shot.
    pub remarks: Vec<String>,
}
