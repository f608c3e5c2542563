//! Sightings turned into normal equations about the current estimate.

use crate::PathError;
use crate::border::{Border, CLOCK_NUMBERS, Stand};
use crate::bordered::{Band, Bordered, Factor};
use crate::observation::{Layout, Observation};
use crate::smoothness::Smoothness;
use crate::spline::Weights;
use nalgebra::{DMatrix, DVector, Matrix2, Matrix2x3, Point3, Vector2, Vector3};

/// The current estimate: all coefficients (three numbers each) and the border's modes.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Estimate {
    pub(crate) coefficients: Vec<f64>,
    pub(crate) z: DVector<f64>,
}

impl Estimate {
    /// Value or derivative of the path at given weights; `offset` is the piece's first coefficient.
    pub(crate) fn value(
        &self,
        offset: usize,
        degree: usize,
        w: &Weights,
        order: usize,
    ) -> Vector3<f64> {
        let mut sum = Vector3::zeros();
        for (j, weight) in w.by_derivative[order].iter().enumerate().take(degree + 1) {
            let at = 3 * (offset + w.first + j);
            sum += Vector3::from_column_slice(&self.coefficients[at..at + 3]) * *weight;
        }
        sum
    }
}

/// Least squares in the data alone: `[A B; Bᵀ C] x = rhs`, prior left out.
#[derive(Debug, Clone)]
pub(crate) struct Normal {
    pub(crate) band: Band,
    pub(crate) border: Vec<f64>,
    pub(crate) corner: DMatrix<f64>,
    pub(crate) rhs: Vec<f64>,
    pub(crate) rhs_corner: DVector<f64>,
}

/// One sighting about the current estimate.
#[derive(Debug, Clone)]
pub(crate) struct Linear {
    pub(crate) weights: Weights,
    /// Observed minus predicted (px).
    pub(crate) residual: Vector2<f64>,
    /// ∂pixel/∂point in the range frame (px/m).
    pub(crate) by_point: Matrix2x3<f64>,
    /// ∂pixel/∂(parameters of the camera, then clock offset and rate), two rows one after the other.
    pub(crate) by_raw: [Vec<f64>; 2],
}

/// Linearises one sighting; `None` where the camera cannot see the estimated point. Derivatives by shared
/// unknowns are left empty unless `with_border`.
pub(crate) fn linearise(
    layout: &Layout,
    stand: &Stand,
    estimate: &Estimate,
    observation: &Observation,
    with_border: bool,
) -> Option<Linear> {
    let piece = &layout.pieces[observation.piece];
    let camera = &stand.cameras[observation.camera];
    let (time_s, lever_s) = stand.instant(
        observation.source,
        observation.camera,
        observation.camera_s,
        observation.row_fraction,
    );
    let degree = piece.grid.degree;
    let weights = piece.grid.weights(time_s);
    let point = Point3::from(estimate.value(piece.offset, degree, &weights, 0));
    let in_camera = camera.camera_from_range * point;
    let projection = camera.lens.project(&in_camera)?;
    let rotation = camera.camera_from_range.rotation.to_rotation_matrix();
    let by_point = projection.pixel_by_point * rotation.matrix();
    let residual = observation.pixel - projection.pixel;
    let mut by_raw = [Vec::new(), Vec::new()];
    if with_border {
        let velocity = estimate.value(piece.offset, degree, &weights, 1);
        let by_time = by_point * velocity;
        let turn = projection.pixel_by_point * -in_camera.coords.cross_matrix();
        let rate = stand.clocks[observation.source].2;
        for (row, list) in by_raw.iter_mut().enumerate() {
            list.reserve(camera.parameter_count() + CLOCK_NUMBERS);
            list.extend((0..3).map(|k| turn[(row, k)]));
            list.extend((0..3).map(|k| projection.pixel_by_point[(row, k)]));
            list.extend(projection.pixel_by_parameters.row(row).iter());
            list.push(by_time[row] * rate * observation.row_fraction);
            list.push(by_time[row]);
            list.push(by_time[row] * lever_s);
        }
    }
    Some(Linear {
        weights,
        residual,
        by_point,
        by_raw,
    })
}

