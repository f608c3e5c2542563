//! What a clip needs of a shot, as the sheets of a results folder hold it.

use crate::failure::{Failure, Outcome};
use drawarc_report::page::{Mark, PhaseKey};
use drawarc_report::{FaultKind, Phase, Side, Verdict};
use nalgebra::Point3;
use serde::Deserialize;
use std::path::Path;

/// The sheets' format that this version reads.
const SHEET_FORMAT: &str = "drawarc-sheet/1";

/// The sheets of a practice.
#[derive(Debug, Deserialize)]
pub(crate) struct Sheets {
    format: String,
    provenance: Settings,
    /// The shots in order of time.
    pub(crate) shots: Vec<ClipShot>,
}

#[derive(Debug, Deserialize)]
struct Settings {
    settings: std::collections::BTreeMap<String, String>,
    inputs: Vec<Input>,
}

#[derive(Debug, Deserialize)]
struct Input {
    sha256: String,
}

/// One shot.
#[derive(Debug, Clone, Deserialize)]
pub(crate) struct ClipShot {
    /// Such as `shot-01`.
    pub(crate) id: String,
    /// Alias of the archer: for the list of files, never drawn.
    pub(crate) archer: String,
    side: Side,
    start_s: f64,
    end_s: f64,
    verdict: Verdict,
    /// The verdict in one sentence.
    pub(crate) sentence: String,
    release: Option<Release>,
    phases: Vec<PhaseSpan>,
    faults: Vec<FaultSpan>,
    arrow_line: Line,
    curves: Curves,
}

#[derive(Debug, Clone, Deserialize)]
struct Release {
    time_s: Value,
}

#[derive(Debug, Clone, Deserialize)]
struct Value {
    value: f64,
}

#[derive(Debug, Clone, Deserialize)]
struct PhaseSpan {
    phase: Phase,
    start_s: f64,
    end_s: f64,
}

#[derive(Debug, Clone, Deserialize)]
struct FaultSpan {
    kind: FaultKind,
    start_s: f64,
    length_s: Value,
}

#[derive(Debug, Clone, Deserialize)]
struct Line {
    point_mm: [f64; 3],
}

/// A number that is none (in a gap) stands as `null`.
#[derive(Debug, Clone, Deserialize)]
struct Curves {
    time_s: Vec<f64>,
    elbow_mm: Vec<[Option<f64>; 3]>,
    in_gap: Vec<bool>,
}

/// At which moment two shots are laid side by side.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Moment {
    /// The string leaves.
    Release,
    /// The draw is over.
    Anchor,
    /// The end of set-up.
    SetUp,
}

impl Moment {
    /// Its key in the page's words.
    pub(crate) fn key(self) -> &'static str {
        match self {
            Self::Release => "release",
            Self::Anchor => "anchor",
            Self::SetUp => "set_up",
        }
    }
}

/// The elbow at an instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Elbow {
    /// Range time (s).
    pub(crate) time_s: f64,
    /// Place, range frame (m).
    pub(crate) in_range: Point3<f64>,
    /// Fewer than two cameras saw the marker.
    pub(crate) in_gap: bool,
}

impl Sheets {
    /// Reads the sheets of a results folder.
    pub(crate) fn read(folder: &Path) -> Outcome<Self> {
        let path = folder.join("sheet.json");
        let wrong = |words: &dyn std::fmt::Display| {
            Failure::input(format!("{}: {words}", path.display()))
                .help("is this a results folder of `drawarc run`, made with the same version?")
        };
        let text = std::fs::read(&path).map_err(|source| wrong(&source))?;
        let sheets: Self = serde_json::from_slice(&text).map_err(|source| wrong(&source))?;
        if sheets.format != SHEET_FORMAT {
            return Err(wrong(&format!(
                "format {:?}, expected {SHEET_FORMAT:?}",
                sheets.format
            )));
        }
        Ok(sheets)
    }

    /// Do the sheets stand on a file with this SHA-256?
    pub(crate) fn stand_on(&self, sha256: &str) -> bool {
        let mut inputs = self.provenance.inputs.iter();
        inputs.any(|input| input.sha256 == sha256)
    }

    /// May pictures of people be shown? A run with `--no-faces` said no.
    pub(crate) fn pictures(&self) -> bool {
        let setting = self.provenance.settings.get("pipeline.sheet.pictures");
        setting.is_none_or(|value| value == "true")
    }
}

impl ClipShot {
    /// Number in the practice, as the page counts: the digits of its id.
    pub(crate) fn number(&self) -> usize {
        let digits = self
            .id
            .trim_start_matches(|letter: char| !letter.is_ascii_digit());
        digits.parse().unwrap_or(0)
    }

