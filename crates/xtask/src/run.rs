//! Starting other programs.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Runs a command with its output shown; an error names it.
pub(crate) fn show(command: &mut Command) -> Result<(), String> {
    let words = words_of(command);
    let status = command
        .status()
        .map_err(|source| format!("cannot start `{words}`: {source}"))?;
    if status.success() {
        Ok(())
    } else {
        Err(format!("`{words}` failed ({status})"))
    }
}

/// Runs a command and returns what it printed.
pub(crate) fn read(command: &mut Command) -> Result<String, String> {
    let words = words_of(command);
    let output = command
        .output()
        .map_err(|source| format!("cannot start `{words}`: {source}"))?;
    if !output.status.success() {
        return Err(format!("`{words}` failed ({})", output.status));
    }
    String::from_utf8(output.stdout).map_err(|source| format!("`{words}`: {source}"))
}

/// The cargo that runs this chore.
pub(crate) fn cargo_command() -> Command {
    Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()))
}

/// Runs cargo with its output shown.
pub(crate) fn cargo(words: &[&str], environment: &[(&str, &OsStr)]) -> Result<(), String> {
    println!("== cargo {}", words.join(" "));
    show(
        cargo_command()
            .args(words)
            .envs(environment.iter().copied()),
    )
}

/// Runs a program that has been built.
pub(crate) fn program(path: &Path, verb: &str, rest: &[String]) -> Result<(), String> {
    show(Command::new(path).arg(verb).args(rest))
}

/// What cargo says of this workspace.
pub(crate) fn metadata() -> Result<serde_json::Value, String> {
    let text = read(cargo_command().args(["metadata", "--format-version", "1", "--no-deps"]))?;
    serde_json::from_str(&text).map_err(|source| format!("cargo metadata: {source}"))
}

/// Where cargo builds.
pub(crate) fn target_directory() -> Result<PathBuf, String> {
    path_in_metadata("target_directory")
}

/// The top of the workspace.
pub(crate) fn workspace_root() -> Result<PathBuf, String> {
    path_in_metadata("workspace_root")
}

fn path_in_metadata(key: &str) -> Result<PathBuf, String> {
    metadata()?[key]
        .as_str()
        .map(PathBuf::from)
        .ok_or_else(|| format!("cargo metadata names no {key}"))
}

fn words_of(command: &Command) -> String {
    std::iter::once(command.get_program())
        .chain(command.get_args())
        .map(|word| word.to_string_lossy())
        .collect::<Vec<_>>()
        .join(" ")
}
