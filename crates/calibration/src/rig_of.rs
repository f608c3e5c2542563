//! From the adjusted problem to the rig file's types.

use crate::bundle::{Bundle, CameraState};
use crate::diagnostics::{BoardBends, Survey, SurveyDiagnostics};
use crate::{CalibrationError, SurveyInput};
use drawarc_rig::{
    Camera, ClockModel, ClockSegment, Level, RangeFrame, Rig, Shutter, SurveySummary, skew,
};
use nalgebra::{DMatrix, DVector, Matrix6, Point3, Vector3};

/// What fixed the range frame, and how uncertain that is beyond the adjustment.
pub(crate) struct Frame {
    pub(crate) fixed_by: RangeFrame,
    pub(crate) level: Level,
    /// Covariance of `world_from_range` (tangent: turn, shift) beyond the adjustment's own.
    pub(crate) point_covariance: Option<Matrix6<f64>>,
}

impl Frame {
    /// A bent board does not say how high its corners lie over the ground: its ends may touch it, or its middle.
    pub(crate) fn board_lies_bent(&mut self, bends: &BoardBends) {
        if !bends.taken_into_account {
            return;
        }
        let kinds = [bends.along_mm, bends.across_mm, bends.twist_mm];
        let height_m: f64 = kinds.iter().map(|(size, _)| 0.001 * size.abs()).sum();
        let covariance = self.point_covariance.get_or_insert_with(Matrix6::zeros);
        covariance[(5, 5)] += height_m * height_m;
    }
}

/// Builds rig, clocks and report.
pub(crate) fn assemble(
    input: &SurveyInput,
    bundle: &Bundle,
    frame: &Frame,
    mut report: SurveyDiagnostics,
) -> Result<Survey, CalibrationError> {
    let (joint, condition) = bundle
        .covariance()
        .ok_or_else(|| CalibrationError::Degenerate {
            what: "a lens or pose is left open; tilt the board more and show it to all cameras"
                .to_owned(),
        })?;
    report.solver.condition = condition;
    let independent = joint;
    let (mut joint, widened) = bundle.widened(&independent);
    report.widened = widened;
    if report
        .board_bends
        .is_some_and(|bends| bends.taken_into_account)
        && let Some(shape) = bundle.board_shape(&independent)
    {
        shape.widen(&mut joint, widened);
    }
    let clocks = note_times(input, bundle, &joint, &mut report);
    let cameras = cameras_of(input, bundle, &report);
    let mut covariance = without_clocks(&bundle.cameras, &joint);
    add_frame(&mut covariance, &cameras, frame);
    let relative_sd = distance_sd(bundle, &cameras, &covariance);
    add_pitch(&mut covariance, &cameras, input.board.pitch_sd);
    let scale_sd_percent = 100.0 * relative_sd.hypot(input.board.pitch_sd);
    let survey = SurveySummary {
        residual_px: report.cameras.iter().map(|c| c.residual_px).collect(),
        views: report.cameras.iter().map(|c| c.views).collect(),
        corner_sd_px: bundle.cameras.iter().map(|c| c.sd_px).collect(),
        ended: format!(
            "{} after {} steps, cost {:.4e} to {:.4e}",
            report.solver.ended,
            report.solver.steps,
            report.solver.first_cost,
            report.solver.last_cost
        ),
        scale_sd_percent,
        remarks: remarks(input, &report),
    };
    let rig = Rig {
        cameras,
        range_frame: frame.fixed_by.clone(),
        level: frame.level,
        survey,
        covariance,
    };
    rig.validate()
        .map_err(|error| CalibrationError::Degenerate {
            what: error.to_string(),
        })?;
    Ok(Survey {
        rig,
        clocks,
        diagnostics: report,
    })
}

fn starts_of(cameras: &[CameraState]) -> Vec<usize> {
    cameras
        .iter()
        .scan(0, |at, camera| {
            let start = *at;
            *at += camera.count();
            Some(start)
        })
        .collect()
}

/// The rig's covariance: everything but the clocks.
fn without_clocks(cameras: &[CameraState], joint: &DMatrix<f64>) -> DMatrix<f64> {
    let keep: Vec<usize> = cameras
        .iter()
        .zip(starts_of(cameras))
        .flat_map(|(camera, start)| start..start + camera.count() - 2)
        .collect();
    DMatrix::from_fn(keep.len(), keep.len(), |i, j| joint[(keep[i], keep[j])])
}

