//! How a fall may gather speed and lose it.

use crate::smooth::through_low_pass;

/// How a fall gathers speed and loses it.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Shape {
    /// Evenly, over this share of its time at either end.
    Edges(f64),
    /// As a hand that reaches for something (Flash & Hogan 1985, from memory).
    MinimumJerk,
}

/// How an elbow gives way nobody knows beforehand.
pub(crate) const SHAPES: [Shape; 5] = [
    Shape::Edges(0.0),
    Shape::Edges(1.0 / 6.0),
    Shape::Edges(1.0 / 3.0),
    Shape::Edges(0.5),
    Shape::MinimumJerk,
];
/// How much of a fall is over after a share of its time.
fn gone(share: f64, shape: Shape) -> f64 {
    let share = share.clamp(0.0, 1.0);
    let Shape::Edges(edge) = shape else {
        return share.powi(3) * (10.0 - 15.0 * share + 6.0 * share * share);
    };
    if edge <= 0.0 {
        return share;
    }
    let at_full_speed = 1.0 - edge;
    let way = if share < edge {
        share * share / (2.0 * edge)
    } else if share > at_full_speed {
        at_full_speed - (1.0 - share).powi(2) / (2.0 * edge)
    } else {
        share - 0.5 * edge
    };
    way / at_full_speed
}

/// Where the thing itself turns: while it falls by a depth it goes on at a pace, and `rise` is what the pace makes of the whole
/// time of the fall, as a share of the depth. Share of the time after which the fall's speed has reached the pace, and
/// how far above the place at the start that is, as a share of the depth; at the end of the fall both are the same.
/// Without a turn, because the pace is never reached, the middle.
pub(crate) fn turn(shape: Shape, rise: f64) -> (f64, f64) {
    let rise = rise.max(0.0);
    let (share, fastest) = match shape {
        // The speed grows evenly up to 1 / (1 - edge).
        Shape::Edges(edge) => (edge * rise * (1.0 - edge), (1.0 - edge).recip()),
        // 30 s² (1 - s)² = rise; the fastest in the middle.
        Shape::MinimumJerk => {
            let root = (1.0 - 4.0 * (rise / 30.0).sqrt()).max(0.0).sqrt();
            (0.5 * (1.0 - root), 1.875)
        }
    };
    let share = if rise < fastest { share } else { 0.5 };
    (share, rise * share - gone(share, shape))
}

/// The same as a Gaussian low-pass of this standard deviation (s) leaves it.
pub(crate) fn low_passed(time_s: f64, length_s: f64, shape: Shape, low_pass_s: f64) -> f64 {
    through_low_pass(low_pass_s, |lag_s| gone((time_s + lag_s) / length_s, shape))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_turn_is_the_highest_place() {
        for shape in SHAPES {
            for rise in [0.0, 0.1, 0.3, 0.6] {
                let (share, above) = turn(shape, rise);
                let place = |s: f64| rise * s - gone(s, shape);
                let highest = (0..=5000).map(|k| place(f64::from(k) * 1e-4));
                let highest = highest.fold(f64::NEG_INFINITY, f64::max);
                assert!((place(share) - above).abs() < 1e-12, "{shape:?} {rise}");
                assert!((highest - above).abs() < 1e-4, "{shape:?} {rise}");
            }
            // Whatever goes on faster than it falls does not turn: the middle, and no depth.
            let (share, above) = turn(shape, 2.0);
            assert!((share - 0.5).abs() < 1e-12 && (above - 0.5).abs() < 1e-12);
        }
    }

    #[test]
    fn every_shape_goes_from_nought_to_one_and_never_back() {
        for shape in SHAPES {
            let row: Vec<f64> = (0..=100)
                .map(|i| gone(f64::from(i) / 100.0, shape))
                .collect();
            assert!(
                row[0].abs() < 1e-12 && (row[100] - 1.0).abs() < 1e-12,
                "{shape:?}"
            );
            assert!((row[50] - 0.5).abs() < 1e-12, "{shape:?}");
            assert!(row.windows(2).all(|pair| pair[1] > pair[0]), "{shape:?}");
        }
    }
}
