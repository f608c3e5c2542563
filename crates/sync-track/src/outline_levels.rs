//! The linear half of an outline fit: brightness inside and around, eliminated sample by sample.

use crate::outline::{at_least_rounding, robust_weight};
use crate::tone::Tone;
use nalgebra::{DMatrix, DVector, SMatrix, SVector, Vector2};

/// Sectors around the outline, each with its own level of the surroundings (linear in between).
pub(crate) const SECTORS: usize = 10;
/// Shading terms inside.
const SHADING: usize = 4;
/// Slopes and curvature of the shading are small beside the level: so many samples speak for none. With next to none a marker of
/// 9 px borrows its shading from the shadow around it; with 1 and more a ball lit from one side is drawn to the light (0.10 px).
const EVEN: f64 = 0.3;
/// Linear unknowns of one channel.
pub(crate) const LINEAR: usize = SHADING + SECTORS;
/// Most free parameters of an outline, blur included.
pub(crate) const FREE: usize = 6;

/// One sample near the outline.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Row {
    /// Where (luma px).
    pub(crate) at_px: Vector2<f64>,
    value: f64,
    /// What the mixing of light adds to the mixture of the levels, and its derivative by the cover.
    excess: (f64, f64),
    /// Covers, with shares, of the pixels that make up the sample.
    pub(crate) mixing: [(f64, f64); 3],
    /// Takes part at the present outline.
    pub(crate) counts: bool,
    /// Share covered by the marker.
    pub(crate) cover: f64,
    /// Derivatives of the cover by the outline's parameters (1/px, 1/rad) and, last, by the blur (1/px).
    pub(crate) by_parameter: [f64; FREE],
    /// Shading terms: 1, two slopes, normal's component toward the camera.
    pub(crate) shading: [f64; SHADING],
    sector: usize,
    next_share: f64,
    weight: f64,
}

impl Row {
    /// A sample of `value` at a place.
    pub(crate) fn at(at_px: Vector2<f64>, value: f64) -> Self {
        Self {
            at_px,
            value,
            excess: (0.0, 0.0),
            mixing: [(0.0, 0.0); 3],
            counts: false,
            cover: 0.0,
            by_parameter: [0.0; FREE],
            shading: [0.0; SHADING],
            sector: 0,
            next_share: 0.0,
            weight: 1.0,
        }
    }

    /// Lies across the outline: only there does light mix.
    pub(crate) fn is_edge(&self) -> bool {
        self.cover > 0.003 && self.cover < 0.997
    }

    /// Sets the sector from the direction off the centre.
    pub(crate) fn set_direction(&mut self, x: f64, y: f64) {
        let turn = (y.atan2(x) / std::f64::consts::TAU + 1.0).fract() * SECTORS as f64;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "between 0 and the number of sectors"
        )]
        let sector = turn as usize;
        self.sector = sector % SECTORS;
        self.next_share = turn.fract();
    }

    fn linear(&self) -> [(usize, f64); SHADING + 2] {
        let outside = 1.0 - self.cover;
        [
            (0, self.cover * self.shading[0]),
            (1, self.cover * self.shading[1]),
            (2, self.cover * self.shading[2]),
            (3, self.cover * self.shading[3]),
            (SHADING + self.sector, outside * (1.0 - self.next_share)),
            (
                SHADING + (self.sector + 1) % SECTORS,
                outside * self.next_share,
            ),
        ]
    }
}

/// The samples of one plane with their levels.
#[derive(Debug, Clone)]
pub(crate) struct Channel {
    /// 0 luma, 1 Cb, 2 Cr.
    pub(crate) plane: usize,
    /// Samples near the outline.
    pub(crate) rows: Vec<Row>,
    /// Noise from the residuals (8-bit steps).
    pub(crate) noise: f64,
    levels: SVector<f64, LINEAR>,
    residuals: Vec<f64>,
}

impl Channel {
    /// A channel of samples.
    pub(crate) fn new(plane: usize, rows: Vec<Row>) -> Self {
        Self {
            plane,
            residuals: Vec::with_capacity(rows.len()),
            rows,
            noise: 1.0,
            levels: SVector::zeros(),
        }
    }

