//! The fit: sightings in, path out.

use crate::border::{Border, CLOCK_NUMBERS, Stand};
use crate::consensus::{self, Disagreement};
use crate::diagnostics::{self, PathDiagnostics};
use crate::influence::{effects, expected_px};
use crate::initial;
use crate::lasting;
use crate::noise::{Judgement, Noise, median_scales};
use crate::normal::{Estimate, Linear, Normal, assemble, linearise};
use crate::observation::{self, Layout};
use crate::posterior::Posterior;
use crate::release::{Break, Search};
use crate::smoothness::Smoothness;
use crate::{ElbowPath, PathError, PathInput, PathSettings};
use drawarc_rig::{ClockModel, ClockSegment, Rig};
use drawarc_sync_track::{MarkerRole, SightingSeries};
use nalgebra::{DVector, Matrix2};
use std::sync::Arc;

/// What a fit gives.
#[derive(Debug, Clone)]
pub struct PathFit {
    /// The draw elbow's path; where no series shows the elbow, that of the first marker.
    pub path: ElbowPath,
    /// Paths of the other markers, in the order of their roles.
    pub others: Vec<ElbowPath>,
    /// Clocks refined by the motion, with their posterior variance.
    pub clocks: Vec<ClockModel>,
    /// What a person should know about the fit.
    pub diagnostics: PathDiagnostics,
}

impl PathFit {
    /// The path of a marker.
    pub fn path_of(&self, role: MarkerRole) -> Option<&ElbowPath> {
        std::iter::once(&self.path)
            .chain(&self.others)
            .find(|path| path.role() == role)
    }
}

/// Shared unknowns that shift pixels by less than this (rms, at one standard deviation) are left fixed: a fiftieth
/// of a good marker's noise.
pub(crate) const LEAST_EFFECT_PX: f64 = 0.002;
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

/// How the rounds went.
struct Course {
    /// Each with its piece.
    breaks: Vec<(usize, Break)>,
    rounds: usize,
    settled: bool,
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

    /// Residual of every sighting; `None` where the camera cannot see the point.
    fn residuals(&self, stand: &Stand) -> Vec<Option<Linear>> {
        self.layout
            .observations
            .iter()
            .map(|o| linearise(&self.layout, stand, &self.estimate, o, false))
            .collect()
    }

