//! The lens of one camera by itself, and how many of its terms the views bear out.

use crate::bundle::{
    BoardMotion, Bundle, CameraState, Freedom, Moment, Prior, SolverSettings, View,
};
use crate::corner_quality::median;
use crate::lens_start::{pinhole_start, wide_from_pinhole, wide_start};
use crate::moments::MomentPlan;
use crate::planar_pose::planar_pose;
use crate::{Board, LensChoice, SurveyCamera};
use drawarc_rig::{ImageSize, Lens};
use nalgebra::{Isometry3, Point2, Vector3};

/// Which terms of a lens are free.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct LensTerms {
    /// Name for people.
    pub(crate) name: String,
    /// By parameter.
    pub(crate) free: Vec<bool>,
    wide: bool,
}

/// A lens with how it was chosen.
#[derive(Debug, Clone)]
pub(crate) struct FittedLens {
    pub(crate) lens: Lens,
    pub(crate) terms: LensTerms,
    /// Read-out after the fit (s).
    pub(crate) readout_s: f64,
    /// Candidates tried, with the rms of held-out views (px).
    pub(crate) tried: Vec<(String, f64)>,
}

/// Corner noise assumed before it is measured (px).
pub(crate) const FIRST_SD_PX: f64 = 0.15;
/// Moments below which no views can be held out.
const LEAST_HELD_OUT: usize = 10;
/// Moments that the choice of terms looks at, at most.
const MOST_FOR_CHOICE: usize = 40;
/// A richer lens must lower the held-out residual by this share.
const WORTH_A_TERM: f64 = 0.004;
/// A wide lens must lower it by this share: it is the rarer thing.
const WORTH_WIDE: f64 = 0.03;
/// Distance of the principal point from the middle of the picture, as a share of its longer side; k1, k2, k3; p1 and p2:
/// standard deviations over cameras (common practice, no source).
const PRINCIPAL_POINT_SD: f64 = 0.015;
const RADIAL_SD: [f64; 3] = [0.3, 0.5, 0.5];
const TANGENTIAL_SD: f64 = 0.001;
/// When a lens by itself is good enough.
pub(crate) const ENDS: SolverSettings = SolverSettings {
    most_steps: 40,
    least_fall: 1e-7,
};

impl LensTerms {
    /// Brown-Conrady with `radial` terms, and the tangential ones.
    pub(crate) fn brown(radial: u8, tangential: bool) -> Self {
        let mut free = vec![true; 4];
        free.extend((1..=3).map(|k| k <= radial));
        free.extend([tangential; 2]);
        let name = format!(
            "Brown-Conrady, {radial} radial{}",
            if tangential {
                " and 2 tangential terms"
            } else {
                " terms"
            }
        );
        Self {
            name,
            free,
            wide: false,
        }
    }

    /// Kannala-Brandt, all terms.
    pub(crate) fn wide() -> Self {
        Self {
            name: "Kannala-Brandt, 4 terms".to_owned(),
            free: vec![true; 8],
            wide: true,
        }
    }

    /// A known lens.
    pub(crate) fn known(lens: &Lens) -> Self {
        Self {
            name: "as given".to_owned(),
            free: vec![false; lens.parameter_count()],
            wide: matches!(lens, Lens::KannalaBrandt(_)),
        }
    }
}

