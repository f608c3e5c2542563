//! Symmetric positive definite matrices that are banded but for a narrow border:
//! `[A B; Bᵀ C]`, `A` of size n with half-bandwidth b, `C` of size k. Factorised in O(n (b² + bk + k²)).
//! Golub & Van Loan, Matrix Computations, 4th ed., §4.3 (band Cholesky); Takahashi, Fagan & Chen 1973, as in
//! Rue & Held, Gaussian Markov Random Fields, 2005, §2.3 (elements of the inverse within the band).

use crate::rows::{dot, subtract, subtract_squares};
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// Lower triangle of a symmetric band matrix, row by row.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Band {
    n: usize,
    half: usize,
    values: Vec<f64>,
}

impl Band {
    pub(crate) fn zeros(n: usize, half: usize) -> Self {
        Self {
            n,
            half,
            values: vec![0.0; n * (half + 1)],
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.n
    }

    pub(crate) fn half(&self) -> usize {
        self.half
    }

    /// Element (i, j) with `i − half ≤ j ≤ i`.
    #[inline]
    fn at(&self, i: usize, j: usize) -> f64 {
        self.values[i * (self.half + 1) + j + self.half - i]
    }

    /// Element (i, j), whichever the order; zero outside the band.
    #[inline]
    pub(crate) fn get(&self, i: usize, j: usize) -> f64 {
        let (row, column) = if i >= j { (i, j) } else { (j, i) };
        if row - column > self.half {
            0.0
        } else {
            self.at(row, column)
        }
    }

    #[inline]
    pub(crate) fn add(&mut self, i: usize, j: usize, value: f64) {
        self.values[i * (self.half + 1) + j + self.half - i] += value;
    }

    /// Row i from column `first` (at least `i − half`) to i.
    #[inline]
    pub(crate) fn row_from(&self, i: usize, first: usize) -> &[f64] {
        let start = i * (self.half + 1);
        &self.values[start + first + self.half - i..=start + self.half]
    }

    /// Row i of the stored triangle up to column i, starting at column `first`, for adding.
    #[inline]
    pub(crate) fn row_from_mut(&mut self, i: usize, first: usize) -> &mut [f64] {
        let start = i * (self.half + 1);
        &mut self.values[start + first + self.half - i..=start + self.half]
    }

    /// `A x`.
    #[cfg(test)]
    pub(crate) fn times(&self, x: &[f64]) -> Vec<f64> {
        let mut product = vec![0.0; self.n];
        for i in 0..self.n {
            let first = i.saturating_sub(self.half);
            for (j, &value) in (first..i).zip(self.row_from(i, first)) {
                product[i] += value * x[j];
                product[j] += value * x[i];
            }
            product[i] += self.at(i, i) * x[i];
        }
        product
    }

    /// `x ← L⁻¹ x` for a factor and `columns` interleaved right-hand sides (row by row).
    fn forward(&self, x: &mut [f64], columns: usize) {
        for i in 0..self.n {
            let first = i.saturating_sub(self.half);
            let (above, below) = x.split_at_mut(i * columns);
            let row = &mut below[..columns];
            let factors = &self.row_from(i, first)[..i - first];
            subtract(row, factors, &above[first * columns..]);
            let inverse = 1.0 / self.at(i, i);
            for mine in row {
                *mine *= inverse;
            }
        }
    }

    /// Cholesky factor, in place of the matrix. Works column by column on a transposed copy: what a column takes away
    /// from the next ones is then a few short runs of neighbours, and no step waits for a long sum.
    fn factor(mut self) -> Result<Self, usize> {
        let width = self.half + 1;
        let mut columns = vec![0.0; self.n * width];
        for (i, row) in self.values.chunks_exact(width).enumerate() {
            let first = i.saturating_sub(self.half);
            for (j, &value) in (first..=i).zip(&row[first + self.half - i..]) {
                columns[j * width + i - j] = value;
            }
        }
        for j in 0..self.n {
            let (done, rest) = columns.split_at_mut((j + 1) * width);
            let column = &mut done[j * width..];
            // A pivot that lost all its digits is noise, not information.
            let stated = self.values[j * width + self.half];
            let pivot = column[0];
            if pivot.is_nan() || pivot <= stated.abs() * 1e-15 || pivot <= 0.0 {
                return Err(j);
            }
            let root = pivot.sqrt();
            let inverse = 1.0 / root;
            column[0] = root;
            for value in &mut column[1..] {
                *value *= inverse;
            }
            for (c, next) in (1..width).zip(rest.chunks_exact_mut(width)) {
                let factor = column[c];
                for (value, below) in next.iter_mut().zip(&column[c..]) {
                    *value -= factor * below;
                }
            }
        }
        for (i, row) in self.values.chunks_exact_mut(width).enumerate() {
            let first = i.saturating_sub(self.half);
            for (j, value) in (first..=i).zip(&mut row[first + self.half - i..]) {
                *value = columns[j * width + i - j];
            }
        }
        Ok(self)
    }
}

/// `[A B; Bᵀ C]`; `border` is B, n×k row by row.
#[derive(Debug, Clone)]
pub(crate) struct Bordered {
    pub(crate) band: Band,
    pub(crate) border: Vec<f64>,
    pub(crate) corner: DMatrix<f64>,
}

/// Cholesky factor `[L 0; Wᵀ M]` of a [`Bordered`].
#[derive(Debug, Clone)]
pub(crate) struct Factor {
    lower: Band,
    /// `W = L⁻¹ B`, n×k row by row.
    w: Vec<f64>,
    k: usize,
    corner: Option<Cholesky<f64, Dyn>>,
}

impl Bordered {
    /// # Errors
    /// The index of the first unknown whose pivot is not positive.
    pub(crate) fn factor(self) -> Result<Factor, usize> {
        let n = self.band.len();
        let k = self.corner.nrows();
        let lower = self.band.factor()?;
        let mut w = self.border;
        let mut schur = self.corner;
        if k > 0 {
            lower.forward(&mut w, k);
            subtract_squares(&mut schur, &w, k);
            schur.fill_upper_triangle_with_lower_triangle();
        }
        let corner = if k > 0 {
            Some(Cholesky::new(schur).ok_or(n)?)
        } else {
            None
        };
        Ok(Factor {
            lower,
            w,
            k,
            corner,
        })
    }
}

impl Factor {
    /// Coefficients of the path.
    pub(crate) fn len(&self) -> usize {
        self.lower.n
    }

