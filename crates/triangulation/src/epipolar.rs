//! What the views contradict each other: the part of residuals that no path can take up.
//!
//! Of 2n coordinates of n cameras at one instant a point takes up three; in the other 2n − 3 combinations errors of
//! sightings show in full, whatever the curve did with the rest.

use crate::noise::Judgement;
use crate::normal::Lines;
use crate::observation::{Layout, Observation};
use nalgebra::{DMatrix, DVector, Matrix3};

/// Residuals are averaged over this time (s), or over 1.5 frames of the slowest camera where that is longer.
const CELL_S: f64 = 0.04;
/// A sighting less probable than this to be right is left out.
pub(crate) const RIGHT: f64 = 0.5;
/// The survey's effect is looked at in every so many cells.
const SURVEY_EVERY: usize = 8;

/// One instant of a run.
#[derive(Debug, Clone)]
pub(crate) struct Cell {
    /// Range time (s), middle.
    pub(crate) time_s: f64,
    /// The contradictions (px), as many as the run has.
    pub(crate) values: DVector<f64>,
    /// Variance of each from white noise (px²).
    pub(crate) white_px2: f64,
}

/// A stretch seen by the same cameras, its combinations carried along without a turn.
#[derive(Debug, Clone)]
pub(crate) struct Run {
    pub(crate) cells: Vec<Cell>,
    /// Variance of each contradiction from survey and clocks (px²).
    pub(crate) survey_px2: f64,
}

/// A run that goes on.
struct Open {
    piece: usize,
    cameras: Vec<usize>,
    /// Its combinations of coordinates, a column each.
    basis: DMatrix<f64>,
    /// Variances from the survey so far (px²).
    survey_px2: Vec<f64>,
}

/// Runs of all pieces. `white` scales the stated noise of each camera to its white part; `spread` is the covariance of
/// the shared unknowns.
pub(crate) fn runs(
    layout: &Layout,
    lines: &Lines,
    judgements: &[Judgement],
    white: &[f64],
    spread: &DMatrix<f64>,
) -> Vec<Run> {
    let cell_s = CELL_S.max(1.5 * slowest_step_s(layout, white.len()));
    let mut runs: Vec<Run> = Vec::new();
    let mut open: Option<Open> = None;
    let place = |o: &Observation| {
        let since_s = o.nominal_s - layout.pieces[o.piece].grid.start_s;
        (o.piece, (since_s / cell_s).floor())
    };
    let mut at = 0;
    while at < layout.observations.len() {
        let here = place(&layout.observations[at]);
        let count = layout.observations[at..]
            .iter()
            .take_while(|o| place(o) == here)
            .count();
        let members: Vec<usize> = (at..at + count)
            .filter(|&i| judgements[i].right > RIGHT && lines.linears[i].is_some())
            .collect();
        at += count;
        let Some(view) = Views::of(layout, lines, &members, white) else {
            continue;
        };
        let follows = open
            .as_ref()
            .is_some_and(|open| open.piece == here.0 && open.cameras == view.cameras);
        if !follows {
            let Some(basis) = view.first_basis() else {
                continue;
            };
            close(&mut runs, open.take());
            runs.push(Run {
                cells: Vec::new(),
                survey_px2: 0.0,
            });
            open = Some(Open {
                piece: here.0,
                cameras: view.cameras.clone(),
                basis,
                survey_px2: Vec::new(),
            });
        }
        let Some(run) = runs.last_mut() else { continue };
        let Some(Open {
            basis, survey_px2, ..
        }) = open.as_mut()
        else {
            continue;
        };
        let Some(next) = view.carried(basis) else {
            continue;
        };
        *basis = next;
        if run.cells.len() % SURVEY_EVERY == 0 && spread.nrows() > 0 {
            let seen = basis.transpose() * view.by_modes(lines, spread.nrows());
            survey_px2.push((&seen * spread * seen.transpose()).trace() / basis.ncols() as f64);
        }
        let white_px2 = basis
            .row_iter()
            .zip(&view.white_px2)
            .map(|(row, v)| row.norm_squared() * v)
            .sum::<f64>()
            / basis.ncols() as f64;
        run.cells.push(Cell {
            time_s: layout.pieces[here.0].grid.start_s + (here.1 + 0.5) * cell_s,
            values: basis.transpose() * &view.residual,
            white_px2,
        });
    }
    close(&mut runs, open.take());
    runs
}

fn close(runs: &mut [Run], open: Option<Open>) {
    if let (Some(run), Some(open)) = (runs.last_mut(), open) {
        run.survey_px2 = open.survey_px2.iter().sum::<f64>() / open.survey_px2.len().max(1) as f64;
    }
}

