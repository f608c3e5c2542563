//! `forget`: deletes everything that a results folder holds of one archer.

use crate::args::ForgetArguments;
use crate::failure::{Failure, Outcome};
use crate::kept_pictures::{self, KeptPictures};
use crate::store::Store;
use std::path::{Path, PathBuf};

/// File in which a run lists what it wrote of whom.
pub(crate) const INDEX: &str = "archers.json";

/// Which files hold something of which archer.
#[derive(Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct ArcherIndex {
    /// One entry for each archer.
    pub(crate) archers: Vec<ArcherFiles>,
}

/// What was written of one archer.
#[derive(Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct ArcherFiles {
    /// Alias.
    pub(crate) alias: String,
    /// Files, relative to the results folder. A file that several archers share is in each list.
    pub(crate) files: Vec<PathBuf>,
}

/// Deletes the archer's files, and every file shared with others, which `run` makes anew without the archer.
pub(crate) fn archer(plan: &ForgetArguments, json: bool) -> Outcome<()> {
    let path = plan.results.join(INDEX);
    read(&path)?;
    let _held = crate::store::lock(&plan.results)?;
    let mut index = read(&path)?;
    let position = index
        .archers
        .iter()
        .position(|entry| entry.alias == plan.archer);
    let Some(position) = position else {
        let known: Vec<&str> = index
            .archers
            .iter()
            .map(|entry| entry.alias.as_str())
            .collect();
        return Err(Failure::input(format!(
            "no archer is called {:?} here; known: {}",
            plan.archer,
            known.join(", ")
        )));
    };
    let gone = index.archers.remove(position);
    for file in &gone.files {
        remove(&plan.results, file)?;
    }
    // A run that was killed leaves pictures that no list names: whoever they show.
    let others = index.archers.iter().flat_map(|entry| &entry.files);
    let keep = others.filter(|file| !gone.files.contains(file)).cloned();
    kept_pictures::delete_all_but(&plan.results, &keep.collect())?;
    for entry in &mut index.archers {
        entry.files.retain(|file| !gone.files.contains(file));
    }
    let bytes = serde_json::to_vec_pretty(&index).map_err(Failure::output)?;
    crate::store::write_whole(&path, &bytes)?;
    if json {
        return crate::table::json(&serde_json::json!({
            "archer": gone.alias,
            "deleted": gone.files,
        }));
    }
    println!(
        "deleted {} files that held something of {}; take the name and the turn out of the manifest before the next run",
        gone.files.len(),
        gone.alias
    );
    Ok(())
}

fn remove(folder: &Path, file: &Path) -> Outcome<()> {
    let escapes = file.is_absolute()
        || file
            .components()
            .any(|part| !matches!(part, std::path::Component::Normal(_)));
    if escapes {
        return Err(Failure::input(format!(
            "{} in the list of files leads out of the folder; nothing more was deleted",
            file.display()
        )));
    }
    match std::fs::remove_file(folder.join(file)) {
        Err(source) if source.kind() != std::io::ErrorKind::NotFound => {
            Err(Failure::output(format!("{}: {source}", file.display())))
        }
        _ => Ok(()),
    }
}

/// Lists what a run wrote of whom, and publishes all of it. Clips that an earlier run left show its sheets: they stay listed
/// where the sheets are the same, else they are deleted.
pub(crate) fn remember(
    store: &Store,
    practice: &crate::practice::Practice,
    (sheets, kept): (&crate::sheets::Sheets, &KeptPictures),
    same_sheets: bool,
) -> Outcome<()> {
    const SHARED: [&str; 8] = [
        "methods.txt",
        "page.html",
        "sheet.json",
        "shots.csv",
        "faults.csv",
        "path.csv",
        "path.parquet",
        "sightings.json",
    ];
    let mut index = ArcherIndex::default();
    let before = read(&store.path(INDEX)).unwrap_or_default();
    let clips = |entry: &ArcherFiles| -> Vec<PathBuf> {
        let files = entry.files.iter();
        files
            .filter(|file| file.starts_with(crate::clips::FOLDER))
            .cloned()
            .collect()
    };
    let named = practice.turns.iter().map(|turn| turn.archer.as_str());
    let shot = sheets.shots.iter().map(|sheet| sheet.archer.as_str());
    for alias in named.chain(shot) {
        if index.archers.iter().any(|entry| entry.alias == alias) {
            continue;
        }
        let own = sheets
            .shots
            .iter()
            .filter(|sheet| sheet.archer == alias)
            .flat_map(|sheet| {
                let exported = PathBuf::from(format!("{}.c3d", sheet.id));
                kept.of_shot(&sheet.id).into_iter().chain([exported])
            });
        let mut files: Vec<PathBuf> = own.chain(SHARED.iter().map(PathBuf::from)).collect();
        let earlier = before.archers.iter().find(|entry| entry.alias == alias);
        if let Some(earlier) = earlier.filter(|_| same_sheets) {
            files.extend(clips(earlier));
        }
        index.archers.push(ArcherFiles {
            alias: alias.to_owned(),
            files,
        });
    }
    // First all that can fail on a full disk.
    keep(store, &index)?;
    store.publish()?;
    if !same_sheets {
        for file in before.archers.iter().flat_map(clips) {
            remove(&store.path(""), &file)?;
        }
    }
    Ok(())
}

/// The files below a folder that the list names, each once, in order.
pub(crate) fn listed_below(store: &Store, folder: &str) -> Outcome<Vec<PathBuf>> {
    let index = read(&store.path(INDEX))?;
    let files = index.archers.into_iter().flat_map(|entry| entry.files);
    let mut below: Vec<PathBuf> = files.filter(|file| file.starts_with(folder)).collect();
    below.sort();
    below.dedup();
    Ok(below)
}

/// Lists further files beside the archers that they show.
pub(crate) fn add<'a>(
    store: &Store,
    made: impl Iterator<Item = (&'a str, &'a Path)>,
) -> Outcome<()> {
    let mut index = read(&store.path(INDEX))?;
    for (alias, file) in made {
        let known = index.archers.iter().position(|entry| entry.alias == alias);
        let place = known.unwrap_or_else(|| {
            index.archers.push(ArcherFiles {
                alias: alias.to_owned(),
                files: Vec::new(),
            });
            index.archers.len() - 1
        });
        let files = &mut index.archers[place].files;
        if !files.iter().any(|listed| listed == file) {
            files.push(file.to_owned());
        }
    }
    keep(store, &index)
}

fn read(path: &Path) -> Outcome<ArcherIndex> {
    let text = std::fs::read(path)
        .map_err(|source| Failure::input(format!("{}: {source}", path.display())))
        .map_err(|failure| failure.help("is this a results folder of `drawarc run`?"))?;
    serde_json::from_slice(&text)
        .map_err(|source| Failure::input(format!("{}: {source}", path.display())))
}

fn keep(store: &Store, index: &ArcherIndex) -> Outcome<()> {
    let bytes = serde_json::to_vec_pretty(index).map_err(Failure::output)?;
    store.write(INDEX, &bytes)?;
    Ok(())
}
