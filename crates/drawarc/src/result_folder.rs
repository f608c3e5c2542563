//! A result folder of `run`, as far as a study needs it: rig, clocks, sightings, and what the sheets say of each shot.

use crate::failure::{Failure, Outcome};
use crate::store::made_from;
use drawarc_rig::{ClockModel, Rig};
use drawarc_sync_track::{MarkerRole, Sighting, SightingSeries, Verdict};
use nalgebra::{Matrix2, Point2, Vector2};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use std::path::Path;

/// The sheets' format that this version reads.
const SHEET_FORMAT: &str = "drawarc-sheet/1";

/// What one run left.
#[derive(Debug)]
pub(crate) struct ResultFolder {
    /// The folder as it was named.
    pub(crate) name: String,
    /// The rig.
    pub(crate) rig: Rig,
    /// One clock a camera.
    pub(crate) clocks: Vec<ClockModel>,
    /// Where every marker was in every frame.
    pub(crate) series: Vec<SightingSeries>,
    /// What the sheets say.
    pub(crate) shots: Vec<SheetShot>,
}

/// One shot of the sheets.
#[derive(Debug, Deserialize)]
pub(crate) struct SheetShot {
    pub(crate) id: String,
    pub(crate) archer: String,
    pub(crate) side: String,
    pub(crate) start_s: f64,
    pub(crate) end_s: f64,
    #[serde(default)]
    pub(crate) rejected: bool,
    pub(crate) phases: Vec<SheetPhase>,
    pub(crate) checks: Vec<SheetCheck>,
    pub(crate) arrow_line: SheetLine,
}

/// One phase.
#[derive(Debug, Deserialize)]
pub(crate) struct SheetPhase {
    pub(crate) phase: String,
    pub(crate) start_s: f64,
    pub(crate) end_s: f64,
}

/// What a rule found.
#[derive(Debug, Deserialize)]
pub(crate) struct SheetCheck {
    pub(crate) kind: String,
    pub(crate) finding: String,
}

/// The arrow line of a shot.
#[derive(Debug, Deserialize)]
pub(crate) struct SheetLine {
    pub(crate) source: String,
    pub(crate) away_in_range: [f64; 3],
    pub(crate) point_mm: [f64; 3],
}

#[derive(Deserialize)]
struct SheetFile {
    shots: Vec<SheetShot>,
}

#[derive(Deserialize)]
struct FormatOnly {
    format: String,
}

#[derive(Deserialize)]
struct KeptSightings {
    key: String,
    value: Vec<KeptSeries>,
}

/// Sightings as far as a study needs them; a marker without a centre has `null` there.
#[derive(Deserialize)]
struct KeptSeries {
    camera: usize,
    role: MarkerRole,
    samples: Vec<KeptSighting>,
}

#[derive(Deserialize)]
struct KeptSighting {
    frame_index: u64,
    camera_s: f64,
    verdict: Verdict,
    centre_px: Option<[f64; 2]>,
    covariance_px2: [f64; 4],
}

impl From<KeptSeries> for SightingSeries {
    fn from(kept: KeptSeries) -> Self {
        Self {
            camera: kept.camera,
            role: kept.role,
            samples: kept
                .samples
                .into_iter()
                .map(|sample| Sighting {
                    frame_index: sample.frame_index,
                    camera_s: sample.camera_s,
                    verdict: sample.verdict,
                    centre_px: Point2::from(sample.centre_px.unwrap_or([f64::NAN; 2])),
                    covariance_px2: Matrix2::from_iterator(sample.covariance_px2),
                    velocity_px_s: Vector2::zeros(),
                    radius_px: 0.0,
                })
                .collect(),
        }
    }
}

