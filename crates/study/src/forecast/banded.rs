//! A symmetric positive definite matrix with few diagonals, and its Cholesky factor.

use nalgebra::DMatrix;

/// Lower band, row by row: `row[k]` is the entry `width − k` places left of the diagonal.
#[derive(Debug, Clone)]
pub(crate) struct Banded {
    size: usize,
    width: usize,
    rows: Vec<f64>,
}

impl Banded {
    /// Zeros, with `width` diagonals below the main one.
    pub(crate) fn zeros(size: usize, width: usize) -> Self {
        Self {
            size,
            width,
            rows: vec![0.0; size * (width + 1)],
        }
    }

    fn place(&self, row: usize, column: usize) -> usize {
        row * (self.width + 1) + self.width + column - row
    }

    /// Adds to an entry of the lower triangle; the upper one follows.
    pub(crate) fn add(&mut self, row: usize, column: usize, value: f64) {
        let place = self.place(row.max(column), row.min(column));
        self.rows[place] += value;
    }

    /// Cholesky factor in place; false where the matrix is not positive definite.
    #[must_use]
    pub(crate) fn factor(&mut self) -> bool {
        for row in 0..self.size {
            let first = row.saturating_sub(self.width);
            for column in first..=row {
                let from = first.max(column.saturating_sub(self.width));
                let mut sum = self.rows[self.place(row, column)];
                for k in from..column {
                    sum -= self.rows[self.place(row, k)] * self.rows[self.place(column, k)];
                }
                let place = self.place(row, column);
                if column == row {
                    if sum.is_nan() || sum <= 0.0 {
                        return false;
                    }
                    self.rows[place] = sum.sqrt();
                } else {
                    self.rows[place] = sum / self.rows[self.place(column, column)];
                }
            }
        }
        true
    }

    /// `L⁻¹ v` in place, given that `v` is zero before `from`.
    pub(crate) fn forward(&self, v: &mut [f64], from: usize) {
        for row in from..self.size {
            let first = row.saturating_sub(self.width).max(from);
            let mut sum = v[row];
            for (column, value) in v.iter().enumerate().take(row).skip(first) {
                sum -= self.rows[self.place(row, column)] * value;
            }
            v[row] = sum / self.rows[self.place(row, row)];
        }
    }

    /// `L⁻ᵀ v` in place.
    pub(crate) fn backward(&self, v: &mut [f64]) {
        for row in (0..self.size).rev() {
            let value = v[row] / self.rows[self.place(row, row)];
            v[row] = value;
            let first = row.saturating_sub(self.width);
            for (column, entry) in v.iter_mut().enumerate().take(row).skip(first) {
                *entry -= self.rows[self.place(row, column)] * value;
            }
        }
    }

    /// `L⁻¹ B`, column by column.
    pub(crate) fn forward_all(&self, b: &DMatrix<f64>) -> DMatrix<f64> {
        let mut result = b.clone();
        for mut column in result.column_iter_mut() {
            self.forward(column.as_mut_slice(), 0);
        }
        result
    }

    /// `L⁻ᵀ B`, column by column.
    pub(crate) fn backward_all(&self, b: &DMatrix<f64>) -> DMatrix<f64> {
        let mut result = b.clone();
        for mut column in result.column_iter_mut() {
            self.backward(column.as_mut_slice());
        }
        result
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn solves_like_a_dense_matrix() {
        let (size, width) = (17, 4);
        let mut banded = Banded::zeros(size, width);
        let mut dense = DMatrix::zeros(size, size);
        for row in 0..size {
            for column in row.saturating_sub(width)..=row {
                let value = if row == column {
                    6.0
                } else {
                    ((row * 7 + column * 3) % 5) as f64 * 0.3 - 0.6
                };
                banded.add(column, row, value);
                dense[(row, column)] = value;
                dense[(column, row)] = value;
            }
        }
        assert!(banded.factor());
        let b = DMatrix::from_fn(size, 2, |r, c| (r as f64 - 3.0 * c as f64).sin());
        let solved = banded.backward_all(&banded.forward_all(&b));
        assert_relative_eq!(&dense * solved, b, epsilon = 1e-10);
        let mut bad = Banded::zeros(2, 1);
        bad.add(0, 0, -1.0);
        assert!(!bad.factor());
    }
}
