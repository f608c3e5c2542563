//! Sightings turned into normal equations about the current estimate.

use crate::PathError;
use crate::border::{Border, CLOCK_NUMBERS, Stand};
use crate::bordered::{Band, Bordered, Factor};
use crate::observation::{Layout, Observation};
use crate::rows::add;
use crate::smoothness::Smoothness;
use crate::spline::{MOST_WEIGHTS, Weights};
use nalgebra::{DMatrix, DVector, Matrix2, Matrix2x3, Matrix3, Point3, Vector2, Vector3};

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
#[derive(Debug, Clone, Copy)]
pub(crate) struct Linear {
    pub(crate) weights: Weights,
    /// Observed minus predicted (px).
    pub(crate) residual: Vector2<f64>,
    /// ∂pixel/∂point in the range frame (px/m).
    pub(crate) by_point: Matrix2x3<f64>,
}

/// ∂pixel/∂(parameters of the camera, then clock offset and rate) of one sighting, a row for each axis.
#[derive(Debug, Clone, Default)]
pub(crate) struct ByRaw([Vec<f64>; 2]);

impl ByRaw {
    pub(crate) fn rows(&self) -> [&[f64]; 2] {
        [&self.0[0], &self.0[1]]
    }
}

/// Linearises one sighting; `None` where the camera cannot see the estimated point. Derivatives by shared
/// unknowns go into `by_raw` where it is given.
pub(crate) fn linearise(
    layout: &Layout,
    stand: &Stand,
    estimate: &Estimate,
    observation: &Observation,
    by_raw: Option<&mut ByRaw>,
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
    let rows = by_raw.map(|ByRaw(rows)| rows);
    if let Some(rows) = rows {
        let velocity = estimate.value(piece.offset, degree, &weights, 1);
        let by_time = by_point * velocity;
        let turn = projection.pixel_by_point * -in_camera.coords.cross_matrix();
        let rate = stand.clocks[observation.source].2;
        for (row, list) in rows.iter_mut().enumerate() {
            list.clear();
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
        residual: observation.pixel - projection.pixel,
        by_point,
    })
}

/// All sightings about one estimate.
#[derive(Debug, Clone)]
pub(crate) struct Lines {
    /// One for each sighting; `None` where the camera cannot see the estimated point.
    pub(crate) linears: Vec<Option<Linear>>,
    /// ∂pixel/∂z of each sighting: two rows of k numbers.
    by_modes: Vec<f64>,
    k: usize,
}

impl Lines {
    pub(crate) fn new(
        layout: &Layout,
        border: &Border,
        stand: &Stand,
        estimate: &Estimate,
    ) -> Self {
        let k = border.len();
        let modes = Modes::new(border, layout, stand);
        let mut by_raw = ByRaw::default();
        let mut by_modes = vec![0.0; 2 * k * layout.observations.len()];
        let linears = layout
            .observations
            .iter()
            .enumerate()
            .map(|(i, o)| {
                if k == 0 {
                    return linearise(layout, stand, estimate, o, None);
                }
                let linear = linearise(layout, stand, estimate, o, Some(&mut by_raw))?;
                let slots = &mut by_modes[2 * k * i..2 * k * (i + 1)];
                modes.by_modes(o.source, &by_raw, slots);
                Some(linear)
            })
            .collect();
        Self {
            linears,
            by_modes,
            k,
        }
    }

    /// ∂pixel/∂z of one sighting: rows of x and y.
    pub(crate) fn by_modes(&self, sighting: usize) -> (&[f64], &[f64]) {
        let at = 2 * self.k * sighting;
        self.by_modes[at..at + 2 * self.k].split_at(self.k)
    }
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

