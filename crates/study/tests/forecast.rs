//! What a forecast must say whatever the numbers are.

use drawarc_rig::ClockFace;
use drawarc_study::forecast::{
    Danger, ForecastSettings, ImproveSettings, MarkerKind, NominalPhase, Place, RigSketch, Sync,
    forecast_sketch, improve, two_phones,
};

fn settings() -> ForecastSettings {
    ForecastSettings {
        draws: 100,
        ..ForecastSettings::default()
    }
}

fn at(mut sketch: RigSketch, hours: [f64; 2]) -> RigSketch {
    for (camera, hours) in sketch.cameras.iter_mut().zip(hours) {
        camera.place = Place::Clock(ClockFace::from_hours(hours));
    }
    sketch
}

#[test]
fn more_rate_helps_and_a_third_camera_helps() {
    let two = forecast_sketch(&two_phones(), &settings()).unwrap();
    let mut fast = two_phones();
    for camera in &mut fast.cameras {
        camera.rate_hz = 240.0;
    }
    let fast = forecast_sketch(&fast, &settings()).unwrap();
    assert!(fast.shape.space_mm < two.shape.space_mm);
    let mut three = two_phones();
    let mut third = three.cameras[0].clone();
    third.name = "seven".to_owned();
    third.place = Place::Clock(ClockFace::from_hours(7.0));
    three.cameras.push(third);
    let three = forecast_sketch(&three, &settings()).unwrap();
    assert!(three.shape.space_mm < two.shape.space_mm);
    assert!(three.absolute.space_mm < two.absolute.space_mm);
}

#[test]
fn two_cameras_in_one_line_are_named_and_cost_depth() {
    let apart = forecast_sketch(&at(two_phones(), [6.0, 4.0]), &settings()).unwrap();
    let mut close = at(two_phones(), [5.0, 5.2]);
    for camera in &mut close.cameras {
        camera.height_m = 1.5;
    }
    let close = forecast_sketch(&close, &settings()).unwrap();
    let named = |danger: &Danger| matches!(danger, Danger::OneLine { .. });
    assert!(close.dangers.iter().any(named) && !apart.dangers.iter().any(named));
    assert!(close.shape.space_mm > 2.0 * apart.shape.space_mm);
}

#[test]
fn level_cameras_know_the_clock_worse_than_cameras_at_two_heights() {
    let heights = |low: f64, high: f64| {
        let mut sketch = at(two_phones(), [6.0, 4.0]);
        sketch.cameras[0].height_m = low;
        sketch.cameras[1].height_m = high;
        for camera in &mut sketch.cameras {
            camera.sync = Sync::Motion;
        }
        forecast_sketch(&sketch, &settings()).unwrap().cameras[1].clock_ms
    };
    assert!(
        heights(1.45, 1.45) > heights(0.8, 2.1),
        "{} {}",
        heights(1.45, 1.45),
        heights(0.8, 2.1)
    );
}

#[test]
fn windows_lines_and_lanes_are_remarked() {
    let mut sketch = at(two_phones(), [5.0, 3.0]);
    sketch.surroundings.windows = vec![ClockFace::from_hours(9.0)];
    sketch.surroundings.neighbours = true;
    let forecast = forecast_sketch(&sketch, &settings()).unwrap();
    let has = |test: fn(&Danger) -> bool| forecast.dangers.iter().any(test);
    assert!(has(
        |d| matches!(d, Danger::Window { camera, .. } if camera == "three")
    ));
    assert!(!has(
        |d| matches!(d, Danger::Window { camera, .. } if camera == "five")
    ));
    assert!(has(
        |d| matches!(d, Danger::NeighboursLane { camera, .. } if camera == "three")
    ));
    assert!(has(
        |d| matches!(d, Danger::InFrontOfLine { camera, .. } if camera == "three")
    ));
    for danger in &forecast.dangers {
        assert!(danger.words().len() > 20);
    }
}

#[test]
fn a_dot_serves_behind_the_archer_and_not_from_the_side() {
    let mut sketch = at(two_phones(), [6.0, 3.0]);
    sketch.marker = MarkerKind::Dot { diameter_m: 0.03 };
    // The dot faces away from the target at full draw; a third camera lets the forecast run.
    let mut third = sketch.cameras[0].clone();
    third.name = "half past five".to_owned();
    third.place = Place::Clock(ClockFace::from_hours(5.5));
    sketch.cameras.push(third);
    let forecast = forecast_sketch(&sketch, &settings()).unwrap();
    let share = |index: usize| {
        let sights = &forecast.cameras[index].phases;
        sights
            .iter()
            .find(|s| s.phase == NominalPhase::Expansion)
            .unwrap()
            .seen_share
    };
    assert!(share(0) > 0.99 && share(2) > 0.99);
    assert!(share(1) < 0.01);
}

#[test]
fn advice_gains_and_stays_behind_the_line() {
    let settings = ForecastSettings {
        draws: 60,
        ..ForecastSettings::default()
    };
    let start = at(two_phones(), [5.0, 4.4]);
    let limits = ImproveSettings {
        moves: 2,
        ..ImproveSettings::default()
    };
    let advice = improve(&start, &settings, &limits).unwrap();
    assert!(!advice.moves.is_empty());
    assert!(
        advice
            .moves
            .iter()
            .all(|step| step.merit_after < step.merit_before)
    );
    assert!(advice.after.shape.space_mm < advice.before.shape.space_mm);
    for camera in advice.sketch.cameras() {
        assert!(camera.centre_in_range().x <= 0.0);
    }
    let fixed = ImproveSettings {
        fixed: vec!["five".to_owned(), "three".to_owned()],
        ..limits
    };
    assert!(improve(&start, &settings, &fixed).unwrap().moves.is_empty());
    // Bad is not forbidden: only who stood in front of the line is told that it is clear now.
    assert!(advice.moves.iter().all(|step| !step.clears_line));
    let one = ImproveSettings {
        fixed: Vec::new(),
        moves: 1,
        ..fixed
    };
    let ahead = improve(&at(two_phones(), [5.0, 2.7]), &settings, &one).unwrap();
    assert!(ahead.moves[0].clears_line, "{:?}", ahead.moves);
}
