//! The fit: sightings in, path out.

use crate::border::{Border, CLOCK_NUMBERS, Stand};
use crate::consensus::{self, Disagreement};
use crate::diagnostics::{self, PathDiagnostics};
use crate::echo::Echo;
use crate::epipolar;
use crate::influence::{effects, expected_px};
use crate::initial;
use crate::lasting;
use crate::noise::Noise;
use crate::observation;
use crate::patience;
use crate::posterior::Posterior;
use crate::release::Break;
use crate::rounds::{Course, Fitter};
use crate::smoothness::Smoothness;
use crate::{ElbowPath, PathError, PathInput};
use drawarc_rig::{ClockModel, ClockSegment};
use drawarc_sync_track::{MarkerRole, SightingSeries};
use nalgebra::DVector;
use std::sync::Arc;

/// What a fit gives.
#[derive(Debug, Clone)]
pub struct PathFit {
    /// The draw elbow's path; where no series shows the elbow, that of the first marker.
    pub path: ElbowPath,
    /// Paths of the other markers, in the order of their roles.
    pub others: Vec<ElbowPath>,
    /// Clocks refined by the motion, with their posterior variance.
    pub clocks: Vec<ClockModel>,
    /// What a person should know about the fit.
    pub diagnostics: PathDiagnostics,
}

impl PathFit {
    /// The path of a marker.
    pub fn path_of(&self, role: MarkerRole) -> Option<&ElbowPath> {
        std::iter::once(&self.path)
            .chain(&self.others)
            .find(|path| path.role() == role)
    }
}

/// Shared unknowns that shift pixels by less than this (rms, at one standard deviation) are left fixed: a fiftieth
/// of a good marker's noise.
pub(crate) const LEAST_EFFECT_PX: f64 = 0.002;
/// Fits one curve to all sightings of each marker.
///
/// The path is a spline whose m-th differences have a Gaussian prior with variance learned along the way
/// (restricted likelihood); each sighting enters at its own instant `clock(camera_s + row delay)` with its own
/// covariance; clocks, read-out, poses and lenses are unknowns with their surveyed covariance as prior. Solved by
/// Gauss-Newton on banded normal equations with a border, in time linear in the number of sightings.
///
/// # Errors
/// [`PathError::Value`] for settings that cannot be, [`PathError::Count`] and [`PathError::Camera`] where input
/// and rig do not fit, [`PathError::NoOverlap`] where no two cameras see a marker for long enough,
/// [`PathError::Parallel`] where rays do not meet, [`PathError::Singular`].
pub fn fit_path(input: &PathInput<'_>) -> Result<PathFit, PathError> {
    let settings = &input.settings;
    settings.validate()?;
    let mut layout = observation::layout(input.rig, input.clocks, input.series, settings)?;
    let mut border = Border::new(
        input.rig,
        &layout.sources,
        settings.refine_survey,
        settings.refine_clocks,
    );
    let raw = DVector::zeros(border.modes.nrows());
    let stand = Stand::new(input.rig, &layout.sources, &raw);
    let mut first = initial::estimate(&layout, &stand, settings.order, border.len())?;
    let expected = expected_px(&layout, &border, &stand, &first);
    let disagreement = consensus::find(&layout, &stand, &expected);
    if let Some(odd) = &disagreement {
        // Whatever it sees must not count as seen.
        let rest: Vec<SightingSeries> = input
            .series
            .iter()
            .filter(|series| series.camera != odd.camera)
            .cloned()
            .collect();
        layout = observation::layout(input.rig, input.clocks, &rest, settings)?;
        first = initial::estimate(&layout, &stand, settings.order, 0)?;
    }
    let (effect, count) = effects(&layout, &border, &stand, &first);
    border.reduce(&effect, count, LEAST_EFFECT_PX);
    let patience = patience::factor(&layout, settings);
    border.hold(patience);
    first.z = DVector::zeros(border.len());
    let mut fitter = Fitter {
        rig: input.rig,
        settings,
        smoothness: Smoothness::new(
            &layout,
            settings.order,
            settings.adapt_s,
            settings.adapt_prior,
        ),
        noise: Noise {
            scale: vec![1.0; input.rig.cameras.len()],
            white: vec![1.0; input.rig.cameras.len()],
            lasting_px2: vec![0.0; input.rig.cameras.len()],
            share: settings.wrong_share,
            width: settings.wrong_width,
        },
        judgements: Vec::new(),
        layout,
        border,
        estimate: first,
    };
    let course = fitter.run(input.release_hint_s)?;
    finish(input, fitter, &course, disagreement, patience)
}