/// A camera as the adjustment starts with it, in a world that is its own frame.
pub(crate) fn first_state(camera: &SurveyCamera, lens: Lens, terms: &LensTerms) -> CameraState {
    let segment = camera.clock.segments()[0];
    let prior = |variance: f64| {
        (variance > 0.0).then(|| Prior {
            mean: 0.0,
            sd: variance.sqrt(),
        })
    };
    let moving = !camera.stills;
    CameraState {
        camera_from_world: Isometry3::identity(),
        pose_free: false,
        lens,
        lens_free: terms.free.clone(),
        lens_priors: if matches!(camera.lens, LensChoice::Auto) {
            lens_priors(camera.image_size, &lens)
        } else {
            Vec::new()
        },
        readout_s: camera.shutter.readout_s,
        readout_prior: (moving && camera.shutter.readout_sd_s > 0.0).then_some(Prior {
            mean: camera.shutter.readout_s,
            sd: camera.shutter.readout_sd_s,
        }),
        clock_step: [0.0; 2],
        clock_priors: if moving {
            [
                prior(segment.offset_variance_s2),
                prior(segment.rate_variance),
            ]
        } else {
            [None; 2]
        },
        clock_reference_s: segment.reference_camera_s,
        height_px: camera.image_size.height_px,
        sd_px: FIRST_SD_PX,
    }
}

/// What any camera's lens is like, before a view is seen: wide enough to let the views decide wherever they can, narrow
/// enough that a camera which saw a handful of boards does not get a lens that nobody builds. Terms that the choice leaves
/// at zero would make principal point and pose look surer than they are; with a prior they stay free.
fn lens_priors(size: ImageSize, lens: &Lens) -> Vec<Option<Prior>> {
    let prior = |mean: f64, sd: f64| Some(Prior { mean, sd });
    let middle = |length_px: u32| (f64::from(length_px) - 1.0) / 2.0;
    let sd_px = PRINCIPAL_POINT_SD * f64::from(size.width_px.max(size.height_px));
    let mut priors = vec![
        None,
        None,
        prior(middle(size.width_px), sd_px),
        prior(middle(size.height_px), sd_px),
    ];
    priors.extend(match lens {
        Lens::BrownConrady(_) => RADIAL_SD
            .iter()
            .chain(&[TANGENTIAL_SD; 2])
            .map(|sd| prior(0.0, *sd))
            .collect::<Vec<_>>(),
        Lens::KannalaBrandt(_) => vec![None; 4],
    });
    priors
}

/// The view of one sighting.
pub(crate) fn view_of(camera: &SurveyCamera, index: usize, at: usize, share: f64) -> View {
    let sighting = &camera.sightings[at];
    let time_s = sighting.time_s;
    View {
        camera: index,
        sighting: at,
        camera_s: time_s,
        range_s: camera.clock.range_from_camera(time_s),
        rate: camera.clock.rate_at(time_s),
        corners_px: sighting.corners_px.clone(),
        share,
        spread: 1.0,
        used: true,
    }
}

/// The board's motion as one camera sees it, in that camera's frame; `None` where no pose fits.
pub(crate) fn motion_in_camera(
    camera: &SurveyCamera,
    lens: &Lens,
    board: &Board,
    plan: &MomentPlan,
    index: usize,
) -> Option<BoardMotion> {
    let (_, sightings) = plan.seen.iter().find(|(seen, _)| *seen == index)?;
    let corners = board.corners();
    let middle = board.centre();
    let freedom = if plan.rest_s.is_some() {
        Freedom::Still
    } else {
        Freedom::Moving
    };
    let pose = |at: usize| {
        planar_pose(lens, &corners, &camera.sightings[at].corners_px)
            .map(|pose| pose.camera_from_board)
    };
    let time = |at: usize| camera.clock.range_from_camera(camera.sightings[at].time_s);
    let at = sightings[sightings.len() / 2];
    let mut motion = BoardMotion::at(&pose(at)?, &middle, plan.time_s, freedom);
    if freedom == Freedom::Moving && sightings.len() > 1 {
        let (first, last) = (sightings[0], sightings[sightings.len() - 1]);
        let (start, end) = (pose(first)?, pose(last)?);
        let lapse_s = time(last) - time(first);
        motion.velocity = ((end * middle) - (start * middle)) / lapse_s;
        motion.turn = (end.rotation * start.rotation.inverse()).scaled_axis() / lapse_s;
        let ahead_s = plan.time_s - time(at);
        motion.centre_in_world += motion.velocity * ahead_s;
        motion.rotation =
            nalgebra::UnitQuaternion::from_scaled_axis(motion.turn * ahead_s) * motion.rotation;
    }
    Some(motion)
}

