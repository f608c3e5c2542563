//! How the board turns as one camera sees it.
//!
//! A camera that stands still sees the board turn as every other one does: its rotation between two instants differs by
//! nothing but the camera's own, fixed axes. So each camera's own poses are a signal that all of them share, whatever
//! stands in between; no clock, place or lens of another camera goes in.

use crate::bundle::{BoardMotion, Bundle};
use crate::corner_quality::median;
use crate::lens_fit::{ENDS, LensTask, LensTerms, alone, first_state, fit};
use crate::lens_start::{pinhole_start, wide_start};
use crate::moments::{MomentPlan, bursts_alone};
use crate::{Board, LensChoice, SurveyCamera, SurveySettings, selection};
use drawarc_rig::{ClockModel, skew};
use nalgebra::{Point2, UnitQuaternion, Vector3};

/// The board at an instant, in the camera's axes.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Turned {
    /// Camera time (s).
    pub(crate) time_s: f64,
    /// `camera_from_board`.
    pub(crate) rotation: UnitQuaternion<f64>,
    /// Angular velocity (rad/s).
    pub(crate) turn: Vector3<f64>,
}

/// Everything that a camera saw of it, in order of time.
#[derive(Debug, Clone, Default)]
pub(crate) struct Turning {
    seen: Vec<Turned>,
}

/// Between looks further apart than this (s) nothing is said: two looks of a scan and a little.
const GAP_S: f64 = 0.3;
/// A look counts if the board has turned by this much since the last one that counted (rad, 3°): one that lies still shows
/// one pose, however long it is looked at. Poses of a board far away scatter by less.
const NEW_POSE: f64 = 0.052;
/// Moments from which a lens is fitted that is good enough to see the board turn.
const MOST_FOR_LENS: usize = 60;
/// Looks whose corners miss by this many times what is usual for the camera are none.
const WRONG: f64 = 5.0;

impl Turning {
    pub(crate) fn new(mut seen: Vec<Turned>) -> Self {
        seen.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
        Self { seen }
    }

    /// As `camera` saw it by its own clock; its lens need not be known.
    pub(crate) fn of(board: &Board, camera: &SurveyCamera) -> Self {
        let motions = motions_alone(board, camera);
        let mut rms: Vec<f64> = motions.iter().map(|(_, rms_px)| *rms_px).collect();
        let limit_px = WRONG * median(&mut rms);
        let seen = motions
            .into_iter()
            .filter(|(_, rms_px)| *rms_px <= limit_px)
            .map(|(motion, _)| Turned {
                time_s: motion.time_s,
                rotation: motion.rotation,
                turn: motion.turn,
            })
            .collect();
        Self::new(seen)
    }

    /// First and last instant (s); `None` where nothing was seen.
    pub(crate) fn span_s(&self) -> Option<(f64, f64)> {
        Some((self.seen.first()?.time_s, self.seen.last()?.time_s))
    }

    /// The looks that show a new pose.
    pub(crate) fn new_poses(&self) -> Vec<Turned> {
        let mut poses: Vec<Turned> = Vec::new();
        for look in &self.seen {
            let moved = |last: &Turned| last.rotation.angle_to(&look.rotation) >= NEW_POSE;
            if poses.last().is_none_or(moved) {
                poses.push(*look);
            }
        }
        poses
    }

    /// `camera_from_board` at `time_s`, between looks by the cubic that has their turns (Hermite, in the rotation vector from
    /// the earlier one). `None` where no two looks are near enough.
    pub(crate) fn at(&self, time_s: f64) -> Option<UnitQuaternion<f64>> {
        let after = self.seen.partition_point(|look| look.time_s < time_s);
        let (from, to) = (self.seen.get(after.checked_sub(1)?)?, self.seen.get(after)?);
        let lapse_s = to.time_s - from.time_s;
        if lapse_s > GAP_S {
            return None;
        }
        let way = (to.rotation * from.rotation.inverse()).scaled_axis();
        // How fast the rotation vector itself changes at its end: inverse of the left Jacobian, to second order.
        let cross = skew(&way);
        let end = to.turn - cross * to.turn / 2.0 + cross * cross * to.turn / 12.0;
        let s = (time_s - from.time_s) / lapse_s;
        let turned = way * (s * s * (3.0 - 2.0 * s))
            + from.turn * (lapse_s * s * (1.0 - s) * (1.0 - s))
            + end * (lapse_s * s * s * (s - 1.0));
        Some(UnitQuaternion::from_scaled_axis(turned) * from.rotation)
    }
}

