//! A bent board is noticed, measured and taken into account: paper on thin card bows by millimetres, and a flat model of it
//! would bend the lenses instead.

use crate::adjustment::adjust;
use crate::bundle::{Bundle, Solution};
use crate::diagnostics::{BoardBends, LeftOut};
use crate::{CalibrationError, SurveyInput};
use nalgebra::Vector3;

/// A bend of fewer standard deviations may be chance: three kinds of bend are looked at in every survey.
const CERTAIN: f64 = 5.0;
/// A smaller bend does no harm that would be worth more unknowns (m).
const LEAST_M: f64 = 0.000_25;
/// The step from one shape to the next is linear: so many, at most.
const ROUNDS: usize = 4;
/// No step below this is worth another (m).
const ENOUGH_M: f64 = 0.000_01;

/// What the adjustment came to.
pub(crate) struct Settled {
    pub(crate) solution: Solution,
    pub(crate) left_out: Vec<LeftOut>,
    /// How far the board is from flat; `None` where it was not looked for.
    pub(crate) bends: Option<BoardBends>,
    /// The bends that the board was given (m): along, across, twist.
    pub(crate) bends_m: Vector3<f64>,
}

impl Settled {
    /// Was the board taken as bent?
    pub(crate) fn taken(&self) -> bool {
        self.bends.is_some_and(|bends| bends.taken_into_account)
    }
}

/// Adjusts; where the residuals show that the board is bent, bends it and adjusts again. `bends_m` are those that the corners
/// of the problem have already: not zero where an adjustment before this one found them.
pub(crate) fn settle(
    input: &SurveyInput,
    bundle: &mut Bundle,
    mut bends_m: Vector3<f64>,
) -> Result<Settled, CalibrationError> {
    let (mut solution, mut left_out) = adjust(input, bundle)?;
    let mut taken = bends_m != Vector3::zeros();
    let mut bends = None;
    for round in 0..=ROUNDS {
        if !input.settings.board_may_bend {
            break;
        }
        let Some((covariance, _)) = bundle.covariance() else {
            break;
        };
        let Some(shape) = bundle.board_shape(&covariance) else {
            break;
        };
        let widened = bundle.design_effect(&covariance).max(1.0);
        let sd_m = (shape.covariance.diagonal() * widened).map(f64::sqrt);
        let step = shape.bends_m;
        let certain = (0..3).any(|k| step[k].abs() > (CERTAIN * sd_m[k]).max(LEAST_M));
        if (!taken && !certain) || step.amax() < ENOUGH_M || round == ROUNDS {
            let total = if taken { bends_m } else { step };
            let both = |k: usize| (1000.0 * total[k], 1000.0 * sd_m[k]);
            bends = Some(BoardBends {
                along_mm: both(0),
                across_mm: both(1),
                twist_mm: both(2),
                taken_into_account: taken,
            });
            break;
        }
        taken = true;
        bends_m += step;
        bundle.bend(&step);
        (solution, left_out) = adjust(input, bundle)?;
    }
    Ok(Settled {
        solution,
        left_out,
        bends,
        bends_m,
    })
}

impl BoardBends {
    /// What a person should know of it; `None` of a flat board.
    pub(crate) fn words(&self) -> Option<String> {
        if !self.taken_into_account {
            return None;
        }
        let kinds = [
            (self.along_mm, "bowed along the arrow"),
            (self.across_mm, "bowed across the arrow"),
            (self.twist_mm, "twisted"),
        ];
        let said: Vec<String> = kinds
            .iter()
            .filter(|((size, sd), _)| size.abs() > (CERTAIN * sd).max(1000.0 * LEAST_M))
            .map(|((size, sd), word)| {
                format!("{word} by {:.1} mm (± {:.1})", size.abs(), 1.96 * sd)
            })
            .collect();
        Some(format!(
            "the board is bent: {}; measured and taken into account, but glue it onto something flat and stiff before the next survey",
            said.join(", ")
        ))
    }
}
