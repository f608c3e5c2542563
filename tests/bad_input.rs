//! Bad input as a table: for each row one thing is broken, and the person gets this message, this exit code, and no
//! half-written result. `tests/bad_input/table.yaml` is the table.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![expect(
    clippy::disallowed_methods,
    reason = "how long a message takes is part of the test"
)]

mod support;

use serde::Deserialize;
use std::fs;
use std::path::{Path, PathBuf};
use support::{manifest, project, say, test_picture};

/// One row of the table.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    /// What is wrong, in words.
    wrong: String,
    /// The file in which something is replaced, or which is written new.
    #[serde(default)]
    file: String,
    /// Text that is replaced ...
    #[serde(default)]
    replace: Option<String>,
    /// ... by this; without `replace` this is the whole file.
    #[serde(default)]
    by: Option<String>,
    /// This text over and over, so many times, instead of `by`.
    #[serde(default)]
    times: Option<usize>,
    /// The manifest names `rig.yaml`.
    #[serde(default)]
    with_rig: bool,
    /// Words of the command; `run practice.yaml` where none are given.
    #[serde(default)]
    say: Vec<String>,
    /// Exit code.
    code: i32,
    /// Parts of the message.
    message: Vec<String>,
}

/// Files of a practice that is right but for its footage.
fn practice(folder: &Path, films: &Path) {
    for name in ["a.mp4", "b.mp4"] {
        fs::copy(films.join("film.mp4"), folder.join(name)).unwrap();
    }
    let board = project().join("calibration/a3-9x6-38mm.yaml");
    let named = format!("board: {}", board.display());
    let text = manifest("a.mp4", "b.mp4").replace(&named, "board: board.yaml");
    fs::write(folder.join("practice.yaml"), text).unwrap();
    fs::copy(board, folder.join("board.yaml")).unwrap();
    fs::copy(
        project().join("tests/bad_input/rig.yaml"),
        folder.join("rig.yaml"),
    )
    .unwrap();
    fs::copy(
        project().join("sample-rigs/club-five-three/rig-sketch.yaml"),
        folder.join("sketch.yaml"),
    )
    .unwrap();
    fs::write(
        folder.join("pipeline.yaml"),
        "format: drawarc-pipeline/1\nsteps: [survey, clocks, sightings, path, sheet]\n",
    )
    .unwrap();
    fs::write(
        folder.join("corrections.yaml"),
        "format: drawarc-corrections/1\nshots:\n  - shot: shot-02\n",
    )
    .unwrap();
}

fn spoil(folder: &Path, row: &Row) {
    if row.with_rig {
        let path = folder.join("practice.yaml");
        let text = fs::read_to_string(&path).unwrap();
        fs::write(path, text.replace("cameras:", "rig: rig.yaml\ncameras:")).unwrap();
    }
    if row.file.is_empty() {
        return;
    }
    let path = folder.join(&row.file);
    let by = row.by.clone().unwrap_or_default();
    let by = row.times.map_or(by.clone(), |times| by.repeat(times));
    let text = match &row.replace {
        None => by,
        Some(old) => {
            let text = fs::read_to_string(&path).unwrap();
            assert!(
                text.contains(old),
                "{}: {old:?} is not in {}",
                row.wrong,
                row.file
            );
            text.replacen(old, &by, 1)
        }
    };
    fs::write(path, text).unwrap();
}

/// Everything below a folder, in order.
fn tree(folder: &Path) -> Vec<PathBuf> {
    let mut all: Vec<PathBuf> = fs::read_dir(folder)
        .unwrap()
        .flat_map(|entry| {
            let path = entry.unwrap().path();
            if path.is_dir() {
                tree(&path)
            } else {
                vec![path]
            }
        })
        .collect();
    all.sort();
    all
}

#[test]
fn every_row_is_told_what_is_wrong() {
    let text = fs::read_to_string(project().join("tests/bad_input/table.yaml")).unwrap();
    let rows: Vec<Row> = serde_yaml::from_str(&text).unwrap();
    assert!(rows.len() >= 60, "{} rows", rows.len());
    let films = tempfile::tempdir().unwrap();
    test_picture(&films.path().join("film.mp4"), 0.4);
    let mut faults = Vec::new();
    for row in &rows {
        let folder = tempfile::tempdir().unwrap();
        practice(folder.path(), films.path());
        spoil(folder.path(), row);
        let before = tree(folder.path());
        let words: Vec<&str> = if row.say.is_empty() {
            vec!["run", "practice.yaml"]
        } else {
            row.say.iter().map(String::as_str).collect()
        };
        let started = std::time::Instant::now();
        let said = say(folder.path(), &words);
        let mut fault =
            |what: String| faults.push(format!("{}: {what}\n    {}", row.wrong, said.err));
        if said.code != row.code {
            fault(format!("exit code {} instead of {}", said.code, row.code));
        }
        for part in &row.message {
            if !said.err.contains(part.as_str()) {
                fault(format!("{part:?} is not in the message"));
            }
        }
        if said.err.contains("panicked") {
            fault("a panic".to_owned());
        }
        if started.elapsed().as_secs() > 20 {
            fault(format!("{:?}", started.elapsed()));
        }
        let left: Vec<_> = tree(folder.path())
            .into_iter()
            .filter(|path| !before.contains(path) && !path.ends_with(".lock"))
            .collect();
        if left.iter().any(|path| !path.ends_with("practice.txt")) {
            fault(format!("left behind: {left:?}"));
        }
    }
    assert!(
        faults.is_empty(),
        "{} of {} rows:\n{}",
        faults.len(),
        rows.len(),
        faults.join("\n")
    );
}