/// The shared unknowns as one source sees them: rows of the modes that act on it.
pub(crate) struct Modes<'a> {
    border: &'a Border,
    blocks: Vec<(usize, usize, usize)>,
    /// Modes row by row.
    rows: Vec<f64>,
}

impl<'a> Modes<'a> {
    pub(crate) fn new(border: &'a Border, layout: &Layout, stand: &Stand) -> Self {
        let mut starts = Vec::new();
        let mut start = 0;
        for camera in &stand.cameras {
            starts.push(start);
            start += camera.parameter_count();
        }
        let blocks = layout
            .sources
            .iter()
            .enumerate()
            .map(|(index, source)| {
                (
                    starts[source.camera],
                    stand.cameras[source.camera].parameter_count(),
                    border.rig_parameters + CLOCK_NUMBERS * index,
                )
            })
            .collect();
        let rows = border.modes.transpose().as_slice().to_vec();
        Self {
            border,
            blocks,
            rows,
        }
    }

    /// Raw index of each of the numbers in [`Linear::by_raw`].
    pub(crate) fn raw_indices(&self, source: usize) -> impl Iterator<Item = usize> {
        let (start, count, clock) = self.blocks[source];
        (start..start + count).chain(clock..clock + CLOCK_NUMBERS)
    }

    /// ∂pixel/∂z: two rows of k numbers.
    pub(crate) fn by_modes(&self, source: usize, linear: &Linear) -> [Vec<f64>; 2] {
        let k = self.border.len();
        let mut result = [vec![0.0; k], vec![0.0; k]];
        for (position, raw) in self.raw_indices(source).enumerate() {
            let row = &self.rows[raw * k..(raw + 1) * k];
            let (a, b) = (linear.by_raw[0][position], linear.by_raw[1][position]);
            let [first, second] = &mut result;
            for ((x, y), m) in first.iter_mut().zip(second.iter_mut()).zip(row) {
                *x += a * m;
                *y += b * m;
            }
        }
        result
    }
}

/// Half-bandwidth of the scalar band: three axes, coupled over `reach` coefficients.
pub(crate) fn half_band(degree: usize, order: usize) -> usize {
    3 * degree.max(order) + 2
}

/// Adds up the data's normal equations. `information[i]` is the weight matrix of sighting i (px⁻²); sightings
/// with zero weight or out of view are left out.
pub(crate) fn assemble(
    layout: &Layout,
    border: &Border,
    estimate: &Estimate,
    stand: &Stand,
    information: &[Matrix2<f64>],
    order: usize,
) -> Normal {
    let n = 3 * layout.coefficients();
    let k = border.len();
    let degree = layout.pieces[0].grid.degree;
    let modes = Modes::new(border, layout, stand);
    let mut normal = Normal {
        band: Band::zeros(n, half_band(degree, order)),
        border: vec![0.0; n * k],
        corner: DMatrix::zeros(k, k),
        rhs: vec![0.0; n],
        rhs_corner: DVector::zeros(k),
    };
    for (observation, weight) in layout.observations.iter().zip(information) {
        if weight[(0, 0)] <= 0.0 {
            continue;
        }
        let Some(linear) = linearise(layout, stand, estimate, observation, k > 0) else {
            continue;
        };
        add(
            &mut normal,
            layout,
            estimate,
            observation,
            &linear,
            weight,
            &modes,
        );
    }
    normal.corner.fill_upper_triangle_with_lower_triangle();
    normal
}

