//! The adjustment in rounds: solve, measure the noise, leave out what fits badly, take back what fits after all.

use crate::bundle::{Bundle, Moment, Solution, SolverSettings, View};
use crate::corner_quality::median;
use crate::diagnostics::LeftOut;
use crate::survey::LEAST_VIEWS;
use crate::{CalibrationError, SurveyInput};
use rayon::prelude::*;

/// The adjustment ends when the cost falls by less than this share. A cost of 2000 that still falls by 1e-10 of itself is
/// half a thousandth of a standard deviation from the bottom; one or two steps more go there.
const LEAST_FALL: f64 = 1e-14;
/// Rounds, at most. The first limits are wider: as long as bad views pull, good ones fit badly too.
const ROUNDS: usize = 8;
/// By how much wider, round by round.
const FIRST_ROUNDS: [f64; 3] = [4.0, 2.0, 1.4];
/// Median of a squared distance in two dimensions, in units of the variance per axis: 2 ln 2.
const MEDIAN_SQUARE: f64 = 1.386_294_361_119_890_6;
/// A lens whose views all fit within this (px) has no bad ones: a limit below it would leave out good views of exact data.
const LEAST_LIMIT_PX: f64 = 0.05;

/// The camera's usual noise counts for as many corners beside a view's own (a choice of ours, not tuned).
const USUAL_COUNTS_FOR: f64 = 20.0;
/// A corner farther off than this many root mean square distances of its view counts as being there.
const CLIPPED: f64 = 2.5;
/// A view counts for no more, and no less, than this says.
const LEAST_SPREAD: f64 = 0.5;
const MOST_SPREAD: f64 = 4.0;

/// Adjusts, measures the noise, leaves out bad views, and again.
pub(crate) fn adjust(
    input: &SurveyInput,
    bundle: &mut Bundle,
) -> Result<(Solution, Vec<LeftOut>), CalibrationError> {
    let settings = SolverSettings {
        most_steps: input.settings.most_steps,
        least_fall: LEAST_FALL,
    };
    let rough = SolverSettings {
        least_fall: 1e-5,
        ..settings
    };
    if let Some(sd_px) = input.settings.corner_sd_px {
        for camera in &mut bundle.cameras {
            camera.sd_px = sd_px;
        }
    }
    let measure = |bundle: &mut Bundle| {
        if input.settings.corner_sd_px.is_none() {
            measure_noise(bundle);
        }
    };
    let mut solution = bundle.solve(rough);
    let first_cost = solution.first_cost;
    let mut steps = solution.steps;
    for round in 0..ROUNDS {
        measure(bundle);
        let wider = FIRST_ROUNDS.get(round).copied().unwrap_or(1.0);
        let limits = limits_px(bundle, input.settings.view_limit * wider);
        let changed = judge(bundle, &limits);
        if changed == 0 && round >= FIRST_ROUNDS.len() {
            break;
        }
        solution = bundle.solve(rough);
        steps += solution.steps;
    }
    measure(bundle);
    solution = bundle.solve(settings);
    solution.steps += steps;
    solution.first_cost = first_cost;
    for (index, camera) in input.cameras.iter().enumerate() {
        let views = bundle
            .moments
            .iter()
            .flat_map(Moment::used)
            .filter(|view| view.camera == index)
            .count();
        if views == 0 {
            return Err(CalibrationError::TooFewViews {
                camera: camera.name.clone(),
                views,
                needed: LEAST_VIEWS,
            });
        }
    }
    let limits = limits_px(bundle, input.settings.view_limit);
    Ok((solution, left_out(input, bundle, &limits)))
}

/// Corner noise of each camera from the residuals: robust, and corrected for the parameters that were fitted.
fn measure_noise(bundle: &mut Bundle) {
    for index in 0..bundle.cameras.len() {
        let mut squares = Vec::new();
        let mut fitted = bundle.cameras[index].free().iter().filter(|f| **f).count() as f64;
        for moment in &bundle.moments {
            let own = moment.used().filter(|view| view.camera == index);
            let share = own.clone().count() as f64 / moment.used().count().max(1) as f64;
            fitted += share * moment.motion.freedom.count() as f64;
            for view in own {
                squares.extend(bundle.squared_px(moment, view));
            }
        }
        let count = 2.0 * squares.len() as f64;
        if count > fitted + 10.0 {
            let variance = median(&mut squares) / MEDIAN_SQUARE * count / (count - fitted);
            bundle.cameras[index].sd_px = variance.sqrt().max(1e-6);
            spread_views(bundle, index, count / (count - fitted));
        }
    }
}

