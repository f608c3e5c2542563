//! The rounds of a fit: judge the sightings, linearise, weigh, solve, learn smoothness and noise.

use crate::border::{Border, Stand};
use crate::bordered::Factor;
use crate::diagnostics;
use crate::epipolar::RIGHT;
use crate::noise::{Judgement, Noise, median_scales};
use crate::normal::{Estimate, Lines, Normal, assemble};
use crate::observation::Layout;
use crate::release::{Break, Search};
use crate::smoothness::Smoothness;
use crate::{PathError, PathSettings};
use drawarc_rig::Rig;
use nalgebra::{Matrix2, Vector2};

/// Variance of the roughest and smoothest prior tried (decimal exponent, m²).
const GLOBAL_EXPONENTS: (f64, f64) = (-17.0, -5.0);
/// Linearisations after the first.
const MOST_ROUNDS: usize = 8;
/// Updates of the smoothness for each linearisation.
const UPDATES: usize = 2;
/// The fit has settled when hardly any coefficient moves further than this in a round (m): a tenth of the standard
/// deviation that 0.1 px leaves at 3 m...
const SETTLED_M: f64 = 2e-5;
/// ... but for this share of them: roughness right after a release, where a few sightings decide, settles slowly...
const MOVING_SHARE: f64 = 0.01;
/// ... after at least this many rounds, so that smoothness and noise have settled too.
const LEAST_ROUNDS: usize = 5;
/// Breaks are sought in these rounds: once to let the path go, once more when the sightings after the release,
/// which the smooth path took for wrong, have their weight back.
const SEARCH_ROUNDS: [usize; 2] = [2, 4];
/// Weight of the stated pixel noise against the residuals, in sightings.
const NOISE_PRIOR: f64 = 10.0;
/// Variance of a fourth difference of white noise: 1 + 16 + 36 + 16 + 1.
const FOURTH_GAIN: f64 = 70.0;

/// How the rounds went.
pub(crate) struct Course {
    /// Each with its piece.
    pub(crate) breaks: Vec<(usize, Break)>,
    pub(crate) rounds: usize,
    pub(crate) settled: bool,
}

pub(crate) struct Fitter<'a> {
    pub(crate) rig: &'a Rig,
    pub(crate) settings: &'a PathSettings,
    pub(crate) layout: Layout,
    pub(crate) border: Border,
    pub(crate) estimate: Estimate,
    pub(crate) noise: Noise,
    pub(crate) judgements: Vec<Judgement>,
    pub(crate) smoothness: Smoothness,
}

