//! A rig checked and mended by showing the board once more: lenses stay as surveyed, the places of the cameras to each other
//! are found anew, and what was not touched says where the rest stands.

use crate::{
    Board, BoardSighting, CalibrationError, FrameChoice, LensChoice, SurveyCamera, SurveyInput,
    SurveySettings, survey,
};
use drawarc_rig::{ClockModel, Rig, perturb};
use nalgebra::{
    DMatrix, Isometry3, Matrix3, Point3, Translation3, UnitQuaternion, Vector3, Vector6,
};

/// The board as it was shown again.
#[derive(Debug, Clone, Copy)]
pub struct Showing<'a> {
    /// The board.
    pub board: &'a Board,
    /// Clocks as known so far, camera by camera.
    pub clocks: &'a [ClockModel],
    /// Where each camera saw it; empty for one that did not.
    pub sightings: &'a [Vec<BoardSighting>],
}

/// What showing the board again says.
#[derive(Debug, Clone)]
pub struct ShownAgain {
    /// Which cameras saw it, by index: the rest is as it was.
    pub seen_by: Vec<usize>,
    /// Per camera of `seen_by`: `camera_from_first`, where the first is the first of `seen_by`.
    pub camera_from_first: Vec<Isometry3<f64>>,
    /// Covariance of those poses' tangents, six numbers a camera.
    pub covariance: DMatrix<f64>,
    /// Clocks refined by the motion of the board, for every camera.
    pub clocks: Vec<ClockModel>,
    /// Typical rest of a corner (px), per camera of `seen_by`.
    pub residual_px: Vec<f64>,
    /// Moments that went in.
    pub moments: usize,
}

/// A camera placed anew.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlacedAnew {
    /// Which camera.
    pub camera: usize,
    /// By how much it is turned from where it was surveyed (rad, its own axes).
    pub turn: Vector3<f64>,
    /// How far its optical centre went (m, range frame).
    pub shift_m: Vector3<f64>,
    /// Standard deviations of both, largest over the axes (rad, m).
    pub sd: (f64, f64),
}

/// Places of the cameras to each other, from the board shown again. `first` is put first: one that surely was not touched.
///
/// # Errors
/// [`CalibrationError`]: what is missing, in which camera.
pub fn show_again(
    rig: &Rig,
    showing: Showing<'_>,
    first: usize,
) -> Result<ShownAgain, CalibrationError> {
    let mut seen_by: Vec<usize> = (0..rig.cameras.len())
        .filter(|index| !showing.sightings[*index].is_empty() && *index != first)
        .collect();
    seen_by.insert(0, first);
    let cameras = seen_by
        .iter()
        .map(|index| {
            let camera = &rig.cameras[*index];
            SurveyCamera {
                name: camera.name.clone(),
                image_size: camera.image_size,
                rotation_deg: camera.rotation_deg,
                shutter: camera.shutter,
                clock: showing.clocks[*index].clone(),
                sightings: showing.sightings[*index].clone(),
                lens: LensChoice::Known(camera.lens),
                stills: false,
            }
        })
        .collect();
    let found = survey(&SurveyInput {
        cameras,
        board: showing.board.clone(),
        frame: FrameChoice::FirstCamera,
        plumb: None,
        settings: SurveySettings::default(),
    })?;
    let pick: Vec<usize> = (0..seen_by.len())
        .flat_map(|place| found.rig.block(place).take(6))
        .collect();
    let mut clocks = showing.clocks.to_vec();
    for (index, clock) in seen_by.iter().zip(found.clocks) {
        clocks[*index] = clock;
    }
    Ok(ShownAgain {
        camera_from_first: found
            .rig
            .cameras
            .iter()
            .map(|camera| camera.camera_from_range)
            .collect(),
        covariance: DMatrix::from_fn(pick.len(), pick.len(), |i, j| {
            found.rig.covariance[(pick[i], pick[j])]
        }),
        clocks,
        residual_px: found.rig.survey.residual_px.clone(),
        moments: found.diagnostics.solver.moments,
        seen_by,
    })
}

/// How one pose differs from another, in the chart of the rig's covariance.
fn difference(from: &Isometry3<f64>, to: &Isometry3<f64>) -> Vector6<f64> {
    let turn = (to.rotation * from.rotation.inverse()).scaled_axis();
    let shift = to.translation.vector - from.translation.vector;
    Vector6::new(turn.x, turn.y, turn.z, shift.x, shift.y, shift.z)
}

/// Derivative of `pose_of(anchor)` by the anchor's tangent, by central differences.
fn by_anchor(
    anchor: &Isometry3<f64>,
    pose_of: impl Fn(&Isometry3<f64>) -> Isometry3<f64>,
) -> nalgebra::Matrix6<f64> {
    const STEP: f64 = 1e-6;
    let mut slope = nalgebra::Matrix6::zeros();
    for axis in 0..6 {
        let mut tangent = Vector6::zeros();
        tangent[axis] = STEP;
        let (up, down) = (
            pose_of(&perturb(anchor, &tangent)),
            pose_of(&perturb(anchor, &-tangent)),
        );
        slope.set_column(axis, &(difference(&down, &up) / (2.0 * STEP)));
    }
    slope
}