    pub(crate) fn border_len(&self) -> usize {
        self.k
    }

    pub(crate) fn log_det(&self) -> f64 {
        let band: f64 = (0..self.lower.n).map(|i| self.lower.at(i, i).ln()).sum();
        let corner: f64 = self
            .corner
            .as_ref()
            .map_or(0.0, |c| c.l_dirty().diagonal().iter().map(|v| v.ln()).sum());
        2.0 * (band + corner)
    }

    fn forward(&self, x: &mut [f64]) {
        for i in 0..self.lower.n {
            let first = i.saturating_sub(self.lower.half);
            let row = &self.lower.row_from(i, first)[..i - first];
            x[i] = (x[i] - dot(row, &x[first..i])) / self.lower.at(i, i);
        }
    }

    /// `x ← L⁻ᵀ x` for `columns` interleaved right-hand sides (row by row).
    fn backward(&self, x: &mut [f64], columns: usize) {
        for i in (0..self.lower.n).rev() {
            let first = i.saturating_sub(self.lower.half);
            let inverse = 1.0 / self.lower.at(i, i);
            let (above, below) = x.split_at_mut(i * columns);
            let row = &mut below[..columns];
            for value in row.iter_mut() {
                *value *= inverse;
            }
            for (j, &factor) in (first..i).zip(self.lower.row_from(i, first)) {
                for (theirs, mine) in above[j * columns..(j + 1) * columns]
                    .iter_mut()
                    .zip(row.iter())
                {
                    *theirs -= factor * mine;
                }
            }
        }
    }

    /// Solution of the bordered system for one right-hand side.
    pub(crate) fn solve(&self, band: &[f64], corner: &DVector<f64>) -> (Vec<f64>, DVector<f64>) {
        let mut x = band.to_vec();
        self.forward(&mut x);
        let mut rest = corner.clone();
        for (row, value) in self.w.chunks_exact(self.k.max(1)).zip(&x) {
            for (r, w) in rest.iter_mut().zip(row) {
                *r -= w * value;
            }
        }
        let border = self
            .corner
            .as_ref()
            .map_or(rest.clone(), |c| c.solve(&rest));
        self.finish(x, border)
    }