    fn judge(&mut self, stand: &Stand, gently: bool) {
        let residuals = self.residuals(stand);
        if gently {
            let mut lists = vec![Vec::new(); self.rig.cameras.len()];
            for (o, linear) in self.layout.observations.iter().zip(&residuals) {
                if let Some(linear) = linear {
                    let judged = self.noise.judge(o.camera, &linear.residual, &o.covariance);
                    lists[o.camera].push(judged.distance2);
                }
            }
            self.noise.scale = median_scales(&mut lists)
                .into_iter()
                .map(|scale| scale.max(1.0))
                .collect();
        }
        self.judgements = self
            .layout
            .observations
            .iter()
            .zip(&residuals)
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

    fn information(&self) -> Vec<Matrix2<f64>> {
        self.judgements.iter().map(|j| j.information).collect()
    }

    pub(crate) fn normal(&self, stand: &Stand) -> Normal {
        assemble(
            &self.layout,
            &self.border,
            &self.estimate,
            stand,
            &self.information(),
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

    /// Estimate and smoothness in turn, the linearisation held.
    fn adapt(&mut self, normal: &Normal, updates: usize) -> Result<(), PathError> {
        for _ in 0..updates {
            let factor = normal.factor(&self.smoothness)?;
            let estimate = normal.solve(&factor);
            let evidence = self
                .smoothness
                .evidence(&estimate, &factor.selected_inverse());
            self.smoothness.update(&evidence);
        }
        let factor = normal.factor(&self.smoothness)?;
        self.estimate = normal.solve(&factor);
        Ok(())
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

    /// Scale of each camera's pixel noise from residuals, corrected for what the fit has used up.
    fn update_noise(&mut self, stand: &Stand, normal: &Normal) -> Result<(), PathError> {
        let factor = normal.factor(&self.smoothness)?;
        let selected = factor.selected_inverse();
        let cameras = self.rig.cameras.len();
        let mut sums = vec![(0.0, 0.0); cameras];
        for ((o, judged), linear) in self
            .layout
            .observations
            .iter()
            .zip(&self.judgements)
            .zip(self.residuals(stand))
        {
            let Some(linear) = linear else { continue };
            let piece = &self.layout.pieces[o.piece];
            let spread = diagnostics::conditional(&selected, piece, &linear.weights);
            let predicted = linear.by_point * spread * linear.by_point.transpose();
            let used = (judged.information * predicted).trace().clamp(0.0, 2.0);
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
        }
        for (scale, (energy, free)) in self.noise.scale.iter_mut().zip(&sums) {
            let free = (free - border / seen).max(0.0);
            *scale = ((energy + NOISE_PRIOR) / (free + NOISE_PRIOR))
                .sqrt()
                .max(0.05);
        }
        Ok(())
    }

    /// Rounds of judging, weighing, linearising and solving.
    fn run(&mut self, hint: Option<(f64, f64)>) -> Result<Course, PathError> {
        let stand = self.stand();
        self.judge(&stand, true);
        let normal = self.normal(&stand);
        self.choose_global(&normal)?;
        self.adapt(&normal, UPDATES)?;
        let mut breaks = Vec::new();
        let mut last = normal;
        for round in 1..=MOST_ROUNDS {
            let stand = self.stand();
            if round > 1 {
                self.update_noise(&stand, &last)?;
            }
            self.judge(&stand, round == 1);
            last = self.normal(&stand);
            let normal = &last;
            let before = self.estimate.coefficients.clone();
            self.adapt(normal, UPDATES)?;
            if SEARCH_ROUNDS.contains(&round) && self.settings.find_release {
                breaks = self.find_breaks(normal, hint);
                if !breaks.is_empty() {
                    self.adapt(normal, UPDATES)?;
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

/// Fits one curve to all sightings of each marker.
///
/// The path is a spline whose m-th differences have a Gaussian prior with variance learned along the way
/// (restricted likelihood); each sighting enters at its own instant `clock(camera_s + row delay)` with its own
/// covariance; clocks, read-out, poses and lenses are unknowns with their surveyed covariance as prior. Solved by
/// Gauss-Newton on banded normal equations with a border, in time linear in the number of sightings.
///
/// # Errors
/// [`PathError::Value`] for settings that cannot be, [`PathError::Count`] and [`PathError::Camera`] where input
/// and rig do not fit, [`PathError::NoOverlap`] where no two cameras see a marker for long enough,
/// [`PathError::Parallel`] where rays do not meet, [`PathError::Singular`].
pub fn fit_path(input: &PathInput<'_>) -> Result<PathFit, PathError> {
    let settings = &input.settings;
    settings.validate()?;
    let mut layout = observation::layout(input.rig, input.clocks, input.series, settings)?;
    let mut border = Border::new(
        input.rig,
        &layout.sources,
        settings.refine_survey,
        settings.refine_clocks,
    );
    let raw = DVector::zeros(border.modes.nrows());
    let stand = Stand::new(input.rig, &layout.sources, &raw);
    let mut first = initial::estimate(&layout, &stand, settings.order, border.len())?;
    let expected = expected_px(&layout, &border, &stand, &first);
    let disagreement = consensus::find(&layout, &stand, &expected);
    if let Some(odd) = &disagreement {
        // Whatever it sees must not count as seen.
        let rest: Vec<SightingSeries> = input
            .series
            .iter()
            .filter(|series| series.camera != odd.camera)
            .cloned()
            .collect();
        layout = observation::layout(input.rig, input.clocks, &rest, settings)?;
        first = initial::estimate(&layout, &stand, settings.order, 0)?;
    }
    let (effect, count) = effects(&layout, &border, &stand, &first);
    border.reduce(&effect, count, LEAST_EFFECT_PX);
    first.z = DVector::zeros(border.len());
    let mut fitter = Fitter {
        rig: input.rig,
        settings,
        smoothness: Smoothness::new(
            &layout,
            settings.order,
            settings.adapt_s,
            settings.adapt_prior,
        ),
        noise: Noise {
            scale: vec![1.0; input.rig.cameras.len()],
            share: settings.wrong_share,
            width: settings.wrong_width,
        },
        judgements: Vec::new(),
        layout,
        border,
        estimate: first,
    };
    let course = fitter.run(input.release_hint_s)?;
    finish(input, fitter, &course, disagreement)
}

fn finish(
    input: &PathInput<'_>,
    fitter: Fitter<'_>,
    course: &Course,
    disagreement: Option<Disagreement>,
) -> Result<PathFit, PathError> {
    let stand = fitter.stand();
    let factor = fitter.normal(&stand).factor(&fitter.smoothness)?;
    let lasting_px2 = lasting::variance_px2(
        &fitter.layout,
        &fitter.judgements,
        &fitter.residuals(&stand),
        input.rig.cameras.len(),
    );
    let Fitter {
        layout,
        border,
        estimate,
        noise,
        judgements,
        ..
    } = fitter;
    let posterior = Posterior::new(layout, border, estimate, factor, stand.clone(), lasting_px2);
    let clocks = refined_clocks(input.clocks, &posterior);
    let diagnostics = diagnostics::diagnose(
        &posterior,
        &stand,
        &noise,
        &judgements,
        (course.rounds, course.settled),
        disagreement,
    );
    let mut paths = paths(&Arc::new(posterior), &course.breaks);
    let elbow = paths
        .iter()
        .position(|p| p.role() == MarkerRole::Elbow)
        .unwrap_or(0);
    let path = paths.remove(elbow);
    Ok(PathFit {
        path,
        others: paths,
        clocks,
        diagnostics,
    })
}

/// One path for each role that has pieces.
pub(crate) fn paths(posterior: &Arc<Posterior>, breaks: &[(usize, Break)]) -> Vec<ElbowPath> {
    let layout = &posterior.layout;
    layout
        .roles
        .iter()
        .filter(|role| layout.pieces.iter().any(|p| p.role == **role))
        .map(|&role| ElbowPath {
            posterior: Arc::clone(posterior),
            role,
            pieces: layout
                .pieces
                .iter()
                .filter(|p| p.role == role)
                .copied()
                .collect(),
            gaps: layout
                .gaps
                .iter()
                .filter(|gap| gap.role == role)
                .cloned()
                .collect(),
            breaks: breaks
                .iter()
                .filter(|(piece, _)| layout.pieces[*piece].role == role)
                .map(|(_, found)| *found)
                .collect(),
        })
        .collect()
}

fn refined_clocks(clocks: &[ClockModel], posterior: &Posterior) -> Vec<ClockModel> {
    let modes = &posterior.border.modes;
    let raw = modes * &posterior.estimate.z;
    let mut refined = Vec::with_capacity(clocks.len());
    let mut at = posterior.border.rig_parameters;
    for clock in clocks {
        let segments: Vec<ClockSegment> = clock
            .segments()
            .iter()
            .map(|segment| {
                let rows = modes.rows(at, CLOCK_NUMBERS);
                let spread = rows * &posterior.border_covariance * rows.transpose();
                let moved = segment.offset_variance_s2 > 0.0 && rows.amax() > 0.0;
                let result = if moved {
                    ClockSegment {
                        offset_s: segment.offset_s + raw[at],
                        rate: segment.rate + raw[at + 1],
                        offset_variance_s2: spread[(0, 0)],
                        rate_variance: spread[(1, 1)],
                        offset_rate_covariance_s: spread[(0, 1)],
                        ..*segment
                    }
                } else {
                    *segment
                };
                at += CLOCK_NUMBERS;
                result
            })
            .collect();
        refined.push(ClockModel::piecewise(segments).unwrap_or_else(|| clock.clone()));
    }
    refined
}
