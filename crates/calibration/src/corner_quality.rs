//! What a picture says about how well its corners are known.

use crate::corner_order::GridShape;
use crate::detector::GrayView;
use nalgebra::{Matrix2, Point2, Vector2};

/// Sharpness and noise at the corners of one board.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Quality {
    /// Standard deviation of one corner, per axis (px).
    pub(crate) corner_sd_px: f64,
    /// Width of the edges (px, 10 to 90 %).
    pub(crate) edge_width_px: f64,
}

/// Half-window over which gradients are summed (px), as in the refinement of small boards.
const WINDOW_PX: i32 = 4;
/// Median absolute deviation to standard deviation of a normal distribution.
const SD_PER_MAD: f64 = 1.4826;
/// Quantisation to whole grey levels alone: 1/√12.
const LEAST_NOISE: f64 = 0.2887;
/// Share of an edge's step between its 10 % and its 90 % point.
const TEN_TO_NINETY: f64 = 0.8;

/// Corner noise from `σ² (Σ ∇I ∇Iᵀ)⁻¹` (Förstner & Gülch 1987), edge width from the steepest slope across
/// the middle of each edge.
pub(crate) fn measure(picture: GrayView<'_>, shape: GridShape, corners: &[Point2<f64>]) -> Quality {
    let noise = noise_level(picture, shape, corners);
    let mut variances: Vec<f64> = corners
        .iter()
        .map(|corner| {
            let mut information = Matrix2::zeros();
            for dy in -WINDOW_PX..=WINDOW_PX {
                for dx in -WINDOW_PX..=WINDOW_PX {
                    let at = corner + Vector2::new(f64::from(dx), f64::from(dy));
                    let slope = gradient(picture, at);
                    information += slope * slope.transpose();
                }
            }
            let determinant = information.determinant().max(1e-9);
            noise * noise * information.trace() / (2.0 * determinant)
        })
        .collect();
    Quality {
        corner_sd_px: median(&mut variances).sqrt(),
        edge_width_px: edge_width(picture, shape, corners),
    }
}

fn gradient(picture: GrayView<'_>, at: Point2<f64>) -> Vector2<f64> {
    let step = |x: f64, y: f64| picture.sample(at + Vector2::new(x, y));
    Vector2::new(
        (step(1.0, 0.0) - step(-1.0, 0.0)) / 2.0,
        (step(0.0, 1.0) - step(0.0, -1.0)) / 2.0,
    )
}

/// Standard deviation of the grey levels within the even middle of the squares, from second differences.
fn noise_level(picture: GrayView<'_>, shape: GridShape, corners: &[Point2<f64>]) -> f64 {
    let mut deviations = Vec::new();
    for (centre, _) in shape.square_centres(corners) {
        for dy in -1i32..=1 {
            let at = |dx: f64| {
                let place = Point2::new(centre.x.round() + dx, centre.y.round() + f64::from(dy));
                picture.sample(place)
            };
            // Variance of a − 2b + c is 6 σ².
            deviations.push((at(-1.0) - 2.0 * at(0.0) + at(1.0)).abs() / 6f64.sqrt());
        }
    }
    (SD_PER_MAD * median(&mut deviations)).max(LEAST_NOISE)
}

fn edge_width(picture: GrayView<'_>, shape: GridShape, corners: &[Point2<f64>]) -> f64 {
    let mut widths = Vec::new();
    for (edge, across) in shape.edges(corners) {
        let length = across.norm();
        let (low, high) = (
            picture.sample(edge - across * 0.5),
            picture.sample(edge + across * 0.5),
        );
        let unit = across / length;
        let mut steepest = 0f64;
        let mut offset = -0.4 * length;
        while offset < 0.4 * length {
            let rise = picture.sample(edge + unit * (offset + 0.5))
                - picture.sample(edge + unit * (offset - 0.5));
            steepest = steepest.max(rise.abs());
            offset += 0.25;
        }
        if steepest > 0.0 {
            widths.push(TEN_TO_NINETY * (high - low).abs() / steepest);
        }
    }
    median(&mut widths)
}

/// Middle value; 0 of nothing.
pub(crate) fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}
