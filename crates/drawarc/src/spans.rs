//! Which stretches of the recordings count.

use crate::failure::{Failure, Outcome};
use crate::moved_clocks::is_unknown;
use crate::pipeline::Pipeline;
use crate::recordings::Recordings;
use crate::steps::Measured;
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

/// Per camera, where to look for markers (camera time): everything after the board, or around loud events.
pub(crate) fn windows(
    pipeline: &Pipeline,
    measured: &Measured,
    from_s: f64,
) -> Vec<Vec<(f64, f64)>> {
    let settings = &pipeline.sightings;
    let mut spans: Vec<(f64, f64)> = Vec::new();
    if settings.everything || measured.sounds.is_empty() {
        spans.push((from_s, f64::MAX));
    } else {
        for sound in &measured.sounds {
            let span = (
                sound.time_s - settings.before_s,
                sound.time_s + settings.after_s,
            );
            match spans.last_mut() {
                Some(last) if last.1 >= span.0 => last.1 = last.1.max(span.1),
                _ => spans.push(span),
            }
        }
    }
    measured
        .clocks
        .iter()
        .map(|clock| {
            if is_unknown(clock) {
                return vec![(f64::MIN, f64::MAX)];
            }
            let to_camera = |s: f64| {
                if s.abs() > 1e300 {
                    s
                } else {
                    clock.camera_from_range(s)
                }
            };
            spans
                .iter()
                .map(|span| (to_camera(span.0), to_camera(span.1)))
                .collect()
        })
        .collect()
}
