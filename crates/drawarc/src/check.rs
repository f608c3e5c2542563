//! `check`: is the rig still what was surveyed, does it measure lengths right, and how quiet is it?

use crate::args::CheckArguments;
use crate::backgrounds::{self, Backgrounds};
use crate::failure::{Failure, Outcome};
use crate::health::ELBOW_HEIGHT_M;
use crate::lags::Lags;
use crate::pipeline::ClockSettings;
use crate::practice::Practice;
use crate::progress::{self, Progress};
use crate::recordings::{Filmed, Recordings, wrong_footage};
use crate::stick::{self, Ball, Proof, RestTold, Stick, StickTold};
use crate::{board_clocks, board_scan, check_told, hearing, mend, moved_clocks, stood, survey};
use drawarc_calibration::{
    BackgroundReference, BoardReport, BoardSighting, CameraVerdict, GrayView, Showing, ShownAgain,
    Standing, check_board, show_again, standing,
};
use drawarc_footage::Plane;
use drawarc_report::page::Words;
use drawarc_rig::{Camera, ClockModel, Rig};
use nalgebra::Point3;
use serde::Serialize;

/// Pictures from which a reference is taken, and the time between them (s).
const REFERENCE: (usize, f64) = (6, 0.5);
/// What became of one camera.
#[derive(Debug, Serialize)]
pub(crate) struct CameraCheck {
    pub(crate) camera: String,
    /// Compared with the survey's background, or with its own first seconds.
    pub(crate) since_survey: bool,
    /// How it stood through the recording.
    pub(crate) standing: Standing,
    /// What the last stand says.
    pub(crate) verdict: CameraVerdict,
    /// How far it is turned in the end (deg).
    pub(crate) turn_deg: f64,
    /// Standard deviation of that (deg).
    pub(crate) turn_sd_deg: f64,
    /// Relative change of its focal length.
    pub(crate) zoom: f64,
    /// What that costs at the elbow (mm).
    pub(crate) elbow_mm: f64,
    /// Since when it stands differently (s, camera clock).
    pub(crate) changed_since_s: Option<f64>,
}

/// What the board, shown again, says of one camera.
#[derive(Debug, Serialize)]
pub(crate) struct ShownCheck {
    pub(crate) camera: String,
    /// How far off the elbow is taken to be (mm), against the camera that was held.
    pub(crate) elbow_mm: f64,
    /// Typical rest of a corner (px).
    pub(crate) residual_px: f64,
}

/// Everything that was checked.
#[derive(Debug, Serialize)]
pub(crate) struct Checked {
    pub(crate) cameras: Vec<CameraCheck>,
    /// What the board says of the cameras' places to each other.
    pub(crate) shown_again: Vec<ShownCheck>,
    /// Moments of the board that went into that.
    pub(crate) moments: usize,
    /// Lengths of the board, camera pair by camera pair.
    pub(crate) lengths: Vec<BoardReport>,
    /// Why lengths were not checked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) no_lengths: Option<String>,
    /// How clocks were found of which nothing was heard.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(crate) clocks_told: Vec<String>,
    /// The stick that was waved.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) stick: Option<StickTold>,
    /// The ball that lay still.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) rest: Option<RestTold>,
    /// Why stick or ball said nothing.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(crate) missing: Vec<String>,
    /// Cameras that were placed anew.
    pub(crate) placed_anew: Vec<mend::PlacedTold>,
    /// Lengths as the mended rig measures them.
    pub(crate) lengths_mended: Vec<BoardReport>,
}

/// The board as the films show it, and the clocks.
pub(crate) struct Board {
    pub(crate) sightings: Vec<Vec<BoardSighting>>,
    pub(crate) shown: ShownAgain,
    /// The cameras whose clock it told, since nothing in their sound did.
    pub(crate) timed: Vec<usize>,
}