/// Whose lens is sought, and with what.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LensTask<'a> {
    pub(crate) camera: &'a SurveyCamera,
    /// Its index in the survey.
    pub(crate) index: usize,
    pub(crate) board: &'a Board,
    /// Its corners from its middle (m, board axes), bent as far as is known.
    pub(crate) corners_from_middle: &'a [Vector3<f64>],
    /// Huber's limit.
    pub(crate) loss_limit: f64,
}

/// A bundle of this camera alone.
pub(crate) fn alone(task: LensTask<'_>, plans: &[&MomentPlan], state: CameraState) -> Bundle {
    let LensTask {
        camera,
        index,
        board,
        corners_from_middle,
        loss_limit,
    } = task;
    let moments = plans
        .iter()
        .filter_map(|plan| {
            let motion = motion_in_camera(camera, &state.lens, board, plan, index)?;
            let (_, sightings) = plan.seen.iter().find(|(seen, _)| *seen == index)?;
            let views = sightings
                .iter()
                .map(|at| View {
                    camera: 0,
                    ..view_of(camera, index, *at, plan.share(sightings))
                })
                .collect();
            Some(Moment { motion, views })
        })
        .collect();
    Bundle {
        cameras: vec![CameraState {
            // Alone, a clock means nothing: every moment has its own motion.
            clock_priors: [None; 2],
            ..state
        }],
        moments,
        corners_from_middle: corners_from_middle.to_vec(),
        loss_limit,
    }
}

/// Adjusts lens and motions with some moments; the stages free focal length, then distortion.
pub(crate) fn fit(
    task: LensTask<'_>,
    plans: &[&MomentPlan],
    start: Lens,
    terms: &LensTerms,
) -> Option<(Bundle, f64)> {
    let mut state = first_state(task.camera, start, terms);
    // Focal length and the strongest distortion first; the rest from there.
    let mut few = terms.free.clone();
    for (at, free) in few.iter_mut().enumerate() {
        *free &= at < 2 || at == 4;
    }
    let staged = few != terms.free;
    if staged {
        state.lens_free = few;
    }
    let mut bundle = alone(task, plans, state);
    if bundle.moments.is_empty() {
        return None;
    }
    if staged {
        bundle.solve(SolverSettings {
            least_fall: 1e-3,
            ..ENDS
        });
        bundle.cameras[0].lens_free.clone_from(&terms.free);
    }
    bundle.solve(ENDS);
    let rms = typical_rms_px(&bundle);
    bundle.cameras[0]
        .lens
        .parameters()
        .iter()
        .all(|value| value.is_finite())
        .then_some((bundle, rms))
}

/// Median of the views' rms: a few bad views do not decide.
fn typical_rms_px(bundle: &Bundle) -> f64 {
    let mut rms: Vec<f64> = bundle
        .moments
        .iter()
        .flat_map(|moment| {
            moment
                .views
                .iter()
                .map(|view| bundle.view_rms_px(moment, view))
        })
        .collect();
    median(&mut rms)
}

/// Held-out residual of a kind of lens: learnt on one half, tried on the other, both ways (px).
fn held_out_px(
    task: LensTask<'_>,
    plans: &[&MomentPlan],
    start: Lens,
    terms: &LensTerms,
) -> Option<f64> {
    let mut squares = Vec::new();
    for parity in 0..2 {
        let half = |want: usize| -> Vec<&MomentPlan> {
            plans
                .iter()
                .enumerate()
                .filter(|(at, _)| at % 2 == want)
                .map(|(_, plan)| *plan)
                .collect()
        };
        let (learnt, _) = fit(task, &half(parity), start, terms)?;
        let mut state = learnt.cameras[0].clone();
        state.lens_free = vec![false; state.lens_free.len()];
        state.readout_prior = None;
        let mut tried = alone(task, &half(1 - parity), state);
        tried.solve(SolverSettings {
            least_fall: 1e-4,
            ..ENDS
        });
        for moment in &tried.moments {
            for view in &moment.views {
                squares.push(tried.view_rms_px(moment, view));
            }
        }
    }
    // A trimmed mean: the worst tenth may be bad views.
    squares.sort_by(f64::total_cmp);
    squares.truncate((squares.len() * 9).div_ceil(10));
    let sum: f64 = squares.iter().map(|rms| rms * rms).sum();
    let rms = (sum / squares.len().max(1) as f64).sqrt();
    rms.is_finite().then_some(rms)
}