fn json<T: DeserializeOwned>(folder: &Path, name: &str) -> Outcome<T> {
    let path = folder.join(name);
    let wrong = |source: &dyn std::fmt::Display| {
        Failure::input(format!("{}: {source}", path.display()))
            .help("is this a result folder of this version of drawarc? Run the practice again with `drawarc run`")
    };
    let bytes = std::fs::read(&path).map_err(|source| wrong(&source))?;
    serde_json::from_slice(&bytes).map_err(|source| wrong(&source))
}

impl ResultFolder {
    /// Reads a folder.
    ///
    /// # Errors
    /// Where a file is missing, of another version, or does not belong to the others.
    pub(crate) fn read(folder: &Path) -> Outcome<Self> {
        let wrong = |words: String| {
            Failure::input(format!("{}: {words}", folder.display()))
                .help("give a result folder of `drawarc run`; run the practice again where the folder is of another version")
        };
        if !folder.is_dir() {
            return Err(wrong("no such folder".to_owned()));
        }
        let head: FormatOnly = json(folder, "sheet.json")?;
        if head.format != SHEET_FORMAT {
            return Err(wrong(format!(
                "sheet.json has format {:?}; this version reads {SHEET_FORMAT:?}",
                head.format
            )));
        }
        let sheet: SheetFile = json(folder, "sheet.json")?;
        let rig_path = folder.join("rig.yaml");
        let text = std::fs::read_to_string(&rig_path)
            .map_err(|source| wrong(format!("rig.yaml: {source}")))?;
        let rig = Rig::from_yaml(&text).map_err(|source| wrong(format!("rig.yaml: {source}")))?;
        let clocks: Vec<ClockModel> = json(folder, "clocks.json")?;
        let kept: KeptSightings = json(folder, "sightings.json")?;
        if !made_from(folder, "sightings", &kept.key) {
            return Err(Failure::input(format!(
                "{}: a run was stopped before its end: sightings and sheets do not belong together",
                folder.display()
            ))
            .help("run the practice again with `drawarc run`: it goes on where it was stopped"));
        }
        let series: Vec<SightingSeries> = kept.value.into_iter().map(Into::into).collect();
        let cameras = rig.cameras.len();
        if cameras < 2 {
            return Err(wrong("a rig of one camera has no 3-D path".to_owned()));
        }
        if clocks.len() != cameras {
            return Err(wrong(format!(
                "{} clocks for {cameras} cameras",
                clocks.len()
            )));
        }
        if let Some(stray) = series.iter().find(|series| series.camera >= cameras) {
            return Err(wrong(format!(
                "sightings of camera {} in a rig of {cameras}",
                stray.camera + 1
            )));
        }
        let blind = |s: &Sighting| s.verdict.is_seen() && !s.centre_px.coords.norm().is_finite();
        if series.iter().any(|series| series.samples.iter().any(blind)) {
            return Err(wrong(
                "sightings.json holds a marker that was seen nowhere".to_owned(),
            ));
        }
        let numbers = sheet.shots.iter().flat_map(|shot| {
            let line = shot.arrow_line.point_mm.iter();
            line.chain(&shot.arrow_line.away_in_range)
                .chain([&shot.start_s, &shot.end_s])
        });
        if let Some(bad) = numbers.into_iter().find(|value| !value.is_finite()) {
            return Err(wrong(format!("sheet.json holds {bad}")));
        }
        Ok(Self {
            name: folder.display().to_string(),
            rig,
            clocks,
            series,
            shots: sheet.shots,
        })
    }
}

impl SheetShot {
    /// Start and end of a phase (s).
    pub(crate) fn phase(&self, name: &str) -> Option<(f64, f64)> {
        self.phases
            .iter()
            .find(|phase| phase.phase == name)
            .map(|phase| (phase.start_s, phase.end_s))
    }

    /// Did the sheet find a collapse? None where it could not tell.
    pub(crate) fn collapsed(&self) -> Option<bool> {
        let check = self.checks.iter().find(|check| check.kind == "collapse")?;
        match check.finding.as_str() {
            "found" => Some(true),
            "not-found" => Some(false),
            _ => None,
        }
    }
}
