//! A quantity described by how fast it changes: speeds at knots, eased in between, integrated exactly.

/// `value(t)` with a continuous second derivative; its rate eases from knot to knot as `3τ² − 2τ³`.
#[derive(Debug, Clone)]
pub(crate) struct Profile {
    /// `(time, rate, value at that time)`.
    knots: Vec<(f64, f64, f64)>,
}

impl Profile {
    /// From the value before the first knot and `(time, rate)` knots in order of time. The first and last
    /// rates should be zero: outside the knots the value stands still.
    pub(crate) fn new(start: f64, rates: &[(f64, f64)]) -> Self {
        let mut knots: Vec<(f64, f64, f64)> = Vec::with_capacity(rates.len());
        for &(time, rate) in rates {
            let value = knots.last().map_or(start, |&(before, rate_before, value)| {
                value + f64::midpoint(rate_before, rate) * (time - before)
            });
            knots.push((time, rate, value));
        }
        Self { knots }
    }

    /// One eased move by `change` between two times: a bell of speed with a flat top of half its length.
    pub(crate) fn step(from_s: f64, to_s: f64, change: f64) -> Self {
        let length = to_s - from_s;
        let top = change / (0.65 * length);
        Self::new(
            0.0,
            &[
                (from_s, 0.0),
                (from_s + 0.35 * length, top),
                (to_s - 0.35 * length, top),
                (to_s, 0.0),
            ],
        )
    }

    /// The value at a time.
    pub(crate) fn value(&self, time_s: f64) -> f64 {
        let after = self.knots.partition_point(|knot| knot.0 <= time_s);
        if after == 0 {
            return self.knots.first().map_or(0.0, |knot| knot.2);
        }
        let (t0, v0, x0) = self.knots[after - 1];
        let Some(&(t1, v1, _)) = self.knots.get(after) else {
            return x0;
        };
        let length = t1 - t0;
        let tau = (time_s - t0) / length;
        x0 + length * (v0 * tau + (v1 - v0) * tau.powi(3) * (1.0 - 0.5 * tau))
    }

    /// Value after the last knot.
    pub(crate) fn end(&self) -> f64 {
        self.knots.last().map_or(0.0, |knot| knot.2)
    }
}

/// Smooth step of the fifth order: 0 before 0, 1 after 1, two continuous derivatives.
pub(crate) fn ease(tau: f64) -> f64 {
    let t = tau.clamp(0.0, 1.0);
    t * t * t * (t * (6.0 * t - 15.0) + 10.0)
}

/// A smooth bump of height 1 on (−1, 1): `(1 − τ²)³`, two continuous derivatives.
pub(crate) fn bump(tau: f64) -> f64 {
    let inside = (1.0 - tau * tau).max(0.0);
    inside * inside * inside
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_covers_its_way() {
        let step = Profile::step(1.0, 3.0, 0.4);
        assert!((step.value(0.0)).abs() < 1e-15);
        assert!((step.value(5.0) - 0.4).abs() < 1e-12);
        assert!((step.value(2.0) - 0.2).abs() < 1e-12);
    }

    #[test]
    fn rates_are_what_was_asked() {
        let profile = Profile::new(
            0.1,
            &[(0.0, 0.0), (1.0, 2.0), (2.0, 2.0), (2.5, -1.0), (3.0, 0.0)],
        );
        for t in [0.2, 0.9, 1.5, 2.2, 2.9] {
            let h = 1e-5;
            let rate = (profile.value(t + h) - profile.value(t - h)) / (2.0 * h);
            let knots = [(0.0, 0.0), (1.0, 2.0), (2.0, 2.0), (2.5, -1.0), (3.0, 0.0)];
            let k = knots.iter().rposition(|knot| knot.0 <= t).unwrap();
            let (t0, v0): (f64, f64) = knots[k];
            let (t1, v1) = knots[k + 1];
            let tau = (t - t0) / (t1 - t0);
            let expected = v0 + (v1 - v0) * tau * tau * (3.0 - 2.0 * tau);
            assert!((rate - expected).abs() < 1e-7, "{t}");
        }
        assert!((profile.end() - profile.value(9.0)).abs() < 1e-15);
    }
}
