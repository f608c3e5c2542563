//! One camera placed anew, against a rig that is otherwise as it was.

use crate::BackgroundShift;
use drawarc_rig::{Rig, skew};
use nalgebra::{DMatrix, Matrix3, UnitQuaternion, Vector3};

/// How far a knock may have shifted a camera besides turning it (m, 1 σ an axis): a far background does not show it (common
/// practice, no source).
const SHIFT_SD_M: f64 = 0.002;

/// Turns camera `index` as its background says. The shift that may have come with the knock is not seen; it goes into the
/// covariance, as does the turn's own uncertainty. A remark goes into the rig's survey.
pub fn re_place(rig: &mut Rig, index: usize, shift: &BackgroundShift) {
    let turn = UnitQuaternion::from_scaled_axis(Vector3::from(shift.turn));
    let start = rig.block(index).start;
    let camera = &mut rig.cameras[index];
    camera.camera_from_range = turn * camera.camera_from_range;
    // exp(ω) R → T exp(ω) R = exp(T ω) T R, and a step of the translation turns with it.
    let rotation = *turn.to_rotation_matrix().matrix();
    let size = rig.covariance.nrows();
    let mut by_old = DMatrix::identity(size, size);
    for block in [start, start + 3] {
        by_old.view_mut((block, block), (3, 3)).copy_from(&rotation);
    }
    rig.covariance = &by_old * &rig.covariance * by_old.transpose();
    let turn_sd = shift.turn_sd_deg.to_radians();
    let lever = -skew(&camera.camera_from_range.translation.vector);
    let mut by_turn = DMatrix::zeros(size, 3);
    by_turn
        .view_mut((start, 0), (3, 3))
        .copy_from(&Matrix3::identity());
    by_turn.view_mut((start + 3, 0), (3, 3)).copy_from(&lever);
    rig.covariance += &by_turn * by_turn.transpose() * (turn_sd * turn_sd);
    for axis in start + 3..start + 6 {
        rig.covariance[(axis, axis)] += SHIFT_SD_M * SHIFT_SD_M;
    }
    rig.survey.remarks.push(format!(
        "camera {:?} was turned by {:.3} ± {:.3} degrees from its background after the survey; a shift that came with it is not seen",
        camera.name,
        shift.turn_deg(),
        shift.turn_sd_deg
    ));
}
