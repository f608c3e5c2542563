//! `clips`: for each shot and camera an MP4 with the elbow's trace, the phase and slow motion around the fault; or two
//! shots side by side. Everything measured comes from a results folder; nothing is measured anew.

mod canvas;
mod emblem;
mod ink;
mod letters;
mod naming;
mod pace;
mod panel;
mod reel;
mod scene;
mod shot;
#[cfg(test)]
mod tests;
mod trace;

pub(crate) use shot::Moment;

use crate::args::ClipArguments;
use crate::failure::{Failure, Outcome};
use crate::forget;
use crate::practice::Practice;
use crate::progress::{self, Progress};
use crate::recordings::Recordings;
use crate::store::Store;
use drawarc_report::page::{PageClip, Words, with_clips};
use drawarc_rig::{Camera, ClockModel, Rig};
use pace::Pace;
use panel::Panel;
use rayon::prelude::*;
use reel::{BETWEEN_PX, Sheet, Side};
use scene::{BLOCK_PX, Drawing, Film, Framing, Scene};
use shot::{ClipShot, Elbow, Sheets};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use trace::Trace;

/// Folder of the clips below a results folder.
pub(crate) const FOLDER: &str = "clips";
/// So much before and after a shot is shown (s).
const AROUND_SHOT_S: f64 = 0.25;
/// Longest side of a clip's picture (px): what a phone shows.
const LONGEST_PX: u32 = 1080;
/// The same where two stand beside each other.
const LONGEST_BESIDE_PX: u32 = 860;

/// What clips to make.
#[derive(Debug, Clone, Default)]
pub(crate) struct Choice {
    /// Shots by number; all where empty.
    pub(crate) shots: Vec<usize>,
    /// Cameras by name; all where empty.
    pub(crate) cameras: Vec<String>,
    /// Two shots side by side, aligned by a moment, instead of one clip a shot.
    pub(crate) beside: Option<(usize, usize, Moment)>,
    /// No picture of a person.
    pub(crate) no_faces: bool,
}

/// One clip.
#[derive(Debug)]
struct Job<'a> {
    shots: Vec<&'a ClipShot>,
    /// What counts as zero; none: the end of the shot.
    moment: Option<Moment>,
    camera: usize,
    file: PathBuf,
}

/// What all clips stand on.
#[derive(Debug)]
struct Ground<'a> {
    practice: &'a Practice,
    recordings: &'a Recordings,
    rig: Rig,
    clocks: Vec<ClockModel>,
    words: Words,
    pictures: bool,
    /// Threads of each clip's decoder.
    threads: usize,
}

/// Makes clips and tells.
pub(crate) fn obey(plan: &ClipArguments, json: bool) -> Outcome<()> {
    let practice = Practice::read(&plan.practice)?;
    let beside = plan
        .practice
        .parent()
        .unwrap_or(Path::new(""))
        .join("results");
    let folder = plan.results.clone().unwrap_or(beside);
    if !folder.join("sheet.json").is_file() {
        return Err(
            Failure::input(format!("{} holds no sheets of a run", folder.display()))
                .help("run `drawarc run` first, and name its folder with --results"),
        );
    }
    // Whose results these are is told by the films that they stand on, not by a title.
    let owner = std::fs::read_to_string(folder.join("practice.txt")).unwrap_or_default();
    let store = Store::open(&folder, owner.trim(), false)?;
    let recordings = Recordings::open(&practice)?;
    let choice = Choice {
        shots: plan.shot.clone(),
        cameras: plan.camera.clone(),
        beside: plan.beside.map(|(left, right)| (left, right, plan.align)),
        no_faces: plan.no_faces,
    };
    let files = make(&store, &practice, &recordings, &choice)?;
    if json {
        let all = serde_json::json!({ "clips": files });
        println!(
            "{}",
            serde_json::to_string_pretty(&all).map_err(Failure::output)?
        );
    } else {
        for file in &files {
            println!("{}", file.display());
        }
    }
    Ok(())
}