/// Checks and prints; a camera that moved or zoomed, and was not placed anew, is a failure.
pub(crate) fn obey(plan: &CheckArguments, json: bool) -> Outcome<()> {
    let stick = plan.stick.as_deref().map(Stick::parse).transpose()?;
    let lying = plan.lying.as_deref().map(Ball::parse).transpose()?;
    stick::told_apart(stick.as_ref(), lying.as_ref())?;
    let words = Words::english().map_err(Failure::input)?;
    let practice = Practice::read(&plan.practice)?;
    let path = plan.rig.as_ref().or(practice.rig.as_ref()).ok_or_else(|| {
        Failure::input("which rig is to be checked?")
            .help("give --rig FILE, or name it under `rig:` in the manifest")
    })?;
    let rig = Rig::read(path)
        .map_err(|source| Failure::input(format!("{}: {source}", path.display())))?;
    let recordings = Recordings::open(&practice)?;
    recordings.fits(&rig)?;
    if let Some(path) = &plan.repair {
        mend::must_be_new(path)?;
    }
    let progress = Progress::default();
    let references = match &plan.since {
        Some(path) => first_seconds(&Recordings::open(&Practice::read(path)?)?, &rig)?,
        None => backgrounds::kept(path, &rig)?.unwrap_or_else(|| vec![None; rig.cameras.len()]),
    };
    let cameras = all_backgrounds(&references, &recordings, &rig, &progress)?;
    let heard = clocks(&practice, &recordings, &rig, &progress);
    let board = heard
        .as_ref()
        .map_err(ToString::to_string)
        .and_then(|heard| board(&practice, &recordings, (&rig, heard), &cameras, &progress));
    let mut checked = Checked::of(&rig, cameras, &board);
    if let Ok(board) = &board {
        let by_board = (&board.timed[..], "clock_by_board");
        let told = moved_clocks::told(&practice, by_board, &board.shown.clocks, None, &words);
        checked.clocks_told = told.into_iter().map(|line| line.sentence).collect();
    }
    let printed = survey::read_board(&practice);
    if let (Ok(board), Ok(printed)) = (&board, &printed) {
        checked.lengths = check_board(&rig, printed, &board.shown.clocks, &board.sightings);
    }
    let mended = match &plan.repair {
        Some(path) => {
            let found = mend::mend(&rig, &checked.cameras, board.as_ref().ok(), &words)?;
            let references = references_now(&checked.cameras, &recordings, references)?;
            mend::write(path, &found.rig, &references)?;
            Some(found)
        }
        None => None,
    };
    if let Some(found) = &mended {
        if let (Ok(board), Ok(printed)) = (&board, &printed) {
            checked.lengths_mended =
                check_board(&found.rig, printed, &board.shown.clocks, &board.sightings);
        }
        checked.placed_anew.clone_from(&found.told);
    }
    if stick.is_some() || lying.is_some() {
        let clocks = match &board {
            Ok(board) => board.shown.clocks.clone(),
            Err(_) => hearing::all_heard(&practice, heard?)?,
        };
        let on = mended.as_ref().map_or(&rig, |found| &found.rig);
        let proof = stick::measure(
            &recordings,
            (on, &clocks),
            (stick.as_ref(), lying.as_ref()),
            &progress,
        )?;
        Proof {
            stick: checked.stick,
            rest: checked.rest,
            missing: checked.missing,
        } = proof;
    }
    if json {
        let text = serde_json::to_string_pretty(&checked).map_err(Failure::output)?;
        println!("{text}");
    } else {
        check_told::tell(&checked, &rig, &words);
    }
    verdict(&checked, &rig, mended.is_some(), &words)
}

impl Checked {
    /// What backgrounds and board say; the rest is still to be measured.
    fn of(rig: &Rig, cameras: Vec<CameraCheck>, board: &Result<Board, String>) -> Self {
        Self {
            shown_again: board
                .as_ref()
                .map_or_else(|_| Vec::new(), |board| shown(rig, board)),
            moments: board.as_ref().map_or(0, |board| board.shown.moments),
            lengths: Vec::new(),
            no_lengths: board.as_ref().err().cloned(),
            clocks_told: Vec::new(),
            stick: None,
            rest: None,
            missing: Vec::new(),
            placed_anew: Vec::new(),
            lengths_mended: Vec::new(),
            cameras,
        }
    }
}

/// Every camera's background.
fn all_backgrounds(
    references: &Backgrounds,
    recordings: &Recordings,
    rig: &Rig,
    progress: &Progress,
) -> Outcome<Vec<CameraCheck>> {
    recordings
        .cameras()
        .zip(references)
        .zip(&rig.cameras)
        .map(|((filmed, kept), camera)| background(kept.as_ref(), filmed, camera, progress))
        .collect()
}

