//! The list of practices: what is filmed, and what the command must say of it. Seeds are fixed.

use crate::expectation::Expectation;
use crate::variety;
use drawarc_range_sim::{CollapsePhase, FaultPlan, Scenario, ShotPlan, good_shot};

/// From the end of a shot's expansion to the raise of the next: follow-through, arms down, a breath (s).
const BETWEEN_SHOTS_S: f64 = 2.9;
/// Film that runs on after the last release (s).
const AFTER_LAST_S: f64 = 2.0;

/// Which goals of the table a practice is held to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Class {
    /// Two unsynchronised rolling-shutter phones, 1080p60.
    Phones,
    /// Four genlocked cameras, 720p120.
    Centre,
    /// Outside the conditions for which a goal is stated.
    Other,
}

/// One practice of the bench.
#[derive(Debug, Clone)]
pub(crate) struct Practice {
    /// Name of its folder.
    pub(crate) name: &'static str,
    /// In words.
    pub(crate) about: &'static str,
    /// Which goals it is held to.
    pub(crate) class: Class,
    /// What is filmed.
    pub(crate) scenario: Scenario,
    /// What the command must say.
    pub(crate) expected: Expectation,
}

impl Practice {
    /// A practice whose verdicts follow from its faults.
    pub(crate) fn new(
        name: &'static str,
        about: &'static str,
        class: Class,
        scenario: Scenario,
    ) -> Self {
        Self {
            name,
            about,
            class,
            scenario,
            expected: Expectation::Verdicts,
        }
    }

    /// The same, where the film cannot be measured and the message must hold these words.
    pub(crate) fn refused(mut self, words: &'static [&'static str]) -> Self {
        self.expected = Expectation::Refused(words);
        self
    }

    /// The same, where the command must warn in these words or refuse.
    pub(crate) fn warned(mut self, words: &'static [&'static str]) -> Self {
        self.expected = Expectation::Warned(words);
        self
    }
}

/// The board for seven seconds (fourteen at a centre), then these shots one after another.
pub(crate) fn short(scenario: Scenario, shots: Vec<ShotPlan>) -> Scenario {
    let mut scenario = scenario.shortened();
    let mut start_s = scenario.shots.first().map_or(2.0, |shot| shot.start_s);
    scenario.shots.clear();
    for mut shot in shots {
        shot.start_s = start_s;
        let release_s =
            start_s + shot.raise_s + shot.set_up_s + shot.draw_s + shot.anchor_s + shot.expansion_s;
        scenario.end_s = release_s + AFTER_LAST_S;
        start_s = release_s + BETWEEN_SHOTS_S;
        scenario.shots.push(shot);
    }
    scenario
}

/// A shot without a fault; its place in time is set by [`short`].
pub(crate) fn good() -> ShotPlan {
    good_shot(0.0)
}

/// Gives way toward the target in expansion by a net depth (mm).
pub(crate) fn collapse(depth_mm: f64) -> ShotPlan {
    let mut shot = good();
    shot.expansion_s = 1.8;
    shot.faults = vec![FaultPlan::Collapse {
        phase: CollapsePhase::Expansion,
        after_s: 0.85,
        length_s: 0.35,
        depth_m: 0.001 * depth_mm,
    }];
    shot
}

/// Slows down in the draw, for half a second, to a speed (mm/s); 0 is a stall.
pub(crate) fn slow(speed_mm_s: f64) -> ShotPlan {
    let mut shot = good();
    shot.draw_s = 1.75;
    shot.faults = vec![FaultPlan::Slow {
        after_s: 0.62,
        length_s: 0.5,
        speed_m_s: 0.001 * speed_mm_s,
        push_m: if speed_mm_s == 0.0 { 0.008 } else { 0.0 },
    }];
    shot
}

/// A fault in an expansion of two seconds.
pub(crate) fn faulty(fault: FaultPlan) -> ShotPlan {
    let mut shot = good();
    shot.expansion_s = 2.0;
    shot.faults = vec![fault];
    shot
}

/// All practices, in the order in which they are run.
pub(crate) fn practices() -> Vec<Practice> {
    let mut all = vec![
        Practice::new(
            "club-five-three",
            "two phones, 5 and 3 o'clock: good, stall",
            Class::Phones,
            short(Scenario::club_five_three(101), vec![good(), slow(0.0)]),
        ),
        Practice::new(
            "club-side-overhead",
            "two phones, side and overhead: good, collapse of 9 mm",
            Class::Phones,
            short(
                Scenario::club_side_overhead(102),
                vec![good(), collapse(9.0)],
            ),
        ),
        Practice::new(
            "centre",
            "four genlocked cameras, five markers: good, collapse of 3 mm",
            Class::Centre,
            short(Scenario::centre_four(103), vec![good(), collapse(3.0)]),
        ),
    ];
    all.extend(variety::lossless());
    all.extend(variety::codecs());
    all.extend(variety::footage());
    all.extend(variety::archers());
    all.extend(variety::faults());
    all.extend(variety::mishaps());
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_practice_can_be_filmed_and_has_a_name_of_its_own() {
        let all = practices();
        let names: BTreeSet<&str> = all.iter().map(|practice| practice.name).collect();
        assert_eq!(names.len(), all.len());
        for practice in &all {
            practice.scenario.validate().unwrap();
            assert!(practice.scenario.end_s < 40.0, "{}", practice.name);
        }
    }

    #[test]
    fn shots_follow_one_another() {
        let scenario = short(Scenario::club_five_three(1), vec![good(), slow(0.0)]);
        let [first, second] = scenario.shots.as_slice() else {
            panic!("two shots");
        };
        let released_s = first.start_s + 1.0 + 0.45 + 1.15 + 0.45 + 1.5;
        assert!((second.start_s - released_s - BETWEEN_SHOTS_S).abs() < 1e-9);
        assert!(scenario.end_s > second.start_s + 5.0);
    }
}
