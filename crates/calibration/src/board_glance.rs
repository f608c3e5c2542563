//! Where in a long recording the board is: a first look at key frames, so that the rest need not be decoded.

use crate::scan::{ScanSettings, scan_board};
use crate::{Board, CalibrationError};
use drawarc_footage::Recording;

/// Shorter recordings are looked through whole (s): a first look would gain little.
const WORTH_IT_S: f64 = 180.0;
/// About a glance at the board, so much more is looked at (s): waved on, turned away, laid down out of sight of a small picture.
const ABOUT_S: f64 = 8.0;

/// Stretches of a recording (s, camera clock) in and about which the board is seen in key frames, in order; none where all of it
/// must be looked at, because it is short or no key frame shows the board.
///
/// # Errors
/// As [`scan_board`].
pub fn board_stretches(
    recording: &Recording,
    board: &Board,
    settings: &ScanSettings,
    progress: &mut dyn FnMut(f64),
) -> Result<Vec<(f64, f64)>, CalibrationError> {
    if recording.probe().duration_s < WORTH_IT_S {
        return Ok(Vec::new());
    }
    let glance = ScanSettings {
        key_frames_only: true,
        most_bursts: usize::MAX,
        ..settings.clone()
    };
    let seen = scan_board(recording, board, &glance, progress)?;
    let times: Vec<f64> = seen.sightings.iter().map(|s| s.time_s).collect();
    Ok(about(&times))
}

/// Stretches about these times, those that touch made one.
fn about(times: &[f64]) -> Vec<(f64, f64)> {
    let mut stretches: Vec<(f64, f64)> = Vec::new();
    for &time_s in times {
        let (from_s, to_s) = (time_s - ABOUT_S, time_s + ABOUT_S);
        match stretches.last_mut() {
            Some(last) if from_s <= last.1 => last.1 = last.1.max(to_s),
            _ => stretches.push((from_s, to_s)),
        }
    }
    stretches
}

#[cfg(test)]
mod tests {
    use super::about;

    #[test]
    fn glances_become_stretches() {
        assert_eq!(
            about(&[10.0, 11.0, 20.0, 500.0]),
            vec![(2.0, 28.0), (492.0, 508.0)]
        );
        assert!(about(&[]).is_empty());
    }
}
