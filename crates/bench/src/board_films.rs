//! The films of `--survey`: boards shown as README asks for it, nobody shoots. Seeds are fixed.

use crate::practices::{Class, Practice};
use drawarc_range_sim::{FilmCamera, Scenario};
use drawarc_rig::{KannalaBrandt, Lens};

/// Film that runs on after the board was taken off the line (s).
const AFTER_S: f64 = 0.6;
/// How long the board is shown in the film that times the survey (s).
const TWO_MINUTES_S: f64 = 120.0;

/// Nothing but the board.
fn board_only(mut scenario: Scenario) -> Scenario {
    scenario.shots.clear();
    if let Some(board) = &scenario.board {
        scenario.end_s = board.on_line_until_s + AFTER_S;
    }
    scenario
}

fn bent(millimetres: f64) -> Scenario {
    let mut scenario = board_only(Scenario::club_five_three(207));
    if let Some(board) = &mut scenario.board {
        board.bend_m = 0.001 * millimetres;
    }
    scenario
}

/// A phone's wide lens, nearer to the archer.
pub(crate) fn wide_lens(camera: &mut FilmCamera) {
    camera.lens = Lens::KannalaBrandt(KannalaBrandt {
        fx_px: 905.0,
        fy_px: 905.6,
        cx_px: 957.2,
        cy_px: 541.3,
        k1: 0.021,
        k2: -0.012,
        k3: 0.004,
        k4: -0.000_6,
    });
    camera.position_m = [-1.95, -1.20, 1.65];
}

/// A phone held upright: the picture's columns run along the sensor's rows; players turn it by the container's word.
pub(crate) fn upright(camera: &mut FilmCamera) {
    camera.rotation_deg = 90;
    camera.roll_deg += 90.0;
}

/// The board for two minutes, held as long.
fn two_minutes() -> Scenario {
    let mut scenario = Scenario::club_five_three(211);
    if let Some(board) = &mut scenario.board {
        let lying_s = board.on_line_until_s - board.on_line_from_s;
        let lift_s = board.on_line_from_s - board.waved_until_s;
        board.waved_until_s = board.waved_from_s + TWO_MINUTES_S - lying_s - lift_s;
        board.on_line_from_s = board.waved_until_s + lift_s;
        board.on_line_until_s = board.on_line_from_s + lying_s;
    }
    board_only(scenario)
}

/// The films of [`lying_boards`].
const LYING: [&str; 24] = [
    "lying-01", "lying-02", "lying-03", "lying-04", "lying-05", "lying-06", "lying-07", "lying-08",
    "lying-09", "lying-10", "lying-11", "lying-12", "lying-13", "lying-14", "lying-15", "lying-16",
    "lying-17", "lying-18", "lying-19", "lying-20", "lying-21", "lying-22", "lying-23", "lying-24",
];

/// Boards that are laid on the line and nothing else, two phones near 5 and 3 o'clock, each time standing elsewhere. A lying board's
/// corners err alike in all its frames, so a film gives one draw a camera, and the range frame hangs on it: intervals are
/// judged by many such films.
pub(crate) fn lying_boards() -> Vec<Practice> {
    LYING
        .into_iter()
        .zip(0u64..)
        .map(|(name, number)| {
            let mut scenario = Scenario::club_five_three(240 + number);
            if let Some(board) = &mut scenario.board {
                (board.waved_from_s, board.waved_until_s) = (0.2, 0.3);
                (board.on_line_from_s, board.on_line_until_s) = (1.2, 2.5);
            }
            // Golden-ratio steps fill the square of places evenly.
            for (index, camera) in scenario.cameras.iter_mut().enumerate() {
                let step = (2 * number + index as u64) as f64;
                let spread =
                    |ratio: f64, half_m: f64| half_m * (2.0 * (step * ratio).fract() - 1.0);
                camera.position_m[0] += spread(0.618_034, 0.35);
                camera.position_m[1] += spread(0.754_878, 0.35);
                camera.position_m[2] += spread(0.569_840, 0.25);
            }
            scenario.claps_s.clear();
            let mut scenario = board_only(scenario);
            scenario.end_s = 2.6;
            Practice::new(name, "a board is laid down", Class::Other, scenario)
        })
        .collect()
}

/// All films, in the order in which they are run. Goals are held where the class is not [`Class::Other`].
pub(crate) fn board_films() -> Vec<Practice> {
    let club = |name, about, scenario| Practice::new(name, about, Class::Phones, scenario);
    let centre = |name, about, scenario| Practice::new(name, about, Class::Centre, scenario);
    let other = |name, about, scenario| Practice::new(name, about, Class::Other, scenario);
    let five_three = |seed| board_only(Scenario::club_five_three(seed));
    let overhead = |seed| board_only(Scenario::club_side_overhead(seed));
    let four = |seed| board_only(Scenario::centre_four(seed));
    let mut wide = five_three(208);
    wide_lens(&mut wide.cameras[0]);
    let mut portrait = five_three(201);
    portrait.cameras.iter_mut().for_each(upright);
    vec![
        club(
            "board-five-three",
            "two phones, 5 and 3 o'clock",
            five_three(201),
        ),
        club(
            "board-five-three-2",
            "the same, waved otherwise",
            five_three(202),
        ),
        club(
            "board-side-overhead",
            "two phones, side and overhead",
            overhead(203),
        ),
        club(
            "board-side-overhead-2",
            "the same, waved otherwise",
            overhead(204),
        ),
        centre("board-centre", "four genlocked cameras", four(205)),
        centre("board-centre-2", "the same, waved otherwise", four(206)),
        club("board-portrait", "the first, phones upright", portrait),
        other("board-wide", "Kannala-Brandt lens at 5 o'clock", wide),
        other("board-flat", "beside the bent ones: flat", bent(0.0)),
        other("board-bent-1", "bowed by 1 mm over its length", bent(1.0)),
        other("board-bent-3", "bowed by 3 mm over its length", bent(3.0)),
        club(
            "board-two-minutes",
            "the board for two minutes",
            two_minutes(),
        ),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_film_can_be_made() {
        for film in board_films() {
            film.scenario.validate().unwrap();
            let board = film.scenario.board.unwrap();
            assert!(film.scenario.end_s > board.on_line_until_s);
            assert!(board.on_line_until_s - board.on_line_from_s > 2.0);
        }
        for film in lying_boards() {
            film.scenario.validate().unwrap();
        }
    }
}
