//! What the tool says about several shots.

use crate::{Felt, Measure, Phase, Reading, Verdict};
use serde::{Deserialize, Serialize};

/// The word with which a series sheet's JSON begins.
pub const SERIES_FORMAT: &str = "drawarc-series/1";

/// Better, worse, or not to be told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ChangeWord {
    /// Beyond doubt in the wanted direction.
    Better,
    /// Beyond doubt in the other direction.
    Worse,
    /// Beyond doubt, but neither direction is wanted.
    Different,
    /// The interval holds zero, or there are too few shots.
    CannotTell,
}

/// One measure over the shots of a series.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SeriesMeasure {
    /// Key: name of the field in [`crate::ShotMeasures`], e.g. `slowest_mm_s`.
    pub key: String,
    /// Name for people.
    pub words: String,
    /// Unit for people: `mm`, `mm/s`, `°`, `s`.
    pub unit: String,
    /// Each shot's figure, in the order of [`SeriesSheet::shots`].
    pub values: Vec<Option<f64>>,
    /// Mean with its 95 % interval (Student).
    pub mean: Reading,
    /// Standard deviation between shots with its 95 % interval (chi-square), measuring error taken off.
    pub spread: Reading,
    /// Change from the first to the last arrow (straight line through all).
    pub first_to_last: Reading,
    /// The same in a word.
    pub tiring: ChangeWord,
}

/// Spread of the time-normalised path in one phase.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PhaseSpread {
    /// Which phase.
    pub phase: Phase,
    /// Shots that had it.
    pub shots: usize,
    /// Root mean square spread along the arrow line (mm).
    pub away_mm: f64,
    /// Behind the line (mm).
    pub behind_mm: f64,
    /// Up (mm).
    pub height_mm: f64,
    /// The spread (mm, all three together) at 0, 5, … 100 % of the phase.
    pub profile_mm: Vec<f64>,
}

/// Felt against measured, over a series.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FeltRow {
    /// What the archer said.
    pub felt: Felt,
    /// What was measured.
    pub verdict: Verdict,
    /// How often.
    pub shots: usize,
}

/// A thing to work on, from the table that a coach can edit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NextWork {
    /// Because of this verdict…
    pub because: Verdict,
    /// …seen in so many shots…
    pub shots: usize,
    /// …this.
    pub advice: String,
}

/// Everything that the tool says about a series.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SeriesSheet {
    /// [`SERIES_FORMAT`].
    pub format: String,
    /// Name of the series (data: escape it).
    pub name: String,
    /// Ids of the shots in order of time.
    pub shots: Vec<String>,
    /// Verdict of each.
    pub verdicts: Vec<Verdict>,
    /// "Few shots: …" where there are.
    pub few: Option<String>,
    /// One sentence about the series.
    pub sentence: String,
    /// Each measure.
    pub measures: Vec<SeriesMeasure>,
    /// Spread by phase.
    pub spread: Vec<PhaseSpread>,
    /// Id of the best shot and why.
    pub best: Option<(String, String)>,
    /// Id of the shot with most to learn from and why.
    pub worst: Option<(String, String)>,
    /// Felt against measured.
    pub felt: Vec<FeltRow>,
    /// The same in a sentence.
    pub felt_sentence: Option<String>,
    /// What to work on next (general coaching practice).
    pub next_work: Vec<NextWork>,
}

/// One measure of two series.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ComparisonRow {
    /// Key as in [`SeriesMeasure`].
    pub key: String,
    /// Name for people.
    pub words: String,
    /// Unit.
    pub unit: String,
    /// Mean of the first series.
    pub first: Option<f64>,
    /// Mean of the second.
    pub second: Option<f64>,
    /// Second minus first with its 95 % interval (Welch).
    pub difference: Reading,
    /// In a word.
    pub word: ChangeWord,
}

/// Two series side by side.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Comparison {
    /// Name of the first.
    pub first: String,
    /// Name of the second.
    pub second: String,
    /// Shots in each.
    pub shots: [usize; 2],
    /// Each measure.
    pub rows: Vec<ComparisonRow>,
    /// Share of shots with a fault, second minus first, with interval (Newcombe).
    pub faulty_share: Measure,
    /// The same in a word.
    pub faulty_word: ChangeWord,
    /// Few shots, several comparisons at once: what the reader must know.
    pub notes: Vec<String>,
}
