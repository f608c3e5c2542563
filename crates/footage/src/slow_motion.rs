/// A stretch of a file that is stored slower than it happened.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SlowStretch {
    /// Where it begins, on the file's own clock (s).
    pub from_s: f64,
    /// Where it ends (s); infinite for the rest of the file.
    pub until_s: f64,
    /// How many times slower: 8 where 240 frames a second are stored as 30.
    pub slower: f64,
}

impl SlowStretch {
    /// Seconds saved up to a time of the file.
    fn saved_s(&self, stated_s: f64) -> f64 {
        (stated_s.min(self.until_s) - self.from_s).max(0.0) * (1.0 - 1.0 / self.slower)
    }
}

/// From the times that a file states to those at which it was filmed: slow motion is footage whose container counts on more
/// slowly than the day did. Continuous, and without any stretch the same. A recording's zero stays where it is.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SlowMotion {
    stretches: Vec<SlowStretch>,
}

impl SlowMotion {
    /// `None` unless the stretches follow each other, each ends after it begins, and each is slower by a finite factor
    /// above 1.
    pub fn new(stretches: Vec<SlowStretch>) -> Option<Self> {
        let well = stretches.iter().all(|stretch| {
            stretch.from_s.is_finite()
                && stretch.until_s > stretch.from_s
                && stretch.slower > 1.0
                && stretch.slower.is_finite()
        });
        let ordered = stretches
            .windows(2)
            .all(|pair| pair[0].until_s <= pair[1].from_s);
        (well && ordered).then_some(Self { stretches })
    }

    /// When what the file states for `stated_s` was filmed (s).
    pub fn filmed_s(&self, stated_s: f64) -> f64 {
        let saved_s: f64 = self.stretches.iter().map(|s| s.saved_s(stated_s)).sum();
        stated_s - saved_s
    }

    /// The file's time for an instant that was filmed (s): inverse of [`Self::filmed_s`].
    pub fn stated_s(&self, filmed_s: f64) -> f64 {
        let mut stated_s = filmed_s;
        for stretch in &self.stretches {
            // With the stretches before it, this one begins here.
            let into_s = stated_s - stretch.from_s;
            if into_s <= 0.0 {
                break;
            }
            stated_s = (stretch.from_s + into_s * stretch.slower)
                .min(stated_s + stretch.saved_s(stretch.until_s));
        }
        stated_s
    }

    /// How many times slower the file is at one of its times.
    pub fn slower_at(&self, stated_s: f64) -> f64 {
        self.stretches
            .iter()
            .find(|stretch| (stretch.from_s..stretch.until_s).contains(&stated_s))
            .map_or(1.0, |stretch| stretch.slower)
    }

    /// Where stretches begin and end within a recording: when that was filmed (s), and the share of time that is gained there.
    pub(crate) fn ends(&self) -> Vec<(f64, f64)> {
        let both = |stretch: &SlowStretch| {
            let share = 1.0 - 1.0 / stretch.slower;
            let within = [stretch.from_s, stretch.until_s].map(|stated_s| {
                let inside = stated_s > 0.0 && stated_s < f64::MAX;
                inside.then(|| (self.filmed_s(stated_s), share))
            });
            within.into_iter().flatten()
        };
        self.stretches.iter().flat_map(both).collect()
    }

    pub(crate) fn is_none(&self) -> bool {
        self.stretches.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stretch(from_s: f64, until_s: f64, slower: f64) -> SlowStretch {
        SlowStretch {
            from_s,
            until_s,
            slower,
        }
    }

    #[test]
    fn times_follow_the_stretches_and_come_back() {
        let ramps =
            SlowMotion::new(vec![stretch(2.0, 10.0, 8.0), stretch(11.0, f64::MAX, 4.0)]).unwrap();
        for (stated_s, filmed_s) in [
            (-0.5, -0.5),
            (2.0, 2.0),
            (6.0, 2.5),
            (10.0, 3.0),
            (10.5, 3.5),
            (11.0, 4.0),
            (15.0, 5.0),
        ] {
            assert!(
                (ramps.filmed_s(stated_s) - filmed_s).abs() < 1e-12,
                "{stated_s}"
            );
            assert!(
                (ramps.stated_s(filmed_s) - stated_s).abs() < 1e-12,
                "{filmed_s}"
            );
        }
        assert!((ramps.slower_at(9.9) - 8.0).abs() < 1e-12);
        assert!((ramps.slower_at(10.9) - 1.0).abs() < 1e-12);
        assert_eq!(ramps.ends(), [(2.0, 0.875), (3.0, 0.875), (4.0, 0.75)]);
        let nothing = SlowMotion::default();
        assert!((nothing.stated_s(7.5) - 7.5).abs() < 1e-12);
    }

    #[test]
    fn what_cannot_be_is_refused() {
        for stretches in [
            vec![stretch(0.0, 1.0, 1.0)],
            vec![stretch(0.0, 1.0, 0.0)],
            vec![stretch(0.0, 1.0, f64::NAN)],
            vec![stretch(1.0, 1.0, 8.0)],
            vec![stretch(f64::NEG_INFINITY, 1.0, 8.0)],
            vec![stretch(0.0, 5.0, 8.0), stretch(4.0, 6.0, 8.0)],
        ] {
            assert!(
                SlowMotion::new(stretches.clone()).is_none(),
                "{stretches:?}"
            );
        }
    }
}
