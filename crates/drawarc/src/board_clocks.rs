//! Where each camera saw the board, and clocks that the sound left open: the board's own movement tells them.
//!
//! A scan looks about every so many hundredths of a second of range time, so that cameras are looked at about the same
//! instants. One whose clock is not known is looked through by its own time first; that is enough to find its clock.
//! Then the stretch in which it saw the board is looked through once more by the clock that was found.

use crate::backgrounds::Backgrounds;
use crate::board_scan;
use crate::failure::{Failure, Outcome};
use crate::moved_clocks::{each_stretch, weaker};
use crate::progress::Progress;
use crate::recordings::Recordings;
use crate::survey::survey_cameras;
use drawarc_calibration::{Board, BoardSighting, CalibrationError, clocks_from_board};
use drawarc_rig::{ClockModel, ClockSegment, Rig};

/// Looked at besides, before and after the board was seen (s).
const AROUND_S: f64 = 0.5;

/// The rate of a clock over a quarter of a minute of board errs by so many times the standard deviation that the survey states
/// (rms of 17 clocks on film: 1.4). Nothing later tells it anew where no sound does.
const RATE_ERRS: f64 = 1.5;

/// What the recordings hold of the board.
#[derive(Debug)]
pub(crate) struct BoardSeen {
    /// Clocks to start the survey from.
    pub(crate) clocks: Vec<ClockModel>,
    /// The cameras whose clock the board told, since the sound did not.
    pub(crate) told: Vec<usize>,
    /// Where each camera saw the board.
    pub(crate) sightings: Vec<Vec<BoardSighting>>,
    /// What stood still meanwhile.
    pub(crate) backgrounds: Backgrounds,
}

/// Looks through all recordings for the board. `heard` are the clocks as far as the sound tells. A board that was never seen
/// is named before a clock that could not be found: it is what a person can mend first.
pub(crate) fn board_seen(
    recordings: &Recordings,
    board: &Board,
    heard: &[Option<ClockModel>],
    progress: &Progress,
) -> Outcome<BoardSeen> {
    let unknown = ClockModel::identity();
    let (mut sightings, backgrounds) = recordings
        .cameras()
        .zip(heard)
        .enumerate()
        .map(|(index, (filmed, clock))| {
            let clock = clock.as_ref().unwrap_or(&unknown);
            let seen = board_scan::scan(index, filmed, board, (clock, None), progress)?;
            Ok((seen.sightings, seen.background))
        })
        .collect::<Outcome<(Vec<_>, Vec<_>)>>()?;
    let told = tell(recordings, (board, None), heard, &mut sightings, progress)?;
    Ok(BoardSeen {
        clocks: told.clocks,
        told: told.by_board,
        sightings,
        backgrounds,
    })
}

/// All clocks.
#[derive(Debug)]
pub(crate) struct Told {
    pub(crate) clocks: Vec<ClockModel>,
    /// Those that the board told.
    pub(crate) by_board: Vec<usize>,
}

/// Has the board tell the clocks that were not heard, and looks for it anew where those cameras saw it. Lenses are those of
/// the rig, where there is one.
pub(crate) fn tell(
    recordings: &Recordings,
    (board, rig): (&Board, Option<&Rig>),
    heard: &[Option<ClockModel>],
    sightings: &mut [Vec<BoardSighting>],
    progress: &Progress,
) -> Outcome<Told> {
    let unknown = ClockModel::identity();
    let mut clocks: Vec<ClockModel> = heard
        .iter()
        .map(|clock| clock.as_ref().unwrap_or(&unknown).clone())
        .collect();
    if heard.iter().all(Option::is_some) {
        return Ok(Told {
            clocks,
            by_board: Vec::new(),
        });
    }
    let mut cameras = survey_cameras(recordings, &clocks, sightings.to_vec());
    if let Some(rig) = rig {
        for (camera, surveyed) in cameras.iter_mut().zip(&rig.cameras) {
            camera.lens = drawarc_calibration::LensChoice::Known(surveyed.lens);
            camera.shutter = surveyed.shutter;
        }
    }
    let found = clocks_from_board(board, &cameras, heard).map_err(|source| untold(&source))?;
    let mut by_board = Vec::new();
    for told in found {
        let own: Vec<f64> = sightings[told.camera].iter().map(|s| s.time_s).collect();
        let window_s = own
            .first()
            .zip(own.last())
            .map(|(from, to)| (from - AROUND_S, to + AROUND_S));
        let filmed = recordings.camera(told.camera);
        let timed = (&told.clock, window_s);
        sightings[told.camera] =
            board_scan::scan(told.camera, filmed, board, timed, progress)?.sightings;
        // The survey asks the same board again.
        clocks[told.camera] = weaker(&told.clock);
        by_board.push(told.camera);
    }
    by_board.sort_unstable();
    Ok(Told {
        clocks: in_first_time(&clocks),
        by_board,
    })
}

