//! `run`: from a practice to shot sheets and a page.

use crate::alias::Aliases;
use crate::args::RunArguments;
use crate::backgrounds::{self, Backgrounds};
use crate::clips;
use crate::failure::{Failure, Outcome};
use crate::given;
use crate::kept_pictures::KeptPictures;
use crate::page_of::{self, Ground};
use crate::pipeline::{Pipeline, Step};
use crate::practice::Practice;
use crate::progress::Progress;
use crate::recordings::Recordings;
use crate::sheets::{self, Sheets};
use crate::steps;
use crate::stood::CameraLine;
use crate::store::Store;
use crate::strips::Films;
use crate::verdicts;
use drawarc_report::page::Words;
use drawarc_rig::Rig;
use std::path::{Path, PathBuf};

/// What a run made.
#[derive(Debug)]
pub(crate) struct Made {
    /// The page, where the pipeline went that far.
    pub(crate) page: Option<PathBuf>,
    /// The clips, where some were asked for.
    pub(crate) clips: Vec<PathBuf>,
    /// The sheets.
    pub(crate) sheets: Option<Sheets>,
    /// What a person should know, beyond the page.
    pub(crate) remarks: Vec<String>,
    /// How every camera stood.
    pub(crate) standing: Vec<CameraLine>,
    /// The words of the report.
    pub(crate) words: Words,
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
    let aliases = Aliases::read(&plan.alias, &practice)?;
    let telling = aliases.remarks(&practice);
    aliases.rename(&mut practice);
    if plan.corrections.is_some() {
        practice.corrections.clone_from(&plan.corrections);
    }
    let beside = plan
        .practice
        .parent()
        .unwrap_or(Path::new(""))
        .join("results");
    let folder = plan.into.clone().unwrap_or(beside);
    let manner = Manner {
        replace: plan.replace,
        invented: false,
        clips: plan.clips,
        aliases,
    };
    let mut made = run(&practice, &pipeline, &folder, &manner)?;
    made.remarks.extend(telling);
    verdicts::tell(&made, json)
}

/// What a run is to do besides measuring.
#[derive(Debug, Clone, Default)]
pub(crate) struct Manner {
    /// Write over another practice's results.
    pub(crate) replace: bool,
    /// The practice is simulated, and the page says so.
    pub(crate) invented: bool,
    /// Make clips, too.
    pub(crate) clips: bool,
    /// Archers under other names.
    pub(crate) aliases: Aliases,
}

/// The backgrounds beside the rig that the manifest names; refuses one that these cameras do not fit.
fn fitting_backgrounds(
    practice: &Practice,
    rig_before: Option<&Rig>,
    recordings: &Recordings,
) -> Outcome<Option<Backgrounds>> {
    let (Some(path), Some(rig)) = (&practice.rig, rig_before) else {
        return Ok(None);
    };
    recordings.fits(rig)?;
    backgrounds::kept(path, rig)
}

/// Runs the steps of a pipeline on a practice, into a folder.
pub(crate) fn run(
    practice: &Practice,
    pipeline: &Pipeline,
    folder: &Path,
    manner: &Manner,
) -> Outcome<Made> {
    let owner = format!("{} · {}", practice.date, practice.title);
    let (words, words_file) = pipeline.words()?;
    let (advice, advice_file) = pipeline.advice()?;
    let board = crate::survey::read_board(practice)?;
    let markers = given::markers(practice)?;
    let rig_before = given::rig_before(practice)?;
    let lags_before = given::lags_before(practice)?;
    let mut corrections = given::corrections(practice)?;
    manner.aliases.rename_corrections(&mut corrections);
    let recordings = Recordings::open(practice)?;
    let backgrounds_before = fitting_backgrounds(practice, rig_before.as_ref(), &recordings)?;
    let store = Store::open(folder, &owner, manner.replace)?;
    let progress = Progress::default();
    let plan = steps::Plan {
        practice,
        pipeline,
        board: &board,
        markers: &markers,
        rig_before,
        lags_before,
        backgrounds_before,
        recordings: &recordings,
        words: &words,
    };
    let mut measured = steps::measure(&plan, &store, &progress)?;
    if !pipeline.runs(Step::Sheet) {
        let compared = measured.shots.compared(&plan, &measured.rig)?;
        measured.agreed(&compared, &words);
        store.publish()?;
        return Ok(without_page(measured, words));
    }
    let kept = KeptPictures::below(folder);
    let films = Films {
        recordings: &recordings,
        rig: &measured.rig,
        clocks: &measured.clocks,
        pictures: pipeline.sheet.pictures,
        kept: &kept,
    };
    let mut judged = sheets::judge(&plan, (&corrections, &advice), &measured, &|sheet| {
        films.of(sheet)
    })?;
    measured.agreed(&judged.compared, &words);
    let ground = Ground {
        practice,
        pipeline,
        recordings: &recordings,
        health: measured.health,
        certainty: measured.certainty,
        warnings: measured.warnings,
        invented: manner.invented,
        words: &words,
        texts: words_file.iter().chain(&advice_file).cloned().collect(),
    };
    let bar = progress.bar("writing the page");
    let page = written(&store, &ground, (&mut judged, &kept), words_file.as_deref())?;
    bar.finish_and_clear();
    let clips = if manner.clips {
        clips::make(&store, practice, &recordings, &clips::Choice::default())?
    } else {
        Vec::new()
    };
    Ok(Made {
        clips,
        page: Some(page),
        sheets: Some(judged),
        remarks: measured.remarks,
        standing: measured.standing,
        words,
    })
}

/// What a run made that went no further than measuring.
fn without_page(measured: steps::Measured, words: Words) -> Made {
    Made {
        page: None,
        clips: Vec::new(),
        sheets: None,
        remarks: measured.remarks,
        standing: measured.standing,
        words,
    }
}

/// Writes page and exports, lists what is there of whom, and links the clips that an earlier run left.
fn written(
    store: &Store,
    ground: &Ground<'_>,
    (judged, kept): (&mut Sheets, &KeptPictures),
    words_file: Option<&Path>,
) -> Outcome<PathBuf> {
    let before = std::fs::read(store.path("sheet.json")).ok();
    let page = page_of::write(store, ground, judged)?;
    let same = before.is_some() && before == store.read("sheet.json").ok();
    clips::keep_words(store, words_file)?;
    crate::forget::remember(store, ground.practice, (judged, kept), same)?;
    clips::link(store)?;
    store.sign()?;
    store.publish()?;
    // The page that showed them is gone.
    kept.sweep()?;
    Ok(page)
}
