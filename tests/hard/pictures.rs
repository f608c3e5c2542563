//! The page's pictures are taken once and kept; where no person may be seen, and where an archer is forgotten, none is left.

use crate::film::{Shows, contents, practice};
use crate::support::say;
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::time::SystemTime;

/// What is kept: names, with the time at which each was written.
fn kept(results: &Path) -> BTreeSet<(String, SystemTime)> {
    fs::read_dir(results.join("pictures"))
        .into_iter()
        .flatten()
        .flatten()
        .map(|entry| {
            let written = entry.metadata().unwrap().modified().unwrap();
            (entry.file_name().to_string_lossy().into_owned(), written)
        })
        .collect()
}

fn pictures_of(page: &Path) -> usize {
    let text = fs::read_to_string(page).unwrap();
    text.matches("data:image/jpeg").count()
}

fn run(folder: &Path, more: &[&str]) {
    let said = say(folder, &[&["run", "practice.yaml"], more].concat());
    assert_eq!(said.code, 0, "{}", said.err);
}

/// Start of a phase in the sheets (range time, s).
fn start_of(results: &Path, phase: &str) -> f64 {
    let sheets = fs::read_to_string(results.join("sheet.json")).unwrap();
    let sheets: serde_json::Value = serde_json::from_str(&sheets).unwrap();
    let phases = sheets["shots"][0]["phases"].as_array().unwrap();
    let found = phases.iter().find(|bar| bar["phase"] == phase).unwrap();
    found["start_s"].as_f64().unwrap()
}

#[test]
fn pictures_are_taken_once_and_only_what_changed_is_taken_anew() {
    let folder = tempfile::tempdir().unwrap();
    practice(folder.path(), Shows::Shot);
    let results = folder.path().join("results");
    run(folder.path(), &[]);
    let first = kept(&results);
    assert!(first.len() >= 8, "{} of two cameras", first.len());
    assert_eq!(pictures_of(&results.join("page.html")), first.len());
    let page = contents(&results)["page.html"].clone();
    // Again, and under another name: nothing is looked for in the films.
    run(folder.path(), &[]);
    assert_eq!(kept(&results), first);
    assert_eq!(contents(&results)["page.html"], page, "the same bytes");
    run(folder.path(), &["--alias", "Kestrel=Merlin"]);
    assert_eq!(kept(&results), first);
    assert_ne!(contents(&results)["page.html"], page);
    // A boundary moved by hand: its instant is taken anew by both cameras, the others are not.
    let corrections = format!(
        "format: drawarc-corrections/1\nshots:\n  - shot: shot-01\n    starts_s:\n      expansion: {:.3}\n",
        start_of(&results, "expansion") + 0.1
    );
    fs::write(folder.path().join("corrections.yaml"), corrections).unwrap();
    run(folder.path(), &["--corrections", "corrections.yaml"]);
    let moved = kept(&results);
    assert_eq!(moved.len(), first.len(), "what is not shown goes");
    assert_eq!(moved.difference(&first).count(), 2, "{first:?} {moved:?}");
    // A picture that was torn is taken again.
    let torn = results.join("pictures").join(&moved.first().unwrap().0);
    fs::write(&torn, [0xff, 0xd8]).unwrap();
    run(folder.path(), &["--corrections", "corrections.yaml"]);
    assert!(fs::metadata(&torn).unwrap().len() > 1000);
}

#[test]
fn no_picture_is_left_where_no_person_may_be_seen_or_an_archer_is_forgotten() {
    let folder = tempfile::tempdir().unwrap();
    practice(folder.path(), Shows::Shot);
    let results = folder.path().join("results");
    run(folder.path(), &["--no-faces"]);
    assert!(!results.join("pictures").exists());
    assert_eq!(pictures_of(&results.join("page.html")), 0);
    run(folder.path(), &[]);
    assert!(!kept(&results).is_empty());
    run(folder.path(), &["--no-faces"]);
    assert!(!results.join("pictures").exists(), "{:?}", kept(&results));
    assert_eq!(pictures_of(&results.join("page.html")), 0);
    // A run that was killed may have left one that no list names.
    run(folder.path(), &[]);
    let (name, _) = kept(&results).pop_first().unwrap();
    let stray = format!("{:032x}.jpg", 7);
    let from = results.join("pictures").join(name);
    fs::copy(from, results.join("pictures").join(stray)).unwrap();
    let said = say(folder.path(), &["forget", "results", "--archer", "Kestrel"]);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(!results.join("pictures").exists(), "{:?}", kept(&results));
    let left: Vec<String> = contents(&results).into_keys().collect();
    assert!(!left.iter().any(|name| name.contains("page")), "{left:?}");
}
