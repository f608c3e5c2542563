//! Errors of sightings that last: light on one side of a ball, a lens that is not quite what the survey says. They
//! stay for several frames, so that averaging over frames does not take them away, and a smooth path follows them.
//!
//! What the path cannot follow is where the views contradict each other; how long such contradictions last shows
//! how large the lasting part is. It widens the intervals; the path itself is left as it is.

use crate::border::Stand;
use crate::noise::Judgement;
use crate::normal::Linear;
use crate::observation::Layout;
use nalgebra::{Matrix3, Point3, Vector2, Vector3};

/// Lasting errors change over about this time (s).
pub(crate) const LASTING_S: f64 = 0.15;
/// Residuals this far apart in time (s) have only the lasting part in common.
const APART_S: (f64, f64) = (0.04, 0.12);
/// Neighbours looked at for each sighting.
const MOST_NEIGHBOURS: usize = 40;
/// Fewer pairs of residuals than this tell nothing.
const LEAST_PAIRS: usize = 60;
/// A sighting less probable than this to be right is left out.
const RIGHT: f64 = 0.5;

/// Variance of the lasting part of a coordinate (px²), the same for all cameras; 0 where the residuals do not show
/// any.
pub(crate) fn variance_px2(
    layout: &Layout,
    judgements: &[Judgement],
    residuals: &[Option<Linear>],
    cameras: usize,
) -> f64 {
    let mut tracks: Vec<Vec<(usize, f64, Vector2<f64>)>> = vec![Vec::new(); cameras];
    for ((o, judged), linear) in layout.observations.iter().zip(judgements).zip(residuals) {
        if let Some(linear) = linear.as_ref().filter(|_| judged.right > RIGHT) {
            tracks[o.camera].push((o.piece, o.nominal_s, linear.residual));
        }
    }
    let (mut shared, mut error2, mut seeing) = (0.0, 0.0, 0.0);
    let (mut kept, mut pairs) = (0.0, 0.0);
    for track in tracks.iter().filter(|track| !track.is_empty()) {
        let mut products = Vec::new();
        for (i, (piece, t, residual)) in track.iter().enumerate() {
            for (other, later, next) in track[i + 1..].iter().take(MOST_NEIGHBOURS) {
                let apart_s = later - t;
                if other != piece || apart_s > APART_S.1 {
                    break;
                }
                if apart_s >= APART_S.0 {
                    products.push(residual.dot(next));
                    kept += (-apart_s / LASTING_S).exp();
                    pairs += 1.0;
                }
            }
        }
        if products.len() < LEAST_PAIRS {
            return 0.0;
        }
        let n = products.len() as f64;
        let mean = products.iter().sum::<f64>() / n;
        let spread = products
            .iter()
            .map(|p| (p - mean) * (p - mean))
            .sum::<f64>()
            / n;
        shared += mean;
        error2 += spread / track.len() as f64;
        seeing += 1.0;
    }
    // Of 2n numbers from n views the point follows 3: the rest is what residuals show.
    let free = 2.0 * seeing - 3.0;
    if free <= 0.0 {
        return 0.0;
    }
    // Errors that lose memory evenly (first-order Markov) have lost some of it between the pairs.
    ((shared - error2.sqrt()) / (free * kept / pairs)).max(0.0)
}

/// Covariance of a point (m²) from errors of 1 px² in each coordinate of the given cameras, per-instant; `None` with
/// fewer than two.
pub(crate) fn covariance(
    stand: &Stand,
    seeing: &[usize],
    point: &Point3<f64>,
) -> Option<Matrix3<f64>> {
    let mut information = Matrix3::zeros();
    let mut count = 0;
    for &index in seeing {
        let camera = &stand.cameras[index];
        let in_camera = camera.camera_from_range * point;
        let Some(projection) = camera.lens.project(&in_camera) else {
            continue;
        };
        let rotation = camera.camera_from_range.rotation.to_rotation_matrix();
        let by_point = projection.pixel_by_point * rotation.matrix();
        information += by_point.transpose() * by_point;
        count += 1;
    }
    (count >= 2).then(|| information.try_inverse()).flatten()
}

/// A smooth random course of unit variance at every instant, from independent numbers at knots [`LASTING_S`] apart.
pub(crate) fn course(knots: &[Vector3<f64>], since_start_s: f64) -> Vector3<f64> {
    let u = since_start_s / LASTING_S;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "an index, clamped"
    )]
    let first = (u.floor().max(0.0) as usize).min(knots.len().saturating_sub(4));
    let s = (u - first as f64).clamp(0.0, 1.0);
    let r = 1.0 - s;
    let weights = [
        r * r * r / 6.0,
        (3.0 * s * s * s - 6.0 * s * s + 4.0) / 6.0,
        (3.0 * r * r * r - 6.0 * r * r + 4.0) / 6.0,
        s * s * s / 6.0,
    ];
    let norm = weights.iter().map(|w| w * w).sum::<f64>().sqrt();
    knots[first..]
        .iter()
        .zip(weights)
        .map(|(knot, w)| knot * (w / norm))
        .sum()
}

/// Knots that a piece of this length (s) needs.
pub(crate) fn knots(length_s: f64) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a count"
    )]
    let intervals = (length_s / LASTING_S).ceil().max(1.0) as usize;
    intervals + 3
}