#[expect(
    clippy::too_many_arguments,
    reason = "the inner step of one loop, apart only to be read apart"
)]
fn add(
    normal: &mut Normal,
    layout: &Layout,
    estimate: &Estimate,
    observation: &Observation,
    linear: &Linear,
    weight: &Matrix2<f64>,
    modes: &Modes<'_>,
) {
    let piece = &layout.pieces[observation.piece];
    let degree = piece.grid.degree;
    let k = normal.corner.nrows();
    let w = &linear.weights;
    let point = estimate.value(piece.offset, degree, w, 0);
    let mut target = linear.residual + linear.by_point * point;
    let by_modes = if k > 0 {
        let by_modes = modes.by_modes(observation.source, linear);
        for (row, list) in by_modes.iter().enumerate() {
            target[row] += list
                .iter()
                .zip(estimate.z.iter())
                .map(|(a, b)| a * b)
                .sum::<f64>();
        }
        by_modes
    } else {
        [Vec::new(), Vec::new()]
    };
    let weighted = linear.by_point.transpose() * weight;
    let block = weighted * linear.by_point;
    let right = weighted * target;
    let first = 3 * (piece.offset + w.first);
    let value = &w.by_derivative[0];
    // Row i of the band: axis a of coefficient j, against all earlier ones.
    for j in 0..=degree {
        for a in 0..3 {
            let i = first + 3 * j + a;
            let row = normal.band.row_from_mut(i, first);
            for (column, slot) in row.iter_mut().enumerate() {
                *slot += value[j] * value[column / 3] * block[(a, column % 3)];
            }
            normal.rhs[i] += value[j] * right[a];
        }
    }
    if k == 0 {
        return;
    }
    let mut across = [vec![0.0; k], vec![0.0; k], vec![0.0; k]];
    for (a, list) in across.iter_mut().enumerate() {
        for ((slot, x), y) in list.iter_mut().zip(&by_modes[0]).zip(&by_modes[1]) {
            *slot = weighted[(a, 0)] * x + weighted[(a, 1)] * y;
        }
    }
    for (j, &basis) in value.iter().enumerate().take(degree + 1) {
        for (a, list) in across.iter().enumerate() {
            let at = (first + 3 * j + a) * k;
            for (slot, x) in normal.border[at..at + k].iter_mut().zip(list) {
                *slot += basis * x;
            }
        }
    }
    let pull = weight * target;
    for column in 0..k {
        let x = weight[(0, 0)] * by_modes[0][column] + weight[(0, 1)] * by_modes[1][column];
        let y = weight[(1, 0)] * by_modes[0][column] + weight[(1, 1)] * by_modes[1][column];
        let slots = &mut normal.corner.as_mut_slice()[column * k..(column + 1) * k];
        for ((slot, p), q) in slots[column..]
            .iter_mut()
            .zip(&by_modes[0][column..])
            .zip(&by_modes[1][column..])
        {
            *slot += x * p + y * q;
        }
        normal.rhs_corner[column] += by_modes[0][column] * pull[0] + by_modes[1][column] * pull[1];
    }
}

impl Normal {
    /// Adds the priors (smoothness, unit variance of the modes) and factorises.
    ///
    /// # Errors
    /// [`PathError::Singular`].
    pub(crate) fn factor(&self, smoothness: &Smoothness) -> Result<Factor, PathError> {
        let mut band = self.band.clone();
        smoothness.add_to(&mut band);
        let k = self.corner.nrows();
        let unknowns = band.len() + k;
        Bordered {
            band,
            border: self.border.clone(),
            corner: &self.corner + DMatrix::identity(k, k),
        }
        .factor()
        .map_err(|unknown| PathError::Singular { unknown, unknowns })
    }

    pub(crate) fn solve(&self, factor: &Factor) -> Estimate {
        let (coefficients, z) = factor.solve(&self.rhs, &self.rhs_corner);
        Estimate { coefficients, z }
    }

    /// Minus twice the logarithm of the restricted likelihood (Patterson & Thompson 1971; in this form Wood,
    /// Generalized Additive Models, 2nd ed., eq. 6.18), less a constant of the data; the shared unknowns held at
    /// zero.
    ///
    /// # Errors
    /// [`PathError::Singular`].
    pub(crate) fn deviance_alone(&self, smoothness: &Smoothness) -> Result<f64, PathError> {
        let mut band = self.band.clone();
        smoothness.add_to(&mut band);
        let unknowns = band.len();
        let factor = Bordered {
            band,
            border: Vec::new(),
            corner: DMatrix::zeros(0, 0),
        }
        .factor()
        .map_err(|unknown| PathError::Singular { unknown, unknowns })?;
        let (x, _) = factor.solve(&self.rhs, &DVector::zeros(0));
        let explained: f64 = self.rhs.iter().zip(&x).map(|(a, b)| a * b).sum();
        Ok(factor.log_det() + smoothness.log_variance() - explained)
    }
}
