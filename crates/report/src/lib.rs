//! From the elbow path to the shot sheet: phases, faults, travel, every angle; the page and the exports.

mod measure;
mod series_sheet;
mod sheet;

pub mod export;
pub mod page;

pub use measure::{Measure, Reading};
pub use series_sheet::{
    ChangeWord, Comparison, ComparisonRow, FeltRow, NextWork, PhaseSpread, SERIES_FORMAT,
    SeriesMeasure, SeriesSheet,
};
pub use sheet::{
    AnglesSheet, ArrowLineSheet, ArrowLineSource, BowStage, Curve, Curves, Fault, FaultCheck,
    FaultKind, Felt, Finding, KeyInstant, Phase, PhaseSheet, PhaseTravel, RawReversal,
    ReleaseSheet, SHOT_FORMAT, SeenVerdict, ShotClock, ShotKind, ShotMeasures, ShotSheet, Side,
    Verdict, ViewKind, ViewSheet,
};
