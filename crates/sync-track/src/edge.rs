//! A straight edge, blurred by lens and motion.

/// Share of a sample that is covered, `distance` inside a straight edge blurred by a Gaussian of `blur` (1 σ) and by
/// a box of `width` (motion across the edge), and its derivatives by the distance and by the blur.
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

/// Cumulative normal distribution and its density; Abramowitz & Stegun 1964, 26.2.17, error below 7.5e-8.
fn normal(z: f64) -> (f64, f64) {
    if z.abs() > 6.0 {
        return (if z > 0.0 { 1.0 } else { 0.0 }, 0.0);
    }
    let density = (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt();
    let t = 1.0 / (1.0 + 0.231_641_9 * z.abs());
    let tail = density
        * t
        * (0.319_381_530
            + t * (-0.356_563_782
                + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    (if z > 0.0 { 1.0 - tail } else { tail }, density)
}
