//! The few unknowns that all sightings share: what survey and clocks left uncertain.

use crate::observation::Source;
use drawarc_rig::{Camera, Rig, perturb};
use nalgebra::{DMatrix, DVector, Vector6};

/// Directions of a covariance whose variance, relative to the largest after scaling, is below this are fixed.
const LEAST_VARIANCE: f64 = 1e-12;

/// Two numbers a source: error of the offset (s) and of the rate about the segment's reference.
pub(crate) const CLOCK_NUMBERS: usize = 2;

/// `raw = modes · z` with `z ~ N(0, I)`: parameters of the rig in the order of [`Rig::covariance`], then
/// [`CLOCK_NUMBERS`] a source. Columns of the survey come first, then those of the clocks.
#[derive(Debug, Clone)]
pub(crate) struct Border {
    pub(crate) modes: DMatrix<f64>,
    pub(crate) rig_parameters: usize,
    /// How many of the modes belong to the survey.
    pub(crate) of_survey: usize,
}

/// Square root of a covariance: columns for the directions that vary at all.
fn root(covariance: &DMatrix<f64>) -> DMatrix<f64> {
    let n = covariance.nrows();
    let scale: Vec<f64> = (0..n).map(|i| covariance[(i, i)].max(0.0).sqrt()).collect();
    let free: Vec<usize> = (0..n).filter(|&i| scale[i] > 0.0).collect();
    if free.is_empty() {
        return DMatrix::zeros(n, 0);
    }
    let correlation = DMatrix::from_fn(free.len(), free.len(), |a, b| {
        let (i, j) = (free[a], free[b]);
        0.5 * (covariance[(i, j)] + covariance[(j, i)]) / (scale[i] * scale[j])
    });
    let eigen = correlation.symmetric_eigen();
    let largest = eigen.eigenvalues.max();
    let kept: Vec<usize> = (0..free.len())
        .filter(|&k| eigen.eigenvalues[k] > LEAST_VARIANCE * largest)
        .collect();
    let mut result = DMatrix::zeros(n, kept.len());
    for (column, &k) in kept.iter().enumerate() {
        let spread = eigen.eigenvalues[k].sqrt();
        for (a, &i) in free.iter().enumerate() {
            result[(i, column)] = scale[i] * eigen.eigenvectors[(a, k)] * spread;
        }
    }
    result
}

