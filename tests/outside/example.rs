//! Examples of the workspace that a comparison runs.

use std::path::PathBuf;
use std::process::Command;

/// Builds the example `name`; cargo itself says where it put it. Asked for with a test beside it, all features are those of the
/// tests that were just built: asked for alone, every dependency would be built once more.
pub(crate) fn example(name: &str) -> PathBuf {
    let output = Command::new(env!("CARGO"))
        .current_dir(super::python::project())
        .args(["build", "-q", "--workspace", "--example", name])
        .args(["--test", "outside_exports", "--message-format=json"])
        .output()
        .unwrap();
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{complaint}");
    let said = String::from_utf8(output.stdout).unwrap();
    said.lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap())
        .filter(|message| message["target"]["name"] == name)
        .find_map(|message| message["executable"].as_str().map(PathBuf::from))
        .unwrap()
}
