//! Symmetric positive definite matrices that are banded but for a narrow border:
//! `[A B; Bᵀ C]`, `A` of size n with half-bandwidth b, `C` of size k. Factorised in O(n (b² + bk + k²)).
//! Golub & Van Loan, Matrix Computations, 4th ed., §4.3 (band Cholesky); Takahashi, Fagan & Chen 1973, as in
//! Rue & Held, Gaussian Markov Random Fields, 2005, §2.3 (elements of the inverse within the band).

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// Lower triangle of a symmetric band matrix, row by row.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Band {
    n: usize,
    half: usize,
    values: Vec<f64>,
}

/// Scalar product in four running sums, which a processor adds up side by side.
#[inline]
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 4];
    let (mut a, mut b) = (a.chunks_exact(4), b.chunks_exact(4));
    for (x, y) in a.by_ref().zip(b.by_ref()) {
        for (sum, (x, y)) in sums.iter_mut().zip(x.iter().zip(y)) {
            *sum += x * y;
        }
    }
    let rest: f64 = a
        .remainder()
        .iter()
        .zip(b.remainder())
        .map(|(x, y)| x * y)
        .sum();
    (sums[0] + sums[1]) + (sums[2] + sums[3]) + rest
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
    fn row_from(&self, i: usize, first: usize) -> &[f64] {
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

    /// Cholesky factor, in place of the matrix.
    fn factor(mut self) -> Result<Self, usize> {
        let width = self.half + 1;
        for i in 0..self.n {
            let first = i.saturating_sub(self.half);
            let (above, below) = self.values.split_at_mut(i * width);
            let row = &mut below[..width];
            for j in first..i {
                let shared = first.max(j.saturating_sub(self.half));
                let other = &above[j * width..(j + 1) * width];
                let offset_i = shared + self.half - i;
                let offset_j = shared + self.half - j;
                let count = j - shared;
                let dot = dot(
                    &row[offset_i..offset_i + count],
                    &other[offset_j..offset_j + count],
                );
                let at = j + self.half - i;
                row[at] = (row[at] - dot) / other[self.half];
            }
            let squares: f64 = row[first + self.half - i..self.half]
                .iter()
                .map(|v| v * v)
                .sum();
            let pivot = row[self.half] - squares;
            // A pivot that lost all its digits is noise, not information.
            if pivot.is_nan() || pivot <= row[self.half].abs() * 1e-15 || pivot <= 0.0 {
                return Err(i);
            }
            row[self.half] = pivot.sqrt();
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
            for i in 0..n {
                let first = i.saturating_sub(lower.half);
                let (above, below) = w.split_at_mut(i * k);
                let row = &mut below[..k];
                for (j, &value) in (first..i).zip(lower.row_from(i, first)) {
                    for (mine, theirs) in row.iter_mut().zip(&above[j * k..(j + 1) * k]) {
                        *mine -= value * theirs;
                    }
                }
                let inverse = 1.0 / lower.at(i, i);
                for mine in row.iter_mut() {
                    *mine *= inverse;
                }
                for (b, &right) in row.iter().enumerate() {
                    let column = &mut schur.as_mut_slice()[b * k..(b + 1) * k];
                    for (value, &left) in column[b..].iter_mut().zip(&row[b..]) {
                        *value -= left * right;
                    }
                }
            }
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
            let row = self.lower.row_from(i, first);
            let dot: f64 = row[..i - first]
                .iter()
                .zip(&x[first..i])
                .map(|(a, b)| a * b)
                .sum();
            x[i] = (x[i] - dot) / self.lower.at(i, i);
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
        let mut column = vec![0.0; half];
        for j in (0..n).rev() {
            let last = (j + half).min(n - 1);
            let count = last - j;
            let pivot = self.lower.at(j, j);
            for (m, value) in column[..count].iter_mut().enumerate() {
                *value = self.lower.at(j + 1 + m, j) / pivot;
            }
            for i in (j + 1..=last).rev() {
                let mut sum = 0.0;
                // Columns k ≤ i lie in row i, the others in rows k.
                let row = &inverse.values[i * width..(i + 1) * width];
                let offset = j + 1 + half - i;
                for (c, z) in column[..i - j].iter().zip(&row[offset..]) {
                    sum += c * z;
                }
                for k in i + 1..=last {
                    sum += column[k - j - 1] * inverse.values[k * width + i + half - k];
                }
                inverse.values[i * width + j + half - i] = -sum;
            }
            let mut diagonal = 1.0 / (pivot * pivot);
            for k in j + 1..=last {
                diagonal -= column[k - j - 1] * inverse.values[k * width + j + half - k];
            }
            inverse.values[j * width + half] = diagonal;
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
