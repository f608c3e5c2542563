//! `manifest`: from video files to a practice manifest that a person completes.

use crate::args::ManifestArguments;
use crate::failure::{Failure, Outcome};
use crate::practice::{
    CameraEntry, FORMAT, LensKind, MarkerEntry, MarkerShapeName, Practice, SlowEntry, Turn,
};
use crate::store;
use crate::table;
use crate::{hearing, slow_sound};
use drawarc_footage::{Footage, Limits, Recording};
use drawarc_report::Side;
use drawarc_sync_track::{MarkerRole, SoundScan};
use std::path::Path;

/// Writes the manifest; refuses to write over one.
pub(crate) fn write(plan: &ManifestArguments, json: bool) -> Outcome<()> {
    if plan.into.exists() {
        return Err(
            Failure::refused(format!("{} is there already", plan.into.display()))
                .help("choose another name with --into, or move the old one away"),
        );
    }
    let folder = plan.into.parent().unwrap_or(Path::new(""));
    let mut cameras = Vec::new();
    let by_sound = slower_by_sound(&plan.files)?;
    for (index, file) in plan.files.iter().enumerate() {
        // Opening it now names a wrong file before an evening's work stands on it.
        let footage = Footage::open(file, &Limits::default()).map_err(Failure::input)?;
        // Rates are noted to a frame or so.
        let noted = footage.probe().noted_slower();
        let noted = noted.map(|slower| (2.0 * slower).round() / 2.0);
        let slow_motion = noted.or(by_sound[index]).map(slowed).into_iter().collect();
        drop(footage);
        let stem = file
            .file_stem()
            .map(|stem| stem.to_string_lossy().into_owned());
        cameras.push(CameraEntry {
            name: stem.unwrap_or_else(|| format!("camera-{}", index + 1)),
            stands: None,
            files: vec![relative(file, folder)],
            stills: vec![],
            readout_ms: 16.0,
            readout_sd_ms: Some(4.0),
            exposure_ms: 2.0,
            genlocked: false,
            sound_lag_sd_ms: None,
            lens: LensKind::Ordinary,
            slow_motion,
        });
    }
    let date = creation_date(&plan.files).unwrap_or_else(|| "2000-01-01".to_owned());
    let practice = Practice {
        format: FORMAT.to_owned(),
        title: "Practice".to_owned(),
        date,
        board: "calibration/a3-9x6-38mm.yaml".into(),
        ground: None,
        rig: None,
        corrections: None,
        temperature_c: 20.0,
        cameras,
        markers: vec![MarkerEntry {
            on: MarkerRole::Elbow,
            shape: MarkerShapeName::Ball,
            size_mm: 28.0,
            colour: "orange".to_owned(),
        }],
        turns: vec![Turn {
            archer: "Archer 1".to_owned(),
            handedness: Side::Right,
            height_cm: None,
            stage: None,
            draw_weight_lb: None,
            shots: None,
            felt: vec![],
        }],
    };
    store::write_whole(&plan.into, practice.to_yaml()?.as_bytes())?;
    if json {
        let names: Vec<&str> = practice.cameras.iter().map(|c| c.name.as_str()).collect();
        return table::json(&serde_json::json!({
            "manifest": plan.into,
            "cameras": names,
        }));
    }
    println!(
        "wrote {}: now fill in board, where the cameras stood, and who shot",
        plan.into.display()
    );
    Ok(())
}

/// A film that is slow throughout.
fn slowed(times_slower: f64) -> SlowEntry {
    SlowEntry {
        times_slower,
        from_s: 0.0,
        until_s: None,
    }
}

/// For every file how many times slower than it happened its sound is, where that tells. Files that do not open are named later.
fn slower_by_sound(files: &[std::path::PathBuf]) -> Outcome<Vec<Option<f64>>> {
    let opened: Option<Vec<Recording>> = files
        .iter()
        .map(|file| Recording::open(std::slice::from_ref(file), &Limits::default()).ok())
        .collect();
    let Some(films) = opened else {
        return Ok(vec![None; files.len()]);
    };
    // So is sound that cannot be read.
    let scans: Vec<Option<SoundScan>> = films
        .iter()
        .map(|film| hearing::scan(film).ok().flatten())
        .collect();
    slow_sound::slower(&films, &scans)
}

/// The path as the manifest's folder sees it, where it lies below that folder; else as given.
fn relative(file: &Path, folder: &Path) -> std::path::PathBuf {
    let below = file
        .canonicalize()
        .ok()
        .zip(
            if folder.as_os_str().is_empty() {
                Path::new(".")
            } else {
                folder
            }
            .canonicalize()
            .ok(),
        )
        .and_then(|(file, folder)| file.strip_prefix(folder).ok().map(Path::to_owned));
    below.unwrap_or_else(|| file.canonicalize().unwrap_or_else(|_| file.to_owned()))
}

/// The day that the first file says it was filmed, ISO 8601.
fn creation_date(files: &[std::path::PathBuf]) -> Option<String> {
    files.iter().find_map(|file| {
        let footage = Footage::open(file, &Limits::default()).ok()?;
        let time = footage.probe().creation_time.clone()?;
        time.get(..10).map(str::to_owned)
    })
}
