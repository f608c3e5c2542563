//! A Python virtual environment inside `target/` with the reference libraries that outside checks call.

use crate::run;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Reference libraries, pinned so that a check means the same everywhere.
const REQUIREMENTS: &[&str] = &[
    "numpy>=1.26,<3",
    "scipy>=1.11,<2",
    "opencv-python-headless>=4.8,<6",
    "ezc3d>=1.5,<2",
    "jsonschema>=4,<5",
    "pingouin>=0.5,<1",
];

/// Ceres and a projection for it in C++, for the race of the adjustments: the last pair whose poses are two blocks each, as
/// the manifolds that `pyceres` offers want them.
const RACE: &[&str] = &["pyceres==2.6", "pycolmap==3.13.0"];

/// Brings what the race needs besides. Where there is no wheel of it, the race falls back on `SciPy`.
pub(crate) fn bring_race(interpreter: &Path) {
    let arguments = [
        "-m",
        "pip",
        "install",
        "--quiet",
        "--disable-pip-version-check",
    ];
    if let Err(message) = run::show(Command::new(interpreter).args(arguments).args(RACE)) {
        println!("no Ceres to race with: {message}");
    }
}

/// Makes the environment where it is missing or older than this list; returns its interpreter.
pub(crate) fn bring() -> Result<PathBuf, String> {
    let folder = run::target_directory()?.join("python");
    let interpreter = folder.join("bin").join("python");
    let stamp = folder.join("requirements.txt");
    let wanted = REQUIREMENTS.join("\n");
    if std::fs::read_to_string(&stamp).is_ok_and(|text| text == wanted) {
        return Ok(interpreter);
    }
    println!("== Python reference libraries: {}", REQUIREMENTS.join(" "));
    run::show(Command::new("python3").args(["-m", "venv"]).arg(&folder))?;
    run::show(
        Command::new(&interpreter)
            .args([
                "-m",
                "pip",
                "install",
                "--quiet",
                "--disable-pip-version-check",
            ])
            .args(REQUIREMENTS),
    )?;
    std::fs::write(&stamp, wanted).map_err(|source| format!("{}: {source}", stamp.display()))?;
    Ok(interpreter)
}
