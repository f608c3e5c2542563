//! The real command, run as a coach would run it: what it said, how long it took, how much memory it held.
#![expect(
    clippy::disallowed_methods,
    reason = "an edge: the bench times other programs"
)]

use crate::Arguments;
use crate::error::BenchError;
use crate::practices::Practice;
use drawarc_range_sim::FilmCamera;
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

/// What a practice's last measurement is kept in.
const KEPT: &str = "measured.json";
/// How often a running program is asked for its memory.
const ASK_EVERY: Duration = Duration::from_millis(20);

/// What a run of the command said and cost.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(crate) struct Measured {
    /// Exit code; −1 where a signal ended it.
    pub(crate) exit: i32,
    /// Standard error, folded to one line.
    pub(crate) message: String,
    /// Remarks of the run.
    pub(crate) remarks: Vec<String>,
    /// From footage to rig (s).
    pub(crate) survey_s: f64,
    /// From footage and rig to the page (s).
    pub(crate) page_s: f64,
    /// `FFmpeg` decoding the same files one after another with as many threads (s).
    pub(crate) decode_s: f64,
    /// Highest resident memory of the command (MB, `VmHWM`); NaN where the system does not tell.
    pub(crate) peak_mb: f64,
}

/// The `drawarc` command in the folder of this program.
pub(crate) fn beside_this_program() -> Result<PathBuf, BenchError> {
    let here = std::env::current_exe().map_err(|source| BenchError::Program {
        program: "drawarc-bench".to_owned(),
        source,
    })?;
    let path = here.with_file_name(format!("drawarc{}", std::env::consts::EXE_SUFFIX));
    if path.is_file() {
        Ok(path)
    } else {
        Err(BenchError::NoCommand { path })
    }
}

/// Measures a practice in its folder, in two stages so that the survey is timed apart; keeps what came of it.
pub(crate) fn measure(
    practice: &Practice,
    folder: &Path,
    drawarc: &Path,
    plan: &Arguments,
) -> Result<Measured, BenchError> {
    let kept = folder.join(KEPT);
    if plan.compare_only {
        let text = std::fs::read_to_string(&kept).map_err(|source| BenchError::File {
            path: kept.clone(),
            source,
        })?;
        return serde_json::from_str(&text).map_err(|error| BenchError::Content {
            path: kept,
            what: error.to_string(),
        });
    }
    // A result of an earlier version must not be taken for this one's.
    let _ = std::fs::remove_dir_all(folder.join("results"));
    let threads = threads(plan);
    let decode_s = decode_s(practice, folder, threads)?;
    let survey = run(drawarc, folder, "survey-only.yaml", threads)?;
    let page = run(drawarc, folder, "whole.yaml", threads)?;
    let said: serde_json::Value = serde_json::from_str(&page.out).unwrap_or_default();
    let remarks = said["remarks"].as_array().map_or(Vec::new(), |all| {
        all.iter()
            .filter_map(|remark| remark.as_str().map(str::to_owned))
            .collect()
    });
    let measured = Measured {
        exit: page.exit,
        message: page.message,
        remarks,
        survey_s: survey.seconds,
        page_s: page.seconds,
        decode_s,
        peak_mb: survey.peak_mb.max(page.peak_mb),
    };
    let text = serde_json::to_vec_pretty(&measured)
        .map_err(|error| BenchError::Words(error.to_string()))?;
    write(&kept, &text)?;
    Ok(measured)
}

/// `drawarc run` of the practice in a folder.
pub(crate) fn run(
    drawarc: &Path,
    folder: &Path,
    pipeline: &str,
    threads: usize,
) -> Result<Ended, BenchError> {
    let mut command = Command::new(drawarc);
    command
        .current_dir(folder)
        .env("NO_COLOR", "1")
        .args(["run", "practice.yaml", "--json", "--pipeline", pipeline])
        .args(["--threads", &threads.to_string()]);
    watch(command, folder)
}

/// Writes a file of the bench.
pub(crate) fn write(path: &Path, bytes: &[u8]) -> Result<(), BenchError> {
    std::fs::write(path, bytes).map_err(|source| BenchError::File {
        path: path.to_owned(),
        source,
    })
}

/// Threads that a measurement may use.
pub(crate) fn threads(plan: &Arguments) -> usize {
    plan.threads
        .unwrap_or_else(|| std::thread::available_parallelism().map_or(1, usize::from))
}

/// `FFmpeg` decoding a practice's files one after another (s).
pub(crate) fn decode_s(
    practice: &Practice,
    folder: &Path,
    threads: usize,
) -> Result<f64, BenchError> {
    let mut total_s = 0.0;
    for name in practice.scenario.cameras.iter().flat_map(FilmCamera::files) {
        let mut command = Command::new("ffmpeg");
        command
            .current_dir(folder)
            .args(["-v", "error", "-nostdin", "-threads", &threads.to_string()])
            .args(["-i", &name, "-map", "0:v", "-f", "null", "-"]);
        total_s += watch(command, folder)?.seconds;
    }
    Ok(total_s)
}

/// A program that has ended.
pub(crate) struct Ended {
    /// Exit code; −1 where a signal ended it.
    pub(crate) exit: i32,
    /// Standard output.
    pub(crate) out: String,
    /// Standard error, folded to one line.
    pub(crate) message: String,
    /// How long it ran (s).
    pub(crate) seconds: f64,
    /// Highest resident memory (MB).
    pub(crate) peak_mb: f64,
}

/// Runs a program to its end; its words go to files in the folder, so that no pipe can fill up.
pub(crate) fn watch(mut command: Command, folder: &Path) -> Result<Ended, BenchError> {
    let program = command.get_program().to_string_lossy().into_owned();
    let failed = |source| BenchError::Program {
        program: program.clone(),
        source,
    };
    let (out, err) = (folder.join("said.out"), folder.join("said.err"));
    command.stdout(File::create(&out).map_err(failed)?);
    command.stderr(File::create(&err).map_err(failed)?);
    let start = Instant::now();
    let mut child = command.spawn().map_err(failed)?;
    let mut peak_mb = f64::NAN;
    let status = loop {
        if let Some(mb) = peak_memory_mb(child.id()) {
            peak_mb = mb.max(peak_mb);
        }
        if let Some(status) = child.try_wait().map_err(failed)? {
            break status;
        }
        std::thread::sleep(ASK_EVERY);
    };
    let seconds = start.elapsed().as_secs_f64();
    let folded = std::fs::read_to_string(&err)
        .map_err(failed)?
        .replace(['│', '╭', '╰', '─', '▶', '╴'], " ")
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ");
    Ok(Ended {
        exit: status.code().unwrap_or(-1),
        out: std::fs::read_to_string(&out).map_err(failed)?,
        message: folded,
        seconds,
        peak_mb,
    })
}

/// `VmHWM` of a process (MB), where the system has `/proc`.
fn peak_memory_mb(process: u32) -> Option<f64> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    let kilobytes: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kilobytes / 1024.0)
}
