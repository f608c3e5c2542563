//! Wrong input: a clear message, nothing lost, an exit code that is not 0.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

mod support;

use std::fs;
use std::path::Path;
use support::{Said, manifest, say, test_picture};

/// A folder with two small videos and a manifest that names them, after `change` has had its way.
fn run_after(change: impl FnOnce(&Path, String) -> String) -> Said {
    let folder = tempfile::tempdir().unwrap();
    test_picture(&folder.path().join("a.mp4"), 1.0);
    test_picture(&folder.path().join("b.mp4"), 1.0);
    let text = change(folder.path(), manifest("a.mp4", "b.mp4"));
    fs::write(folder.path().join("practice.yaml"), text).unwrap();
    say(folder.path(), &["run", "practice.yaml"])
}

#[track_caller]
fn refused(said: &Said, code: i32, words: &[&str]) {
    for word in words {
        assert!(said.err.contains(word), "{word:?} is not in: {}", said.err);
    }
    assert_eq!(said.code, code, "{}", said.err);
    assert!(!said.err.contains("panicked"), "{}", said.err);
}

#[test]
fn no_arguments_print_help() {
    let folder = tempfile::tempdir().unwrap();
    let said = say(folder.path(), &[]);
    assert_eq!(said.code, 2);
    assert!(said.err.contains("Usage"), "{}", said.err);
}

#[test]
fn a_manifest_that_is_not_there() {
    let folder = tempfile::tempdir().unwrap();
    let said = say(folder.path(), &["run", "nowhere.yaml"]);
    refused(&said, 3, &["nowhere.yaml", "No such file"]);
}

#[test]
fn a_video_that_is_not_there() {
    let said = run_after(|_, text| text.replace("a.mp4", "gone.mp4"));
    refused(&said, 3, &["gone.mp4", "no such file"]);
}

#[test]
fn an_empty_video() {
    let said = run_after(|folder, text| {
        fs::write(folder.join("a.mp4"), b"").unwrap();
        text
    });
    refused(&said, 3, &["a.mp4", "empty"]);
}

#[test]
fn a_text_file_named_mp4() {
    let said = run_after(|folder, text| {
        fs::write(folder.join("b.mp4"), "arrows: 6\n".repeat(500)).unwrap();
        text
    });
    refused(&said, 3, &["b.mp4", "not a video file"]);
}

#[test]
fn a_video_cut_before_its_index() {
    let said = run_after(|folder, text| {
        let path = folder.join("a.mp4");
        let bytes = fs::read(&path).unwrap();
        fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
        text
    });
    refused(&said, 3, &["a.mp4", "no index"]);
}

#[test]
fn a_board_that_is_never_seen() {
    let said = run_after(|_, text| text);
    refused(&said, 4, &["board", "five"]);
}

#[test]
fn one_camera_only() {
    let said = run_after(|_, text| {
        let start = text.find("  - name: three").unwrap();
        let end = text.find("markers:").unwrap();
        format!("{}{}", &text[..start], &text[end..])
    });
    refused(&said, 3, &["1 camera", "two or more"]);
}

#[test]
fn two_cameras_of_one_name() {
    let said = run_after(|_, text| text.replace("name: three", "name: five"));
    refused(&said, 3, &["two cameras are called", "five"]);
}

#[test]
fn an_unknown_field_names_line_and_column() {
    let said = run_after(|_, text| text.replace("readout_ms: 16", "readuot_ms: 16"));
    refused(
        &said,
        3,
        &["practice.yaml", "readuot_ms", "line 9", "column"],
    );
}

#[test]
fn a_wrong_type_names_line_and_column() {
    let said = run_after(|_, text| text.replace("size_mm: 28", "size_mm: big"));
    refused(&said, 3, &["practice.yaml", "line 17", "column"]);
}

#[test]
fn another_format() {
    let said = run_after(|_, text| text.replace("drawarc-practice/1", "drawarc-rig/1"));
    refused(&said, 3, &["drawarc-rig/1", "drawarc-practice/1"]);
}

#[test]
fn a_place_that_is_not_on_the_clock() {
    let said = run_after(|_, text| text.replace("5:00", "17:00"));
    refused(&said, 3, &["17:00", "clock"]);
}

#[test]
fn a_marker_of_no_size_and_of_no_colour() {
    let said = run_after(|_, text| text.replace("size_mm: 28", "size_mm: 0"));
    refused(&said, 3, &["0 mm"]);
    let said = run_after(|_, text| text.replace("colour: orange", "colour: transparent"));
    refused(&said, 3, &["transparent", "orange"]);
}

#[test]
fn a_board_whose_squares_have_no_size() {
    for size in ["0", "-30", ".nan"] {
        let said = run_after(|folder, text| {
            let board = format!(
                "format: drawarc-board/1\nname: none\ncolumns: 9\nrows: 6\npitch_x_mm: {size}\npitch_y_mm: 40\n"
            );
            fs::write(folder.join("board.yaml"), board).unwrap();
            let line = text
                .lines()
                .find(|line| line.starts_with("board:"))
                .unwrap()
                .to_owned();
            text.replace(&line, "board: board.yaml")
        });
        refused(&said, 3, &["board.yaml", "pitch_x", "positive"]);
    }
}