    /// `+1` right-handed, `-1` left-handed.
    pub(crate) fn side(&self) -> f64 {
        self.side.sign()
    }

    /// The mark of its verdict.
    pub(crate) fn mark(&self) -> Mark {
        self.verdict.into()
    }

    /// Start and end, range time (s).
    pub(crate) fn span_s(&self) -> (f64, f64) {
        (self.start_s, self.end_s)
    }

    /// A point of the arrow line, range frame (mm).
    pub(crate) fn line_point_mm(&self) -> [f64; 3] {
        self.arrow_line.point_mm
    }

    /// The phases: which, from, to (range time, s).
    pub(crate) fn phases(&self) -> Vec<(PhaseKey, f64, f64)> {
        self.phases
            .iter()
            .map(|bar| (bar.phase.into(), bar.start_s, bar.end_s))
            .collect()
    }

    /// The faults: mark, from, to (range time, s).
    pub(crate) fn faults(&self) -> Vec<(Mark, f64, f64)> {
        self.faults
            .iter()
            .map(|fault| {
                let to_s = fault.start_s + fault.length_s.value.max(0.0);
                (fault.kind.into(), fault.start_s, to_s)
            })
            .collect()
    }

    /// When a moment was (range time, s); none where the shot does not have it. The same as on the page.
    pub(crate) fn moment_s(&self, moment: Moment) -> Option<f64> {
        let bar = |phase: Phase| self.phases.iter().find(|bar| bar.phase == phase);
        match moment {
            Moment::Release => self.release.as_ref().map(|release| release.time_s.value),
            Moment::Anchor => bar(Phase::Expansion)
                .map(|bar| bar.start_s)
                .or(bar(Phase::Anchor).map(|bar| bar.end_s)),
            Moment::SetUp => bar(Phase::SetUp)
                .map(|bar| bar.end_s)
                .or(bar(Phase::Draw).map(|bar| bar.start_s)),
        }
    }

    /// The elbow's way, where it is known.
    pub(crate) fn way(&self) -> Vec<Elbow> {
        let curves = &self.curves;
        curves
            .time_s
            .iter()
            .zip(&curves.elbow_mm)
            .zip(&curves.in_gap)
            .filter_map(|((time_s, mm), in_gap)| {
                let [x, y, z] = *mm;
                Some(Elbow {
                    time_s: *time_s,
                    in_range: Point3::new(x?, y?, z?) / 1000.0,
                    in_gap: *in_gap,
                })
            })
            .collect()
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// A shot of two seconds with a collapse in its expansion; the elbow goes along −x at 0.2 m/s, at the height of 1.4 m.
    pub(crate) fn json(sentence: &str) -> serde_json::Value {
        let steps = 150;
        let time_s: Vec<f64> = (0..steps)
            .map(|step| 0.4 + f64::from(step) / 60.0)
            .collect();
        let elbow: Vec<_> = time_s
            .iter()
            .map(|time_s| serde_json::json!([-200.0 * (time_s - 1.5), 0.0, 1400.0]))
            .collect();
        serde_json::json!({
            "id": "shot-02", "archer": "Kestrel", "side": "right", "start_s": 0.6, "end_s": 2.6,
            "verdict": "collapse", "sentence": sentence,
            "release": {"time_s": {"value": 2.4}},
            "phases": [
                {"phase": "set-up", "start_s": 0.6, "end_s": 0.9},
                {"phase": "draw", "start_s": 0.9, "end_s": 1.5},
                {"phase": "anchor", "start_s": 1.5, "end_s": 1.7},
                {"phase": "expansion", "start_s": 1.7, "end_s": 2.4},
                {"phase": "follow-through", "start_s": 2.4, "end_s": 2.6},
            ],
            "faults": [{"kind": "collapse", "start_s": 1.9, "length_s": {"value": 0.2}}],
            "arrow_line": {"point_mm": [0.0, 0.0, 1450.0]},
            "curves": {"time_s": time_s, "elbow_mm": elbow, "in_gap": vec![false; time_s.len()]},
        })
    }

    #[test]
    fn moments_are_the_page_s() {
        let shot: ClipShot = serde_json::from_value(json("gave way")).unwrap();
        assert_eq!(shot.number(), 2);
        assert_eq!(shot.moment_s(Moment::Release), Some(2.4));
        assert_eq!(shot.moment_s(Moment::Anchor), Some(1.7));
        assert_eq!(shot.moment_s(Moment::SetUp), Some(0.9));
        assert_eq!(shot.mark(), Mark::Collapse);
    }
}