fn refined_clock(
    given: &ClockModel,
    camera: &CameraState,
    joint: &DMatrix<f64>,
    at: usize,
) -> ClockModel {
    if camera.clock_priors.iter().all(Option::is_none) {
        return given.clone();
    }
    let segments: Vec<ClockSegment> = given
        .segments()
        .iter()
        .map(|segment| {
            let lever = segment.reference_camera_s - camera.clock_reference_s;
            ClockSegment {
                offset_s: segment.offset_s + camera.clock_step[0] + camera.clock_step[1] * lever,
                rate: segment.rate + camera.clock_step[1],
                offset_variance_s2: joint[(at, at)]
                    + 2.0 * lever * joint[(at, at + 1)]
                    + lever * lever * joint[(at + 1, at + 1)],
                rate_variance: joint[(at + 1, at + 1)],
                offset_rate_covariance_s: joint[(at, at + 1)] + lever * joint[(at + 1, at + 1)],
                ..*segment
            }
        })
        .collect();
    ClockModel::piecewise(segments).unwrap_or_else(|| given.clone())
}

/// Adds what the range frame is uncertain by beyond the adjustment: it moves all cameras together.
fn add_frame(covariance: &mut DMatrix<f64>, cameras: &[Camera], frame: &Frame) {
    let Some(of_frame) = &frame.point_covariance else {
        return;
    };
    let mut by_frame = DMatrix::zeros(covariance.nrows(), 6);
    let mut start = 0;
    for camera in cameras {
        // camera_from_world exp(ξ) world_from_range = exp(J ξ) camera_from_range; the world is the range by now.
        let rotation = *camera
            .camera_from_range
            .rotation
            .to_rotation_matrix()
            .matrix();
        let shift = skew(&camera.camera_from_range.translation.vector) * rotation;
        for row in 0..3 {
            for column in 0..3 {
                by_frame[(start + row, column)] = rotation[(row, column)];
                by_frame[(start + 3 + row, column)] = shift[(row, column)];
                by_frame[(start + 3 + row, 3 + column)] = rotation[(row, column)];
            }
        }
        start += camera.parameter_count();
    }
    *covariance += &by_frame * of_frame * by_frame.transpose();
}

/// Adds the uncertainty of the board's pitch: it stretches all translations together.
fn add_pitch(covariance: &mut DMatrix<f64>, cameras: &[Camera], pitch_sd: f64) {
    let mut by_scale = DVector::zeros(covariance.nrows());
    let mut start = 0;
    for camera in cameras {
        let translation = camera.camera_from_range.translation.vector;
        by_scale.rows_mut(start + 3, 3).copy_from(&translation);
        start += camera.parameter_count();
    }
    *covariance += &by_scale * by_scale.transpose() * (pitch_sd * pitch_sd);
}

/// Relative standard deviation of a distance in the middle of the boards, as the covariance has it: two points 300 mm apart,
/// in the worst of three directions, triangulated by the two cameras that know it best.
fn distance_sd(bundle: &Bundle, cameras: &[Camera], covariance: &DMatrix<f64>) -> f64 {
    if cameras.len() < 2 || bundle.moments.is_empty() {
        return 0.0;
    }
    let middle = bundle
        .moments
        .iter()
        .map(|moment| moment.motion.centre_in_world.coords)
        .sum::<Vector3<f64>>()
        / bundle.moments.len() as f64;
    let starts: Vec<usize> = cameras
        .iter()
        .scan(0, |at, camera| {
            let start = *at;
            *at += camera.parameter_count();
            Some(start)
        })
        .collect();
    (0..cameras.len())
        .flat_map(|first| (first + 1..cameras.len()).map(move |second| [first, second]))
        .filter_map(|pair| {
            let places: Vec<usize> = pair
                .iter()
                .flat_map(|at| starts[*at]..starts[*at] + cameras[*at].parameter_count())
                .collect();
            let own = DMatrix::from_fn(places.len(), places.len(), |i, j| {
                covariance[(places[i], places[j])]
            });
            distance_sd_of_pair(pair.map(|at| &cameras[at]), &middle, &own)
        })
        .min_by(f64::total_cmp)
        .unwrap_or(0.0)
}

/// The same for two cameras with their joint covariance.
fn distance_sd_of_pair(
    pair: [&Camera; 2],
    middle: &Vector3<f64>,
    covariance: &DMatrix<f64>,
) -> Option<f64> {
    let mut worst = 0.0f64;
    for axis in 0..3 {
        let half = Vector3::ith(axis, 0.15);
        let ends = [Point3::from(middle - half), Point3::from(middle + half)];
        let mut slope = DVector::zeros(covariance.nrows());
        let unit = half.normalize();
        for (end, sign) in ends.iter().zip([-1.0, 1.0]) {
            slope += point_by_parameters(pair, end)?.transpose() * unit * sign;
        }
        let variance = (slope.transpose() * covariance * &slope)[(0, 0)];
        worst = worst.max(variance.max(0.0).sqrt() / 0.3);
    }
    Some(worst)
}