/// Clocks after a survey, the rates of those that the board told (and, where that is the first camera's, of all) as uncertain as
/// they were found to be.
pub(crate) fn as_sure_as_they_are(clocks: &[ClockModel], told: &[usize]) -> Vec<ClockModel> {
    let widened = |clock: &ClockModel| {
        each_stretch(clock, |segment| ClockSegment {
            rate_variance: segment.rate_variance * RATE_ERRS.powi(2),
            offset_rate_covariance_s: segment.offset_rate_covariance_s * RATE_ERRS,
            ..segment
        })
    };
    clocks
        .iter()
        .enumerate()
        .map(|(camera, clock)| {
            if told.contains(&camera) || told.contains(&0) {
                widened(clock)
            } else {
                clock.clone()
            }
        })
        .collect()
}

/// The same clocks with the first camera's for range time.
fn in_first_time(clocks: &[ClockModel]) -> Vec<ClockModel> {
    let Some(first) = clocks
        .first()
        .filter(|first| **first != ClockModel::identity())
    else {
        return clocks.to_vec();
    };
    let base = first.segments()[0];
    let others = clocks[1..].iter().map(|clock| {
        let own = clock.segments()[0];
        let at_s = first.camera_from_range(clock.range_from_camera(own.reference_camera_s));
        let lever_s = at_s - base.reference_camera_s;
        ClockModel::linear(
            own.reference_camera_s,
            at_s - own.reference_camera_s,
            own.rate / base.rate,
            [
                own.offset_variance_s2 + first.variance_at(at_s),
                own.rate_variance + base.rate_variance,
                own.offset_rate_covariance_s
                    + base.offset_rate_covariance_s
                    + lever_s * base.rate_variance,
            ],
        )
    });
    std::iter::once(ClockModel::identity())
        .chain(others)
        .collect()
}

/// What neither sound nor board tells, in words.
fn untold(source: &CalibrationError) -> Failure {
    let CalibrationError::ClockUntold { camera, reason } = source else {
        return Failure::not_measurable(source);
    };
    Failure::not_measurable(format!(
        "nothing in the sound of camera {camera:?} tells when it was started against the others, and the movement of the board does not either: {reason}"
    ))
    .help("tilt and turn the board for a quarter of a minute, all of it in view of this camera and another one at once; or let every camera hear the same clap while all of them run")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn range_time_becomes_the_first_cameras() {
        let first = ClockModel::linear(10.0, 3.0, 1.000_01, [4e-6, 1e-10, 0.0]);
        let second = ClockModel::identity();
        let third = ClockModel::linear(5.0, -7.0, 0.999_99, [1e-6, 1e-10, 0.0]);
        let before = [first, second, third];
        let after = in_first_time(&before);
        assert_eq!(after[0], ClockModel::identity());
        for camera_s in [0.0, 40.0] {
            for (was, is) in before.iter().zip(&after) {
                let shown_s = before[0].camera_from_range(was.range_from_camera(camera_s));
                assert!((is.range_from_camera(camera_s) - shown_s).abs() < 1e-8);
            }
        }
        // The second clock is now as uncertain as the first one was, where both show the same instant.
        let variance = after[1].variance_at(20.0);
        let at_s = before[0].camera_from_range(20.0);
        assert!((variance - before[0].variance_at(at_s)).abs() < 1e-10);
        let same = [ClockModel::identity(), before[2].clone()];
        assert_eq!(in_first_time(&same), same);
    }
}