    /// ∂pixel/∂z, into two rows of k numbers.
    pub(crate) fn by_modes(&self, source: usize, by_raw: &ByRaw, slots: &mut [f64]) {
        let k = self.border.len();
        let (first, second) = slots.split_at_mut(k);
        first.fill(0.0);
        second.fill(0.0);
        let [x, y] = by_raw.rows();
        let (start, count, clock) = self.blocks[source];
        let rows = |from: usize, count: usize| &self.rows[from * k..(from + count) * k];
        let parts = [(start, 0, count), (clock, count, CLOCK_NUMBERS)];
        for (from, at, count) in parts {
            add(first, &x[at..at + count], rows(from, count));
            add(second, &y[at..at + count], rows(from, count));
        }
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
    lines: &Lines,
    estimate: &Estimate,
    information: &[Matrix2<f64>],
    order: usize,
) -> Normal {
    let n = 3 * layout.coefficients();
    let k = lines.k;
    let degree = layout.pieces[0].grid.degree;
    let mut normal = Normal {
        band: Band::zeros(n, half_band(degree, order)),
        border: vec![0.0; n * k],
        corner: DMatrix::zeros(k, k),
        rhs: vec![0.0; n],
        rhs_corner: DVector::zeros(k),
    };
    let mut scratch = vec![0.0; 3 * k];
    for (i, (observation, weight)) in layout.observations.iter().zip(information).enumerate() {
        let Some(linear) = lines.linears[i].as_ref().filter(|_| weight[(0, 0)] > 0.0) else {
            continue;
        };
        let piece = &layout.pieces[observation.piece];
        let w = &linear.weights;
        let (by_x, by_y) = lines.by_modes(i);
        let point = estimate.value(piece.offset, degree, w, 0);
        let mut target = linear.residual + linear.by_point * point;
        for ((x, y), z) in by_x.iter().zip(by_y).zip(estimate.z.iter()) {
            target.x += x * z;
            target.y += y * z;
        }
        let weighted = linear.by_point.transpose() * weight;
        let first = 3 * (piece.offset + w.first);
        let values = &w.by_derivative[0][..=degree];
        normal.add_band(
            first,
            values,
            &(weighted * linear.by_point),
            &(weighted * target),
        );
        if k > 0 {
            for (a, list) in scratch.chunks_exact_mut(k).enumerate() {
                for ((slot, x), y) in list.iter_mut().zip(by_x).zip(by_y) {
                    *slot = weighted[(a, 0)] * x + weighted[(a, 1)] * y;
                }
            }
            normal.add_border(first, values, &scratch);
            normal.add_corner(weight, (by_x, by_y), &(weight * target));
        }
    }
    normal.corner.fill_upper_triangle_with_lower_triangle();
    normal
}

impl Normal {
    /// One sighting's part of the band: `values` are its spline's weights from coefficient row `first` on, `block`
    /// the information about its point.
    fn add_band(
        &mut self,
        first: usize,
        values: &[f64],
        block: &Matrix3<f64>,
        right: &Vector3<f64>,
    ) {
        // Row i of the band: axis a of coefficient j, against all earlier ones.
        let mut outer = [0.0; 3 * MOST_WEIGHTS];
        for a in 0..3 {
            for (slots, value) in outer.chunks_exact_mut(3).zip(values) {
                for (b, slot) in slots.iter_mut().enumerate() {
                    *slot = value * block[(a, b)];
                }
            }
            for (j, &value) in values.iter().enumerate() {
                let i = first + 3 * j + a;
                for (slot, x) in self.band.row_from_mut(i, first).iter_mut().zip(&outer) {
                    *slot += value * x;
                }
                self.rhs[i] += value * right[a];
            }
        }
    }

    /// Its part of the border: `across` holds three rows of k numbers.
    fn add_border(&mut self, first: usize, values: &[f64], across: &[f64]) {
        let from = first * self.corner.nrows();
        let rows = &mut self.border[from..from + values.len() * across.len()];
        for (rows, value) in rows.chunks_exact_mut(across.len()).zip(values) {
            for (slot, x) in rows.iter_mut().zip(across) {
                *slot += value * x;
            }
        }
    }

    /// Its part of the corner (lower triangle).
    fn add_corner(
        &mut self,
        weight: &Matrix2<f64>,
        by_modes: (&[f64], &[f64]),
        pull: &Vector2<f64>,
    ) {
        let k = self.corner.nrows();
        let (by_x, by_y) = by_modes;
        for column in 0..k {
            let x = weight[(0, 0)] * by_x[column] + weight[(0, 1)] * by_y[column];
            let y = weight[(1, 0)] * by_x[column] + weight[(1, 1)] * by_y[column];
            let slots = &mut self.corner.as_mut_slice()[column * k + column..(column + 1) * k];
            for ((slot, p), q) in slots.iter_mut().zip(&by_x[column..]).zip(&by_y[column..]) {
                *slot += x * p + y * q;
            }
            self.rhs_corner[column] += by_x[column] * pull[0] + by_y[column] * pull[1];
        }
    }

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
