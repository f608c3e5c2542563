//! How fast a clip runs: real time, and slower around what the coach wants to see, with ramps between.

/// Speed where it is slow.
const SLOW: f64 = 0.25;
/// A stretch longer than this would take too long at [`SLOW`] (s)...
const LONG_S: f64 = 1.5;
/// ... and runs at this speed.
const LESS_SLOW: f64 = 0.5;
/// Time over which the speed changes (s of the shot).
const RAMP_S: f64 = 0.25;
/// So much before and after a stretch is slow, too (s).
const AROUND_S: f64 = 0.15;

/// Speed of a clip over the shot's time: straight lines between knots, real time outside.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Pace {
    knots: Vec<(f64, f64)>,
}

impl Pace {
    /// Slow around stretches of the shot's time (s), whichever order they come in; real time without any.
    pub(crate) fn slow_around(stretches: &[(f64, f64)]) -> Self {
        let mut spans: Vec<(f64, f64)> = stretches
            .iter()
            .map(|(from, to)| (from - AROUND_S, to.max(*from) + AROUND_S))
            .collect();
        spans.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut joined: Vec<(f64, f64)> = Vec::new();
        for span in spans {
            match joined.last_mut() {
                Some(last) if span.0 - last.1 < 2.0 * RAMP_S => last.1 = last.1.max(span.1),
                _ => joined.push(span),
            }
        }
        let knots = joined
            .into_iter()
            .flat_map(|(from, to)| {
                let slow = if to - from > LONG_S { LESS_SLOW } else { SLOW };
                [
                    (from - RAMP_S, 1.0),
                    (from, slow),
                    (to, slow),
                    (to + RAMP_S, 1.0),
                ]
            })
            .collect();
        Self { knots }
    }

    /// Speed at a time of the shot: 1 is real time.
    pub(crate) fn speed_at(&self, time_s: f64) -> f64 {
        let after = self.knots.partition_point(|knot| knot.0 <= time_s);
        match (
            after.checked_sub(1).map(|before| self.knots[before]),
            self.knots.get(after),
        ) {
            (Some((from_s, from)), Some(&(to_s, to))) => {
                from + (to - from) * (time_s - from_s) / (to_s - from_s)
            }
            _ => 1.0,
        }
    }

    /// How long the clip shows what happened between two times of the shot (s): ∫ dt / speed, exact on each straight
    /// piece.
    pub(crate) fn shown_s(&self, from_s: f64, to_s: f64) -> f64 {
        let mut sum = 0.0;
        let mut at = from_s;
        while at < to_s {
            let next = self
                .knots
                .iter()
                .map(|knot| knot.0)
                .find(|knot| *knot > at)
                .unwrap_or(f64::MAX)
                .min(to_s);
            // The speed is continuous: the middle and the ends of a piece say all of it.
            let (first, middle) = (self.speed_at(at), self.speed_at(0.5 * (at + next)));
            let last = 2.0 * middle - first;
            sum += (next - at) * mean_inverse(first, last);
            at = next;
        }
        sum
    }
}

/// Mean of 1/v while v goes from `first` to `last` along a straight line.
fn mean_inverse(first: f64, last: f64) -> f64 {
    if (last - first).abs() < 1e-9 {
        1.0 / first
    } else {
        (last / first).ln() / (last - first)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn real_time_without_a_fault() {
        let pace = Pace::slow_around(&[]);
        assert!((pace.shown_s(3.0, 7.5) - 4.5).abs() < 1e-12);
        assert!((pace.speed_at(5.0) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_fault_takes_four_times_as_long_and_the_ramps_are_smooth() {
        let pace = Pace::slow_around(&[(4.0, 4.4)]);
        assert!((pace.shown_s(4.0, 4.4) - 1.6).abs() < 1e-9);
        // Sum of many small steps against the closed form.
        let steps = 200_000;
        let sum: f64 = (0..steps)
            .map(|step| {
                let at = 3.0 + 3.0 * (f64::from(step) + 0.5) / f64::from(steps);
                3.0 / f64::from(steps) / pace.speed_at(at)
            })
            .sum();
        assert!((pace.shown_s(3.0, 6.0) - sum).abs() < 1e-6, "{sum}");
        let jump = (0..6000)
            .map(|step| f64::from(step) * 0.001 + 2.0)
            .map(|at| (pace.speed_at(at + 0.001) - pace.speed_at(at)).abs())
            .fold(0.0, f64::max);
        assert!(jump < 0.004, "{jump}");
    }

    #[test]
    fn stretches_that_touch_become_one_and_long_ones_are_less_slow() {
        let pace = Pace::slow_around(&[(5.0, 5.2), (4.5, 4.7)]);
        assert!((pace.speed_at(4.9) - 0.25).abs() < 1e-12);
        let long = Pace::slow_around(&[(2.0, 5.0)]);
        assert!((long.speed_at(3.0) - 0.5).abs() < 1e-12);
    }
}
