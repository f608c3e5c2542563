//! A straight edge, blurred by lens and motion.

/// Share of a sample that is covered, `distance` inside a straight edge blurred by a Gaussian of `blur` (1 σ) and by
/// a box of `width` (motion across the edge), and its derivatives by the distance and by the blur.
pub(crate) fn coverage(distance: f64, blur: f64, width: f64) -> (f64, f64, f64) {
    let phi =
        |z: f64| (-0.5 * (z / blur).powi(2)).exp() / (blur * (2.0 * std::f64::consts::PI).sqrt());
    if width < 0.3 {
        let slope = phi(distance);
        return (
            normal_share(distance / blur),
            slope,
            -distance / blur * slope,
        );
    }
    // ∫Φ(z/σ) dz = z Φ(z/σ) + σ² φ(z), whose derivative by σ is σ φ(z).
    let integral = |z: f64| z * normal_share(z / blur) + blur * blur * phi(z);
    let (high, low) = (distance + 0.5 * width, distance - 0.5 * width);
    (
        (integral(high) - integral(low)) / width,
        (normal_share(high / blur) - normal_share(low / blur)) / width,
        blur * (phi(high) - phi(low)) / width,
    )
}

/// Cumulative normal distribution; Abramowitz & Stegun 1964, 26.2.17, error below 7.5e-8.
fn normal_share(z: f64) -> f64 {
    if z.abs() > 6.0 {
        return if z > 0.0 { 1.0 } else { 0.0 };
    }
    let t = 1.0 / (1.0 + 0.231_641_9 * z.abs());
    let tail = (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt()
        * t
        * (0.319_381_530
            + t * (-0.356_563_782
                + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    if z > 0.0 { 1.0 - tail } else { tail }
}