fn finish(
    input: &PathInput<'_>,
    fitter: Fitter<'_>,
    course: &Course,
    disagreement: Option<Disagreement>,
    patience: f64,
) -> Result<PathFit, PathError> {
    let stand = fitter.stand();
    let lines = fitter.lines(&stand);
    let mut factor = fitter.normal(&lines).factor(&fitter.smoothness)?;
    factor.widen_border(patience);
    let runs = epipolar::runs(
        &fitter.layout,
        &lines,
        &fitter.judgements,
        &fitter.noise.white,
        &factor.border_covariance(),
    );
    let echo = Echo::new(
        (lasting::lasting(&runs), input.settings.constant_px),
        &fitter.layout,
        &lines,
        &fitter.judgements,
        &factor,
    );
    let Fitter {
        layout,
        border,
        estimate,
        noise,
        judgements,
        ..
    } = fitter;
    let posterior = Posterior::new(layout, border, estimate, factor, echo);
    let clocks = refined_clocks(input.clocks, &posterior);
    let diagnostics = diagnostics::diagnose(
        &posterior,
        &stand,
        &noise,
        &judgements,
        (course.rounds, course.settled),
        disagreement,
    );
    let mut paths = paths(&Arc::new(posterior), &course.breaks);
    let elbow = paths
        .iter()
        .position(|p| p.role() == MarkerRole::Elbow)
        .unwrap_or(0);
    let path = paths.remove(elbow);
    Ok(PathFit {
        path,
        others: paths,
        clocks,
        diagnostics,
    })
}

/// One path for each role that has pieces.
pub(crate) fn paths(posterior: &Arc<Posterior>, breaks: &[(usize, Break)]) -> Vec<ElbowPath> {
    let layout = &posterior.layout;
    layout
        .roles
        .iter()
        .filter(|role| layout.pieces.iter().any(|p| p.role == **role))
        .map(|&role| ElbowPath {
            posterior: Arc::clone(posterior),
            role,
            pieces: layout
                .pieces
                .iter()
                .filter(|p| p.role == role)
                .copied()
                .collect(),
            gaps: layout
                .gaps
                .iter()
                .filter(|gap| gap.role == role)
                .cloned()
                .collect(),
            breaks: breaks
                .iter()
                .filter(|(piece, _)| layout.pieces[*piece].role == role)
                .map(|(_, found)| *found)
                .collect(),
        })
        .collect()
}

fn refined_clocks(clocks: &[ClockModel], posterior: &Posterior) -> Vec<ClockModel> {
    let modes = &posterior.border.modes;
    let raw = modes * &posterior.estimate.z;
    let mut refined = Vec::with_capacity(clocks.len());
    let mut at = posterior.border.rig_parameters;
    for clock in clocks {
        let segments: Vec<ClockSegment> = clock
            .segments()
            .iter()
            .map(|segment| {
                let rows = modes.rows(at, CLOCK_NUMBERS);
                let spread = rows * &posterior.border_covariance * rows.transpose();
                let moved = segment.offset_variance_s2 > 0.0 && rows.amax() > 0.0;
                let result = if moved {
                    ClockSegment {
                        offset_s: segment.offset_s + raw[at],
                        rate: segment.rate + raw[at + 1],
                        offset_variance_s2: spread[(0, 0)],
                        rate_variance: spread[(1, 1)],
                        offset_rate_covariance_s: spread[(0, 1)],
                        ..*segment
                    }
                } else {
                    *segment
                };
                at += CLOCK_NUMBERS;
                result
            })
            .collect();
        refined.push(ClockModel::piecewise(segments).unwrap_or_else(|| clock.clone()));
    }
    refined
}
