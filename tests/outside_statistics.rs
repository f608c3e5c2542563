//! Agreement statistics of `drawarc-study` against reference libraries.
//!
//! Sources: `pingouin` and `scipy` of `PyPI`; R's `psych` and `epiR` where they are there. The comparison itself, with its
//! tolerances, is `crates/study/tests/outside_statistics.py`.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(clippy::print_stdout, reason = "the measured figures are printed")]

#[path = "outside/python.rs"]
mod python;

use std::path::PathBuf;
use std::process::Command;

/// Builds the example `statistics`; cargo itself says where it put it.
fn example() -> PathBuf {
    let output = Command::new(env!("CARGO"))
        .current_dir(python::project())
        .args([
            "build",
            "-q",
            "-p",
            "drawarc-study",
            "--example",
            "statistics",
        ])
        .arg("--message-format=json")
        .output()
        .unwrap();
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{complaint}");
    let said = String::from_utf8(output.stdout).unwrap();
    said.lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap())
        .filter(|message| message["target"]["name"] == "statistics")
        .find_map(|message| message["executable"].as_str().map(PathBuf::from))
        .unwrap()
}

#[test]
fn agreement_statistics_as_reference_libraries() {
    let Some(interpreter) = python::interpreter() else {
        return;
    };
    let script = "crates/study/tests/outside_statistics.py";
    let said = python::ask(&interpreter, script, &[example()], "");
    print!("{said}");
    assert!(said.contains("\n0 figures disagree"));
}
