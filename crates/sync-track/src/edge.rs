//! A straight edge, blurred by lens and motion.

use std::sync::LazyLock;

/// Share of a sample that is covered, `distance` inside a straight edge blurred by a Gaussian of `blur` (1 σ) and by
/// a box of `width` (motion across the edge), and its derivatives by the distance and by the blur.
#[inline]
pub(crate) fn coverage(distance: f64, blur: f64, width: f64) -> (f64, f64, f64) {
    if width < NARROW_PX {
        let (share, density) = normal(distance / blur);
        let slope = density / blur;
        return (share, slope, -distance / blur * slope);
    }
    let (high, low) = (distance + 0.5 * width, distance - 0.5 * width);
    let ((share_high, density_high), (share_low, density_low)) =
        (normal(high / blur), normal(low / blur));
    // ∫Φ(z/σ) dz = z Φ(z/σ) + σ φ(z/σ), whose derivative by σ is φ(z/σ).
    (
        (high * share_high - low * share_low + blur * (density_high - density_low)) / width,
        (share_high - share_low) / width,
        (density_high - density_low) / width,
    )
}

/// A box narrower than this leaves an edge as it is (px).
const NARROW_PX: f64 = 0.3;
/// Beyond so many deviations a share is 0 or 1.
const REACH: f64 = 6.0;
/// Nodes of the table, one deviation apart.
const PER_DEVIATION: f64 = 32.0;

/// Share and density of the normal distribution from −[`REACH`] on, at every node and one more.
static NODES: LazyLock<Vec<(f64, f64)>> = LazyLock::new(|| {
    let density = |z: f64| (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt();
    let step = 1.0 / PER_DEVIATION;
    let mut node = (0.0, density(-REACH));
    let mut z = -REACH;
    let mut nodes = Vec::new();
    while z < REACH + 1.5 * step {
        nodes.push(node);
        // Simpson's rule: off by 1e-10 over all.
        let (middle, next) = (density(z + 0.5 * step), density(z + step));
        node = (node.0 + step / 6.0 * (node.1 + 4.0 * middle + next), next);
        z += step;
    }
    nodes
});

/// Cumulative normal distribution and its density, by four terms of Taylor's series about the nearest node: errors below 1e-8.
#[inline]
fn normal(z: f64) -> (f64, f64) {
    if z.abs() > REACH {
        return (if z > 0.0 { 1.0 } else { 0.0 }, 0.0);
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "between 0 and the number of nodes"
    )]
    let node = ((z + REACH) * PER_DEVIATION + 0.5) as usize;
    let (share, density) = NODES[node];
    let at = node as f64 / PER_DEVIATION - REACH;
    let d = z - at;
    // Derivatives of the density over the density: Hermite's polynomials.
    let (first, second, third) = (-at, at * at - 1.0, at * (3.0 - at * at));
    (
        share + density * d * (1.0 + d * (first / 2.0 + d * second / 6.0)),
        density * (1.0 + d * (first + d * (second / 2.0 + d * third / 6.0))),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values of Abramowitz & Stegun 1964, table 26.1.
    #[test]
    fn the_normal_distribution_is_that_of_the_tables() {
        for (z, share, density) in [
            (0.0, 0.5, 0.398_942_280_4),
            (0.5, 0.691_462_461_3, 0.352_065_326_8),
            (1.02, 0.846_135_769_6, 0.237_131_952_0),
            (1.98, 0.976_148_235_7, 0.056_183_141_9),
            (3.0, 0.998_650_101_97, 0.004_431_848_4),
        ] {
            let (found, slope) = normal(z);
            assert!((found - share).abs() < 1e-8, "{z}: {found}");
            assert!((slope - density).abs() < 1e-8, "{z}: {slope}");
            let (found, slope) = normal(-z);
            assert!((found - (1.0 - share)).abs() < 1e-8, "{z}: {found}");
            assert!((slope - density).abs() < 1e-8, "{z}: {slope}");
        }
    }

    /// Between the nodes, too, the density is the slope of the share, and both go on across a node's border.
    #[test]
    fn the_density_is_the_slope_of_the_share_everywhere() {
        for k in -60_000..60_000 {
            let z = f64::from(k) * 1e-4 + 3.3e-5;
            let (low, high) = (normal(z - 1e-4), normal(z + 1e-4));
            let slope = (high.0 - low.0) / 2e-4;
            assert!((slope - normal(z).1).abs() < 1e-4, "{z}");
            let exact = (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt();
            assert!((normal(z).1 - exact).abs() < 1e-8, "{z}");
        }
    }
}
