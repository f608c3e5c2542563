//! What the end-to-end tests share: the command under test, a folder of their own, small real videos.
#![allow(dead_code, reason = "each test file uses its own part")]
#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

pub(crate) mod watch;

/// The command under test.
pub(crate) fn drawarc() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_drawarc"));
    command.env("NO_COLOR", "1");
    command
}

/// What a run printed and returned.
pub(crate) struct Said {
    /// Exit code.
    pub(crate) code: i32,
    /// Standard output.
    pub(crate) out: String,
    /// Standard error, line breaks and the frame of the message folded away.
    pub(crate) err: String,
}

/// Runs the command in a folder.
pub(crate) fn say(folder: &Path, words: &[&str]) -> Said {
    let output = drawarc().current_dir(folder).args(words).output().unwrap();
    said(&output)
}

pub(crate) fn said(output: &Output) -> Said {
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let folded = text(&output.stderr)
        .replace(['│', '╭', '╰', '─', '▶', '╴'], " ")
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ");
    Said {
        code: output.status.code().unwrap_or(-1),
        out: text(&output.stdout),
        err: folded,
    }
}

/// Top of the project.
pub(crate) fn project() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .ancestors()
        .nth(2)
        .unwrap()
        .to_owned()
}

/// Folder of the demo practice: filmed and measured once, for all tests that need a film. Tests run side by side, so
/// whoever comes first holds a lock while the film is made.
pub(crate) fn demo() -> PathBuf {
    let shared = PathBuf::from(env!("CARGO_TARGET_TMPDIR"));
    let folder = shared.join("demo");
    std::fs::create_dir_all(&folder).unwrap();
    let lock = std::fs::File::create(shared.join("demo.lock")).unwrap();
    lock.lock().unwrap();
    if !folder.join("results/rig.yaml").exists() {
        let said = say(&folder, &["demo", "--into", "."]);
        assert_eq!(said.code, 0, "{}", said.err);
    }
    folder
}

/// Copies a stretch of a video without coding it anew; `starts_s` is the time of its first frame in the copy.
pub(crate) fn cut(from: &Path, to: &Path, (start_s, length_s): (f64, f64), starts_s: f64) {
    let status = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-ss", &start_s.to_string(), "-i"])
        .arg(from)
        .args(["-t", &length_s.to_string(), "-c", "copy"])
        .args(["-output_ts_offset", &starts_s.to_string()])
        .arg(to)
        .status()
        .unwrap();
    assert!(status.success());
}

/// A small real video with sound, made by the FFmpeg program: a moving test picture, no board, no archer.
pub(crate) fn test_picture(path: &Path, seconds: f64) {
    let status = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-f", "lavfi", "-i"])
        .arg(format!("testsrc2=size=320x240:rate=30:duration={seconds}"))
        .args(["-f", "lavfi", "-i"])
        .arg(format!("sine=frequency=440:duration={seconds}"))
        .args([
            "-c:v",
            "libx264",
            "-preset",
            "ultrafast",
            "-c:a",
            "aac",
            "-shortest",
        ])
        .arg(path)
        .status()
        .expect("the tests need the FFmpeg program: cargo xtask test brings it");
    assert!(status.success());
}

/// A manifest of two cameras with these files.
pub(crate) fn manifest(first: &str, second: &str) -> String {
    let board = project().join("calibration/a3-9x6-38mm.yaml");
    format!(
        "format: drawarc-practice/1
title: Test
date: 2026-01-02
board: {}
cameras:
  - name: five
    stands: \"5:00\"
    files: [{first}]
    readout_ms: 16
  - name: three
    stands: \"3:00\"
    files: [{second}]
    readout_ms: 16
markers:
  - on: elbow
    shape: ball
    size_mm: 28
    colour: orange
turns:
  - archer: Kestrel
    handedness: right
",
        board.display()
    )
}
