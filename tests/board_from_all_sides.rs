//! Every camera names the board's corners alike, wherever it stands and whichever way up it is: pictures as they are filmed,
//! against where the simulation has each corner.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(clippy::print_stdout, reason = "the measured figures are printed")]

use drawarc_calibration::{Board, BoardDetector, Effort, GrayView};
use drawarc_range_sim::{BoardPlan, CameraStage, FilmCamera, Scenario, TICKS_PER_SECOND, World};
use drawarc_rig::ImageSize;
use nalgebra::Point2;

/// One square of the farthest board is 8 px wide: a corner this near to its place is no other.
const NEAR_PX: f64 = 1.0;

/// Moments when the held board is shown large to a camera, printed side and whole (range time, s), the largest first.
fn well_shown_s(world: &World, view: usize, size: ImageSize, plan: &BoardPlan) -> Vec<f64> {
    let (wide, high) = (f64::from(size.width_px), f64::from(size.height_px));
    let inside =
        |p: &Point2<f64>| (5.0..wide - 5.0).contains(&p.x) && (5.0..high - 5.0).contains(&p.y);
    // Rows grow downward: the printed side runs the other way round.
    let area = |range_s: f64| {
        let seen = world.board_pixels(view, world.views[view].camera_s(range_s))?;
        let along = seen[plan.columns - 1] - seen[0];
        let across = seen[plan.columns * (plan.rows - 1)] - seen[0];
        seen.iter()
            .all(inside)
            .then(|| along.y * across.x - along.x * across.y)
    };
    let steps = 200u32;
    let mut moments: Vec<(f64, f64)> = (0..=steps)
        .map(|step| {
            let share = f64::from(step) / f64::from(steps);
            plan.waved_from_s + share * (plan.waved_until_s - plan.waved_from_s)
        })
        .filter_map(|range_s| Some((area(range_s)?, range_s)))
        .collect();
    moments.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut chosen: Vec<f64> = Vec::new();
    for (_, range_s) in moments {
        if chosen.iter().all(|other| (other - range_s).abs() > 0.5) {
            chosen.push(range_s);
        }
    }
    chosen.truncate(4);
    chosen
}

#[test]
fn corners_have_the_same_names_from_opposite_sides_and_upside_down() {
    let mut scenario = Scenario::preset("centre-four-short", 9).unwrap();
    let opposite = |camera: &FilmCamera| ["three", "eight"].contains(&camera.name.as_str());
    scenario.cameras.retain(opposite);
    for mut upside_down in scenario.cameras.clone() {
        upside_down.name += " upside down";
        upside_down.roll_deg += 180.0;
        scenario.cameras.push(upside_down);
    }
    let world = World::new(&scenario).unwrap();
    let plan = scenario.board.clone().unwrap();
    let pitch_m = (plan.pitch_x_m, plan.pitch_y_m);
    let mut board = Board::new("filmed", plan.columns, plan.rows, pitch_m.0).unwrap();
    board.pitch_y_m = pitch_m.1;
    let detector = BoardDetector::new(&board);
    let lying_s = f64::midpoint(plan.on_line_from_s, plan.on_line_until_s);
    for (view, camera) in scenario.cameras.iter().enumerate() {
        let mut stage = CameraStage::new(&world, view, 1);
        let (mut found, mut worst) = (0, 0.0f64);
        let held_s = well_shown_s(&world, view, camera.image_size, &plan);
        for range_s in [vec![lying_s], held_s].concat() {
            // A hand may cover a corner of the held one: the next then.
            if found == 2 {
                break;
            }
            let camera_s = world.views[view].camera_s(range_s);
            #[expect(clippy::cast_possible_truncation, reason = "ticks of a clip")]
            let tick = (camera_s * f64::from(TICKS_PER_SECOND)).round() as i64;
            let exact_s = tick as f64 / f64::from(TICKS_PER_SECOND);
            let picture = stage.pictures(&[(0, tick)]).remove(0);
            let Some(truth) = world.board_pixels(view, exact_s) else {
                continue;
            };
            let luma = picture.view().luma;
            let size = camera.image_size;
            let (wide, high) = (size.width_px as usize, size.height_px as usize);
            let data: Vec<u8> = (0..wide * high)
                .map(|at| u8::try_from(luma.get(at % wide, at / wide)).unwrap())
                .collect();
            let grey = GrayView::new(size.width_px, size.height_px, &data).unwrap();
            let Some(seen) = detector.detect(grey, Effort::Thorough).unwrap() else {
                continue;
            };
            found += 1;
            for (corner, place) in seen.corners_px.iter().zip(&truth) {
                worst = worst.max((corner - place).norm());
            }
        }
        println!(
            "{}: {found} boards, worst corner {worst:.2} px off",
            camera.name
        );
        assert!(found > 0, "{}: no board", camera.name);
        assert!(worst < NEAR_PX, "{}: {worst} px", camera.name);
    }
}