    fn inside(&self, row: &Row) -> f64 {
        inside_of(&self.levels, row)
    }

    fn outside(&self, row: &Row) -> f64 {
        outside_of(&self.levels, row)
    }

    /// The levels: shading inside, then sectors.
    pub(crate) fn levels(&self) -> SVector<f64, LINEAR> {
        self.levels
    }

    /// Works out what the mixing of light adds to every sample, given the levels of all channels.
    pub(crate) fn mix_light(&mut self, tone: &Tone, all: &[SVector<f64, LINEAR>], luma_only: bool) {
        for row in self.rows.iter_mut().filter(|row| row.counts) {
            if !row.is_edge() {
                row.excess = (0.0, 0.0);
                continue;
            }
            let mut inside = [0.0; 3];
            let mut outside = [0.0; 3];
            for (k, levels) in all.iter().enumerate().take(if luma_only { 1 } else { 3 }) {
                inside[k] = inside_of(levels, row);
                outside[k] = outside_of(levels, row);
            }
            row.excess = tone.excess(self.plane, inside, outside, &row.mixing);
        }
    }

    /// Solves the levels at the present outline, then weighs every sample by its residual. `first`: weights start
    /// anew.
    pub(crate) fn solve_levels(&mut self, first: bool) {
        if first {
            for row in &mut self.rows {
                row.weight = 1.0;
                row.excess = (0.0, 0.0);
            }
        }
        for _ in 0..if first { 2 } else { 1 } {
            let mut normal = SMatrix::<f64, LINEAR, LINEAR>::identity() * 1e-6;
            // A faint pull of neighbouring sectors toward each other carries sectors without samples.
            for k in 0..SECTORS {
                let (p, q) = (SHADING + k, SHADING + (k + 1) % SECTORS);
                for (i, j, s) in [(p, p, 1.0), (q, q, 1.0), (p, q, -1.0), (q, p, -1.0)] {
                    normal[(i, j)] += s * 0.02;
                }
            }
            for k in 1..SHADING {
                normal[(k, k)] += EVEN;
            }
            let mut right = SVector::<f64, LINEAR>::zeros();
            for row in self.rows.iter().filter(|row| row.counts) {
                let terms = row.linear();
                let value = row.value - row.excess.0;
                for (i, x) in terms {
                    right[i] += row.weight * x * value;
                }
                add_square(&mut normal, &terms, row.weight);
            }
            if let Some(solved) = normal.cholesky() {
                self.levels = solved.solve(&right);
            }
            self.weigh();
        }
    }

    fn weigh(&mut self) {
        let mut residuals = std::mem::take(&mut self.residuals);
        residuals.clear();
        for row in self.rows.iter().filter(|row| row.counts) {
            let model = row.cover * self.inside(row) + (1.0 - row.cover) * self.outside(row);
            residuals.push(row.value - row.excess.0 - model);
        }
        let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
        if !sizes.is_empty() {
            let middle = sizes.len() / 2;
            let median = *sizes.select_nth_unstable_by(middle, f64::total_cmp).1;
            // 1.4826: median of the absolute deviation to σ of a Gaussian; levels took some freedom away.
            let freedom =
                (residuals.len() as f64 / (residuals.len() as f64 - LINEAR as f64).max(4.0)).sqrt();
            self.noise = at_least_rounding(1.4826 * median * freedom);
        }
        let noise = self.noise;
        for (row, residual) in self
            .rows
            .iter_mut()
            .filter(|row| row.counts)
            .zip(&residuals)
        {
            row.weight = robust_weight(*residual, noise);
        }
        self.residuals = residuals;
    }

