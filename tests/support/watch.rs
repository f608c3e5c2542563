//! The command under a watch: how long it took, how much memory it held; ended where it goes beyond its bounds.
#![allow(dead_code, reason = "each test file uses its own part")]
#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use super::{Said, drawarc, said};
use std::path::Path;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

/// How often a running command is asked for its memory.
const ASK_EVERY: Duration = Duration::from_millis(5);

/// What a watched run said and cost.
pub(crate) struct Watched {
    /// What it said; the exit code is −1 where it was ended by force.
    pub(crate) said: Said,
    /// Highest resident memory (MB, `VmHWM`); 0 where the system does not tell.
    pub(crate) peak_mb: f64,
    /// Duration (s).
    pub(crate) seconds: f64,
    /// Processor time of all threads (s), which does not grow when the machine is busy with other things; 0 where the system does
    /// not tell.
    pub(crate) busy_s: f64,
}

/// Starts the command in a folder; what it says goes to pipes.
pub(crate) fn start(folder: &Path, words: &[&str]) -> Child {
    drawarc()
        .current_dir(folder)
        .args(words)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Runs the command in a folder for so long at most (s).
#[expect(
    clippy::disallowed_methods,
    reason = "how long the command takes is part of the test"
)]
pub(crate) fn watch(folder: &Path, words: &[&str], at_most_s: f64) -> Watched {
    let started = Instant::now();
    let mut child = start(folder, words);
    let (mut peak_mb, mut busy_s) = (0.0, 0.0);
    // Messages are short: no pipe fills up while nobody reads it.
    while child.try_wait().unwrap().is_none() {
        if let Some(mb) = peak_memory_mb(child.id()) {
            peak_mb = mb.max(peak_mb);
        }
        busy_s = processor_s(child.id()).unwrap_or(busy_s);
        if started.elapsed().as_secs_f64() > at_most_s {
            child.kill().unwrap();
        }
        std::thread::sleep(ASK_EVERY);
    }
    let seconds = started.elapsed().as_secs_f64();
    Watched {
        said: said(&child.wait_with_output().unwrap()),
        peak_mb,
        seconds,
        busy_s,
    }
}

/// `VmHWM` of a process (MB), where the system has `/proc`.
fn peak_memory_mb(process: u32) -> Option<f64> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    let kilobytes: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kilobytes / 1024.0)
}

/// Processor time of a process (s): fields 14 and 15 of `/proc/<id>/stat`, in hundredths of a second (proc(5)).
fn processor_s(process: u32) -> Option<f64> {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).ok()?;
    // The name, in brackets, may hold spaces.
    let (_, fields) = stat.rsplit_once(") ")?;
    let mut fields = fields.split(' ').skip(11);
    let (user, system): (f64, f64) = (fields.next()?.parse().ok()?, fields.next()?.parse().ok()?);
    Some((user + system) / 100.0)
}
