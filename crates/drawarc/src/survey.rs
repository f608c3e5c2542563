//! `survey`: from board footage, or photographs of the board, to a rig file.

use crate::args::SurveyArguments;
use crate::backgrounds::{self, Backgrounds};
use crate::board_clocks::board_seen;
use crate::coverage_picture;
use crate::failure::{Failure, Outcome};
use crate::ground;
use crate::hearing;
use crate::moved_clocks;
use crate::pipeline::ClockSettings;
use crate::practice::{LensKind, Practice};
use crate::progress::Progress;
use crate::recordings::{Recordings, shutter_of, wrong_footage};
use crate::store;
use crate::table;
use drawarc_calibration::{
    Board, BoardDetector, BoardSighting, CalibrationError, Effort, FrameChoice, GrayView,
    LensChoice, PlumbLine, Survey, SurveyCamera, SurveyInput, SurveySettings, survey,
};
use drawarc_footage::{Limits, read_still_gray};
use drawarc_report::page::Words;
use drawarc_rig::{ClockModel, ImageSize};
use rayon::prelude::*;
use std::path::Path;

/// Surveys and writes the rig.
pub(crate) fn obey(plan: &SurveyArguments, json: bool) -> Outcome<()> {
    if plan.into.exists() && !plan.replace {
        return Err(
            Failure::refused(format!("{} is there already", plan.into.display()))
                .help("write elsewhere with --into FILE, or give --replace to write over it"),
        );
    }
    let practice = Practice::read(&plan.practice)?;
    let board = read_board(&practice)?;
    let progress = Progress::default();
    let mut backgrounds = Backgrounds::new();
    let mut told: Vec<String> = Vec::new();
    let found = if practice
        .cameras
        .iter()
        .all(|camera| !camera.stills.is_empty())
    {
        from_photographs(&practice, &board)?
    } else {
        let recordings = Recordings::open(&practice)?;
        let scans = hearing::listen(&recordings, &progress)?;
        let lag_ms = ClockSettings::default().sound_lag_sd_ms;
        let heard = hearing::clocks_before_survey(&practice, &scans, lag_ms)?;
        let seen = board_seen(&recordings, &board, &heard, &progress)?;
        backgrounds = seen.backgrounds;
        let cameras = survey_cameras(&recordings, &seen.clocks, seen.sightings);
        let found = from_sightings(&practice, &board, cameras)?;
        let words = Words::english().map_err(Failure::input)?;
        let by_board = (&seen.told[..], "clock_by_board");
        told = moved_clocks::told(&practice, by_board, &found.clocks, None, &words)
            .into_iter()
            .map(|line| line.sentence)
            .collect();
        found
    };
    let text = found.rig.to_yaml().map_err(Failure::output)?;
    store::write_whole(&plan.into, text.as_bytes())?;
    backgrounds::keep(&plan.into, &found.rig, &backgrounds)?;
    let picture = plan.into.with_extension("coverage.svg");
    store::write_whole(&picture, coverage_picture::svg(&found).as_bytes())?;
    tell(&found, &told, json)?;
    if !json {
        println!(
            "wrote {}, and {}: where in the picture the board has been",
            plan.into.display(),
            picture.display()
        );
    }
    Ok(())
}

/// The practice's board.
pub(crate) fn read_board(practice: &Practice) -> Outcome<Board> {
    Board::read(&practice.board).map_err(|source| {
        let path = practice.board.display().to_string();
        let words = source.to_string();
        Failure::input(if words.starts_with(&path) {
            words
        } else {
            format!("{path}: {words}")
        })
    })
}

/// The cameras of filmed sightings.
pub(crate) fn survey_cameras(
    recordings: &Recordings,
    clocks: &[ClockModel],
    sightings: Vec<Vec<BoardSighting>>,
) -> Vec<SurveyCamera> {
    recordings
        .cameras()
        .zip(clocks)
        .zip(sightings)
        .map(|((filmed, clock), sightings)| SurveyCamera {
            name: filmed.entry.name.clone(),
            image_size: filmed.image_size(),
            rotation_deg: filmed.recording.probe().rotation_deg,
            shutter: filmed.shutter(),
            clock: clock.clone(),
            sightings,
            lens: lens_choice(filmed.entry.lens),
            stills: false,
        })
        .collect()
}

/// Surveys the rig from sightings of the board in its recordings.
pub(crate) fn from_sightings(
    practice: &Practice,
    board: &Board,
    cameras: Vec<SurveyCamera>,
) -> Outcome<Survey> {
    let (frame, plumb) = frame_of(practice, FrameChoice::default())?;
    survey(&SurveyInput {
        cameras,
        board: board.clone(),
        frame,
        plumb,
        settings: SurveySettings::default(),
    })
    .map_err(|source| unsurveyed(&source))
}

