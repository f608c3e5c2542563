//! The whole survey: from sightings of the board to a rig.

use crate::board_flatness::settle;
use crate::bundle::{Bundle, CameraState, Moment, Solution};
use crate::diagnostics::{self, SolverSummary, Survey, SurveyDiagnostics};
use crate::lens_fit::{FittedLens, LensTask, first_state, fit_lens, motion_in_camera, view_of};
use crate::moments::{MomentPlan, moments};
use crate::pose_graph::{MotionsInCameras, first_poses, shared_moments};
use crate::rig_of::{Frame, assemble};
use crate::{CalibrationError, FrameChoice, SurveyCamera, SurveyInput, range_frame, selection};
use drawarc_rig::{Level, RangeFrame};
use nalgebra::Vector3;
use rayon::prelude::*;

/// Views below which a lens is not tried.
pub(crate) const LEAST_VIEWS: usize = 3;

/// Surveys a rig.
///
/// # Errors
/// [`CalibrationError`]: what is missing, in which camera, and what to film.
pub fn survey(input: &SurveyInput) -> Result<Survey, CalibrationError> {
    check_input(input)?;
    let all = moments(&input.cameras);
    let chosen = selection::choose(
        &input.cameras,
        &input.board,
        &all,
        input.settings.most_moments,
    );
    let plans: Vec<&MomentPlan> = chosen.iter().map(|at| &all[*at]).collect();
    let flat = Bundle::from_middle(&input.board.corners(), &input.board.centre());
    let mut joint = joint(input, &plans, &flat)?;
    let mut settled = settle(input, &mut joint.bundle, Vector3::zeros())?;
    // Lenses were chosen as if the board were flat: a bent one asks for terms that no lens has.
    if settled.taken() {
        let bent = std::mem::take(&mut joint.bundle.corners_from_middle);
        joint = self::joint(input, &plans, &bent)?;
        settled = settle(input, &mut joint.bundle, settled.bends_m)?;
    }
    let Joint {
        lenses,
        mut bundle,
        kept,
        shared_moments,
    } = joint;
    let mut report = SurveyDiagnostics {
        shared_moments,
        left_out: settled.left_out,
        board_bends: settled.bends,
        ..SurveyDiagnostics::default()
    };
    for camera in &bundle.cameras {
        if camera.lens.parameters().iter().any(|p| !p.is_finite()) {
            return Err(CalibrationError::Degenerate {
                what: "a lens ran away".to_owned(),
            });
        }
    }
    let mut frame = set_frame(input, &mut bundle, &kept, &mut report)?;
    if let (FrameChoice::BoardOnLine { .. }, Some(bends)) = (&input.frame, &report.board_bends) {
        frame.board_lies_bent(bends);
    }
    report.solver = summary_of(&settled.solution, &bundle);
    report.cameras = (0..input.cameras.len())
        .map(|index| {
            let mut own =
                diagnostics::of_camera(&bundle, &input.board, &input.cameras[index], index);
            own.lens.clone_from(&lenses[index].terms.name);
            own.lenses_tried.clone_from(&lenses[index].tried);
            own
        })
        .collect();
    assemble(input, &bundle, &frame, report)
}

/// Lenses and the joint problem as it starts.
struct Joint<'a> {
    lenses: Vec<FittedLens>,
    bundle: Bundle,
    /// The plan of each of its moments.
    kept: Vec<&'a MomentPlan>,
    shared_moments: Vec<Vec<usize>>,
}

/// Every camera's lens by itself, then all cameras at once; the board has a known shape.
fn joint<'a>(
    input: &SurveyInput,
    plans: &[&'a MomentPlan],
    corners_from_middle: &[Vector3<f64>],
) -> Result<Joint<'a>, CalibrationError> {
    let lenses = fit_lenses(input, plans, corners_from_middle)?;
    let motions: MotionsInCameras = plans
        .par_iter()
        .map(|plan| {
            (0..input.cameras.len())
                .map(|index| {
                    let camera = &input.cameras[index];
                    motion_in_camera(camera, &lenses[index].lens, &input.board, plan, index)
                })
                .collect()
        })
        .collect();
    let (bundle, kept) = join(input, plans, &lenses, &motions, corners_from_middle)?;
    Ok(Joint {
        shared_moments: shared_moments(&motions, input.cameras.len()),
        lenses,
        bundle,
        kept,
    })
}

