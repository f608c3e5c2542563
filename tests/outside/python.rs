//! Reference libraries in Python: their interpreter is named by `DRAWARC_PYTHON`, which `cargo xtask test` sets.

use std::ffi::OsStr;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// The interpreter that has the reference libraries; says that the check is skipped where there is none.
pub(crate) fn interpreter() -> Option<PathBuf> {
    let found = std::env::var_os("DRAWARC_PYTHON").map(PathBuf::from);
    if found.is_none() {
        println!("skipped: DRAWARC_PYTHON is not set; run `cargo xtask test`");
    }
    found
}

/// Top of the project.
pub(crate) fn project() -> PathBuf {
    let package = Path::new(env!("CARGO_MANIFEST_DIR"));
    package.ancestors().nth(2).unwrap().to_owned()
}

/// What a script prints when it is fed `input`; a script that fails fails the test with its words.
pub(crate) fn ask<A: AsRef<OsStr>>(
    interpreter: &Path,
    script: &str,
    arguments: &[A],
    input: &str,
) -> String {
    let mut child = Command::new(interpreter)
        .arg(project().join(script))
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut pipe = child.stdin.take().unwrap();
    pipe.write_all(input.as_bytes()).unwrap();
    drop(pipe);
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{script}: {said}\n{complaint}");
    said
}
