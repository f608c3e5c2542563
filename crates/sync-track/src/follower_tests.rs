//! Who is measured in every frame, and who takes turns.
#![expect(clippy::print_stdout, reason = "measured figures are shown")]

use crate::drawn::{Ball, Drawn, ball};
use crate::follower::{Follower, FollowerSettings, classes_of};
use crate::trail::Trail;
use crate::{MarkerColour, MarkerRole, MarkerShape, MarkerSpec, NamedColour};
use nalgebra::Vector2;

const FRAMES: u32 = 60;

/// A ball and three streaks of its colour, all of them moving.
fn frame(index: u32) -> Drawn {
    let t = f64::from(index);
    let mut balls = vec![ball(30.0 + 1.3 * t, 30.0 + 0.4 * t, 6.0)];
    for k in 0..3 {
        let mut streak = ball(130.0 - 1.1 * t, 70.0 + 16.0 * f64::from(k), 1.0);
        streak.half_axes_px = Vector2::new(11.0, 3.2);
        balls.push(streak);
    }
    Drawn {
        balls,
        seed: u64::from(index),
        ..Drawn::default()
    }
}

fn settings() -> FollowerSettings {
    FollowerSettings {
        radius_px: vec![(3.0, 12.0)],
        exposure_s: 0.002,
        chroma_right_px: 0.0,
        blur_px: 0.7,
        live: 10,
        fitted: 4,
        rest: true,
    }
}

const BALL: MarkerSpec = MarkerSpec {
    role: MarkerRole::Elbow,
    shape: MarkerShape::Ball { diameter_m: 0.028 },
    colour: MarkerColour::Named(NamedColour::Orange),
};

/// What is followed of a marker through these frames.
fn trails_of(
    marker: MarkerSpec,
    settings: FollowerSettings,
    frame: impl Fn(u32) -> Drawn,
) -> Vec<Trail> {
    let markers = [marker];
    let classes = classes_of(&markers).unwrap();
    let mut follower = Follower::new(&classes, &markers, settings).unwrap();
    for index in 0..FRAMES {
        let picture = frame(index).picture();
        follower.push(u64::from(index), f64::from(index) / 60.0, &picture.view());
    }
    follower.finish()
}

fn measured(trail: &Trail) -> usize {
    trail.points.iter().filter(|point| !point.skipped).count()
}

#[test]
fn the_marker_is_measured_always_and_what_is_less_like_it_in_turns() {
    let trails = trails_of(BALL, settings(), frame);
    let longest = |wanted: &dyn Fn(&Trail) -> bool| {
        trails
            .iter()
            .filter(|trail| wanted(trail))
            .map(|trail| (trail.followed, measured(trail)))
            .max()
            .unwrap()
    };
    let (followed, always) = longest(&|trail| trail.first().outline.centre_px.y < 60.0);
    println!("ball: measured in {always} of {followed} frames");
    assert!(followed >= 58 && always == followed);
    let streaks: Vec<(usize, usize)> = trails
        .iter()
        .filter(|trail| trail.first().outline.centre_px.y > 60.0 && trail.followed >= 50)
        .map(|trail| (trail.followed, measured(trail)))
        .collect();
    println!("streaks: {streaks:?}");
    assert!(!streaks.is_empty());
    // After a dozen frames in which they are got to know, three share one turn a frame.
    assert!(
        streaks
            .iter()
            .all(|(followed, own)| 2 * own < 2 * 12 + followed)
    );
    // Frames without a measurement take no memory, and yet the trail knows that it was followed.
    for trail in trails.iter().filter(|trail| trail.followed >= 50) {
        assert!(trail.points.len() <= measured(trail) + 1);
        assert!((1..trail.points.len()).all(|k| trail.unbroken_before(k)));
    }
}

/// A printed target, white on black, goes past in poor light before a light wall; noise of two 8-bit steps.
fn target(index: u32) -> Drawn {
    let t = f64::from(index);
    let even = |x: f64, y: f64, radius: f64, level: f64| {
        let mut disc = ball(x, y, radius);
        (disc.paint, disc.ambient) = ([level; 3], 1.0);
        disc
    };
    let (x, y) = (40.3 + 0.83 * t, 40.6 + 0.37 * t);
    Drawn {
        // White paper a tenth as bright as in good light, printer's black, and a lamp that is far brighter than both.
        balls: vec![
            even(x, y, 7.0, 0.09),
            even(x, y, 12.2, 0.0),
            even(130.0, 20.0, 30.0, 0.9),
        ],
        noise: 2.0,
        seed: u64::from(index),
        ..Drawn::default()
    }
}

#[test]
fn a_printed_target_is_followed_in_poor_light() {
    let marker = MarkerSpec {
        role: MarkerRole::Elbow,
        shape: MarkerShape::Dot { diameter_m: 0.04 },
        colour: MarkerColour::Light,
    };
    let unsmeared = FollowerSettings {
        exposure_s: 0.0,
        ..settings()
    };
    let trails = trails_of(marker, unsmeared, target);
    let best = trails.iter().max_by_key(|trail| measured(trail)).unwrap();
    assert!(measured(best) >= 58, "{} frames", measured(best));
    let errors: Vec<Vector2<f64>> = best
        .points
        .iter()
        .filter(|point| point.fitted)
        .map(|point| {
            let t = point.frame_index as f64;
            point.outline.centre_px.coords - Vector2::new(40.3 + 0.83 * t, 40.6 + 0.37 * t)
        })
        .collect();
    let n = errors.len() as f64;
    let bias = errors.iter().sum::<Vector2<f64>>() / n;
    let rms = (errors.iter().map(Vector2::norm_squared).sum::<f64>() / (2.0 * n)).sqrt();
    println!(
        "target: bias {:.3} px, rms {rms:.3} px a coordinate",
        bias.norm()
    );
    assert!(n >= 58.0 && bias.norm() < 0.05 && rms < 0.1);
}

/// When the ball comes into sight.
const LATE: u32 = 30;

/// A dozen dull spots of about the marker's colour and size that never move, and from [`LATE`] on the ball.
fn leaves(index: u32) -> Drawn {
    let mut balls: Vec<Ball> = (0..12)
        .map(|k| {
            let mut leaf = ball(
                20.0 + 30.0 * f64::from(k % 5),
                15.0 + 20.0 * f64::from(k / 5),
                5.0,
            );
            leaf.paint = [0.6, 0.2, 0.07];
            leaf
        })
        .collect();
    if index >= LATE {
        let t = f64::from(index - LATE);
        balls.push(ball(20.0 + 3.0 * t, 90.0 + 0.3 * t, 6.0));
    }
    Drawn {
        balls,
        seed: u64::from(index),
        ..Drawn::default()
    }
}

#[test]
fn an_elbow_that_comes_into_sight_late_is_not_kept_out_by_leaves() {
    let trails = trails_of(BALL, settings(), leaves);
    let early = trails.iter().filter(|trail| trail.first().frame_index < 5);
    let late = trails.iter().filter(|trail| {
        trail.first().frame_index <= u64::from(LATE + 1) && trail.last().outline.centre_px.y > 80.0
    });
    let (leaves, followed) = (early.count(), late.map(|trail| trail.followed).max());
    println!("{leaves} leaves, the ball in {followed:?} frames");
    assert!(leaves >= settings().live, "{leaves}: nothing keeps it out");
    assert!(followed >= Some(28), "{followed:?}");
}