/// The lens of camera `index` from the moments that it sees.
pub(crate) fn fit_lens(task: LensTask<'_>, plans: &[&MomentPlan]) -> Option<FittedLens> {
    let LensTask {
        camera,
        index,
        board,
        ..
    } = task;
    if let LensChoice::Known(lens) = camera.lens {
        return Some(FittedLens {
            lens,
            terms: LensTerms::known(&lens),
            readout_s: camera.shutter.readout_s,
            tried: Vec::new(),
        });
    }
    let views: Vec<&[Point2<f64>]> = plans
        .iter()
        .filter_map(|plan| {
            let (_, sightings) = plan.seen.iter().find(|(seen, _)| *seen == index)?;
            let middle = sightings[sightings.len() / 2];
            Some(camera.sightings[middle].corners_px.as_slice())
        })
        .collect();
    let size = camera.image_size;
    let pinhole = pinhole_start(size, board, &views)?;
    let (terms, tried) = match camera.lens {
        LensChoice::BrownConrady { radial, tangential } => {
            (LensTerms::brown(radial, tangential), Vec::new())
        }
        LensChoice::Wide => (LensTerms::wide(), Vec::new()),
        LensChoice::Auto | LensChoice::Known(_) => choose_terms(task, plans, pinhole),
    };
    let start = if !terms.wide {
        pinhole
    } else if matches!(camera.lens, LensChoice::Wide) {
        wide_start(size, board, &views)?
    } else {
        wide_from_pinhole(&pinhole)
    };
    let (bundle, _) = fit(task, plans, start, &terms)?;
    let state = &bundle.cameras[0];
    Some(FittedLens {
        lens: state.lens,
        readout_s: state.readout_s,
        terms,
        tried,
    })
}

/// The simplest lens that held-out views do not ask to enrich. Two radial terms are free in any case, under their prior: what
/// a term left out does to the others stands in no standard deviation.
fn choose_terms(
    task: LensTask<'_>,
    plans: &[&MomentPlan],
    pinhole: Lens,
) -> (LensTerms, Vec<(String, f64)>) {
    let usual = LensTerms::brown(2, true);
    if plans.len() < LEAST_HELD_OUT {
        return (usual, Vec::new());
    }
    let step = plans.len().div_ceil(MOST_FOR_CHOICE);
    let plans: Vec<&MomentPlan> = plans.iter().step_by(step).copied().collect();
    let candidates = [
        LensTerms::brown(2, true),
        LensTerms::brown(3, true),
        LensTerms::wide(),
    ];
    let mut tried = Vec::new();
    let mut best: Option<(f64, LensTerms)> = None;
    for terms in candidates {
        let start = if terms.wide {
            wide_from_pinhole(&pinhole)
        } else {
            pinhole
        };
        let Some(rms) = held_out_px(task, &plans, start, &terms) else {
            continue;
        };
        tried.push((terms.name.clone(), rms));
        let worth = if terms.wide { WORTH_WIDE } else { WORTH_A_TERM };
        if best
            .as_ref()
            .is_none_or(|(least, _)| rms < least * (1.0 - worth))
        {
            best = Some((rms, terms));
        }
    }
    (best.map_or(usual, |(_, terms)| terms), tried)
}