fn frame_of(
    practice: &Practice,
    unless_told: FrameChoice,
) -> Outcome<(FrameChoice, Option<PlumbLine>)> {
    let names: Vec<&str> = practice.cameras.iter().map(|c| c.name.as_str()).collect();
    ground::choices(practice.ground.as_ref(), &names, unless_told)
}

fn from_photographs(practice: &Practice, board: &Board) -> Outcome<Survey> {
    let mut cameras = Vec::new();
    for (index, entry) in practice.cameras.iter().enumerate() {
        let views: Vec<_> = entry
            .stills
            .par_iter()
            .enumerate()
            .map(|(number, path)| photograph(index, number, path, board))
            .collect::<Outcome<_>>()?;
        let image_size = views.first().map_or(
            ImageSize {
                width_px: 0,
                height_px: 0,
            },
            |view| view.0,
        );
        if let Some(odd) = views.iter().position(|view| view.0 != image_size) {
            return Err(Failure::input(format!(
                "{}: its size differs from the photographs before it",
                entry.stills[odd].display()
            )));
        }
        cameras.push(SurveyCamera {
            name: entry.name.clone(),
            image_size,
            rotation_deg: 0,
            shutter: shutter_of(entry),
            clock: ClockModel::identity(),
            sightings: views.into_iter().filter_map(|view| view.1).collect(),
            lens: lens_choice(entry.lens),
            stills: true,
        });
    }
    let (frame, plumb) = frame_of(practice, FrameChoice::FirstCamera)?;
    survey(&SurveyInput {
        cameras,
        board: board.clone(),
        frame,
        plumb,
        settings: SurveySettings::default(),
    })
    .map_err(|source| unsurveyed(&source))
}

fn photograph(
    camera: usize,
    number: usize,
    path: &Path,
    board: &Board,
) -> Outcome<(ImageSize, Option<BoardSighting>)> {
    let plane =
        read_still_gray(path, &Limits::default()).map_err(|source| wrong_footage(&source))?;
    let broken = || {
        Failure::input(format!(
            "{}: not a picture of 8-bit grey levels",
            path.display()
        ))
    };
    let size = |length: usize| u32::try_from(length).ok().ok_or_else(broken);
    let (width_px, height_px) = (size(plane.width())?, size(plane.height())?);
    let gray = plane
        .as_u8()
        .and_then(|data| GrayView::new(width_px, height_px, data))
        .ok_or_else(broken)?;
    let found = BoardDetector::new(board)
        .detect(gray, Effort::Thorough)
        .map_err(|source| unsurveyed(&source))?;
    let sighting = found.map(|corners| BoardSighting {
        camera,
        frame_index: number as u64,
        time_s: number as f64,
        corners_px: corners.corners_px,
        corner_sd_px: corners.corner_sd_px,
        edge_width_px: corners.edge_width_px,
    });
    Ok((
        ImageSize {
            width_px,
            height_px,
        },
        sighting,
    ))
}

fn lens_choice(kind: LensKind) -> LensChoice {
    match kind {
        LensKind::Ordinary => LensChoice::Auto,
        LensKind::Wide => LensChoice::Wide,
    }
}

/// A survey that failed, in words.
pub(crate) fn unsurveyed(source: &CalibrationError) -> Failure {
    Failure::not_measurable(source)
}

/// Prints what came of a survey, and how clocks that nobody heard were `told`.
fn tell(found: &Survey, told: &[String], json: bool) -> Outcome<()> {
    if json {
        let mut about = serde_json::to_value(&found.diagnostics).map_err(Failure::output)?;
        about["clocks_told"] = told.into();
        return table::json(&about);
    }
    let cameras = found.rig.cameras.iter().zip(&found.diagnostics.cameras);
    let rows: Vec<Vec<String>> = cameras
        .map(|(camera, about)| {
            vec![
                table::name(&camera.name),
                about.views.to_string(),
                format!("{:.3}", about.residual_px),
                format!("{:.1}", camera.lens.focal_px()),
                format!("{:.2}", camera.shutter.readout_s * 1000.0),
                about.lens.clone(),
            ]
        })
        .collect();
    let head = [
        "camera",
        "views",
        "residual px",
        "focal px",
        "read-out ms",
        "lens",
    ];
    print!("{}", table::figures(&head, &rows));
    for remark in told.iter().chain(&found.rig.survey.remarks) {
        println!("  {remark}");
    }
    Ok(())
}
