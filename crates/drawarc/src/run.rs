//! `run`: from a practice to shot sheets and a page.

use crate::args::RunArguments;
use crate::failure::{Failure, Outcome};
use crate::given;
use crate::page_of::{self, Ground};
use crate::pipeline::{Pipeline, Step};
use crate::practice::Practice;
use crate::progress::Progress;
use crate::recordings::Recordings;
use crate::sheets::{self, Sheets};
use crate::steps::{self, Measured};
use crate::store::Store;
use crate::verdicts;
use std::path::{Path, PathBuf};

/// What a run made.
#[derive(Debug)]
pub(crate) struct Made {
    /// The page, where the pipeline went that far.
    pub(crate) page: Option<PathBuf>,
    /// The sheets.
    pub(crate) sheets: Option<Sheets>,
    /// What a person should know, beyond the page.
    pub(crate) remarks: Vec<String>,
}

/// Runs and tells.
pub(crate) fn obey(plan: &RunArguments, json: bool) -> Outcome<()> {
    if let Some(threads) = plan.threads {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads.max(1))
            .build_global()
            .map_err(Failure::input)?;
    }
    let mut pipeline = match &plan.pipeline {
        Some(path) => Pipeline::read(path)?,
        None => Pipeline::default(),
    };
    if plan.no_faces {
        pipeline.sheet.pictures = false;
    }
    let mut practice = Practice::read(&plan.practice)?;
    if plan.corrections.is_some() {
        practice.corrections.clone_from(&plan.corrections);
    }
    let beside = plan
        .practice
        .parent()
        .unwrap_or(Path::new(""))
        .join("results");
    let folder = plan.into.clone().unwrap_or(beside);
    let made = run(&practice, &pipeline, &folder, (plan.replace, false))?;
    verdicts::tell(&made, json)
}

/// Runs the steps of a pipeline on a practice, into a folder. `(replace, invented)`: write over another practice's
/// results; the practice is simulated.
pub(crate) fn run(
    practice: &Practice,
    pipeline: &Pipeline,
    folder: &Path,
    (replace, invented): (bool, bool),
) -> Outcome<Made> {
    let owner = format!("{} · {}", practice.date, practice.title);
    let board = crate::survey::read_board(practice)?;
    let markers = given::markers(practice)?;
    let rig_before = given::rig_before(practice)?;
    let corrections = given::corrections(practice)?;
    let recordings = Recordings::open(practice)?;
    if let Some(rig) = &rig_before {
        recordings.fits(rig)?;
    }
    let store = Store::open(folder, &owner, replace)?;
    let progress = Progress::default();
    let measured = steps::measure(
        &steps::Plan {
            practice,
            pipeline,
            board: &board,
            markers: &markers,
            rig_before,
            recordings: &recordings,
        },
        &store,
        &progress,
    )?;
    let Measured {
        rig,
        clocks,
        stretches,
        sounds,
        health,
        certainty,
        warnings,
        remarks,
    } = measured;
    if !pipeline.runs(Step::Sheet) {
        return Ok(Made {
            page: None,
            sheets: None,
            remarks,
        });
    }
    let judged = sheets::judge(
        (practice, &corrections),
        pipeline,
        &rig,
        &stretches,
        &sounds,
    )?;
    let ground = Ground {
        practice,
        pipeline,
        recordings: &recordings,
        rig: &rig,
        clocks: &clocks,
        health,
        certainty,
        warnings,
        invented,
    };
    let bar = progress.bar("writing the page");
    let page = page_of::write(&store, &ground, &judged)?;
    bar.finish_and_clear();
    crate::forget::remember(&store, practice, &judged)?;
    Ok(Made {
        page: Some(page),
        sheets: Some(judged),
        remarks,
    })
}