impl ShownAgain {
    /// The rig with the cameras `moved` placed anew against the rest, which is taken to stand as surveyed. Cameras that did
    /// not see the board again stay as they are.
    ///
    /// # Errors
    /// [`CalibrationError::Degenerate`] where no camera that saw the board is left to hold on to.
    pub fn place_anew(
        &self,
        rig: &Rig,
        moved: &[usize],
    ) -> Result<(Rig, Vec<PlacedAnew>), CalibrationError> {
        let anchors: Vec<usize> = (0..self.seen_by.len())
            .filter(|place| !moved.contains(&self.seen_by[*place]))
            .collect();
        if anchors.is_empty() {
            return Err(CalibrationError::Degenerate {
                what: "every camera that saw the board again was moved: nothing tells where the range is".to_owned(),
            });
        }
        let first_from_range = |rig: &Rig| {
            mean_pose(anchors.iter().map(|place| {
                self.camera_from_first[*place].inverse()
                    * rig.cameras[self.seen_by[*place]].camera_from_range
            }))
        };
        let base = first_from_range(rig);
        let mut mended = rig.clone();
        let mut told = Vec::new();
        for (place, camera) in self.seen_by.iter().enumerate() {
            if !moved.contains(camera) {
                continue;
            }
            let pose = self.camera_from_first[place] * base;
            let before = &rig.cameras[*camera];
            let start = rig.block(*camera).start;
            let size = rig.covariance.nrows();
            // The new pose hangs on those of the anchors; the old one is forgotten.
            let mut by_old = DMatrix::identity(size, size);
            by_old.view_mut((start, 0), (6, size)).fill(0.0);
            for anchor in &anchors {
                let index = self.seen_by[*anchor];
                let slope = by_anchor(&rig.cameras[index].camera_from_range, |stepped| {
                    let mut other = rig.clone();
                    other.cameras[index].camera_from_range = *stepped;
                    self.camera_from_first[place] * first_from_range(&other)
                });
                by_old
                    .view_mut((start, rig.block(index).start), (6, 6))
                    .copy_from(&slope);
            }
            mended.covariance = &by_old * &mended.covariance * by_old.transpose();
            // What showing the board leaves open: its covariance has the first camera for gauge.
            let own = self.covariance.view((6 * place, 6 * place), (6, 6));
            let by_own = by_anchor(&self.camera_from_first[place], |stepped| stepped * base);
            let own = by_own * own * by_own.transpose();
            let mut block = mended.covariance.view_mut((start, start), (6, 6));
            block += &own;
            mended.cameras[*camera].camera_from_range = pose;
            let sd = |from: usize| {
                (from..from + 3)
                    .map(|axis| own[(axis, axis)].max(0.0).sqrt())
                    .fold(0.0, f64::max)
            };
            let turn = (pose.rotation * before.camera_from_range.rotation.inverse()).scaled_axis();
            let shift_m = mended.cameras[*camera].centre_in_range() - before.centre_in_range();
            mended.survey.remarks.push(format!(
                "camera {:?} was placed anew from the board after the survey: turned by {:.3} degrees, shifted by {:.1} mm",
                before.name,
                turn.norm().to_degrees(),
                1000.0 * shift_m.norm()
            ));
            told.push(PlacedAnew {
                camera: *camera,
                turn,
                shift_m,
                sd: (sd(0), sd(3)),
            });
        }
        Ok((mended, told))
    }

    /// How far a point (m, range frame) is taken to be elsewhere by the rig as surveyed than by the cameras as the board shows
    /// them, seen by each camera of `seen_by` (mm across its line of sight), the first camera held.
    pub fn cost_mm(&self, rig: &Rig, point_in_range: &Point3<f64>) -> Vec<f64> {
        let first = &rig.cameras[self.seen_by[0]].camera_from_range;
        self.seen_by
            .iter()
            .zip(&self.camera_from_first)
            .map(|(index, camera_from_first)| {
                let surveyed = rig.cameras[*index].camera_from_range * point_in_range;
                let now = camera_from_first * first * point_in_range;
                let sight = surveyed.coords.normalize();
                let moved = now - surveyed;
                1000.0 * (moved - sight * sight.dot(&moved)).norm()
            })
            .collect()
    }
}

/// Mean of poses that nearly agree.
fn mean_pose(poses: impl Iterator<Item = Isometry3<f64>>) -> Isometry3<f64> {
    let all: Vec<Isometry3<f64>> = poses.collect();
    let count = all.len().max(1) as f64;
    let shift = all
        .iter()
        .map(|pose| pose.translation.vector)
        .sum::<Vector3<f64>>()
        / count;
    let turns = all
        .iter()
        .map(|pose| pose.rotation.to_rotation_matrix().into_inner())
        .sum::<Matrix3<f64>>()
        / count;
    let rotation = UnitQuaternion::from_matrix(&turns);
    Isometry3::from_parts(Translation3::from(shift), rotation)
}