/// The board's motion in every burst of one camera, in its own frame and by its own clock, each with the rms of its corners
/// (px); of a lens of which nothing is known the usual terms are fitted. Empty where no lens fits.
fn motions_alone(board: &Board, camera: &SurveyCamera) -> Vec<(BoardMotion, f64)> {
    let camera = SurveyCamera {
        clock: ClockModel::identity(),
        ..camera.clone()
    };
    let all = bursts_alone(&camera);
    // One frame does not say how the board turns.
    let plans: Vec<&MomentPlan> = all.iter().filter(|plan| plan.seen[0].1.len() > 1).collect();
    if plans.is_empty() {
        return Vec::new();
    }
    let corners_from_middle = Bundle::from_middle(&board.corners(), &board.centre());
    let task = LensTask {
        camera: &camera,
        index: 0,
        board,
        corners_from_middle: &corners_from_middle,
        loss_limit: SurveySettings::default().loss_limit,
    };
    let found = || {
        let chosen = selection::choose(std::slice::from_ref(&camera), board, &all, MOST_FOR_LENS);
        let few: Vec<&MomentPlan> = chosen.iter().map(|at| &all[*at]).collect();
        let views: Vec<&[Point2<f64>]> = few
            .iter()
            .map(|plan| {
                let sightings = &plan.seen[0].1;
                camera.sightings[sightings[sightings.len() / 2]]
                    .corners_px
                    .as_slice()
            })
            .collect();
        let size = camera.image_size;
        let (start, terms) = match camera.lens {
            LensChoice::Known(lens) => {
                return Some(first_state(&camera, lens, &LensTerms::known(&lens)));
            }
            LensChoice::Wide => (wide_start(size, board, &views)?, LensTerms::wide()),
            LensChoice::Auto | LensChoice::BrownConrady { .. } => (
                pinhole_start(size, board, &views)?,
                LensTerms::brown(2, true),
            ),
        };
        let (bundle, _) = fit(task, &few, start, &terms)?;
        bundle.cameras.into_iter().next()
    };
    let Some(mut state) = found() else {
        return Vec::new();
    };
    state.lens_free = vec![false; state.lens_free.len()];
    state.readout_prior = None;
    let mut bundle = alone(task, &plans, state);
    bundle.solve(ENDS);
    bundle
        .moments
        .iter()
        .map(|moment| {
            let mut rms: Vec<f64> = moment
                .views
                .iter()
                .map(|view| bundle.view_rms_px(moment, view))
                .collect();
            (moment.motion, median(&mut rms))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn between_looks_the_board_turns_on() {
        let pose = |time_s: f64| {
            UnitQuaternion::from_scaled_axis(Vector3::new(
                0.8 * (2.0 * time_s).sin(),
                0.5 * (1.3 * time_s).cos(),
                0.3 * time_s,
            ))
        };
        let turn = |time_s: f64| {
            let (a, b) = (pose(time_s - 1e-5), pose(time_s + 1e-5));
            (b * a.inverse()).scaled_axis() / 2e-5
        };
        let looks = (0..60).map(|k| {
            let time_s = 0.12 * f64::from(k);
            Turned {
                time_s,
                rotation: pose(time_s),
                turn: turn(time_s),
            }
        });
        let turning = Turning::new(looks.collect());
        for k in 1..700 {
            let time_s = 0.01 * f64::from(k);
            let found = turning.at(time_s).unwrap();
            let off = found.angle_to(&pose(time_s));
            assert!(off < 2e-4, "{off} at {time_s}");
        }
        assert!(turning.at(-0.01).is_none() && turning.at(7.2).is_none());
    }

    #[test]
    fn a_board_that_lies_shows_one_pose() {
        let look = |k: u32, turned: f64| Turned {
            time_s: 0.12 * f64::from(k),
            rotation: UnitQuaternion::from_scaled_axis(Vector3::new(turned, 0.0, 0.0)),
            turn: Vector3::zeros(),
        };
        let still = Turning::new((0..100).map(|k| look(k, 0.01 * f64::from(k % 3))).collect());
        assert_eq!(still.new_poses().len(), 1);
        let turned = Turning::new((0..100).map(|k| look(k, 0.02 * f64::from(k))).collect());
        assert_eq!(turned.new_poses().len(), 34);
    }
}