    /// Number of the band's unknowns.
    pub(crate) fn band_len(&self) -> usize {
        self.lower.n
    }

    /// The band's unknowns with the border held fixed, for `columns` interleaved right-hand sides (row by row).
    pub(crate) fn solve_band(&self, mut x: Vec<f64>, columns: usize) -> Vec<f64> {
        if columns == 1 {
            self.forward(&mut x);
        } else {
            self.lower.forward(&mut x, columns);
        }
        self.backward(&mut x, columns);
        x
    }

    /// From `L⁻¹ b` and the border's solution to the band's.
    fn finish(&self, mut x: Vec<f64>, border: DVector<f64>) -> (Vec<f64>, DVector<f64>) {
        if self.k > 0 {
            for (row, value) in self.w.chunks_exact(self.k).zip(x.iter_mut()) {
                *value -= row
                    .iter()
                    .zip(border.iter())
                    .map(|(w, b)| w * b)
                    .sum::<f64>();
            }
        }
        self.backward(&mut x, 1);
        (x, border)
    }

    /// A draw with the inverse of the matrix as covariance, from standard normal numbers.
    pub(crate) fn draw(&self, band: Vec<f64>, corner: &DVector<f64>) -> (Vec<f64>, DVector<f64>) {
        let border = self.corner.as_ref().map_or_else(
            || corner.clone(),
            // `M` is lower triangular with positive diagonal: its transpose is always solvable.
            |c| {
                c.l()
                    .tr_solve_lower_triangular(corner)
                    .unwrap_or_else(|| corner.clone())
            },
        );
        self.finish(band, border)
    }

    /// Makes the border's covariance wider by a factor: see [`crate::patience`].
    pub(crate) fn widen_border(&mut self, factor: f64) {
        if let Some(corner) = self.corner.take() {
            let lower = corner.l() / factor.sqrt();
            self.corner = Some(Cholesky::pack_dirty(lower));
        }
    }

    /// Covariance of the border's unknowns.
    pub(crate) fn border_covariance(&self) -> DMatrix<f64> {
        self.corner
            .as_ref()
            .map_or_else(|| DMatrix::zeros(0, 0), Cholesky::inverse)
    }

    /// `V = A⁻¹ B`, n×k row by row: how the band's unknowns answer to the border's (with opposite sign).
    pub(crate) fn response(&self) -> Vec<f64> {
        let mut v = self.w.clone();
        if self.k > 0 {
            self.backward(&mut v, self.k);
        }
        v
    }

