//! Names and places of files that programs stumble over: spaces, umlauts, dots, links, folders of other people.

use crate::support::{manifest, project, said, say, test_picture};
use std::fs;
use std::path::Path;

/// A practice of two small films that show no board: a run gets as far as looking for it (exit code 4), if it finds its files.
fn boardless(folder: &Path, first: &str, second: &str, board: &str) {
    let text = manifest(first, second);
    let line = text
        .lines()
        .find(|line| line.starts_with("board:"))
        .unwrap()
        .to_owned();
    let text = text
        .replace(&line, &format!("board: {board}"))
        .replace("readout_ms: 16", "readout_ms: 16\n    genlocked: true");
    fs::write(folder.join("practice.yaml"), text).unwrap();
}

fn board() -> std::path::PathBuf {
    project().join("calibration/a3-9x6-38mm.yaml")
}

#[test]
fn names_with_spaces_umlauts_quotes_and_dots_are_only_names() {
    let top = tempfile::tempdir().unwrap();
    let folder = top.path().join("Übung & Bögen – 3 %d 'Außen' #1");
    let films = top.path().join("Filme: Mai");
    fs::create_dir_all(folder.join("tief/tiefer")).unwrap();
    fs::create_dir_all(&films).unwrap();
    let five = "../Filme: Mai/five [1] %03d.mp4";
    let three = "tief/tiefer/../../drei Uhr?.MP4";
    test_picture(&films.join("five [1] %03d.mp4"), 0.4);
    test_picture(&films.join("three.mp4"), 0.4);
    fs::rename(films.join("three.mp4"), folder.join("drei Uhr?.MP4")).unwrap();
    fs::copy(board(), folder.join("Brett größer.yaml")).unwrap();
    boardless(
        &folder,
        &format!("\"{five}\""),
        &format!("\"{three}\""),
        "\"Brett größer.yaml\"",
    );
    let into = "Ergebnisse – Übung #1";
    for (from, words) in [
        (folder.as_path(), "practice.yaml".to_owned()),
        (
            top.path(),
            folder.join("practice.yaml").display().to_string(),
        ),
    ] {
        let said = say(from, &["run", &words, "--into", into]);
        assert_eq!(said.code, 4, "{}", said.err);
        assert!(said.err.contains("board"), "{}", said.err);
        assert!(from.join(into).join("practice.txt").exists());
    }
    // A name that looks like an address or an option is a name, too.
    for name in ["http:x.mp4", "concat:a|b.mp4", "-i.mp4", "pipe:0.mp4"] {
        test_picture(&films.join("plain.mp4"), 0.4);
        fs::rename(films.join("plain.mp4"), folder.join(name)).unwrap();
        boardless(
            &folder,
            &format!("\"{name}\""),
            &format!("\"{three}\""),
            "\"Brett größer.yaml\"",
        );
        let said = say(&folder, &["run", "practice.yaml", "--into", "other"]);
        assert_eq!(said.code, 4, "{name}: {}", said.err);
    }
}

#[cfg(unix)]
#[test]
fn links_are_followed_and_circles_end() {
    use std::os::unix::fs::symlink;
    let folder = tempfile::tempdir().unwrap();
    let films = tempfile::tempdir().unwrap();
    test_picture(&films.path().join("a.mp4"), 0.4);
    test_picture(&films.path().join("b.mp4"), 0.4);
    symlink(films.path(), folder.path().join("films")).unwrap();
    symlink(films.path().join("b.mp4"), folder.path().join("b.mp4")).unwrap();
    symlink(board(), folder.path().join("board.yaml")).unwrap();
    boardless(folder.path(), "films/a.mp4", "b.mp4", "board.yaml");
    let said_well = say(folder.path(), &["run", "practice.yaml"]);
    assert_eq!(said_well.code, 4, "{}", said_well.err);
    // A link to itself, a link to nothing, a link to a folder.
    symlink("circle.mp4", folder.path().join("circle.mp4")).unwrap();
    symlink("nowhere.mp4", folder.path().join("broken.mp4")).unwrap();
    for (name, words) in [
        ("circle.mp4", "circle.mp4"),
        ("broken.mp4", "no such file"),
        ("films", "this is a folder"),
    ] {
        boardless(folder.path(), name, "b.mp4", "board.yaml");
        let said = say(folder.path(), &["run", "practice.yaml"]);
        assert_eq!(said.code, 3, "{}", said.err);
        assert!(said.err.contains(words), "{}", said.err);
    }
    // Results go where the link points, and the link stays one.
    let elsewhere = tempfile::tempdir().unwrap();
    fs::remove_dir_all(folder.path().join("results")).unwrap();
    symlink(elsewhere.path(), folder.path().join("results")).unwrap();
    boardless(folder.path(), "films/a.mp4", "b.mp4", "board.yaml");
    assert_eq!(say(folder.path(), &["run", "practice.yaml"]).code, 4);
    assert!(elsewhere.path().join("practice.txt").exists());
    // A results folder that is a link to nothing is refused, not made.
    symlink("gone", folder.path().join("lost")).unwrap();
    let said = say(folder.path(), &["run", "practice.yaml", "--into", "lost"]);
    assert_eq!(said.code, 5, "{}", said.err);
    assert!(said.err.contains("lost"), "{}", said.err);
}

#[cfg(unix)]
#[test]
fn a_name_that_is_no_text_and_a_film_that_may_not_be_read() {
    use std::os::unix::ffi::OsStrExt;
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let name = std::ffi::OsStr::from_bytes(b"film-\xff.mp4");
    test_picture(&folder.path().join("a.mp4"), 0.4);
    fs::copy(folder.path().join("a.mp4"), folder.path().join(name)).unwrap();
    let output = crate::support::drawarc()
        .current_dir(folder.path())
        .args(["manifest", "a.mp4"])
        .arg(name)
        .args(["--into", "practice.yaml"])
        .output()
        .unwrap();
    let refused = said(&output);
    assert_eq!(refused.code, 3, "{}", refused.err);
    assert!(refused.err.contains("UTF-8"), "{}", refused.err);
    assert!(!folder.path().join("practice.yaml").exists());
    fs::set_permissions(
        folder.path().join("a.mp4"),
        fs::Permissions::from_mode(0o000),
    )
    .unwrap();
    if fs::File::open(folder.path().join("a.mp4")).is_ok() {
        println!("skipped: whoever runs this test may read every file");
        return;
    }
    fs::copy(board(), folder.path().join("board.yaml")).unwrap();
    boardless(folder.path(), "a.mp4", "b.mp4", "board.yaml");
    let refused = say(folder.path(), &["run", "practice.yaml"]);
    assert_eq!(refused.code, 3, "{}", refused.err);
    assert!(refused.err.contains("ermission"), "{}", refused.err);
}
