use crate::coverage::Gap;
use crate::echo::Tails;
use crate::observation::Piece;
use crate::posterior::{Causes, Posterior};
use crate::release::Break;
use crate::{MotionBands, PathError, PathSamples};
use drawarc_sync_track::MarkerRole;
use nalgebra::{Matrix3, Point3, Vector3};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// The path of one marker in continuous time, with its joint uncertainty.
///
/// Paths of several markers from one fit share clocks, survey and hence their draws: sample number k of one
/// belongs to sample number k of the other, given the same seed.
#[derive(Debug, Clone)]
pub struct ElbowPath {
    pub(crate) posterior: Arc<Posterior>,
    pub(crate) role: MarkerRole,
    pub(crate) pieces: Vec<Piece>,
    pub(crate) gaps: Vec<Gap>,
    pub(crate) breaks: Vec<Break>,
}

/// The path at one instant.
#[derive(Debug, Clone, PartialEq)]
pub struct PathPoint {
    /// Range time (s).
    pub time_s: f64,
    /// In the range frame (m).
    pub position: Point3<f64>,
    /// (m/s).
    pub velocity: Vector3<f64>,
    /// (m/s²).
    pub acceleration: Vector3<f64>,
    /// Of the position (m²).
    pub covariance: Matrix3<f64>,
    /// Of the velocity (m²/s²).
    pub velocity_covariance: Matrix3<f64>,
    /// Of the acceleration (m²/s⁴).
    pub acceleration_covariance: Matrix3<f64>,
    /// Where the variance of the position comes from.
    pub shares: ErrorShares,
    /// Cameras that see the marker here.
    pub cameras_seeing: u8,
}

/// Shares of the variance of the position (trace), summing to 1. A share may be slightly negative where two
/// causes cancel each other.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ErrorShares {
    /// Pixel noise, with survey and clocks as they are estimated.
    pub pixels: f64,
    /// Offsets and rates of clocks.
    pub clocks: f64,
    /// Poses, lenses and read-out.
    pub survey: f64,
}

impl ErrorShares {
    pub(crate) fn of(causes: &Causes) -> Self {
        let trace = causes.total.trace();
        Self {
            pixels: causes.pixels.trace() / trace,
            clocks: causes.clocks.trace() / trace,
            survey: causes.survey.trace() / trace,
        }
    }
}

/// Factors on pointwise standard deviations that make simultaneous bands: with the stated probability no
/// coordinate leaves `mean ± factor · sd` at any instant asked for.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BandFactors {
    /// For position.
    pub position: f64,
    /// For velocity.
    pub velocity: f64,
    /// For acceleration.
    pub acceleration: f64,
}

impl ElbowPath {
    /// Which marker this is.
    pub fn role(&self) -> MarkerRole {
        self.role
    }

    /// First and last instant (range time, s); gaps may lie between.
    pub fn span(&self) -> (f64, f64) {
        let first = self.pieces.first().map_or(f64::NAN, |p| p.grid.start_s);
        let last = self.pieces.last().map_or(f64::NAN, |p| p.grid.end_s());
        (first, last)
    }

    /// Unbroken stretches (range time, s).
    pub fn pieces(&self) -> Vec<(f64, f64)> {
        self.pieces
            .iter()
            .map(|p| (p.grid.start_s, p.grid.end_s()))
            .collect()
    }

    /// Stretches without a path between the pieces.
    pub fn gaps(&self) -> &[Gap] {
        &self.gaps
    }

    /// Releases that the motion shows.
    pub fn breaks(&self) -> &[Break] {
        &self.breaks
    }

    fn piece_at(&self, time_s: f64) -> Option<&Piece> {
        self.pieces
            .iter()
            .find(|p| time_s >= p.grid.start_s && time_s <= p.grid.end_s())
    }

    fn seeing(&self, time_s: f64) -> u8 {
        let layout = &self.posterior.layout;
        layout
            .roles
            .iter()
            .position(|r| *r == self.role)
            .map_or(0, |index| {
                u8::try_from(layout.coverage[index].seeing(time_s).count()).unwrap_or(u8::MAX)
            })
    }

    /// The path at an instant (range time, s); `None` in gaps and beyond the ends.
    pub fn at(&self, time_s: f64) -> Option<PathPoint> {
        let piece = self.piece_at(time_s)?;
        let w = piece.grid.weights(time_s);
        let position = self.posterior.causes(piece, &w, 0);
        Some(PathPoint {
            time_s,
            position: Point3::from(self.posterior.value(piece, &w, 0)),
            velocity: self.posterior.value(piece, &w, 1),
            acceleration: self.posterior.value(piece, &w, 2),
            covariance: position.total,
            velocity_covariance: self.posterior.causes(piece, &w, 1).total,
            acceleration_covariance: self.posterior.causes(piece, &w, 2).total,
            shares: ErrorShares::of(&position),
            cameras_seeing: self.seeing(time_s),
        })
    }