/// Clocks by sound, the sound's way taken off; `None` where it tells nothing.
fn clocks(
    practice: &Practice,
    recordings: &Recordings,
    rig: &Rig,
    progress: &Progress,
) -> Outcome<Vec<Option<ClockModel>>> {
    let scans = hearing::listen(recordings, progress)?;
    let lag_ms = ClockSettings::default().sound_lag_sd_ms;
    let usual = Lags::usual(hearing::sound_lag_sd_s(practice, lag_ms));
    hearing::clocks_if_heard(practice, &scans, rig, &usual)
}

/// The board where it is shown after the last change of any camera's place, and what it says of places and clocks. Words
/// where it says nothing.
fn board(
    practice: &Practice,
    recordings: &Recordings,
    (rig, heard): (&Rig, &[Option<ClockModel>]),
    cameras: &[CameraCheck],
    progress: &Progress,
) -> Result<Board, String> {
    let board = survey::read_board(practice).map_err(|failure| failure.to_string())?;
    let mut unseen = Vec::new();
    let mut sightings: Vec<Vec<BoardSighting>> = Vec::new();
    let unknown = ClockModel::identity();
    for (index, filmed) in recordings.cameras().enumerate() {
        let clock = heard[index].as_ref().unwrap_or(&unknown);
        match board_scan::scan(index, filmed, &board, (clock, None), progress) {
            Ok(seen) => sightings.push(seen.sightings),
            Err(failure) => {
                unseen.push(failure.to_string());
                sightings.push(Vec::new());
            }
        }
    }
    let timed = board_clocks::tell(
        recordings,
        (&board, Some(rig)),
        heard,
        &mut sightings,
        progress,
    )
    .map_err(|failure| failure.to_string())?;
    let clocks = &timed.clocks[..];
    let from_s = cameras
        .iter()
        .zip(clocks)
        .filter_map(|(camera, clock)| {
            let stands = &camera.standing.stands;
            let last = stands.last().filter(|_| stands.len() > 1)?;
            Some(clock.range_from_camera(last.from_s))
        })
        .fold(f64::MIN, f64::max);
    for (seen, clock) in sightings.iter_mut().zip(clocks) {
        seen.retain(|sighting| clock.range_from_camera(sighting.time_s) >= from_s);
    }
    if sightings.iter().filter(|seen| !seen.is_empty()).count() < 2 {
        unseen.push("two cameras must see the board".to_owned());
        return Err(unseen.join("; "));
    }
    // One that stands as surveyed is held.
    let seen = |index: &usize| !sightings[*index].is_empty();
    let first = (0..sightings.len())
        .find(|index| seen(index) && cameras[*index].verdict == CameraVerdict::Unmoved)
        .or_else(|| (0..sightings.len()).find(seen))
        .unwrap_or(0);
    let showing = Showing {
        board: &board,
        clocks,
        sightings: &sightings,
    };
    let shown = show_again(rig, showing, first).map_err(|source| source.to_string())?;
    Ok(Board {
        sightings,
        shown,
        timed: timed.by_board,
    })
}

fn shown(rig: &Rig, board: &Board) -> Vec<ShownCheck> {
    let elbow = Point3::new(0.0, 0.0, ELBOW_HEIGHT_M);
    let costs = board.shown.cost_mm(rig, &elbow);
    board
        .shown
        .seen_by
        .iter()
        .zip(costs)
        .zip(&board.shown.residual_px)
        .map(|((index, elbow_mm), residual_px)| ShownCheck {
            camera: rig.cameras[*index].name.clone(),
            elbow_mm,
            residual_px: *residual_px,
        })
        .collect()
}

/// Shows `see` the pictures of a recording from `from_s` on (camera clock), `step_s` apart, until it has enough. They are
/// decoded one after the other: to seek costs as much wherever key frames are further apart than that.
fn pictures(
    filmed: Filmed<'_>,
    (from_s, step_s): (f64, f64),
    mut see: impl FnMut(f64, Plane) -> bool,
) -> Outcome<()> {
    let mut reader = filmed
        .recording
        .frames(rayon::current_num_threads())
        .map_err(|source| wrong_footage(&source))?;
    if from_s > filmed.recording.probe().start_s {
        reader
            .seek(from_s)
            .map_err(|source| wrong_footage(&source))?;
    }
    let mut next_s = from_s;
    while let Some(frame) = reader
        .next_frame()
        .map_err(|source| wrong_footage(&source))?
    {
        // A little early is better than a frame late: times jitter.
        if frame.time_s < next_s - 1e-3 {
            continue;
        }
        next_s = frame.time_s + step_s;
        if !see(frame.time_s, frame.picture.luma.to_gray8()) {
            break;
        }
    }
    Ok(())
}