/// Makes the clips of a results folder; their paths come back.
pub(crate) fn make(
    store: &Store,
    practice: &Practice,
    recordings: &Recordings,
    choice: &Choice,
) -> Outcome<Vec<PathBuf>> {
    let sheets = Sheets::read(&store.path(""))?;
    let rig = Rig::read(&store.path("rig.yaml")).map_err(Failure::input)?;
    recordings.fits(&rig)?;
    let other = recordings
        .files
        .iter()
        .find(|(_, key)| !sheets.stand_on(key.text()));
    if let Some((name, _)) = other {
        return Err(Failure::input(format!(
            "{} was not made from this {name}",
            store.path("sheet.json").display()
        ))
        .help("name the results folder of this practice, or run it again"));
    }
    let jobs = jobs(&sheets, &rig, choice)?;
    let ground = Ground {
        practice,
        recordings,
        clocks: clocks(store)?,
        rig,
        words: kept_words(store)?,
        pictures: sheets.pictures() && !choice.no_faces,
        threads: if jobs.len() > 1 {
            1
        } else {
            rayon::current_num_threads()
        },
    };
    let folder = store.path(FOLDER);
    std::fs::create_dir_all(&folder)
        .map_err(|source| Failure::output(format!("{}: {source}", folder.display())))?;
    let progress = Progress::default();
    let bar = progress.bar("clips");
    let done = AtomicUsize::new(0);
    let files = jobs
        .par_iter()
        .map(|job| {
            let path = store.path("").join(&job.file);
            clip(&ground, job, &path)?;
            let done = done.fetch_add(1, Ordering::Relaxed) + 1;
            progress::set(&bar, done as f64 / jobs.len() as f64);
            Ok(path)
        })
        .collect::<Outcome<Vec<_>>>();
    bar.finish_and_clear();
    let made = jobs.iter().flat_map(|job| {
        job.shots
            .iter()
            .map(|shot| (shot.archer.as_str(), job.file.as_path()))
    });
    forget::add(store, made)?;
    store.publish()?;
    link(store)?;
    store.publish()?;
    files
}

/// Puts links to the clips that are there into the page beside them.
pub(crate) fn link(store: &Store) -> Outcome<()> {
    let page = store.path("page.html");
    let folder = store.path("");
    let files = forget::listed_below(store, FOLDER)?;
    if files.is_empty() || !page.is_file() {
        return Ok(());
    }
    let sheets = Sheets::read(&folder)?;
    let rig = Rig::read(&store.path("rig.yaml")).map_err(Failure::input)?;
    let words = naming::file_words(rig.cameras.iter().map(|camera| camera.name.as_str()));
    let clip = |file: &Path| {
        let stem = file.file_stem()?.to_str()?;
        let name = file.file_name()?.to_str()?;
        let number = |id: &str| Some(sheets.shots.iter().find(|shot| shot.id == id)?.number());
        let shots = words.iter().enumerate().find_map(|(camera, word)| {
            let ids = stem.strip_suffix(word.as_str())?.strip_suffix('-')?;
            let shots: Option<Vec<usize>> = ids.split("-and-").map(number).collect();
            Some((camera, shots?))
        });
        let (camera, shots) = shots?;
        let made = PageClip {
            shots,
            camera: rig.cameras[camera].name.clone(),
            file: format!("{FOLDER}/{name}"),
        };
        folder.join(file).is_file().then_some((camera, made))
    };
    let mut clips: Vec<(usize, PageClip)> = files.iter().filter_map(|file| clip(file)).collect();
    // Clips of one shot first, the cameras in the order of the rig.
    clips.sort_by_key(|(camera, clip)| (clip.shots.len(), clip.shots.clone(), *camera));
    let clips: Vec<PageClip> = clips.into_iter().map(|(_, clip)| clip).collect();
    let wrong = |words: String| Failure::output(format!("{}: {words}", page.display()));
    let text = std::fs::read_to_string(&page).map_err(|source| wrong(source.to_string()))?;
    let linked = with_clips(&text, &clips).map_err(|source| wrong(source.to_string()))?;
    store.write("page.html", linked.as_bytes()).map(drop)
}

/// The words of a run that are not English stand beside its sheets, so that clips made later speak the same language.
const WORDS: &str = "words.yaml";

