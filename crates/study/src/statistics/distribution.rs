//! Distribution functions. The incomplete beta and gamma functions come from `statrs`, `erfc` from `libm` (that of
//! `statrs` 0.19 is wrong in the eleventh digit); quantiles are found by bisection of the distribution function down to neighbouring numbers, so that they are as accurate
//! as the function itself. Checked against `SciPy` to 1e-10 (tests below).

use libm::erfc;
use statrs::function::{beta::beta_reg, gamma::gamma_lr, gamma::ln_gamma};

/// Halvings of a bracket; a double has 53 bits and brackets start within a factor 2 of the root.
const HALVINGS: usize = 120;
/// Doublings of a bracket until it holds the root.
const DOUBLINGS: usize = 1000;

/// P(Z ≤ x) of the standard normal distribution.
pub fn normal_cdf(x: f64) -> f64 {
    0.5 * erfc(-x / std::f64::consts::SQRT_2)
}

/// Inverse of [`normal_cdf`]; NaN outside 0 < p < 1.
pub fn normal_quantile(p: f64) -> f64 {
    if p > 0.5 {
        // The lower tail is the accurate one.
        return -normal_quantile(1.0 - p);
    }
    quantile(normal_cdf, p, -1.0, 0.0)
}

/// P(T ≤ x) of Student's distribution with `degrees` of freedom (> 0, fractions allowed).
pub fn t_cdf(x: f64, degrees: f64) -> f64 {
    let tail = 0.5 * beta_reg(0.5 * degrees, 0.5, degrees / (degrees + x * x));
    if x > 0.0 { 1.0 - tail } else { tail }
}

/// Inverse of [`t_cdf`]; NaN outside 0 < p < 1.
pub fn t_quantile(p: f64, degrees: f64) -> f64 {
    if p > 0.5 {
        return -t_quantile(1.0 - p, degrees);
    }
    quantile(|x| t_cdf(x, degrees), p, -1.0, 0.0)
}

/// P(X ≤ x) of the χ² distribution with `degrees` of freedom.
pub fn chi_squared_cdf(x: f64, degrees: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    gamma_lr(0.5 * degrees, 0.5 * x)
}

/// Inverse of [`chi_squared_cdf`]; NaN outside 0 < p < 1.
pub fn chi_squared_quantile(p: f64, degrees: f64) -> f64 {
    quantile(|x| chi_squared_cdf(x, degrees), p, 0.0, degrees)
}

/// P(X ≤ x) of the F distribution.
pub fn f_cdf(x: f64, degrees_above: f64, degrees_below: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x.is_infinite() {
        return 1.0;
    }
    let share = degrees_above * x / (degrees_above * x + degrees_below);
    beta_reg(0.5 * degrees_above, 0.5 * degrees_below, share)
}

/// Inverse of [`f_cdf`]; NaN outside 0 < p < 1.
pub fn f_quantile(p: f64, degrees_above: f64, degrees_below: f64) -> f64 {
    quantile(|x| f_cdf(x, degrees_above, degrees_below), p, 0.0, 1.0)
}

/// P(X ≤ x) of the beta distribution.
pub fn beta_cdf(x: f64, a: f64, b: f64) -> f64 {
    if x <= 0.0 {
        0.0
    } else if x >= 1.0 {
        1.0
    } else {
        beta_reg(a, b, x)
    }
}

/// Inverse of [`beta_cdf`]; NaN outside 0 < p < 1.
pub fn beta_quantile(p: f64, a: f64, b: f64) -> f64 {
    quantile(|x| beta_cdf(x, a, b), p, 0.0, 1.0)
}

/// P(T ≤ x) of the non-central t distribution with `degrees` ≥ 1 and non-centrality `shift`:
/// `∫ Φ(x s − shift) g(s) ds` over `s = √(χ²/ν)` (Johnson, Kotz & Balakrishnan, Continuous Univariate
/// Distributions 2, ch. 31 [from memory]), by composite Gauss-Legendre quadrature.
pub fn noncentral_t_cdf(x: f64, degrees: f64, shift: f64) -> f64 {
    // Ten standard deviations of s hold all but 1e-20 of it; one degree of freedom is the widest.
    let reach = 10.0 / (2.0 * degrees).sqrt();
    let (from, to) = ((1.0 - reach).max(0.0), 1.0 + reach);
    let half = 0.5 * degrees;
    let ln_scale = std::f64::consts::LN_2 + half * half.ln() - ln_gamma(half);
    let density = |s: f64| (ln_scale + (degrees - 1.0) * s.ln() - half * s * s).exp();
    integrate(|s| normal_cdf(x * s - shift) * density(s), from, to)
}

/// Inverse of [`noncentral_t_cdf`]; NaN outside 0 < p < 1.
pub fn noncentral_t_quantile(p: f64, degrees: f64, shift: f64) -> f64 {
    quantile(
        |x| noncentral_t_cdf(x, degrees, shift),
        p,
        shift - 1.0,
        shift + 1.0,
    )
}

/// Positive nodes and weights of the 8-point Gauss-Legendre rule (Abramowitz & Stegun 1964, table 25.4
/// [from memory; checked below by the polynomial that it must integrate exactly]).
const NODES: [(f64, f64); 4] = [
    (0.183_434_642_495_649_8, 0.362_683_783_378_362),
    (0.525_532_409_916_329, 0.313_706_645_877_887_3),
    (0.796_666_477_413_626_7, 0.222_381_034_453_374_48),
    (0.960_289_856_497_536_3, 0.101_228_536_290_376_26),
];
/// Panels of the quadrature: transitions of width 1/x stay resolved up to x of a few hundred.
const PANELS: u32 = 200;