/// The background in a few pictures from `from_s` on (camera clock), or from the start.
fn reference(filmed: Filmed<'_>, from_s: Option<f64>) -> Outcome<Option<BackgroundReference>> {
    let from_s = from_s.unwrap_or(filmed.recording.probe().start_s);
    let mut seen = Vec::new();
    pictures(filmed, (from_s, REFERENCE.1), |_, plane| {
        seen.push(plane);
        seen.len() < REFERENCE.0
    })?;
    Ok(backgrounds::of_pictures(&seen))
}

/// The background of every camera in the first seconds of these recordings.
fn first_seconds(recordings: &Recordings, rig: &Rig) -> Outcome<Backgrounds> {
    recordings.fits(rig)?;
    recordings
        .cameras()
        .map(|filmed| reference(filmed, None))
        .collect()
}

/// The references that fit a mended rig: those of cameras that were placed anew are taken from where they stand now.
fn references_now(
    cameras: &[CameraCheck],
    recordings: &Recordings,
    before: Backgrounds,
) -> Outcome<Backgrounds> {
    cameras
        .iter()
        .zip(before)
        .enumerate()
        .map(|(index, (about, before))| {
            if before.is_some() && about.verdict == CameraVerdict::Unmoved {
                return Ok(before);
            }
            let from_s = about.standing.stands.last().map(|stand| stand.from_s);
            reference(recordings.camera(index), from_s)
        })
        .collect()
}

/// The background of `filmed`, look by look, against a reference, or its own first seconds.
fn background(
    kept: Option<&BackgroundReference>,
    filmed: Filmed<'_>,
    camera: &Camera,
    progress: &Progress,
) -> Outcome<CameraCheck> {
    let bar = progress.bar(&format!("{}: the background", camera.name));
    let nothing = || {
        Failure::input(format!(
            "camera {:?}: no picture to compare with",
            camera.name
        ))
    };
    let own = match kept {
        Some(_) => None,
        None => Some(reference(filmed, None)?.ok_or_else(nothing)?),
    };
    let against = kept.or(own.as_ref()).ok_or_else(nothing)?;
    let probe = filmed.recording.probe();
    let mut looks = Vec::new();
    pictures(
        filmed,
        (probe.start_s, backgrounds::LOOK_EVERY_S),
        |time_s, plane| {
            if let Some(view) = GrayView::of_plane(&plane) {
                looks.push((time_s, against.compare(view, &camera.lens)));
            }
            progress::set(&bar, (time_s - probe.start_s) / probe.duration_s.max(1e-9));
            true
        },
    )?;
    bar.finish_and_clear();
    let standing = standing(&looks);
    let last = standing.stands.last().ok_or_else(nothing)?.shift;
    Ok(CameraCheck {
        camera: camera.name.clone(),
        since_survey: kept.is_some(),
        verdict: last.verdict,
        turn_deg: last.turn_deg(),
        turn_sd_deg: last.turn_sd_deg,
        zoom: last.zoom,
        elbow_mm: stood::elbow_mm(camera, &last),
        changed_since_s: standing.changed().map(|(_, stand)| stand.from_s),
        standing,
    })
}

fn verdict(checked: &Checked, rig: &Rig, mended: bool, words: &Words) -> Outcome<()> {
    if mended && checked.missing.is_empty() {
        return Ok(());
    }
    let changed = checked
        .cameras
        .iter()
        .zip(&rig.cameras)
        .filter_map(|(about, camera)| {
            if about.standing.restless {
                return Some(stood::restless(camera, words));
            }
            let (_, changed) = about.standing.changed()?;
            Some(format!(
                "camera {:?} {}",
                about.camera,
                stood::words(camera, &changed.shift, words)
            ))
        })
        .filter(|_| !mended);
    let wrong: Vec<String> = changed.chain(checked.missing.iter().cloned()).collect();
    if wrong.is_empty() {
        return Ok(());
    }
    Err(Failure::not_measurable(wrong.join("; "))
        .help("show the board to all cameras once more and give --repair FILE, or survey again"))
}