#[test]
fn a_results_folder_that_cannot_be_written() {
    let folder = tempfile::tempdir().unwrap();
    test_picture(&folder.path().join("a.mp4"), 1.0);
    test_picture(&folder.path().join("b.mp4"), 1.0);
    fs::write(
        folder.path().join("practice.yaml"),
        manifest("a.mp4", "b.mp4"),
    )
    .unwrap();
    // A file stands where the folder should go: refused for every user, root too.
    fs::write(folder.path().join("results"), b"my notes").unwrap();
    let said = say(folder.path(), &["run", "practice.yaml"]);
    refused(&said, 5, &["results"]);
    assert_eq!(
        fs::read(folder.path().join("results")).unwrap(),
        b"my notes"
    );
}

#[test]
fn results_of_another_practice_are_not_touched() {
    let folder = tempfile::tempdir().unwrap();
    test_picture(&folder.path().join("a.mp4"), 1.0);
    test_picture(&folder.path().join("b.mp4"), 1.0);
    let results = folder.path().join("results");
    fs::create_dir(&results).unwrap();
    fs::write(results.join("practice.txt"), "another evening\n").unwrap();
    fs::write(results.join("page.html"), "<p>precious</p>").unwrap();
    fs::write(
        folder.path().join("practice.yaml"),
        manifest("a.mp4", "b.mp4"),
    )
    .unwrap();
    let said = say(folder.path(), &["run", "practice.yaml"]);
    refused(&said, 6, &["another practice", "another evening"]);
    assert_eq!(
        fs::read_to_string(results.join("page.html")).unwrap(),
        "<p>precious</p>"
    );
}

#[test]
fn a_pipeline_with_a_hole_and_one_with_a_wrong_number() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(
        folder.path().join("practice.yaml"),
        manifest("a.mp4", "b.mp4"),
    )
    .unwrap();
    for (text, word) in [
        ("steps: [survey, path]", "without a hole"),
        ("steps: [survey]\npath: {draws: 3}", "draws"),
        ("steps: [survey]\nsheet: {floor: 3}", "floor"),
    ] {
        let pipeline = format!("format: drawarc-pipeline/1\n{text}\n");
        fs::write(folder.path().join("pipeline.yaml"), pipeline).unwrap();
        let said = say(
            folder.path(),
            &["run", "practice.yaml", "--pipeline", "pipeline.yaml"],
        );
        refused(&said, 3, &["pipeline.yaml", word]);
    }
}

#[test]
fn a_rig_file_with_nan_and_one_of_another_version() {
    for (text, word) in [
        ("format: drawarc-rig/9\n", "drawarc-rig/9"),
        ("cameras: []\n", "format"),
    ] {
        let said = run_after(|folder, manifest| {
            fs::write(folder.join("rig.yaml"), text).unwrap();
            manifest.replace("cameras:", "rig: rig.yaml\ncameras:")
        });
        refused(&said, 3, &["rig.yaml", word]);
    }
}

#[test]
fn a_manifest_is_never_written_over() {
    let folder = tempfile::tempdir().unwrap();
    test_picture(&folder.path().join("a.mp4"), 1.0);
    fs::write(folder.path().join("practice.yaml"), "mine").unwrap();
    let said = say(
        folder.path(),
        &["manifest", "a.mp4", "--into", "practice.yaml"],
    );
    refused(&said, 6, &["practice.yaml", "already"]);
    assert_eq!(
        fs::read_to_string(folder.path().join("practice.yaml")).unwrap(),
        "mine"
    );
}

/// A manifest that names a corrections file of this text.
fn run_with_corrections(corrections: &str) -> Said {
    run_after(|folder, text| {
        fs::write(folder.join("corrections.yaml"), corrections).unwrap();
        text.replace("cameras:", "corrections: corrections.yaml\ncameras:")
    })
}

#[test]
fn corrections_that_cannot_be() {
    let head = "format: drawarc-corrections/1\nshots:\n";
    for (text, words) in [
        (
            format!("{head}  - shot: shot-02\n    rejekt: true\n"),
            ["rejekt", "line 4", "column"],
        ),
        (
            format!("{head}  - shot: shot-02\n    starts_s: {{ ankor: 12.5 }}\n"),
            ["ankor", "line 4", "column"],
        ),
        (
            format!("{head}  - shot: shot-02\n  - shot: shot-02\n"),
            ["shot-02", "twice", "corrections"],
        ),
        (
            "format: drawarc-corrections/9\n".to_owned(),
            ["drawarc-corrections/9", "drawarc-corrections/1", "reads"],
        ),
    ] {
        let said = run_with_corrections(&text);
        refused(&said, 3, &["corrections.yaml"]);
        refused(&said, 3, &words);
    }
}

#[test]
fn a_corrections_file_that_is_not_there() {
    let folder = tempfile::tempdir().unwrap();
    test_picture(&folder.path().join("a.mp4"), 1.0);
    test_picture(&folder.path().join("b.mp4"), 1.0);
    let text = manifest("a.mp4", "b.mp4");
    fs::write(folder.path().join("practice.yaml"), text).unwrap();
    let said = say(
        folder.path(),
        &["run", "practice.yaml", "--corrections", "gone.yaml"],
    );
    refused(&said, 3, &["gone.yaml", "No such file"]);
}