/// Keeps a run's words for clips that are made later.
pub(crate) fn keep_words(store: &Store, file: Option<&Path>) -> Outcome<()> {
    let kept = store.path(WORDS);
    match file {
        Some(file) => {
            let text = std::fs::read(file)
                .map_err(|source| Failure::input(format!("{}: {source}", file.display())))?;
            store.write(WORDS, &text).map(drop)
        }
        None if kept.exists() => std::fs::remove_file(&kept)
            .map_err(|source| Failure::output(format!("{}: {source}", kept.display()))),
        None => Ok(()),
    }
}

fn kept_words(store: &Store) -> Outcome<Words> {
    let path = store.path(WORDS);
    if !path.exists() {
        return Words::english().map_err(Failure::input);
    }
    let wrong =
        |words: &dyn std::fmt::Display| Failure::input(format!("{}: {words}", path.display()));
    let text = std::fs::read_to_string(&path).map_err(|source| wrong(&source))?;
    Words::from_yaml(&text).map_err(|source| wrong(&source))
}

/// The clips that a choice asks for.
fn jobs<'a>(sheets: &'a Sheets, rig: &Rig, choice: &Choice) -> Outcome<Vec<Job<'a>>> {
    let find = |number: usize| {
        sheets
            .shots
            .iter()
            .find(|shot| shot.number() == number)
            .ok_or_else(|| {
                Failure::input(format!(
                    "there is no shot {number}; the sheets hold {}",
                    sheets.shots.len()
                ))
            })
    };
    let unknown = choice
        .cameras
        .iter()
        .find(|name| !rig.cameras.iter().any(|camera| camera.name == **name));
    if let Some(name) = unknown {
        let known: Vec<&str> = rig
            .cameras
            .iter()
            .map(|camera| camera.name.as_str())
            .collect();
        return Err(Failure::input(format!(
            "no camera is called {name:?}; known: {}",
            known.join(", ")
        )));
    }
    let cameras: Vec<usize> = (0..rig.cameras.len())
        .filter(|index| {
            choice.cameras.is_empty() || choice.cameras.contains(&rig.cameras[*index].name)
        })
        .collect();
    let names = naming::file_words(rig.cameras.iter().map(|camera| camera.name.as_str()));
    let (groups, moment): (Vec<Vec<&ClipShot>>, _) = match choice.beside {
        Some((left, right, moment)) => (vec![vec![find(left)?, find(right)?]], Some(moment)),
        None if choice.shots.is_empty() => {
            (sheets.shots.iter().map(|shot| vec![shot]).collect(), None)
        }
        None => {
            let one = |number: &usize| Ok(vec![find(*number)?]);
            (choice.shots.iter().map(one).collect::<Outcome<_>>()?, None)
        }
    };
    let mut jobs = Vec::new();
    for shots in groups {
        let moment = moment.or_else(|| first_moment(shots[0]));
        let lacking =
            moment.and_then(|moment| shots.iter().find(|shot| shot.moment_s(moment).is_none()));
        if let Some((shot, moment)) = lacking.zip(moment) {
            return Err(Failure::input(format!(
                "shot {} has no {}; align the two by another moment",
                shot.number(),
                moment.key().replace('_', "-")
            ))
            .help("--align release, anchor or set-up"));
        }
        let ids: Vec<&str> = shots.iter().map(|shot| shot.id.as_str()).collect();
        for &camera in &cameras {
            let name = format!("{}-{}.mp4", ids.join("-and-"), names[camera]);
            jobs.push(Job {
                shots: shots.clone(),
                moment,
                camera,
                file: Path::new(FOLDER).join(name),
            });
        }
    }
    Ok(jobs)
}

/// The moment that a shot's time counts from: the page's order.
fn first_moment(shot: &ClipShot) -> Option<Moment> {
    [Moment::Release, Moment::Anchor]
        .into_iter()
        .find(|moment| shot.moment_s(*moment).is_some())
}

/// The clocks that the run found.
fn clocks(store: &Store) -> Outcome<Vec<ClockModel>> {
    let path = store.path("clocks.json");
    let wrong =
        |words: &dyn std::fmt::Display| Failure::input(format!("{}: {words}", path.display()));
    let text = std::fs::read(&path).map_err(|source| wrong(&source))?;
    serde_json::from_slice(&text).map_err(|source| wrong(&source))
}

