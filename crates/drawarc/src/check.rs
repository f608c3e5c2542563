//! `check`: is the rig still what was surveyed, and does it measure lengths right?

use crate::args::CheckArguments;
use crate::failure::{Failure, Outcome};
use crate::pipeline::ClockSettings;
use crate::practice::Practice;
use crate::progress::{self, Progress};
use crate::recordings::{Filmed, Recordings, wrong_footage};
use crate::{hearing, store, survey};
use drawarc_calibration::{
    BackgroundReference, BackgroundShift, BoardReport, CameraVerdict, GrayView, changed_since,
    check_board, re_place,
};
use drawarc_footage::{FrameReader, Plane};
use drawarc_rig::{Camera, Rig};
use nalgebra::Point3;
use serde::Serialize;
use std::path::Path;

/// Pictures from which the reference is taken, and the time between them (s).
const REFERENCE: (u32, f64) = (6, 0.5);
/// Time between the pictures that are compared (s).
const STEP_S: f64 = 1.0;
/// Where the elbow is about: this high above the shooting line (m).
const ELBOW_HEIGHT_M: f64 = 1.4;

/// What became of one camera.
#[derive(Debug, Serialize)]
struct CameraCheck {
    camera: String,
    /// The last picture against the reference.
    shift: BackgroundShift,
    /// Since when it stands differently (s, camera clock).
    changed_since_s: Option<f64>,
    turn_deg: f64,
    /// What that costs at the elbow (mm).
    elbow_mm: f64,
}

#[derive(Debug, Serialize)]
struct Checked {
    cameras: Vec<CameraCheck>,
    /// Lengths of the board, camera pair by camera pair.
    lengths: Vec<BoardReport>,
    /// Why lengths were not checked.
    #[serde(skip_serializing_if = "Option::is_none")]
    no_lengths: Option<String>,
}

/// Checks and prints; a camera that moved or zoomed is a failure.
pub(crate) fn obey(plan: &CheckArguments, json: bool) -> Outcome<()> {
    let practice = Practice::read(&plan.practice)?;
    let path = plan.rig.as_ref().or(practice.rig.as_ref()).ok_or_else(|| {
        Failure::input("which rig is to be checked?")
            .help("give --rig FILE, or name it under `rig:` in the manifest")
    })?;
    let rig = Rig::read(path)
        .map_err(|source| Failure::input(format!("{}: {source}", path.display())))?;
    let recordings = Recordings::open(&practice)?;
    recordings.fits(&rig)?;
    let surveyed = match &plan.since {
        Some(path) => {
            let recordings = Recordings::open(&Practice::read(path)?)?;
            recordings.fits(&rig)?;
            Some(recordings)
        }
        None => None,
    };
    let progress = Progress::default();
    let mut cameras = Vec::new();
    for (index, filmed) in recordings.cameras().enumerate() {
        let first = surveyed.as_ref().map_or(filmed, |all| all.camera(index));
        cameras.push(background(first, filmed, &rig.cameras[index], &progress)?);
    }
    let (lengths, no_lengths) = match lengths(&practice, &recordings, &rig, &progress) {
        Ok(found) => (found, None),
        Err(failure) => (Vec::new(), Some(failure.to_string())),
    };
    let checked = Checked {
        cameras,
        lengths,
        no_lengths,
    };
    if json {
        println!(
            "{}",
            serde_json::to_string_pretty(&checked).map_err(Failure::output)?
        );
    } else {
        tell(&checked, &rig);
    }
    if let Some(path) = &plan.repair {
        repair(&checked, rig, path)?;
    }
    verdict(&checked)
}

/// Writes the rig with the cameras that were turned placed anew.
fn repair(checked: &Checked, mut rig: Rig, path: &Path) -> Outcome<()> {
    if path.exists() {
        return Err(
            Failure::refused(format!("{} is there already", path.display()))
                .help("write elsewhere with --repair FILE"),
        );
    }
    for (index, about) in checked.cameras.iter().enumerate() {
        match about.shift.verdict {
            CameraVerdict::Moved => re_place(&mut rig, index, &about.shift),
            CameraVerdict::Unmoved => {}
            CameraVerdict::Zoomed | CameraVerdict::Unclear => {
                return Err(Failure::not_measurable(format!(
                    "camera {:?} cannot be placed anew from its background: {}",
                    about.camera,
                    word(about.shift.verdict)
                ))
                .help("survey again"));
            }
        }
    }
    let text = rig.to_yaml().map_err(Failure::output)?;
    store::write_whole(path, text.as_bytes())
}

fn picture(reader: &mut FrameReader, at_s: f64) -> Outcome<Option<(f64, Plane)>> {
    reader.seek(at_s).map_err(|source| wrong_footage(&source))?;
    let frame = reader
        .next_frame()
        .map_err(|source| wrong_footage(&source))?;
    Ok(frame.map(|frame| (frame.time_s, frame.picture.luma.to_gray8())))
}