fn integrate(f: impl Fn(f64) -> f64, from: f64, to: f64) -> f64 {
    let half = 0.5 * (to - from) / f64::from(PANELS);
    (0..PANELS)
        .map(|panel| {
            let middle = from + half * (2.0 * f64::from(panel) + 1.0);
            let pairs = NODES
                .iter()
                .map(|(node, weight)| weight * (f(middle - half * node) + f(middle + half * node)));
            half * pairs.sum::<f64>()
        })
        .sum()
}

/// Root of `cdf(x) = p` for a rising `cdf`, from a first bracket that is widened as needed. A bracket that
/// starts at 0 is never widened below it where `cdf(0) = 0`.
fn quantile(cdf: impl Fn(f64) -> f64, p: f64, low: f64, high: f64) -> f64 {
    if !(p > 0.0 && p < 1.0) {
        return f64::NAN;
    }
    let (mut low, mut high) = (low, high);
    let mut width = (high - low).max(1.0);
    for _ in 0..DOUBLINGS {
        if cdf(low) > p {
            high = low;
            low -= width;
        } else if cdf(high) < p {
            low = high;
            high += width;
        } else {
            break;
        }
        width *= 2.0;
    }
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if cdf(middle) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Values of `SciPy` 1.17.1 (`scipy.stats`, computed), to 1e-10.
    #[test]
    fn quantiles_agree_with_scipy() {
        let t = [
            (16.0, 0.975, 2.119_905_299_221_254_6),
            (3.0, 0.995, 5.840_909_309_733_355),
            (1.0, 0.9, 3.077_683_537_175_254_4),
            (200.5, 0.6, 0.253_683_537_444_134_47),
        ];
        for (degrees, p, x) in &t {
            assert_relative_eq!(t_quantile(*p, *degrees), *x, max_relative = 1e-10);
        }
        for (a, b, p, x) in [
            (5.0, 4.785_14, 0.975, 7.498_634_383_276_369),
            (4.785_14, 5.0, 0.975, 7.190_737_998_187_79),
            (17.0, 34.0, 0.5, 0.980_245_505_705_574_7),
            (1.0, 1.0, 0.99, 4_052.180_695_476_822),
        ] {
            assert_relative_eq!(f_quantile(p, a, b), x, max_relative = 1e-10);
        }
        for (degrees, p, x) in [
            (17.0, 0.025, 7.564_186_449_577_567),
            (3.0, 0.975, 9.348_403_604_496_148),
            (250.0, 0.975, 295.688_628_177_878_6),
        ] {
            assert_relative_eq!(chi_squared_quantile(p, degrees), x, max_relative = 1e-10);
        }
        for (a, b, p, x) in [
            (12.0, 190.0, 0.025, 0.031_225_882_109_426_967),
            (0.5, 0.5, 0.1, 0.024_471_741_852_423_214),
        ] {
            assert_relative_eq!(beta_quantile(p, a, b), x, max_relative = 1e-10);
        }
        assert_relative_eq!(
            normal_quantile(0.975),
            super::super::Z_95,
            max_relative = 1e-13
        );
        assert_relative_eq!(
            normal_quantile(1e-12),
            -7.034_483_825_301_131,
            max_relative = 1e-10
        );
        for (p, degrees, shift, x) in [
            (0.975, 16.0, 1.96 * 17f64.sqrt(), 12.980_871_542_805_119),
            (0.025, 16.0, 1.96 * 17f64.sqrt(), 5.422_125_161_570_978),
            (0.95, 1.0, 0.5, 11.094_077_613_152_024),
            (0.975, 400.0, 1.96 * 20.0, 42.760_884_368_116_42),
        ] {
            assert_relative_eq!(
                noncentral_t_quantile(p, degrees, shift),
                x,
                max_relative = 1e-9
            );
        }
    }

    /// Values of `SciPy` 1.17.1 (computed), to 1e-11.
    #[test]
    fn distribution_functions_agree_with_scipy() {
        let near = |a: f64, b: f64| assert_relative_eq!(a, b, max_relative = 1e-11);
        near(t_cdf(2.1, 16.0), 0.974_029_714_111_237_2);
        near(t_cdf(-7.0, 2.5), 0.005_286_184_763_795_706_6);
        near(f_cdf(3.3, 5.0, 4.785_14), 0.886_970_630_416_46);
        near(chi_squared_cdf(30.0, 17.0), 0.973_654_921_716_463_8);
        near(beta_cdf(0.07, 12.0, 190.0), 0.755_089_792_530_572_8);
        near(normal_cdf(-6.0), 9.865_876_450_376_946e-10);
        near(normal_cdf(1.3), 0.903_199_515_414_389_7);
        near(noncentral_t_cdf(3.0, 16.0, 1.2), 0.940_182_559_234_836_6);
        near(noncentral_t_cdf(-1.0, 5.0, 1.2), 0.019_635_257_963_854_11);
    }

    #[test]
    fn the_quadrature_is_exact_for_degree_fifteen() {
        let value = integrate(|x| x.powi(14), -1.0, 1.0);
        assert_relative_eq!(value, 2.0 / 15.0, max_relative = 1e-14);
        // One panel alone would be exact only if nodes and weights are right.
        let single: f64 = NODES
            .iter()
            .map(|(node, weight)| 2.0 * weight * node.powi(14))
            .sum();
        assert_relative_eq!(single, 2.0 / 15.0, max_relative = 1e-13);
    }

    #[test]
    fn outside_zero_and_one_there_is_no_quantile() {
        for p in [-0.1, 0.0, 1.0, 1.5, f64::NAN] {
            assert!(t_quantile(p, 4.0).is_nan(), "{p}");
        }
    }
}
