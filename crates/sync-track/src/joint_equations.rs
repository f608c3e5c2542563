//! Normal equations of one channel's levels and the outline's parameters together.

use crate::outline_levels::{FREE, Information, LINEAR, Pull, SECTORS, SHADING, Term, after};

/// A sample's row of the model, weighed: derivatives by the two sectors beside it and by what all samples share, which is shading,
/// outline and, in the last place but those left empty, the residual.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Weighed<const N: usize> {
    weight: f64,
    cover: f64,
    sector: usize,
    sectors: [f64; 2],
    shared: [f64; N],
}

impl<const N: usize> Weighed<N> {
    /// The row of a sample of which the model leaves `residual`; the residual takes the place after the shading.
    #[inline]
    pub(crate) fn of(term: &Term, residual: f64, weight: f64) -> Self {
        let mut shared = [0.0; N];
        for (shared, shading) in shared.iter_mut().zip(term.shading) {
            *shared = term.cover * shading;
        }
        shared[SHADING] = residual;
        let outside = 1.0 - term.cover;
        let next = outside * term.next_share;
        Self {
            weight,
            cover: term.cover,
            sector: term.sector,
            sectors: [outside - next, next],
            shared,
        }
    }

    /// Derivatives by the outline's parameters.
    #[inline]
    pub(crate) fn hang_on(&mut self, derivatives: &[f64]) {
        self.shared[SHADING + 1..][..derivatives.len()].copy_from_slice(derivatives);
    }
}

/// Sums of products of rows.
#[derive(Debug, Clone)]
pub(crate) struct Sums<const N: usize> {
    shared: [[f64; N]; N],
    /// Of each sector and the one after it with what is shared.
    sectors: [[[f64; N]; 2]; SECTORS],
    /// Of each sector with itself, with the one after it, and of that with itself.
    own: [[f64; 3]; SECTORS],
}

impl<const N: usize> Default for Sums<N> {
    fn default() -> Self {
        Self {
            shared: [[0.0; N]; N],
            sectors: [[[0.0; N]; 2]; SECTORS],
            own: [[0.0; 3]; SECTORS],
        }
    }
}

impl<const N: usize> Sums<N> {
    /// Adds a sample.
    #[inline]
    pub(crate) fn add(&mut self, row: &Weighed<N>) {
        if row.cover > 0.0 {
            for (i, sums) in self.shared.iter_mut().enumerate() {
                let factor = row.weight * row.shared[i];
                for (sum, value) in sums.iter_mut().zip(row.shared) {
                    *sum += factor * value;
                }
            }
        }
        if row.cover < 1.0 {
            let weighed = row.sectors.map(|share| row.weight * share);
            for (sums, factor) in self.sectors[row.sector].iter_mut().zip(weighed) {
                for (sum, value) in sums.iter_mut().zip(row.shared) {
                    *sum += factor * value;
                }
            }
            let own = &mut self.own[row.sector];
            own[0] += weighed[0] * row.sectors[0];
            own[1] += weighed[0] * row.sectors[1];
            own[2] += weighed[1] * row.sectors[1];
        }
    }
}

/// Sectors, shading, outline, pull; and one to fill pairs.
const SIZE: usize = LINEAR + FREE + 2;

/// The equations: upper triangle, row by row. Levels come first, sectors before shading, since sectors know only their neighbours;
/// then the outline's parameters; then the pull.
#[derive(Debug, Clone)]
pub(crate) struct Joint {
    rows: [[f64; SIZE]; SIZE],
    free: usize,
}

impl Default for Joint {
    fn default() -> Self {
        Self {
            rows: [[0.0; SIZE]; SIZE],
            free: 0,
        }
    }
}

