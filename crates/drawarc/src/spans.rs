//! Whether the recordings have time in common.

use crate::failure::{Failure, Outcome};
use crate::moved_clocks::is_unknown;
use crate::recordings::Recordings;
use drawarc_rig::ClockModel;
use drawarc_sync_track::SoundScan;

/// Refuses recordings that have no instant in common.
pub(crate) fn overlap(
    recordings: &Recordings,
    scans: &[Option<SoundScan>],
    clocks: &[ClockModel],
) -> Outcome<()> {
    let span = |index: usize| {
        let probe = recordings.camera(index).recording.probe();
        let end_s = scans[index]
            .as_ref()
            .map_or(probe.start_s + probe.duration_s, |scan| scan.end_s);
        (
            clocks[index].range_from_camera(probe.start_s),
            clocks[index].range_from_camera(end_s),
        )
    };
    let spans: Vec<(f64, f64)> = (0..recordings.len())
        .filter(|&index| !is_unknown(&clocks[index]))
        .map(span)
        .collect();
    let start = spans.iter().map(|span| span.0).fold(f64::MIN, f64::max);
    let end = spans.iter().map(|span| span.1).fold(f64::MAX, f64::min);
    if start < end {
        return Ok(());
    }
    Err(Failure::not_measurable(format!(
        "the recordings do not overlap in time: the last to start begins {:.1} s after the first to end has ended",
        start - end
    ))
    .help("let all cameras run at once: start them, clap, show the board, shoot, stop them"))
}
