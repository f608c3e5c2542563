//! From the elbow path to the shot sheet: phases, faults, travel, every angle; the page and the exports.
//!
//! [`find_shots`] finds the shots of a long path, [`score_shot`] judges one of them, [`score_series`] several. All three
//! are functions from values to values. What the rules mean stands beside each of them: [`score_shot`]'s modules
//! `reversal` (collapse, giving way, creep, slip), `stall`, `boundaries` (phases), `release`, `sway`, `arrow_line`.
#![doc = ""]
#![doc = include_str!("../METHOD.md")]
#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "indices of an even grid are rounded from times and clamped to it"
)]

mod advice;
mod angles;
mod angles_sheet;
mod arrow_line;
mod boundaries;
mod break_fit;
mod context;
mod coordinates;
mod corrections;
mod curves;
mod error;
mod fall_fit;
mod fall_pace;
mod fall_shape;
mod faults;
mod measure;
mod measure_table;
mod motion;
mod motion_curves;
mod release;
mod reversal;
mod score;
mod second_way;
mod sentences;
mod series;
mod series_sheet;
mod settings;
mod sheet;
mod shot;
mod shots;
mod smooth;
mod stall;
mod strokes;
mod sway;
mod track;
mod travel;
mod verdict;
mod way_back;

pub mod export;
pub mod page;

pub use advice::{ADVICE_FORMAT, Advice};
pub use angles_sheet::{AnglesSheet, SeenVerdict, ViewKind, ViewSheet};
pub use context::{ArrowLineChoice, Markers, ShotContext, SoundAt};
pub use corrections::{CORRECTIONS_FORMAT, Corrections, ShotCorrection};
pub use curves::{Curve, Curves};
pub use error::ReportError;
pub use measure::{Measure, Reading};
pub use motion_curves::MotionCurves;
pub use score::score_shot;
pub use second_way::SecondWay;
pub use sentences::Sentences;
pub use series::{compare_series, score_series};
pub use series_sheet::{
    ChangeWord, Comparison, ComparisonRow, FeltRow, NextWork, PhaseSpread, SERIES_FORMAT,
    SeriesMeasure, SeriesSheet,
};
pub use settings::ReportSettings;
pub use sheet::{
    ArrowLineSheet, ArrowLineSource, BowStage, Fault, FaultCheck, FaultKind, Felt, Finding,
    KeyInstant, Phase, PhaseSheet, PhaseTravel, RawReversal, ReleaseSheet, SHOT_FORMAT, ShotClock,
    ShotKind, ShotMeasures, ShotSheet, Side, Verdict,
};
pub use shots::{ShotWindow, find_shots};