fn slowest_step_s(layout: &Layout, cameras: usize) -> f64 {
    let mut last = vec![None; cameras];
    let mut steps = vec![Vec::new(); cameras];
    for o in &layout.observations {
        if let Some((piece, before_s)) = last[o.camera]
            && piece == o.piece
        {
            steps[o.camera].push(o.nominal_s - before_s);
        }
        last[o.camera] = Some((o.piece, o.nominal_s));
    }
    steps
        .iter_mut()
        .filter(|list| !list.is_empty())
        .map(|list| {
            let middle = list.len() / 2;
            *list.select_nth_unstable_by(middle, f64::total_cmp).1
        })
        .fold(0.0, f64::max)
}

/// What the cameras say in one cell: two rows for each.
struct Views {
    cameras: Vec<usize>,
    /// A sighting of each camera.
    examples: Vec<usize>,
    residual: DVector<f64>,
    by_point: DMatrix<f64>,
    white_px2: Vec<f64>,
}

impl Views {
    fn of(layout: &Layout, lines: &Lines, members: &[usize], white: &[f64]) -> Option<Self> {
        let mut cameras: Vec<usize> = members
            .iter()
            .map(|&i| layout.observations[i].camera)
            .collect();
        cameras.sort_unstable();
        cameras.dedup();
        let n = cameras.len();
        if n < 2 {
            return None;
        }
        let mut views = Self {
            residual: DVector::zeros(2 * n),
            by_point: DMatrix::zeros(2 * n, 3),
            white_px2: vec![0.0; 2 * n],
            examples: vec![0; n],
            cameras,
        };
        let mut counts = vec![0.0; n];
        for &i in members {
            let o = &layout.observations[i];
            let linear = lines.linears[i].as_ref()?;
            let slot = views.cameras.iter().position(|c| *c == o.camera)?;
            counts[slot] += 1.0;
            views.examples[slot] = i;
            let variance = 0.5 * o.covariance.trace() * white[o.camera] * white[o.camera];
            for axis in 0..2 {
                views.residual[2 * slot + axis] += linear.residual[axis];
                views.white_px2[2 * slot + axis] += variance;
                for column in 0..3 {
                    views.by_point[(2 * slot + axis, column)] += linear.by_point[(axis, column)];
                }
            }
        }
        for (slot, count) in counts.iter().enumerate() {
            for row in [2 * slot, 2 * slot + 1] {
                views.residual[row] /= count;
                views.white_px2[row] /= count * count;
                views.by_point.row_mut(row).scale_mut(1.0 / count);
            }
        }
        Some(views)
    }

    /// Takes away what a point takes up.
    fn projector(&self) -> Option<DMatrix<f64>> {
        let square = self.by_point.transpose() * &self.by_point;
        let square: Matrix3<f64> = square.fixed_view::<3, 3>(0, 0).into_owned();
        let inverse = square.try_inverse()?;
        let n = self.by_point.nrows();
        let inverse = DMatrix::from_column_slice(3, 3, inverse.as_slice());
        Some(DMatrix::identity(n, n) - &self.by_point * inverse * self.by_point.transpose())
    }

    fn first_basis(&self) -> Option<DMatrix<f64>> {
        let eigen = self.projector()?.symmetric_eigen();
        let kept: Vec<_> = eigen
            .eigenvectors
            .column_iter()
            .zip(eigen.eigenvalues.iter())
            .filter(|(_, value)| **value > 0.5)
            .map(|(column, _)| column.into_owned())
            .collect();
        (kept.len() + 3 == self.by_point.nrows()).then(|| DMatrix::from_columns(&kept))
    }

    /// The combinations of the cell before, turned as little as the views have.
    fn carried(&self, before: &DMatrix<f64>) -> Option<DMatrix<f64>> {
        let mut basis = self.projector()? * before;
        for column in 0..basis.ncols() {
            for other in 0..column {
                let share = basis.column(column).dot(&basis.column(other));
                let along = basis.column(other) * share;
                let mut mine = basis.column_mut(column);
                mine -= along;
            }
            let length = basis.column(column).norm();
            if length.is_nan() || length < 1e-3 {
                return None;
            }
            basis.column_mut(column).unscale_mut(length);
        }
        Some(basis)
    }

    fn by_modes(&self, lines: &Lines, k: usize) -> DMatrix<f64> {
        let mut rows = DMatrix::zeros(2 * self.cameras.len(), k);
        for (slot, &i) in self.examples.iter().enumerate() {
            let (x, y) = lines.by_modes(i);
            for column in 0..k {
                rows[(2 * slot, column)] = x[column];
                rows[(2 * slot + 1, column)] = y[column];
            }
        }
        rows
    }
}
