//! The exports, read back by readers that are not ours.
//!
//! Sources: `ezc3d` and `jsonschema` of `PyPI`; the true values are those in the sheet that goes with the C3D files.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(clippy::print_stdout, reason = "the measured figures are printed")]

#[path = "outside/example.rs"]
mod example;
#[path = "outside/python.rs"]
mod python;

use std::process::Command;

#[test]
fn c3d_and_sheet_are_read_by_others() {
    let Some(interpreter) = python::interpreter() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let status = Command::new(example::example("sample_exports"))
        .current_dir(python::project())
        .arg(folder.path())
        .status()
        .unwrap();
    assert!(status.success());
    let schema = folder.path().join("schema.json");
    std::fs::write(&schema, drawarc_report::export::SHEET_SCHEMA).unwrap();
    let script = "tests/outside/exports.py";
    print!(
        "{}",
        python::ask(&interpreter, script, &[folder.path()], "")
    );
}