impl Fitter<'_> {
    pub(crate) fn stand(&self) -> Stand {
        let raw = &self.border.modes * &self.estimate.z;
        Stand::new(self.rig, &self.layout.sources, &raw)
    }

    /// All sightings about the current estimate.
    pub(crate) fn lines(&self, stand: &Stand) -> Lines {
        Lines::new(&self.layout, &self.border, stand, &self.estimate)
    }

    fn judge(&mut self, lines: &Lines, gently: bool) {
        if gently {
            let mut lists = vec![Vec::new(); self.rig.cameras.len()];
            for (o, linear) in self.layout.observations.iter().zip(&lines.linears) {
                if let Some(linear) = linear {
                    let judged = self.noise.judge(o.camera, &linear.residual, &o.covariance);
                    lists[o.camera].push(judged.distance2);
                }
            }
            self.noise.scale = median_scales(&mut lists)
                .into_iter()
                .map(|scale| scale.max(1.0))
                .collect();
            self.noise.white.clone_from(&self.noise.scale);
        }
        self.judgements = self
            .layout
            .observations
            .iter()
            .zip(&lines.linears)
            .map(|(o, linear)| {
                linear.as_ref().map_or_else(Judgement::void, |linear| {
                    if gently {
                        self.noise
                            .judge_gently(o.camera, &linear.residual, &o.covariance)
                    } else {
                        self.noise.judge(o.camera, &linear.residual, &o.covariance)
                    }
                })
            })
            .collect();
    }

    pub(crate) fn normal(&self, lines: &Lines) -> Normal {
        let information: Vec<Matrix2<f64>> =
            self.judgements.iter().map(|j| j.information).collect();
        assemble(
            &self.layout,
            lines,
            &self.estimate,
            &information,
            self.settings.order,
        )
    }

    /// One variance for all differences, by restricted likelihood with the shared unknowns at their surveyed values:
    /// coarse steps, then finer ones about the best.
    fn choose_global(&mut self, normal: &Normal) -> Result<(), PathError> {
        let mut best = (f64::INFINITY, GLOBAL_EXPONENTS.0);
        let deviance = |smoothness: &mut Smoothness, exponent: f64| -> Result<f64, PathError> {
            smoothness.set_all(10f64.powf(exponent));
            normal.deviance_alone(smoothness)
        };
        let (mut from, mut to, mut step) = (GLOBAL_EXPONENTS.0, GLOBAL_EXPONENTS.1, 2.0);
        while step > 0.3 {
            let mut exponent = from;
            while exponent <= to + 1e-9 {
                let value = deviance(&mut self.smoothness, exponent)?;
                if value < best.0 {
                    best = (value, exponent);
                }
                exponent += step;
            }
            (from, to) = (best.1 - step / 2.0, best.1 + step / 2.0);
            step /= 2.0;
        }
        self.smoothness.set_all(10f64.powf(best.1));
        Ok(())
    }

    /// Estimate and smoothness in turn, the linearisation held; the factor of the last.
    fn adapt(&mut self, normal: &Normal) -> Result<Factor, PathError> {
        for _ in 0..UPDATES {
            let factor = normal.factor(&self.smoothness)?;
            let estimate = normal.solve(&factor);
            let evidence = self
                .smoothness
                .evidence(&estimate, &factor.selected_inverse());
            self.smoothness.update(&evidence);
        }
        let factor = normal.factor(&self.smoothness)?;
        self.estimate = normal.solve(&factor);
        Ok(factor)
    }

    /// Breaks seen in the current estimate; the smoothness is parted there.
    fn find_breaks(&mut self, normal: &Normal, hint_s: Option<(f64, f64)>) -> Vec<(usize, Break)> {
        let search = Search {
            normal,
            estimate: &self.estimate,
            smoothness: &self.smoothness,
            order: self.settings.order,
            hint_s,
        };
        let mut all = Vec::new();
        for (index, piece) in self.layout.pieces.iter().enumerate() {
            all.extend(
                search
                    .find(piece, index)
                    .into_iter()
                    .map(|(at, found)| (index, at, found)),
            );
        }
        self.smoothness.join();
        for (_, at, _) in &all {
            self.smoothness.part(*at);
        }
        all.into_iter().map(|(piece, _, b)| (piece, b)).collect()
    }

    /// Scale of each camera's pixel noise from residuals, corrected for what the fit, of which `factor` is the last,
    /// has used up.
    fn update_noise(&mut self, lines: &Lines, factor: &Factor) {
        let selected = factor.selected_inverse();
        let cameras = self.rig.cameras.len();
        let mut sums = vec![(0.0, 0.0); cameras];
        let mut counts = vec![0.0; cameras];
        for ((o, judged), linear) in self
            .layout
            .observations
            .iter()
            .zip(&self.judgements)
            .zip(&lines.linears)
        {
            let Some(linear) = linear else { continue };
            let piece = &self.layout.pieces[o.piece];
            let spread = diagnostics::conditional(&selected, piece, &linear.weights);
            let predicted = linear.by_point * spread * linear.by_point.transpose();
            let used = (judged.information * predicted).trace().clamp(0.0, 2.0);
            counts[o.camera] += 2.0 * judged.right;
            sums[o.camera].0 += judged.right * judged.distance2;
            sums[o.camera].1 += (judged.right * 2.0 - used).max(0.0);
        }
        // The shared unknowns use up at most one number each; spread over cameras.
        let border = factor.border_len() as f64
            - factor
                .border_covariance()
                .trace()
                .min(factor.border_len() as f64);
        let seen = sums.iter().filter(|(_, free)| *free > 0.0).count().max(1) as f64;
        if seen < 2.5 {
            // The path can follow one of two views alone and blame the other: what they contradict each other is
            // laid to both alike.
            let total = sums.iter().fold((0.0, 0.0), |t, s| (t.0 + s.0, t.1 + s.1));
            sums.fill((total.0 / seen, total.1 / seen));
            let all: f64 = counts.iter().sum();
            counts.fill(all / seen);
        }
        let mut white = self.white_energy(lines);
        if seen < 2.5 {
            let total = white.iter().fold((0.0, 0.0), |t, s| (t.0 + s.0, t.1 + s.1));
            white.fill(total);
        }
        for (camera, (energy, free)) in sums.iter().enumerate() {
            let left = *free;
            let free = (free - border / seen).max(0.0);
            let scale = ((energy + NOISE_PRIOR) / (free + NOISE_PRIOR))
                .sqrt()
                .max(0.05);
            let (changes, count) = white[camera];
            // What the fit has used up of the noise it has used up at most evenly.
            let unused = (left / counts[camera].max(1.0)).clamp(0.1, 1.0);
            let changing = changes / unused;
            self.noise.scale[camera] = scale;
            self.noise.white[camera] = ((changing + NOISE_PRIOR) / (count + NOISE_PRIOR))
                .sqrt()
                .clamp(0.05, scale);
        }
        let mut stated = vec![(0.0, 0.0); cameras];
        for o in &self.layout.observations {
            stated[o.camera].0 += 0.5 * o.covariance.trace();
            stated[o.camera].1 += 1.0;
        }
        for (camera, (sum, count)) in stated.iter().enumerate() {
            let (scale, white) = (self.noise.scale[camera], self.noise.white[camera]);
            let lasting = (scale * scale - white * white).max(0.0);
            self.noise.lasting_px2[camera] = lasting * sum / f64::max(*count, 1.0);
        }
    }

    /// Variance of the noise that changes from frame to frame, from fourth differences of residuals: their sum of squares and
    /// number for each camera, in units of the stated variance.
    fn white_energy(&self, lines: &Lines) -> Vec<(f64, f64)> {
        let cameras = self.rig.cameras.len();
        let mut sums = vec![(0.0, 0.0); cameras];
        let mut last: Vec<(usize, Vec<Vector2<f64>>)> = Vec::new();
        for ((o, judged), linear) in self
            .layout
            .observations
            .iter()
            .zip(&self.judgements)
            .zip(&lines.linears)
        {
            if last.len() <= o.series {
                last.resize(o.series + 1, (0, Vec::new()));
            }
            let (piece, window) = &mut last[o.series];
            let Some(linear) = linear
                .as_ref()
                .filter(|_| judged.right > RIGHT && (window.is_empty() || *piece == o.piece))
            else {
                window.clear();
                continue;
            };
            *piece = o.piece;
            window.push(linear.residual / (0.5 * o.covariance.trace()).sqrt());
            if let [a, b, c, d, e] = window.as_slice() {
                let change = a - 4.0 * b + 6.0 * c - 4.0 * d + e;
                sums[o.camera].0 += change.norm_squared() / FOURTH_GAIN;
                sums[o.camera].1 += 2.0;
                window.remove(0);
            }
        }
        sums
    }

    /// Rounds of judging, weighing, linearising and solving.
    pub(crate) fn run(&mut self, hint: Option<(f64, f64)>) -> Result<Course, PathError> {
        let lines = self.lines(&self.stand());
        self.judge(&lines, true);
        let normal = self.normal(&lines);
        self.choose_global(&normal)?;
        let mut factor = self.adapt(&normal)?;
        let mut breaks = Vec::new();
        for round in 1..=MOST_ROUNDS {
            let lines = self.lines(&self.stand());
            if round > 1 {
                self.update_noise(&lines, &factor);
            }
            self.judge(&lines, round == 1);
            let normal = self.normal(&lines);
            let before = self.estimate.coefficients.clone();
            factor = self.adapt(&normal)?;
            if SEARCH_ROUNDS.contains(&round) && self.settings.find_release {
                breaks = self.find_breaks(&normal, hint);
                if !breaks.is_empty() {
                    factor = self.adapt(&normal)?;
                }
            }
            let moving = before
                .iter()
                .zip(&self.estimate.coefficients)
                .filter(|(a, b)| (*a - *b).abs() > SETTLED_M)
                .count();
            if round >= LEAST_ROUNDS && moving as f64 <= MOVING_SHARE * before.len() as f64 {
                return Ok(Course {
                    breaks,
                    rounds: round,
                    settled: true,
                });
            }
        }
        Ok(Course {
            breaks,
            rounds: MOST_ROUNDS,
            settled: false,
        })
    }
}
