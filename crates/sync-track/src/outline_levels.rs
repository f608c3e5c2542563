//! The linear half of an outline fit: brightness inside and around, eliminated from the equations of the outline.
//!
//! Levels and outline take their steps together, from one sum over the samples: what the levels' step owes to the outline's is
//! put back when that is known ([`Channel::follow`]). To solve the levels apart before each step takes two sums and two factorisations.

use crate::joint_equations::{Joint, Sums, Weighed};
use crate::outline::{at_least_rounding, robust_weight};
use crate::outline_samples::Sample;
use crate::tone::Tone;
use nalgebra::{SMatrix, SVector};

/// Sectors around the outline, each with its own level of the surroundings (linear in between).
pub(crate) const SECTORS: usize = 10;
/// Shading terms inside.
pub(crate) const SHADING: usize = 4;
/// Slopes and curvature of the shading are small beside the level: so many samples speak for none. With next to none a marker of
/// 9 px borrows its shading from the shadow around it; with 1 and more a ball lit from one side is drawn to the light (0.10 px).
const EVEN: f64 = 0.3;
/// A faint pull of neighbouring sectors toward each other carries sectors without samples.
const NEIGHBOURS: f64 = 0.02;
/// Keeps the equations from being singular.
const FAINT: f64 = 1e-6;
/// Linear unknowns of one channel.
pub(crate) const LINEAR: usize = SECTORS + SHADING;
/// Most free parameters of an outline, blur included.
pub(crate) const FREE: usize = 6;

/// Levels of a channel (8-bit steps): one a sector around, then shading inside.
pub(crate) type Levels = [f64; LINEAR];
/// What is known of an outline's parameters.
pub(crate) type Information = SMatrix<f64, FREE, FREE>;
/// Where they are drawn to.
pub(crate) type Pull = SVector<f64, FREE>;

/// A sample near the outline, at the present outline.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Term {
    /// Value (8-bit steps).
    pub(crate) value: f64,
    /// Share covered by the marker.
    pub(crate) cover: f64,
    /// The cover hangs on the outline: the sample lies across it.
    pub(crate) across: bool,
    /// Of a sample of chroma across the outline, the covers of the pixels that make it up: before, in and behind its middle.
    pub(crate) pixels: [f64; 3],
    /// Derivatives of the cover by the outline's parameters (1/px, 1/rad) and, last, by the blur (1/px).
    pub(crate) by_parameter: [f64; FREE],
    /// Shading terms: 1, two slopes, normal's component toward the camera.
    pub(crate) shading: [f64; SHADING],
    /// The sector before it, ...
    pub(crate) sector: usize,
    /// ... and the share of the next one.
    pub(crate) next_share: f64,
    /// Value less model.
    residual: f64,
    /// Change of the model with the cover.
    contrast: f64,
}

impl Term {
    /// A sample well inside or outside, at no place yet.
    pub(crate) fn of_value(value: f64) -> Self {
        Self {
            value,
            cover: 0.0,
            across: false,
            pixels: [0.0; 3],
            by_parameter: [0.0; FREE],
            shading: [0.0; SHADING],
            sector: 0,
            next_share: 0.0,
            residual: value,
            contrast: 0.0,
        }
    }

    /// Light mixes in it.
    pub(crate) fn mixes(&self) -> bool {
        self.across && self.cover > 0.003 && self.cover < 0.997
    }

    fn inside(&self, levels: &Levels) -> f64 {
        (0..SHADING)
            .map(|k| levels[SECTORS + k] * self.shading[k])
            .sum()
    }

    fn outside(&self, levels: &Levels) -> f64 {
        let (own, next) = (levels[self.sector], levels[after(self.sector)]);
        own + (next - own) * self.next_share
    }
}

/// The sector after one.
pub(crate) fn after(sector: usize) -> usize {
    if sector + 1 == SECTORS { 0 } else { sector + 1 }
}

/// Shares of the pixels beside the middle of a sample of chroma, and of those in it: a three-point Gauss-Hermite rule.
const MIXING: [f64; 3] = [1.0 / 6.0, 2.0 / 3.0, 1.0 / 6.0];

/// The samples of one plane with their levels.
#[derive(Debug, Clone)]
pub(crate) struct Channel {
    /// 0 luma, 1 Cb, 2 Cr.
    pub(crate) plane: usize,
    /// All samples that may come to lie near the outline.
    pub(crate) samples: Vec<Sample>,
    /// Those that do.
    pub(crate) terms: Vec<Term>,
    /// Noise from the residuals (8-bit steps).
    pub(crate) noise: f64,
    levels: Levels,
    equations: Joint,
    sizes: Vec<f64>,
}

impl Channel {
    /// A channel of samples.
    pub(crate) fn new(plane: usize, samples: Vec<Sample>) -> Self {
        Self {
            plane,
            terms: Vec::with_capacity(samples.len()),
            sizes: Vec::with_capacity(samples.len()),
            samples,
            noise: 1.0,
            levels: [0.0; LINEAR],
            equations: Joint::default(),
        }
    }

    /// The levels.
    pub(crate) fn levels(&self) -> Levels {
        self.levels
    }

