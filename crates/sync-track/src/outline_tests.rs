#![expect(
    clippy::print_stdout,
    reason = "measured figures are shown beside their limits"
)]
use crate::drawn::{Ball, Drawn, ball};
use crate::outline::{Family, Known, Outline, OutlineFit, OutlineSettings, fit_outline};
use nalgebra::{Point2, Vector2, Vector3};

fn settings(family: Family) -> OutlineSettings {
    OutlineSettings {
        family,
        smear_px: Vector2::zeros(),
        chroma_right_px: 0.0,
        blur_px: Known {
            value: 0.7,
            sd: 0.3,
        },
        radius_px: None,
        luma_only: false,
        steps: 6,
    }
}

fn fit(drawn: &Drawn, settings: &OutlineSettings) -> OutlineFit {
    let ball = &drawn.balls[0];
    let start = Outline {
        centre_px: ball.centre_px + Vector2::new(0.7, -0.6),
        half_axes_px: ball.half_axes_px * 0.93,
        angle: 0.0,
    };
    fit_outline(&drawn.picture().view(), &start, settings).expect("a clear ball")
}

/// Bias and standard deviation (x and y) over places within a pixel; and the mean predicted deviation.
fn errors(
    make: impl Fn(f64, f64, u64) -> Drawn,
    settings: &OutlineSettings,
) -> (Vector2<f64>, Vector2<f64>, f64) {
    let mut all = Vec::new();
    let mut predicted = 0.0;
    for k in 0..24u64 {
        let (x, y) = (60.0 + 0.317 * k as f64, 55.0 + 0.731 * k as f64 % 1.0);
        let drawn = make(x, y, 100 + k);
        let fit = fit(&drawn, settings);
        all.push(fit.outline.centre_px - drawn.balls[0].centre_px);
        predicted += fit.covariance_px2[(0, 0)].sqrt() / 24.0;
    }
    let mean = all.iter().sum::<Vector2<f64>>() / all.len() as f64;
    let variance = all
        .iter()
        .map(|e| (e - mean).component_mul(&(e - mean)))
        .sum::<Vector2<f64>>()
        / all.len() as f64;
    (mean, variance.map(f64::sqrt), predicted)
}

fn judge(name: &str, found: (Vector2<f64>, Vector2<f64>, f64), bias: f64, sd: f64) {
    let (mean, spread, predicted) = found;
    println!(
        "{name}: bias ({:+.3}, {:+.3}) px, sd ({:.3}, {:.3}) px, predicted sd {predicted:.3} px",
        mean.x, mean.y, spread.x, spread.y
    );
    assert!(mean.norm() < bias, "{name}: bias {mean}");
    assert!(spread.max() < sd, "{name}: spread {spread}");
}

#[test]
fn a_ball_in_clean_light() {
    let make = |x, y, seed| Drawn {
        balls: vec![ball(x, y, 7.3)],
        seed,
        ..Drawn::default()
    };
    judge("clean", errors(make, &settings(Family::Ball)), 0.05, 0.06);
}

#[test]
fn a_ball_lit_from_one_side_is_not_drawn_to_the_light() {
    for (name, light, ambient) in [
        ("side", Vector3::new(1.0, 0.0, 0.3), 0.35),
        ("upper left", Vector3::new(-1.0, -1.0, 0.2), 0.35),
        ("hard side", Vector3::new(1.0, 0.0, 0.0), 0.2),
    ] {
        let make = |x, y, seed| Drawn {
            balls: vec![Ball {
                light,
                ambient,
                ..ball(x, y, 7.3)
            }],
            seed,
            noise: 1.5,
            ..Drawn::default()
        };
        judge(name, errors(make, &settings(Family::Ball)), 0.15, 0.1);
    }
}

#[test]
fn a_ball_before_a_sleeve_edge() {
    let make = |x, y, seed| Drawn {
        balls: vec![Ball {
            light: Vector3::new(0.7, -0.7, 0.5),
            ..ball(x, y, 7.3)
        }],
        sleeve: Some(3.0),
        texture: 10.0,
        noise: 2.0,
        seed,
        ..Drawn::default()
    };
    judge("sleeve", errors(make, &settings(Family::Ball)), 0.15, 0.06);
}

#[test]
fn a_smeared_ball_belongs_to_mid_exposure() {
    let smear = Vector2::new(5.0, -2.0);
    let make = |x, y, seed| Drawn {
        balls: vec![Ball {
            smear_px: smear,
            ..ball(x, y, 7.3)
        }],
        seed,
        ..Drawn::default()
    };
    let known = OutlineSettings {
        smear_px: smear,
        ..settings(Family::Ball)
    };
    judge("smeared, known", errors(make, &known), 0.1, 0.08);
    // Without the velocity, at the start of a track, it is still usable.
    judge(
        "smeared, not known",
        errors(make, &settings(Family::Ball)),
        0.2,
        0.15,
    );
}

#[test]
fn a_dot_seen_from_the_side() {
    let make = |x, y, seed| Drawn {
        balls: vec![Ball {
            half_axes_px: Vector2::new(8.0, 3.5),
            light: Vector3::z(),
            ambient: 1.0,
            ..ball(x, y, 1.0)
        }],
        seed,
        ..Drawn::default()
    };
    judge("dot", errors(make, &settings(Family::Ellipse)), 0.05, 0.08);
}

#[test]
fn a_small_ball_still_has_a_centre() {
    let make = |x, y, seed| Drawn {
        balls: vec![ball(x, y, 3.5)],
        seed,
        ..Drawn::default()
    };
    judge("small", errors(make, &settings(Family::Ball)), 0.06, 0.1);
}

#[test]
fn half_a_ball_is_noticed() {
    let drawn = Drawn {
        balls: vec![
            // Something grey in front of the left half.
            Ball {
                paint: [0.3, 0.3, 0.3],
                half_axes_px: Vector2::new(6.0, 30.0),
                ..ball(54.0, 60.0, 1.0)
            },
            ball(60.0, 60.0, 8.0),
        ],
        ..Drawn::default()
    };
    let start = Outline {
        centre_px: Point2::new(63.0, 60.0),
        half_axes_px: Vector2::new(6.0, 6.0),
        angle: 0.0,
    };
    let whole = fit(
        &Drawn {
            balls: vec![ball(60.0, 60.0, 8.0)],
            ..Drawn::default()
        },
        &settings(Family::Ball),
    );
    assert!(whole.clear_share > 0.95, "{whole:?}");
    let half = fit_outline(&drawn.picture().view(), &start, &settings(Family::Ball));
    if let Some(half) = half {
        println!("covered: {half:?}");
        let shrunk = half.outline.radius_px() < 6.6;
        assert!(
            half.clear_share < 0.85 || shrunk || half.misfit > 0.1,
            "{half:?}"
        );
    }
}