fn check_input(input: &SurveyInput) -> Result<(), CalibrationError> {
    input.board.validate()?;
    let wrong = |camera: &SurveyCamera, problem: String| CalibrationError::Input {
        camera: camera.name.clone(),
        problem,
    };
    for camera in &input.cameras {
        if camera.sightings.is_empty() {
            return Err(CalibrationError::BoardNeverSeen {
                camera: camera.name.clone(),
                hint: "show the whole board, printed side to the camera, near enough that a square is 10 px wide"
                    .to_owned(),
            });
        }
        let corners = input.board.corner_count();
        if let Some(bad) = camera
            .sightings
            .iter()
            .find(|sighting| sighting.corners_px.len() != corners)
        {
            let found = bad.corners_px.len();
            return Err(wrong(
                camera,
                format!("a sighting has {found} corners; the board has {corners}"),
            ));
        }
        let ordered = camera
            .sightings
            .windows(2)
            .all(|pair| pair[0].frame_index < pair[1].frame_index);
        if !ordered {
            return Err(wrong(
                camera,
                "sightings are not in order of time".to_owned(),
            ));
        }
    }
    match input.cameras.first() {
        None => Err(CalibrationError::Degenerate {
            what: "no camera".to_owned(),
        }),
        Some(first)
            if input
                .cameras
                .iter()
                .any(|other| other.stills != first.stills) =>
        {
            Err(wrong(
                first,
                "photographs and recordings cannot be mixed in one survey".to_owned(),
            ))
        }
        Some(_) => Ok(()),
    }
}

fn fit_lenses(
    input: &SurveyInput,
    plans: &[&MomentPlan],
    corners_from_middle: &[Vector3<f64>],
) -> Result<Vec<FittedLens>, CalibrationError> {
    input
        .cameras
        .par_iter()
        .enumerate()
        .map(|(index, camera)| {
            let own: Vec<&MomentPlan> = plans
                .iter()
                .filter(|plan| plan.seen.iter().any(|(seen, _)| *seen == index))
                .copied()
                .collect();
            let task = LensTask {
                camera,
                index,
                board: &input.board,
                corners_from_middle,
                loss_limit: input.settings.loss_limit,
            };
            let known = matches!(camera.lens, crate::LensChoice::Known(_));
            if own.len() < LEAST_VIEWS && !known {
                return Err(CalibrationError::TooFewViews {
                    camera: camera.name.clone(),
                    views: own.len(),
                    needed: LEAST_VIEWS,
                });
            }
            fit_lens(task, &own).ok_or_else(|| CalibrationError::Lens {
                camera: camera.name.clone(),
                reason: "the views of the board do not agree with a lens; tilt it more, fill the picture"
                    .to_owned(),
            })
        })
        .collect()
}