    /// The levels anew from the values alone, all samples alike: where nothing is known of them yet.
    pub(crate) fn start(&mut self) {
        self.levels = [0.0; LINEAR];
        let mut sums = Sums::<{ SHADING + 2 }>::default();
        for term in &self.terms {
            sums.add(&Weighed::<{ SHADING + 2 }>::of(term, term.value, 1.0));
        }
        self.equations.assemble(&sums, 0);
        self.restrain();
        if self.equations.eliminate() {
            self.follow(&Pull::zeros());
        }
    }

    /// Sets every sample beside what the levels of all channels make of it, light mixed where the outline crosses; then its noise.
    pub(crate) fn compare(&mut self, tone: &Tone, all: &[Levels]) {
        let own = &self.levels;
        self.sizes.clear();
        for term in &mut self.terms {
            let (inside, outside) = (term.inside(own), term.outside(own));
            let (mut over, mut steeper) = (0.0, 0.0);
            if term.mixes() {
                let mut colours = ([0.0; 3], [0.0; 3]);
                for (k, levels) in all.iter().enumerate() {
                    colours.0[k] = term.inside(levels);
                    colours.1[k] = term.outside(levels);
                }
                (over, steeper) = if self.plane == 0 {
                    tone.excess(0, colours.0, colours.1, [(term.cover, 1.0)])
                } else {
                    let mixing = [0, 1, 2].map(|k| (term.pixels[k], MIXING[k]));
                    tone.excess(self.plane, colours.0, colours.1, mixing)
                };
            }
            term.contrast = inside - outside + steeper;
            term.residual = term.value - over - outside - term.cover * (inside - outside);
            self.sizes.push(term.residual.abs());
        }
        if !self.sizes.is_empty() {
            let (count, middle) = (self.sizes.len() as f64, self.sizes.len() / 2);
            // Numbers that are not negative lie in the order of their bits.
            let median = *self
                .sizes
                .select_nth_unstable_by_key(middle, |size| size.to_bits())
                .1;
            // 1.4826: median of the absolute deviation to σ of a Gaussian; levels took some freedom away.
            let freedom = (count / (count - LINEAR as f64).max(4.0)).sqrt();
            self.noise = at_least_rounding(1.4826 * median * freedom);
        }
    }

    /// Adds this channel's information on the outline, levels eliminated (Schur complement), and its pull.
    pub(crate) fn add_reduced(&mut self, free: usize, normal: &mut Information, right: &mut Pull) {
        // A ball's four parameters leave a third of the products out.
        let solved = if free <= 4 {
            self.reduce::<{ SHADING + 6 }>(free)
        } else {
            self.reduce::<{ SHADING + 8 }>(free)
        };
        if solved {
            self.equations.add_to(free, self.noise, normal, right);
        }
    }

    fn reduce<const N: usize>(&mut self, free: usize) -> bool {
        let mut sums = Sums::<N>::default();
        for term in &self.terms {
            let weight = robust_weight(term.residual, self.noise);
            let mut weighed = Weighed::<N>::of(term, term.residual, weight);
            if term.across {
                let derivatives = term.by_parameter.map(|by| term.contrast * by);
                weighed.hang_on(&derivatives[..free]);
            }
            sums.add(&weighed);
        }
        self.equations.assemble(&sums, free);
        self.restrain();
        self.equations.eliminate()
    }

    /// What is known of levels before any sample.
    fn restrain(&mut self) {
        for k in 0..SECTORS {
            let pull = NEIGHBOURS * (self.levels[k] - self.levels[after(k)]);
            self.equations.add_bond(k, after(k), NEIGHBOURS, pull);
        }
        for k in 0..LINEAR {
            let weight = FAINT + if k > SECTORS { EVEN } else { 0.0 };
            self.equations
                .add_anchor(k, weight, weight * self.levels[k]);
        }
    }

    /// The levels' own step, after the outline took its.
    pub(crate) fn follow(&mut self, change: &Pull) {
        let steps = self.equations.steps(change);
        for (level, step) in self.levels.iter_mut().zip(steps) {
            *level += step;
        }
    }

    /// Level inside minus the mean level around (8-bit steps).
    pub(crate) fn contrast(&self) -> f64 {
        let around: f64 = self.levels[..SECTORS].iter().sum::<f64>() / SECTORS as f64;
        (self.inside_mean() - around).abs()
    }

    /// Mean level inside, near the outline.
    pub(crate) fn inside_mean(&self) -> f64 {
        // The normal's component toward the camera is about a half in the outer part of a disc.
        self.levels[SECTORS] + 0.5 * self.levels[SECTORS + 3]
    }

    /// Step of level across the outline in one sector.
    pub(crate) fn step_in_sector(&self, sector: usize) -> f64 {
        let angle = std::f64::consts::TAU * sector as f64 / SECTORS as f64;
        let (v, u) = angle.sin_cos();
        let shading = &self.levels[SECTORS..];
        let inside = shading[0] + 0.8 * (u * shading[1] + v * shading[2]) + 0.6 * shading[3];
        inside - self.levels[sector]
    }
}
