//! What the command must say of a practice, and whether it did.

use drawarc_range_sim::{FaultPlan, ShotKind, TrueShot};
use serde::Serialize;

/// What the command must say.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Expectation {
    /// Shot by shot, what was dialled in.
    Verdicts,
    /// A message with these words, and an exit code other than 0.
    Refused(&'static [&'static str]),
    /// A message or a remark with these words; verdicts may stand beside it.
    Warned(&'static [&'static str]),
}

/// Whether a verdict agrees with what was dialled in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Agreement {
    /// The right word.
    Right,
    /// Not the right word, but the sheet says that this film could not show it.
    Honest,
    /// A wrong statement.
    Wrong,
}

/// The verdict that a shot earns, the kind of its check, and the size of its fault (mm; of a stall 0).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Earned {
    /// Verdict in the words of the sheet.
    pub(crate) verdict: &'static str,
    /// Size of the fault (mm).
    pub(crate) size_mm: Option<f64>,
}

/// What a shot earns by what was dialled in.
pub(crate) fn earned(shot: &TrueShot) -> Earned {
    let sized = |verdict, size_m: f64| Earned {
        verdict,
        size_mm: Some(1000.0 * size_m),
    };
    match shot.faults.first() {
        Some(FaultPlan::Slow { speed_m_s, .. }) if *speed_m_s == 0.0 => sized("stall", 0.0),
        Some(FaultPlan::Slow { .. }) => Earned {
            verdict: "slowed",
            size_mm: None,
        },
        Some(FaultPlan::Collapse { depth_m, .. }) => sized("collapse", *depth_m),
        Some(FaultPlan::GivesWayAround { depth_m, .. }) => sized("gave-way-around", *depth_m),
        Some(FaultPlan::Creep { depth_m, .. }) => sized("creep", *depth_m),
        Some(FaultPlan::HookSlip { slip_m, .. }) => sized("hook-slip", *slip_m),
        None => Earned {
            verdict: if shot.kind == ShotKind::LetDown {
                "let-down"
            } else {
                "good"
            },
            size_mm: None,
        },
    }
}

/// Judges one verdict. `smallest_mm`: the smallest fault of the earned kind that the sheet says it would have shown.
pub(crate) fn agreement(earned: &Earned, said: &str, smallest_mm: Option<f64>) -> Agreement {
    if said == earned.verdict {
        return Agreement::Right;
    }
    if said == "not-measurable" {
        return Agreement::Honest;
    }
    let faultless = ["good", "slowed", "let-down"].contains(&said);
    match (earned.verdict, earned.size_mm) {
        // A sheet that says "slowed" of a stall says that a stop could not be shown; of a slow stretch "good" hides nothing.
        ("stall", _) if said == "slowed" => Agreement::Honest,
        ("slowed", _) if said == "good" => Agreement::Honest,
        (_, Some(size_mm)) if faultless && smallest_mm.is_some_and(|least| size_mm < least) => {
            Agreement::Honest
        }
        _ => Agreement::Wrong,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_missed_fault_is_honest_only_below_what_the_sheet_claims() {
        let earned = Earned {
            verdict: "collapse",
            size_mm: Some(3.0),
        };
        assert_eq!(agreement(&earned, "collapse", None), Agreement::Right);
        assert_eq!(agreement(&earned, "good", Some(4.0)), Agreement::Honest);
        assert_eq!(agreement(&earned, "good", Some(2.0)), Agreement::Wrong);
        assert_eq!(agreement(&earned, "stall", Some(4.0)), Agreement::Wrong);
        assert_eq!(
            agreement(&earned, "not-measurable", None),
            Agreement::Honest
        );
    }

    #[test]
    fn a_good_shot_that_is_marked_is_wrong() {
        let earned = Earned {
            verdict: "good",
            size_mm: None,
        };
        assert_eq!(agreement(&earned, "creep", Some(4.0)), Agreement::Wrong);
        assert_eq!(agreement(&earned, "slowed", Some(4.0)), Agreement::Wrong);
    }
}