/// Writes one clip.
fn clip(ground: &Ground<'_>, job: &Job<'_>, path: &Path) -> Outcome<u64> {
    let camera = &ground.rig.cameras[job.camera];
    let ways: Vec<Vec<Elbow>> = job.shots.iter().map(|shot| shot.way()).collect();
    if ways.iter().any(Vec::is_empty) {
        return Err(Failure::not_measurable(format!(
            "{}: the elbow's way is not known in this shot",
            path.display()
        )));
    }
    let longest_px = if job.shots.len() > 1 {
        LONGEST_BESIDE_PX
    } else {
        LONGEST_PX
    };
    let views: Vec<&[Elbow]> = ways.iter().map(Vec::as_slice).collect();
    let framing = Framing::around(camera, &views, longest_px);
    let (one_px, picture_px) = (framing.to_px.0 as usize, framing.to_px.1 as usize);
    let zeros: Vec<f64> = job
        .shots
        .iter()
        .map(|shot| zero_s(shot, job.moment))
        .collect();
    // All sides show the same stretch of time around their zero.
    let mut since = (f64::MAX, f64::MIN);
    let mut slow = Vec::new();
    for (shot, zero_s) in job.shots.iter().zip(&zeros) {
        let (start_s, end_s) = shot.span_s();
        since.0 = since.0.min(start_s - AROUND_SHOT_S - zero_s);
        since.1 = since.1.max(end_s + AROUND_SHOT_S - zero_s);
        slow.extend(
            shot.faults()
                .iter()
                .map(|(_, from_s, to_s)| (from_s - zero_s, to_s - zero_s)),
        );
    }
    let width_px = job.shots.len() * (one_px + BETWEEN_PX) - BETWEEN_PX;
    let mut sides = Vec::new();
    for (order, (shot, zero_s)) in job.shots.iter().zip(&zeros).enumerate() {
        let span_s = (zero_s + since.0, zero_s + since.1);
        let left_px = order * (one_px + BETWEEN_PX);
        let panel = Panel::new(shot, (&ground.words, one_px), span_s);
        let points = framing.trace(camera, &ways[order], left_px);
        sides.push((panel, points, span_s, left_px, *zero_s, *shot));
    }
    let panel_px = sides
        .iter()
        .map(|side| side.0.height_px())
        .max()
        .unwrap_or(0);
    let size = (
        width_px,
        (picture_px + panel_px).next_multiple_of(BLOCK_PX as usize),
    );
    let mut sides = sides
        .into_iter()
        .map(|(panel, points, span_s, left_px, zero_s, shot)| {
            Ok(Side {
                scene: scene(ground, job.camera, shot, (framing, span_s))?,
                trace: Trace::new(points, shot.faults(), size, one_px),
                panel,
                zero_s,
                left_px,
            })
        })
        .collect::<Outcome<Vec<_>>>()?;
    let sheet = Sheet {
        words: &ground.words,
        moment: job.moment.map_or("end", Moment::key),
        pace: Pace::slow_around(&slow),
        width_px,
        picture_px,
    };
    reel::write(path, &sheet, &mut sides)
}

/// Range time that counts as zero in a shot (s).
fn zero_s(shot: &ClipShot, moment: Option<Moment>) -> f64 {
    moment
        .and_then(|moment| shot.moment_s(moment))
        .unwrap_or(shot.span_s().1)
}

/// What stands behind the trace.
fn scene<'a>(
    ground: &'a Ground<'_>,
    camera: usize,
    shot: &ClipShot,
    (framing, span_s): (Framing, (f64, f64)),
) -> Outcome<Scene<'a>> {
    let filmed = ground.recordings.camera(camera);
    let (camera, clock): (&Camera, &ClockModel) =
        (&ground.rig.cameras[camera], &ground.clocks[camera]);
    if ground.pictures {
        return Ok(Scene::Film(Box::new(Film::open(
            filmed,
            (camera, clock),
            framing,
            span_s,
            ground.threads,
        )?)));
    }
    let turn = ground
        .practice
        .turns
        .iter()
        .find(|turn| turn.archer == shot.archer);
    let height_m = turn.and_then(|turn| turn.height_cm).map(|cm| cm / 100.0);
    Ok(Scene::Drawing(Box::new(Drawing::new(
        shot,
        height_m,
        (camera, framing),
        span_s,
    ))))
}
