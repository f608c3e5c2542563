//! What a rig could reach on a given motion: the error of a path whose roughness is known beforehand.

use crate::border::{Border, Stand};
use crate::echo::Echo;
use crate::fit::{LEAST_EFFECT_PX, paths};
use crate::influence::effects;
use crate::normal::{Lines, assemble};
use crate::observation;
use crate::posterior::Posterior;
use crate::smoothness::Smoothness;
use crate::{ElbowPath, PathError, PathInput, initial};
use drawarc_sync_track::MarkerRole;
use nalgebra::{DVector, Matrix2, Point3};
use std::sync::Arc;

/// The spline follows the given path as closely as this lets it (m²).
const FREE_M2: f64 = 1e6;
/// Roughness is known to within this many knots to both sides.
const REACH: usize = 4;

/// Posterior of a fit, had it been told the roughness of the path at every instant: a bound to measure fits against,
/// and a forecast of a rig that is only planned. `place` is the path of each marker in the range frame (m) over range
/// time (s). Of the sightings only instants and covariances count; the mean of the paths is `place`.
///
/// The paths come in the order of their roles; draws and covariance are of errors about `place`.
///
/// # Errors
/// As [`crate::fit_path`].
pub fn forecast(
    input: &PathInput<'_>,
    place: &dyn Fn(MarkerRole, f64) -> Point3<f64>,
) -> Result<Vec<ElbowPath>, PathError> {
    let settings = &input.settings;
    settings.validate()?;
    let layout = observation::layout(input.rig, input.clocks, input.series, settings)?;
    let mut border = Border::new(
        input.rig,
        &layout.sources,
        settings.refine_survey,
        settings.refine_clocks,
    );
    let raw = DVector::zeros(border.modes.nrows());
    let stand = Stand::new(input.rig, &layout.sources, &raw);
    let mut estimate = initial::nearest(&layout, settings.order, 0, FREE_M2, place)?;
    let (effect, count) = effects(&layout, &border, &stand, &estimate);
    border.reduce(&effect, count, LEAST_EFFECT_PX);
    estimate.z = DVector::zeros(border.len());
    let mut smoothness = Smoothness::new(
        &layout,
        settings.order,
        settings.adapt_s,
        settings.adapt_prior,
    );
    smoothness.set_from(&estimate, REACH);
    let information: Vec<Matrix2<f64>> = layout
        .observations
        .iter()
        .map(|o| o.covariance.try_inverse().unwrap_or_else(Matrix2::zeros))
        .collect();
    let lines = Lines::new(&layout, &border, &stand, &estimate);
    let factor =
        assemble(&layout, &lines, &estimate, &information, settings.order).factor(&smoothness)?;
    let posterior = Posterior::new(layout, border, estimate, factor, Echo::none());
    Ok(paths(&Arc::new(posterior), &[]))
}