impl Border {
    pub(crate) fn new(rig: &Rig, sources: &[Source], survey: bool, clocks: bool) -> Self {
        let rig_parameters = rig.parameter_count();
        let n = rig_parameters + CLOCK_NUMBERS * sources.len();
        let mut columns: Vec<DVector<f64>> = Vec::new();
        let mut of_survey = 0;
        if survey {
            let of_rig = root(&rig.covariance);
            for k in 0..of_rig.ncols() {
                let mut column = DVector::zeros(n);
                column
                    .rows_mut(0, rig_parameters)
                    .copy_from(&of_rig.column(k));
                columns.push(column);
            }
            of_survey = columns.len();
        }
        if clocks {
            for (index, source) in sources.iter().enumerate() {
                let s = &source.segment;
                let of_clock = root(&DMatrix::from_row_slice(
                    2,
                    2,
                    &[
                        s.offset_variance_s2,
                        s.offset_rate_covariance_s,
                        s.offset_rate_covariance_s,
                        s.rate_variance,
                    ],
                ));
                for k in 0..of_clock.ncols() {
                    let mut column = DVector::zeros(n);
                    column
                        .rows_mut(rig_parameters + CLOCK_NUMBERS * index, CLOCK_NUMBERS)
                        .copy_from(&of_clock.column(k));
                    columns.push(column);
                }
            }
        }
        let modes = if columns.is_empty() {
            DMatrix::zeros(n, 0)
        } else {
            DMatrix::from_columns(&columns)
        };
        Self {
            modes,
            rig_parameters,
            of_survey,
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.modes.ncols()
    }

    /// Weighs the prior up by a factor.
    pub(crate) fn hold(&mut self, factor: f64) {
        self.modes /= factor.sqrt();
    }

    /// Keeps the directions that move pixels: `effect` is the sum over `count` sightings of squared pixel
    /// shifts by raw parameters. Directions that shift pixels by less than `least_px` rms at one standard
    /// deviation go; what remains is turned so that its effects are uncorrelated, survey and clocks apart.
    pub(crate) fn reduce(&mut self, effect: &DMatrix<f64>, count: usize, least_px: f64) {
        let (survey, clocks) = (self.of_survey, self.len() - self.of_survey);
        let parts = [
            self.modes.columns(0, survey).into_owned(),
            self.modes.columns(survey, clocks).into_owned(),
        ]
        .map(|modes| turned(&modes, effect, count.max(1), least_px));
        self.of_survey = parts[0].ncols();
        let columns: Vec<_> = parts.iter().flat_map(|part| part.column_iter()).collect();
        self.modes = if columns.is_empty() {
            DMatrix::zeros(self.modes.nrows(), 0)
        } else {
            DMatrix::from_columns(&columns)
        };
    }
}

fn turned(
    modes: &DMatrix<f64>,
    effect: &DMatrix<f64>,
    count: usize,
    least_px: f64,
) -> DMatrix<f64> {
    if modes.ncols() == 0 {
        return modes.clone();
    }
    let in_modes = modes.tr_mul(&(effect * modes)) / count as f64;
    let eigen = in_modes.symmetric_eigen();
    let mut kept: Vec<usize> = (0..modes.ncols())
        .filter(|&k| eigen.eigenvalues[k] > least_px * least_px)
        .collect();
    kept.sort_by(|&a, &b| eigen.eigenvalues[b].total_cmp(&eigen.eigenvalues[a]));
    let turn = DMatrix::from_fn(modes.ncols(), kept.len(), |i, k| {
        eigen.eigenvectors[(i, kept[k])]
    });
    modes * turn
}

/// Cameras and clocks as the current estimate has them.
#[derive(Debug, Clone)]
pub(crate) struct Stand {
    pub(crate) cameras: Vec<Camera>,
    /// For each source: reference (camera time), offset there, rate.
    pub(crate) clocks: Vec<(f64, f64, f64)>,
}

impl Stand {
    pub(crate) fn new(rig: &Rig, sources: &[Source], raw: &DVector<f64>) -> Self {
        let cameras = rig
            .cameras
            .iter()
            .enumerate()
            .map(|(index, camera)| {
                let block = rig.block(index);
                let part = raw.rows(block.start, block.len());
                let tangent = Vector6::from_iterator(part.iter().take(6).copied());
                let mut moved = camera.clone();
                if part.iter().any(|v| *v != 0.0) {
                    moved.camera_from_range = perturb(&camera.camera_from_range, &tangent);
                    let lens: Vec<f64> = camera
                        .lens
                        .parameters()
                        .iter()
                        .zip(part.iter().skip(6))
                        .map(|(value, step)| value + step)
                        .collect();
                    moved.lens = camera.lens.with_parameters(&lens).unwrap_or(camera.lens);
                    moved.shutter.readout_s += part[block.len() - 1];
                }
                moved
            })
            .collect();
        let first = rig.parameter_count();
        let clocks = sources
            .iter()
            .enumerate()
            .map(|(index, source)| {
                let at = first + CLOCK_NUMBERS * index;
                let s = &source.segment;
                (
                    s.reference_camera_s,
                    s.offset_s + raw[at],
                    s.rate + raw[at + 1],
                )
            })
            .collect();
        Self { cameras, clocks }
    }

    /// Range time (s) of a row of a frame, and the camera time (s) relative to the clock's reference.
    pub(crate) fn instant(
        &self,
        source: usize,
        camera: usize,
        camera_s: f64,
        row_fraction: f64,
    ) -> (f64, f64) {
        let exposed_s = camera_s + self.cameras[camera].shutter.readout_s * row_fraction;
        let (reference_s, offset_s, rate) = self.clocks[source];
        let lever_s = exposed_s - reference_s;
        (exposed_s + offset_s + (rate - 1.0) * lever_s, lever_s)
    }
}