    /// Values, covariance and `draws` joint samples at chosen instants (range time, s). Same seed, same draws.
    pub fn sample(&self, times_s: &[f64], draws: usize, seed: u64) -> PathSamples {
        let nan = Vector3::repeat(f64::NAN);
        let mut samples = PathSamples {
            time_s: times_s.to_vec(),
            ..PathSamples::default()
        };
        let mut places = Vec::with_capacity(times_s.len());
        for &time_s in times_s {
            let place = self
                .piece_at(time_s)
                .map(|piece| (*piece, piece.grid.weights(time_s)));
            samples.in_gap.push(place.is_none());
            samples.cameras_seeing.push(self.seeing(time_s));
            let value = |order| {
                place
                    .as_ref()
                    .map_or(nan, |(piece, w)| self.posterior.value(piece, w, order))
            };
            samples.mean.push(Point3::from(value(0)));
            samples.velocity.push(value(1));
            samples.acceleration.push(value(2));
            samples.covariance.push(
                place
                    .as_ref()
                    .map_or(Matrix3::repeat(f64::NAN), |(piece, w)| {
                        self.posterior.causes(piece, w, 0).total
                    }),
            );
            places.push(place);
        }
        samples.draws = self
            .posterior
            .draws(draws, seed, Tails::Light)
            .map(|draw| {
                places
                    .iter()
                    .map(|place| {
                        Point3::from(place.as_ref().map_or(nan, |(piece, w)| {
                            draw.value(piece.offset, piece.grid.degree, w, 0)
                        }))
                    })
                    .collect()
            })
            .collect();
        samples
    }

    /// How sure velocity and acceleration are at chosen instants (range time, s), and the factors that make bands of 95 %
    /// simultaneous over those of them that lie within `whole_s`.
    ///
    /// # Errors
    /// As [`Self::band_factors`].
    pub fn motion_bands(
        &self,
        times_s: &[f64],
        whole_s: (f64, f64),
        draws: usize,
        seed: u64,
    ) -> Result<MotionBands, PathError> {
        let sd = |order| {
            times_s
                .iter()
                .map(|&t| {
                    self.piece_at(t).map_or(Vector3::repeat(f64::NAN), |piece| {
                        let weights = piece.grid.weights(t);
                        let causes = self.posterior.causes(piece, &weights, order);
                        causes.total.diagonal().map(|v| v.max(0.0).sqrt())
                    })
                })
                .collect()
        };
        let within: Vec<f64> = times_s
            .iter()
            .copied()
            .filter(|t| (whole_s.0..=whole_s.1).contains(t))
            .collect();
        Ok(MotionBands {
            velocity_sd: sd(1),
            acceleration_sd: sd(2),
            simultaneous_95: self.band_factors(&within, 0.95, draws, seed)?,
        })
    }

    /// Factors for simultaneous bands over the given instants, from `draws` joint samples (at least 200 for
    /// a 95 % band worth the name).
    ///
    /// # Errors
    /// [`PathError::Value`] where `probability` is not between 0 and 1, or without draws or instants.
    pub fn band_factors(
        &self,
        times_s: &[f64],
        probability: f64,
        draws: usize,
        seed: u64,
    ) -> Result<BandFactors, PathError> {
        if !(probability > 0.0 && probability < 1.0) {
            return Err(PathError::Value {
                what: "probability",
                value: probability,
                why: "between 0 and 1",
            });
        }
        let places: Vec<_> = times_s
            .iter()
            .filter_map(|&t| {
                self.piece_at(t)
                    .map(|piece| (*piece, piece.grid.weights(t)))
            })
            .collect();
        if draws == 0 || places.is_empty() {
            return Err(PathError::Value {
                what: "draws times instants",
                value: 0.0,
                why: "at least one",
            });
        }
        let mut factors = [0.0; 3];
        let scale: Vec<[(Vector3<f64>, Vector3<f64>); 3]> = places
            .iter()
            .map(|(piece, w)| {
                [0, 1, 2].map(|order| {
                    let sd = self
                        .posterior
                        .causes(piece, w, order)
                        .total
                        .diagonal()
                        .map(|v| v.max(0.0).sqrt());
                    (self.posterior.value(piece, w, order), sd)
                })
            })
            .collect();
        let mut largest = [vec![], vec![], vec![]];
        for draw in self.posterior.draws(draws, seed, Tails::Heavy) {
            for (order, list) in largest.iter_mut().enumerate() {
                let mut most = 0.0f64;
                for ((piece, w), place) in places.iter().zip(&scale) {
                    let (mean, sd) = &place[order];
                    let off = draw.value(piece.offset, piece.grid.degree, w, order) - mean;
                    most = most.max(off.component_div(sd).amax());
                }
                list.push(most);
            }
        }
        for (factor, list) in factors.iter_mut().zip(&mut largest) {
            list.sort_by(f64::total_cmp);
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "an index into the draws"
            )]
            let at = (probability * draws as f64).ceil() as usize;
            *factor = list[at.clamp(1, draws) - 1];
        }
        Ok(BandFactors {
            position: factors[0],
            velocity: factors[1],
            acceleration: factors[2],
        })
    }
}