impl Joint {
    /// Takes the sums for so many parameters of an outline.
    pub(crate) fn assemble<const N: usize>(&mut self, sums: &Sums<N>, free: usize) {
        *self = Self {
            free,
            ..Self::default()
        };
        let pull = LINEAR + free;
        // Where the terms that samples share have their places.
        let place = |k: usize| match k {
            k if k < SHADING => SECTORS + k,
            SHADING => pull,
            k => LINEAR + k - SHADING - 1,
        };
        let count = SHADING + 1 + free;
        for i in 0..count {
            for j in i..count {
                let (row, column) = ordered(place(i), place(j));
                self.rows[row][column] = sums.shared[i][j];
            }
        }
        for sector in 0..SECTORS {
            let pair = [sector, after(sector)];
            for (sums, row) in sums.sectors[sector].iter().zip(pair) {
                for (k, sum) in sums.iter().enumerate().take(count) {
                    self.rows[row][place(k)] += sum;
                }
            }
            let [own, both, next] = sums.own[sector];
            let (row, column) = ordered(pair[0], pair[1]);
            self.rows[row][column] += both;
            self.rows[pair[0]][pair[0]] += own;
            self.rows[pair[1]][pair[1]] += next;
        }
    }

    /// Two unknowns are drawn to each other with a weight; `pull` is what draws the first down already.
    pub(crate) fn add_bond(&mut self, first: usize, second: usize, weight: f64, pull: f64) {
        let (row, column) = ordered(first, second);
        self.rows[row][column] -= weight;
        self.add_anchor(first, weight, pull);
        self.add_anchor(second, weight, -pull);
    }

    /// An unknown is drawn to zero with a weight; `pull` is what draws it down already.
    pub(crate) fn add_anchor(&mut self, unknown: usize, weight: f64, pull: f64) {
        self.rows[unknown][unknown] += weight;
        self.rows[unknown][LINEAR + self.free] -= pull;
    }

    /// Eliminates the levels (Gauss); what is left of the other rows is the outline's. `false` where the levels are not determined.
    pub(crate) fn eliminate(&mut self) -> bool {
        for pivot in 0..LINEAR {
            let (done, below) = self.rows.split_at_mut(pivot + 1);
            let own = &done[pivot];
            if own[pivot] <= 0.0 || !own[pivot].is_finite() {
                return false;
            }
            let per_own = 1.0 / own[pivot];
            let left = LINEAR + self.free - pivot - 1;
            for (k, row) in below.iter_mut().enumerate().take(left) {
                let column = pivot + 1 + k;
                let factor = own[column] * per_own;
                if factor != 0.0 {
                    for (value, above) in row[column..].iter_mut().zip(&own[column..]) {
                        *value -= factor * above;
                    }
                }
            }
        }
        true
    }

    /// Adds what is left for the outline, at this noise.
    pub(crate) fn add_to(
        &self,
        free: usize,
        noise: f64,
        normal: &mut Information,
        right: &mut Pull,
    ) {
        let per_noise = noise.powi(-2);
        for k in 0..free {
            right[k] += self.rows[LINEAR + k][LINEAR + free] * per_noise;
            for l in k..free {
                let value = self.rows[LINEAR + k][LINEAR + l] * per_noise;
                normal[(k, l)] += value;
                if l > k {
                    normal[(l, k)] += value;
                }
            }
        }
    }

    /// Steps of the levels that go with a step of the outline.
    pub(crate) fn steps(&self, change: &Pull) -> [f64; LINEAR] {
        let mut steps = [0.0; LINEAR];
        for k in (0..LINEAR).rev() {
            let row = &self.rows[k];
            let mut rest = row[LINEAR + self.free];
            for (by, step) in row[k + 1..LINEAR].iter().zip(&steps[k + 1..]) {
                rest -= by * step;
            }
            for (by, step) in row[LINEAR..].iter().zip(change.iter().take(self.free)) {
                rest -= by * step;
            }
            steps[k] = rest / row[k];
        }
        steps
    }
}

fn ordered(one: usize, other: usize) -> (usize, usize) {
    (one.min(other), one.max(other))
}