/// The background of `filmed` against the first seconds of `reference`.
fn background(
    reference: Filmed<'_>,
    filmed: Filmed<'_>,
    camera: &Camera,
    progress: &Progress,
) -> Outcome<CameraCheck> {
    let bar = progress.bar(&format!("{}: the background", camera.name));
    let threads = rayon::current_num_threads();
    let open = |filmed: Filmed<'_>| {
        filmed
            .recording
            .frames(threads)
            .map_err(|source| wrong_footage(&source))
    };
    let mut reader = open(reference)?;
    let start_s = reference.recording.probe().start_s;
    let mut first = Vec::new();
    for number in 0..REFERENCE.0 {
        let at_s = start_s + REFERENCE.1 * f64::from(number);
        first.extend(picture(&mut reader, at_s)?.map(|(_, plane)| plane));
    }
    let views: Vec<GrayView<'_>> = first.iter().filter_map(GrayView::of_plane).collect();
    let reference = BackgroundReference::from_pictures(&views).ok_or_else(|| {
        Failure::input(format!(
            "camera {:?}: no picture to compare with",
            camera.name
        ))
    })?;
    let probe = filmed.recording.probe();
    let mut reader = open(filmed)?;
    let mut series = Vec::new();
    let mut at_s = probe.start_s;
    while at_s < probe.start_s + probe.duration_s {
        if let Some((time_s, plane)) = picture(&mut reader, at_s)?
            && let Some(view) = GrayView::of_plane(&plane)
        {
            series.push((time_s, reference.compare(view, &camera.lens)));
        }
        progress::set(&bar, (at_s - probe.start_s) / probe.duration_s.max(1e-9));
        at_s += STEP_S;
    }
    bar.finish_and_clear();
    let shift = series.last().map(|(_, shift)| *shift).ok_or_else(|| {
        Failure::input(format!(
            "camera {:?}: the recording holds no picture",
            camera.name
        ))
    })?;
    let distance_m = (camera.centre_in_range() - Point3::new(0.0, 0.0, ELBOW_HEIGHT_M)).norm();
    Ok(CameraCheck {
        camera: camera.name.clone(),
        shift,
        changed_since_s: changed_since(&series),
        turn_deg: shift.turn_deg(),
        elbow_mm: shift.cost_mm(distance_m),
    })
}

/// Lengths of the board where it is shown.
fn lengths(
    practice: &Practice,
    recordings: &Recordings,
    rig: &Rig,
    progress: &Progress,
) -> Outcome<Vec<BoardReport>> {
    let board = survey::read_board(practice)?;
    let scans = hearing::listen(recordings, progress)?;
    let lag_ms = ClockSettings::default().sound_lag_sd_ms;
    let (clocks, sightings) =
        survey::board_seen(practice, recordings, &board, (&scans, lag_ms), progress)?;
    Ok(check_board(rig, &board, &clocks, &sightings))
}

fn tell(checked: &Checked, rig: &Rig) {
    println!(
        "{:<14} {:>9} {:>9} {:>9} {:>10} {:>9}  verdict",
        "camera", "turn deg", "± deg", "zoom %", "elbow mm", "patches"
    );
    for about in &checked.cameras {
        let since = about
            .changed_since_s
            .map_or(String::new(), |s| format!(" since {s:.1} s"));
        println!(
            "{:<14} {:>9.3} {:>9.3} {:>9.3} {:>10.2} {:>4}/{:<4}  {}{since}",
            about.camera,
            about.turn_deg,
            about.shift.turn_sd_deg,
            100.0 * about.shift.zoom,
            about.elbow_mm,
            about.shift.patches.1,
            about.shift.patches.0,
            word(about.shift.verdict)
        );
    }
    for report in &checked.lengths {
        let names = report.cameras.map(|at| rig.cameras[at].name.as_str());
        println!(
            "{} and {}: {:.0} mm on the board come out {:+.2} mm, SD {:.2} mm, worst {:.2} mm, in {} places; across the epipolar line {:.2} px",
            names[0],
            names[1],
            1000.0 * report.length_m,
            report.distances.mean_mm,
            report.distances.sd_mm,
            report.distances.worst_mm,
            report.distances.count,
            report.epipolar_px
        );
    }
    if let Some(why) = &checked.no_lengths {
        println!("lengths not checked: {why}");
    }
}

fn word(verdict: CameraVerdict) -> &'static str {
    match verdict {
        CameraVerdict::Unmoved => "as surveyed",
        CameraVerdict::Moved => "moved",
        CameraVerdict::Zoomed => "zoomed or refocused",
        CameraVerdict::Unclear => "too little of the background was found again",
    }
}

fn verdict(checked: &Checked) -> Outcome<()> {
    let wrong: Vec<String> = checked
        .cameras
        .iter()
        .filter(|about| {
            about.changed_since_s.is_some() || about.shift.verdict != CameraVerdict::Unmoved
        })
        .map(|about| format!("camera {:?}: {}", about.camera, word(about.shift.verdict)))
        .collect();
    if wrong.is_empty() {
        return Ok(());
    }
    Err(Failure::not_measurable(wrong.join("; "))
        .help("survey again, or show the board to all cameras once more before the next shots"))
}