    /// Elements of `A⁻¹` within the band: covariance of the band's unknowns with the border held fixed.
    pub(crate) fn selected_inverse(&self) -> Band {
        let (n, half) = (self.lower.n, self.lower.half);
        let width = half + 1;
        let mut inverse = Band::zeros(n, half);
        // The last `half` unknowns against each other, unknown i in row and column i mod half: the next one takes the
        // place of the one that leaves the band.
        let mut window = vec![0.0; half * half];
        let mut column = vec![0.0; half];
        for j in (0..n).rev() {
            let last = (j + half).min(n - 1);
            let pivot = self.lower.at(j, j);
            let over = 1.0 / pivot;
            column.fill(0.0);
            for i in j + 1..=last {
                column[i % half] = self.lower.at(i, j) * over;
            }
            let mut diagonal = over * over;
            for i in j + 1..=last {
                let place = i % half;
                let value = -dot(&column, &window[place * half..(place + 1) * half]);
                inverse.values[i * width + j + half - i] = value;
                diagonal -= column[place] * value;
            }
            inverse.values[j * width + half] = diagonal;
            if half == 0 {
                continue;
            }
            let place = j % half;
            for i in j + 1..=last.min(j + half - 1) {
                let value = inverse.at(i, j);
                window[place * half + i % half] = value;
                window[(i % half) * half + place] = value;
            }
            window[place * half + place] = diagonal;
        }
        inverse
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use rand::{Rng as _, SeedableRng};

    fn planted(n: usize, half: usize, k: usize) -> (Bordered, DMatrix<f64>) {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let mut full = DMatrix::zeros(n + k, n + k);
        let mut band = Band::zeros(n, half);
        for i in 0..n {
            for j in i.saturating_sub(half)..=i {
                let value = if i == j {
                    6.0 + half as f64
                } else {
                    random.random_range(-1.0..1.0)
                };
                band.add(i, j, value);
                full[(i, j)] = value;
                full[(j, i)] = value;
            }
        }
        let mut border = vec![0.0; n * k];
        for i in 0..n {
            for j in 0..k {
                let value = random.random_range(-0.3..0.3);
                border[i * k + j] = value;
                full[(i, n + j)] = value;
                full[(n + j, i)] = value;
            }
        }
        let corner = DMatrix::identity(k, k) * 20.0;
        full.view_mut((n, n), (k, k)).copy_from(&corner);
        (
            Bordered {
                band,
                border,
                corner,
            },
            full,
        )
    }

    #[test]
    fn agrees_with_dense_algebra() {
        for (n, half, k) in [(1, 0, 0), (9, 3, 0), (30, 4, 3), (12, 11, 2)] {
            let (matrix, full) = planted(n, half, k);
            let dense = full.clone().cholesky().unwrap();
            let inverse = dense.inverse();
            let x: Vec<f64> = (0..n).map(|i| (i as f64).sin()).collect();
            let product = matrix.band.times(&x);
            let expected = full.view((0, 0), (n, n)) * DVector::from_vec(x.clone());
            assert_relative_eq!(DVector::from_vec(product), expected, epsilon = 1e-12);
            let factor = matrix.factor().unwrap();
            assert_relative_eq!(
                factor.log_det(),
                dense.l().diagonal().map(f64::ln).sum() * 2.0,
                epsilon = 1e-9
            );
            let corner = DVector::from_fn(k, |i, _| i as f64 + 0.5);
            let (solution, border) = factor.solve(&x, &corner);
            let rhs = DVector::from_iterator(n + k, x.iter().chain(corner.iter()).copied());
            let expected = &inverse * rhs;
            for i in 0..n {
                assert_relative_eq!(solution[i], expected[i], epsilon = 1e-10);
            }
            for i in 0..k {
                assert_relative_eq!(border[i], expected[n + i], epsilon = 1e-10);
            }
            let conditional = full
                .view((0, 0), (n, n))
                .into_owned()
                .try_inverse()
                .unwrap();
            let selected = factor.selected_inverse();
            let response = factor.response();
            let spread = factor.border_covariance();
            for i in 0..n {
                for j in i.saturating_sub(half)..=i {
                    assert_relative_eq!(selected.get(i, j), conditional[(i, j)], epsilon = 1e-10);
                    let left = DVector::from_row_slice(&response[i * k..(i + 1) * k]);
                    let right = DVector::from_row_slice(&response[j * k..(j + 1) * k]);
                    let total = selected.get(i, j) + left.dot(&(&spread * right));
                    assert_relative_eq!(total, inverse[(i, j)], epsilon = 1e-10);
                }
            }
        }
    }

    #[test]
    fn draws_have_the_inverse_as_covariance() {
        // L⁻ᵀ is exact: applied to unit vectors it gives a square root of the inverse.
        let (n, half, k) = (10, 3, 2);
        let (matrix, full) = planted(n, half, k);
        let factor = matrix.factor().unwrap();
        let mut root = DMatrix::zeros(n + k, n + k);
        for i in 0..n + k {
            let mut band = vec![0.0; n];
            let mut corner = DVector::zeros(k);
            if i < n {
                band[i] = 1.0;
            } else {
                corner[i - n] = 1.0;
            }
            let (x, border) = factor.draw(band, &corner);
            for (row, value) in x.iter().chain(border.iter()).enumerate() {
                root[(row, i)] = *value;
            }
        }
        assert_relative_eq!(
            &root * root.transpose(),
            full.try_inverse().unwrap(),
            epsilon = 1e-10
        );
    }

    #[test]
    fn says_where_it_is_singular() {
        let mut band = Band::zeros(3, 1);
        for i in 0..3 {
            band.add(i, i, 1.0);
        }
        band.add(2, 1, 1.0);
        let matrix = Bordered {
            band,
            border: Vec::new(),
            corner: DMatrix::zeros(0, 0),
        };
        assert_eq!(matrix.factor().unwrap_err(), 2);
    }
}