    /// Adds this channel's information on the outline, levels eliminated (Schur complement), and its pull.
    pub(crate) fn add_reduced(
        &self,
        free: usize,
        normal: &mut DMatrix<f64>,
        right: &mut DVector<f64>,
    ) {
        let mut levels = SMatrix::<f64, LINEAR, LINEAR>::identity() * 1e-6;
        let mut mixed = SMatrix::<f64, LINEAR, FREE>::zeros();
        let mut own = SMatrix::<f64, FREE, FREE>::zeros();
        let mut pull = SVector::<f64, FREE>::zeros();
        let mut level_pull = SVector::<f64, LINEAR>::zeros();
        for (row, residual) in self
            .rows
            .iter()
            .filter(|row| row.counts)
            .zip(&self.residuals)
        {
            let contrast = self.inside(row) - self.outside(row) + row.excess.1;
            let mut derivative = [0.0; FREE];
            for (own, by) in derivative.iter_mut().zip(row.by_parameter).take(free) {
                *own = contrast * by;
            }
            let terms = row.linear();
            add_square(&mut levels, &terms, row.weight);
            for (i, x) in terms {
                level_pull[i] += row.weight * x * residual;
            }
            // Where nothing changes with the outline, nothing is learned of it.
            if row.by_parameter[..2] == [0.0; 2] {
                continue;
            }
            for (i, x) in terms {
                let wx = row.weight * x;
                for k in 0..free {
                    mixed[(i, k)] += wx * derivative[k];
                }
            }
            for k in 0..free {
                let by = row.weight * derivative[k];
                pull[k] += by * residual;
                for l in 0..=k {
                    own[(k, l)] += by * derivative[l];
                }
            }
        }
        own.fill_upper_triangle_with_lower_triangle();
        for k in 0..SECTORS {
            levels[(SHADING + k, SHADING + k)] += 0.02;
        }
        for k in 1..SHADING {
            levels[(k, k)] += EVEN;
        }
        let Some(solved) = levels.cholesky() else {
            return;
        };
        let eliminated = own - mixed.transpose() * solved.solve(&mixed);
        let reduced = pull - mixed.transpose() * solved.solve(&level_pull);
        let per_noise = self.noise.powi(-2);
        for k in 0..free {
            right[k] += reduced[k] * per_noise;
            for l in 0..free {
                normal[(k, l)] += eliminated[(k, l)] * per_noise;
            }
        }
    }

    /// Level inside minus the mean level around (8-bit steps).
    pub(crate) fn contrast(&self) -> f64 {
        let around: f64 =
            (0..SECTORS).map(|k| self.levels[SHADING + k]).sum::<f64>() / SECTORS as f64;
        (self.inside_mean() - around).abs()
    }

    /// Mean level inside, near the outline.
    pub(crate) fn inside_mean(&self) -> f64 {
        // The normal's component toward the camera is about a half in the outer part of a disc.
        self.levels[0] + 0.5 * self.levels[3]
    }

    /// Step of level across the outline in one sector.
    pub(crate) fn step_in_sector(&self, sector: usize) -> f64 {
        let angle = std::f64::consts::TAU * sector as f64 / SECTORS as f64;
        let (v, u) = angle.sin_cos();
        let inside =
            self.levels[0] + 0.8 * (u * self.levels[1] + v * self.levels[2]) + 0.6 * self.levels[3];
        inside - self.levels[SHADING + sector]
    }
}

/// Adds the square of a row of terms, weighted, to the lower triangle: all that the factorisation reads.
fn add_square(
    normal: &mut SMatrix<f64, LINEAR, LINEAR>,
    terms: &[(usize, f64); SHADING + 2],
    weight: f64,
) {
    for (place, (i, x)) in terms.iter().enumerate() {
        let wx = weight * x;
        for (j, y) in &terms[..=place] {
            normal[(*i.max(j), *i.min(j))] += wx * y;
        }
    }
}

fn inside_of(levels: &SVector<f64, LINEAR>, row: &Row) -> f64 {
    (0..SHADING).map(|k| levels[k] * row.shading[k]).sum()
}

fn outside_of(levels: &SVector<f64, LINEAR>, row: &Row) -> f64 {
    levels[SHADING + row.sector] * (1.0 - row.next_share)
        + levels[SHADING + (row.sector + 1) % SECTORS] * row.next_share
}
