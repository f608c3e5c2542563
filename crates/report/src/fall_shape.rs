//! How a fall may gather speed and lose it.

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

/// The same as a Gaussian low-pass of this standard deviation (s) leaves it: three instants in its place (Gauss-Hermite).
pub(crate) fn low_passed(time_s: f64, length_s: f64, shape: Shape, low_pass_s: f64) -> f64 {
    let at = |lag_s: f64| gone((time_s + lag_s) / length_s, shape);
    let lag_s = 3.0_f64.sqrt() * low_pass_s;
    (4.0 * at(0.0) + at(-lag_s) + at(lag_s)) / 6.0
}

#[cfg(test)]
mod tests {
    use super::*;

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