/// How much more or less than usual each view of a camera errs: a near board, a blurred one, one that lies in the shade. On
/// film the lower and the upper tenth of views differ twofold, and the one that lies on the line, which holds the range
/// frame, is often among the worse. A view's own corners tell; what few corners say is drawn toward the camera's usual noise.
/// `fitted` corrects for the parameters that the residuals gave.
fn spread_views(bundle: &mut Bundle, index: usize, fitted: f64) {
    let usual = bundle.cameras[index].sd_px.powi(2);
    for at in 0..bundle.moments.len() {
        for k in 0..bundle.moments[at].views.len() {
            let moment = &bundle.moments[at];
            let view = &moment.views[k];
            if view.camera != index {
                continue;
            }
            let mut squares = bundle.squared_px(moment, view);
            let count = squares.len() as f64;
            let middle = median(&mut squares) / MEDIAN_SQUARE;
            // A corner on something else does not make the whole view bad.
            let most = 2.0 * CLIPPED.powi(2) * middle;
            let sum: f64 = squares.iter().map(|square| square.min(most)).sum();
            let own = 0.5 * sum / count * fitted / usual;
            let drawn = (count * own + USUAL_COUNTS_FOR) / (count + USUAL_COUNTS_FOR);
            if drawn.is_finite() {
                bundle.moments[at].views[k].spread = drawn.sqrt().clamp(LEAST_SPREAD, MOST_SPREAD);
            }
        }
    }
}

/// Per camera, the residual that is far above what is usual (px).
fn limits_px(bundle: &Bundle, times: f64) -> Vec<f64> {
    (0..bundle.cameras.len())
        .map(|index| {
            let mut rms: Vec<f64> = bundle
                .moments
                .iter()
                .flat_map(|moment| {
                    moment
                        .used()
                        .filter(|view| view.camera == index)
                        .map(|view| bundle.view_rms_px(moment, view))
                })
                .collect();
            (median(&mut rms) * times).max(LEAST_LIMIT_PX)
        })
        .collect()
}

/// Marks views as used or left out. Of a moment's bad views only those of the worst camera go in one round: they spoil the
/// rest. Returns how many changed.
fn judge(bundle: &mut Bundle, limits_px: &[f64]) -> usize {
    let judged: Vec<(Moment, usize)> = bundle
        .moments
        .par_iter()
        .map(|moment| {
            let mut moment = moment.clone();
            let mut changed = 0;
            if moment.used().next().is_none() {
                // Nothing holds its motion: try it anew against the cameras as they stand now.
                bundle.refit(&mut moment);
                let before = moment.views.len();
                for at in 0..before {
                    let view = &moment.views[at];
                    moment.views[at].used =
                        bundle.view_rms_px(&moment, view) <= limits_px[view.camera];
                    changed += usize::from(moment.views[at].used);
                }
                return (moment, changed);
            }
            let excess: Vec<f64> = moment
                .views
                .iter()
                .map(|view| bundle.view_rms_px(&moment, view) / limits_px[view.camera])
                .collect();
            let worst = excess
                .iter()
                .zip(&moment.views)
                .filter(|(_, view)| view.used)
                .max_by(|a, b| a.0.total_cmp(b.0))
                .map(|(_, view)| view.camera);
            for (view, excess) in moment.views.iter_mut().zip(&excess) {
                let used = if view.used {
                    *excess <= 1.0 || Some(view.camera) != worst
                } else {
                    *excess <= 1.0
                };
                changed += usize::from(used != view.used);
                view.used = used;
            }
            (moment, changed)
        })
        .collect();
    let mut changed = 0;
    for (place, (moment, count)) in bundle.moments.iter_mut().zip(judged) {
        *place = moment;
        changed += count;
    }
    changed
}

fn left_out(input: &SurveyInput, bundle: &Bundle, limits_px: &[f64]) -> Vec<LeftOut> {
    let mut left_out = Vec::new();
    for moment in &bundle.moments {
        for view in moment.views.iter().filter(|view| !view.used) {
            let seen = &input.cameras[view.camera].sightings[view.sighting];
            left_out.push(LeftOut {
                camera: view.camera,
                frame_index: seen.frame_index,
                time_s: seen.time_s,
                rms_px: bundle.view_rms_px(moment, view),
                limit_px: limits_px[view.camera],
                alone_px: alone_px(bundle, moment, view),
            });
        }
    }
    left_out.sort_by_key(|entry| (entry.camera, entry.frame_index));
    left_out
}

/// Rms residual of a view that alone says where the board is (px).
fn alone_px(bundle: &Bundle, moment: &Moment, view: &View) -> f64 {
    let mut alone = Moment {
        motion: moment.motion,
        views: vec![view.clone()],
    };
    bundle.refit(&mut alone);
    bundle.view_rms_px(&alone, view)
}
