//! Clocks by the board's own movement, from the corners that two phones with rolling shutters see: lenses and read-outs are as
//! unknown as they are to a survey.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test: it fails where it unwraps, and prints what it measured"
)]

mod range;

use drawarc_calibration::{CalibrationError, SurveyCamera, clocks_from_board, survey};
use drawarc_rig::ClockModel;
use range::{CLUB, Case, LAID_S, board, input};

/// The second phone was started so much after the first one (s) ...
const LATER_S: f64 = 1.4173;
/// ... and its times begin here (s).
const BEGINS_S: f64 = 203.0;
/// The goals for a survey to start from, and after it (s).
const GOAL_S: f64 = 5e-3;
const GOAL_AFTER_S: f64 = 0.5e-3;

/// What both saw; nothing is known of when the second one was started.
fn filmed(seed: u64) -> drawarc_calibration::SurveyInput {
    let case = Case {
        offset_s: LATER_S,
        ..CLUB
    };
    let (_, mut input) = input(&case, seed);
    for sighting in &mut input.cameras[1].sightings {
        sighting.time_s += BEGINS_S;
    }
    input
}

fn only_lying(camera: &mut SurveyCamera, later_s: f64) {
    camera
        .sightings
        .retain(|sighting| sighting.time_s + later_s > LAID_S + 0.2);
}

#[test]
fn the_board_tells_when_a_phone_was_started() {
    for seed in 0..3 {
        let mut input = filmed(seed);
        let known = [Some(ClockModel::identity()), None];
        let found = clocks_from_board(&board(), &input.cameras, &known).unwrap();
        let off_s = |clock: &ClockModel| {
            let at_s = BEGINS_S + 12.0;
            clock.range_from_camera(at_s) - (12.0 + LATER_S)
        };
        let rough_s = off_s(&found[0].clock);
        let sd_s = found[0].clock.segments()[0].offset_variance_s2.sqrt();
        assert!(
            rough_s.abs() < GOAL_S.min(4.0 * sd_s),
            "{rough_s} s off, sd {sd_s} s"
        );
        input.cameras[1].clock =
            ClockModel::constant(found[0].clock.segments()[0].offset_s, GOAL_S * GOAL_S);
        let after_s = off_s(&survey(&input).unwrap().clocks[1]);
        println!(
            "seed {seed}: {:.3} ms off (sd {:.3}), {:.4} ms after the adjustment",
            1000.0 * rough_s,
            1000.0 * sd_s,
            1000.0 * after_s
        );
        assert!(after_s.abs() < GOAL_AFTER_S, "{after_s} s off");
    }
}

#[test]
fn a_board_that_lies_in_view_of_one_or_both_is_refused() {
    for both in [false, true] {
        let mut input = filmed(9);
        only_lying(&mut input.cameras[1], LATER_S - BEGINS_S);
        if both {
            only_lying(&mut input.cameras[0], 0.0);
        }
        let refused = clocks_from_board(&board(), &input.cameras, &[None, None]).unwrap_err();
        let CalibrationError::ClockUntold { camera, reason } = refused else {
            panic!("{refused}");
        };
        assert_eq!(camera, input.cameras[1].name);
        assert!(reason.contains("hardly turned"), "{reason}");
    }
}