/// The joint problem in the first camera's frame, with the plan of each of its moments.
fn join<'a>(
    input: &SurveyInput,
    plans: &[&'a MomentPlan],
    lenses: &[FittedLens],
    motions: &MotionsInCameras,
    corners_from_middle: &[Vector3<f64>],
) -> Result<(Bundle, Vec<&'a MomentPlan>), CalibrationError> {
    let names: Vec<&str> = input.cameras.iter().map(|c| c.name.as_str()).collect();
    let middle = input.board.centre();
    let poses = first_poses(motions, &names, &middle)?;
    let cameras: Vec<CameraState> = input
        .cameras
        .iter()
        .zip(lenses)
        .zip(&poses)
        .enumerate()
        .map(|(index, ((camera, lens), pose))| CameraState {
            camera_from_world: *pose,
            pose_free: index > 0,
            readout_s: lens.readout_s,
            ..first_state(camera, lens.lens, &lens.terms)
        })
        .collect();
    let mut bundle = Bundle {
        cameras,
        moments: Vec::new(),
        corners_from_middle: corners_from_middle.to_vec(),
        loss_limit: input.settings.loss_limit,
    };
    let mut kept = Vec::new();
    for (plan, own) in plans.iter().zip(motions) {
        let views = || {
            plan.seen
                .iter()
                .filter(|(camera, _)| own[*camera].is_some())
                .flat_map(|(camera, sightings)| {
                    sightings.iter().map(|at| {
                        let share = plan.share(sightings);
                        view_of(&input.cameras[*camera], *camera, *at, share)
                    })
                })
                .collect::<Vec<_>>()
        };
        // The start that fits all cameras of the moment best.
        let best = own
            .iter()
            .enumerate()
            .filter_map(|(camera, motion)| {
                let world_from_camera = poses[camera].inverse();
                let moment = Moment {
                    motion: motion.as_ref()?.seen_from(&world_from_camera),
                    views: views(),
                };
                Some((bundle.cost_of(&moment), moment))
            })
            .min_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((_, moment)) = best {
            bundle.moments.push(moment);
            kept.push(*plan);
        }
    }
    Ok((bundle, kept))
}

/// Moves everything into the range frame and fixes the gauge there.
fn set_frame(
    input: &SurveyInput,
    bundle: &mut Bundle,
    plans: &[&MomentPlan],
    report: &mut SurveyDiagnostics,
) -> Result<Frame, CalibrationError> {
    let middle = input.board.centre();
    match &input.frame {
        FrameChoice::FirstCamera => Ok(Frame {
            fixed_by: RangeFrame::FirstCamera,
            level: Level::Unknown,
            point_covariance: None,
        }),
        FrameChoice::SurveyedPoints { points } => {
            let found = range_frame::from_points(bundle, points)?;
            bundle.change_world(&found.range_from_world);
            Ok(Frame {
                fixed_by: RangeFrame::SurveyedPoints,
                level: Level::Unknown,
                point_covariance: Some(found.covariance),
            })
        }
        FrameChoice::BoardOnLine {
            window_s,
            least_rest_s,
            origin_from_centre_m,
        } => {
            let stills = input.cameras.iter().any(|camera| camera.stills);
            let usable: Vec<usize> = (0..plans.len())
                .filter(|at| bundle.moments[*at].used().count() > 0)
                .collect();
            let candidates: Vec<&MomentPlan> = usable.iter().map(|at| plans[*at]).collect();
            let at = range_frame::board_on_line(&candidates, *window_s, *least_rest_s, stills)?;
            let at = usable[at];
            let range_from_board =
                range_frame::range_from_board(&input.board, origin_from_centre_m);
            let world_from_board = bundle.moments[at].motion.world_from_board(&middle);
            bundle.change_world(&(range_from_board * world_from_board.inverse()));
            let upright = match &input.plumb {
                Some(plumb) => Some(range_frame::upright(bundle, plumb)?),
                None => None,
            };
            if let Some(found) = &upright {
                bundle.change_world(&found.range_from_world);
            }
            bundle.fix_gauge_on(at);
            report.board_on_line_s = Some((plans[at].time_s, plans[at].rest_s.unwrap_or(0.0)));
            Ok(Frame {
                fixed_by: RangeFrame::BoardOnLine {
                    views: bundle.moments[at].used().count(),
                },
                level: if upright.is_some() {
                    Level::Plumb
                } else {
                    Level::AssumedFromBoard
                },
                point_covariance: upright.map(|found| found.covariance),
            })
        }
    }
}

fn summary_of(solution: &Solution, bundle: &Bundle) -> SolverSummary {
    SolverSummary {
        ended: solution.ended.clone(),
        converged: solution.converged,
        steps: solution.steps,
        first_cost: solution.first_cost,
        last_cost: solution.last_cost,
        condition: 0.0,
        moments: bundle
            .moments
            .iter()
            .filter(|moment| moment.used().count() > 0)
            .count(),
    }
}