/// How the triangulated place of a point moves with the parameters of two cameras, 3×n.
fn point_by_parameters(pair: [&Camera; 2], point: &Point3<f64>) -> Option<DMatrix<f64>> {
    let count: usize = pair.iter().map(|camera| camera.parameter_count()).sum();
    let mut by_point = DMatrix::zeros(4, 3);
    let mut by_parameters = DMatrix::zeros(4, count);
    let mut start = 0;
    for (index, camera) in pair.into_iter().enumerate() {
        let point_in_camera = camera.camera_from_range * point;
        let seen = camera.lens.project(&point_in_camera)?;
        let rotation = camera.camera_from_range.rotation.to_rotation_matrix();
        let rows = 2 * index;
        by_point
            .view_mut((rows, 0), (2, 3))
            .copy_from(&(seen.pixel_by_point * rotation.matrix()));
        by_parameters
            .view_mut((rows, start), (2, 3))
            .copy_from(&(-seen.pixel_by_point * skew(&point_in_camera.coords)));
        by_parameters
            .view_mut((rows, start + 3), (2, 3))
            .copy_from(&seen.pixel_by_point);
        let lens_count = camera.lens.parameter_count();
        by_parameters
            .view_mut((rows, start + 6), (2, lens_count))
            .copy_from(&seen.pixel_by_parameters);
        start += camera.parameter_count();
    }
    let normal = by_point.transpose() * &by_point;
    Some(-(normal.try_inverse()? * by_point.transpose() * by_parameters))
}

/// Views that a remark names one by one; all are in the survey's JSON.
const MOST_NAMED: usize = 8;

fn remarks(input: &SurveyInput, report: &SurveyDiagnostics) -> Vec<String> {
    let mut remarks: Vec<String> = report
        .board_bends
        .iter()
        .filter_map(BoardBends::words)
        .collect();
    for (index, camera) in input.cameras.iter().enumerate() {
        let left_out: Vec<_> = report
            .left_out
            .iter()
            .filter(|entry| entry.camera == index)
            .collect();
        let Some(first) = left_out.first() else {
            continue;
        };
        let mut reasons: Vec<&str> = left_out.iter().map(|entry| entry.reason()).collect();
        reasons.sort_unstable();
        reasons.dedup();
        let which: Vec<String> = reasons
            .into_iter()
            .map(|reason| {
                let own = || left_out.iter().filter(|entry| entry.reason() == reason);
                let mut places: Vec<String> = own()
                    .take(MOST_NAMED)
                    .map(|entry| {
                        let place = if camera.stills {
                            format!("photograph {}", entry.frame_index)
                        } else {
                            format!("{:.2} s", entry.time_s)
                        };
                        format!("{place} ({:.1} px)", entry.rms_px)
                    })
                    .collect();
                let more = own().count() - places.len();
                if more > 0 {
                    places.push(format!("and {more} more"));
                }
                format!("{}: {reason}", places.join(", "))
            })
            .collect();
        remarks.push(format!(
            "camera {:?}: {} of its views left out, their residuals are over {:.2} px; {}",
            camera.name,
            left_out.len(),
            first.limit_px,
            which.join("; ")
        ));
    }
    for camera in &report.cameras {
        remarks.extend(camera.advice.iter().cloned());
    }
    if !report.solver.converged {
        remarks.push(format!(
            "the adjustment did not converge ({}); the best estimate is kept",
            report.solver.ended
        ));
    }
    remarks
}

/// Clocks and read-outs with their standard deviations into the report; the refined clocks.
fn note_times(
    input: &SurveyInput,
    bundle: &Bundle,
    joint: &DMatrix<f64>,
    report: &mut SurveyDiagnostics,
) -> Vec<ClockModel> {
    let starts = starts_of(&bundle.cameras);
    let mut clocks = Vec::new();
    for (index, camera) in bundle.cameras.iter().enumerate() {
        let clock_at = starts[index] + camera.count() - 2;
        let readout_at = clock_at - 1;
        let own = &mut report.cameras[index];
        own.clock_step_s = (
            camera.clock_step[0],
            joint[(clock_at, clock_at)].max(0.0).sqrt(),
        );
        own.readout_s = (
            camera.readout_s,
            joint[(readout_at, readout_at)].max(0.0).sqrt(),
        );
        clocks.push(refined_clock(
            &input.cameras[index].clock,
            camera,
            joint,
            clock_at,
        ));
    }
    clocks
}

fn cameras_of(input: &SurveyInput, bundle: &Bundle, report: &SurveyDiagnostics) -> Vec<Camera> {
    input
        .cameras
        .iter()
        .zip(&bundle.cameras)
        .enumerate()
        .map(|(index, (given, state))| Camera {
            name: given.name.clone(),
            image_size: given.image_size,
            rotation_deg: given.rotation_deg,
            lens: state.lens,
            shutter: Shutter {
                readout_s: state.readout_s,
                readout_sd_s: if state.readout_prior.is_some() {
                    report.cameras[index].readout_s.1
                } else {
                    given.shutter.readout_sd_s
                },
                exposure_s: given.shutter.exposure_s,
            },
            camera_from_range: state.camera_from_world,
        })
        .collect()
}
