//! How small the error of a path could be with the sightings that a film gave: the limit beside our error.
//!
//! Posterior bound of a path whose roughness is known at every instant from the true motion, with lens, pose, clock and
//! read-out as unknowns within their surveyed covariance. Pixel noise is what changes from frame to frame, measured
//! against the true centres; what lasts in the errors of sightings is not in the limit and stands beside it.

use crate::error::BenchError;
use drawarc_range_sim::{MarkerPlace, Truth};
use drawarc_rig::{ClockModel, Rig};
use drawarc_sync_track::{MarkerRole, Sighting, SightingSeries, Verdict};
use drawarc_triangulation::{ElbowPath, PathInput, PathSettings, forecast};
use nalgebra::{Matrix2, Point2, Point3, Vector2, Vector3};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Variance of a fourth difference of white noise: 1 + 16 + 36 + 16 + 1.
const FOURTH_GAIN: f64 = 70.0;
/// Joint draws of the bound.
const DRAWS: usize = 60;
/// A bound is made for a shot with this much before and after it (s), as the command fits it.
const AROUND_S: f64 = 0.5;
/// A centre further off than this is another thing than the marker (px): no noise.
const WRONG_PX: f64 = 3.0;

/// Errors of the elbow's sightings against the true centres, one coordinate, rms over all cameras.
#[derive(Debug, Clone, Copy, Serialize)]
pub(crate) struct SightingError {
    /// All of it (px).
    pub(crate) all_px: f64,
    /// What changes from frame to frame (px).
    pub(crate) white_px: f64,
    /// A constant of each camera and shot taken off (px).
    pub(crate) shape_px: f64,
    /// Share of sightings further off than 3 px.
    pub(crate) wrong: f64,
}

/// One sighting's error (px).
#[derive(Debug, Clone, Copy)]
pub(crate) struct SingleError {
    pub(crate) camera: usize,
    pub(crate) shot: usize,
    pub(crate) error_px: [f64; 2],
}

/// Errors of the elbow's sightings.
pub(crate) struct Errors {
    pub(crate) summary: Option<SightingError>,
    /// True over stated noise of each camera (standard deviations), frame to frame.
    pub(crate) factors: Vec<f64>,
    pub(crate) singles: Vec<SingleError>,
}

/// Root mean squares of the bound over a span (mm).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Limit {
    pub(crate) absolute_mm: f64,
    pub(crate) shape_mm: f64,
}

#[derive(Deserialize)]
struct Kept<T> {
    value: T,
}

#[derive(Deserialize)]
struct KeptSurvey {
    clocks: Vec<ClockModel>,
}

#[derive(Deserialize)]
struct KeptSeries {
    camera: usize,
    role: MarkerRole,
    samples: Vec<KeptSighting>,
}

/// A marker without a centre has `null` there.
#[derive(Deserialize)]
struct KeptSighting {
    frame_index: u64,
    camera_s: f64,
    verdict: Verdict,
    centre_px: Option<[f64; 2]>,
    covariance_px2: [f64; 4],
}

/// The elbow as a run saw it.
pub(crate) struct Seen {
    rig: Rig,
    clocks: Vec<ClockModel>,
    series: Vec<SightingSeries>,
}

fn json<T: serde::de::DeserializeOwned>(path: &Path) -> Result<T, BenchError> {
    let text = std::fs::read_to_string(path).map_err(|source| BenchError::File {
        path: path.to_owned(),
        source,
    })?;
    serde_json::from_str(&text).map_err(|error| BenchError::Content {
        path: path.to_owned(),
        what: error.to_string(),
    })
}

impl Seen {
    /// From a result folder, with the rig that was surveyed there.
    pub(crate) fn read(results: &Path, rig: Rig) -> Result<Self, BenchError> {
        let survey: Kept<KeptSurvey> = json(&results.join("survey.json"))?;
        let sightings: Kept<Vec<KeptSeries>> = json(&results.join("sightings.json"))?;
        let series = sightings
            .value
            .into_iter()
            .filter(|series| series.role == MarkerRole::Elbow)
            .map(|series| SightingSeries {
                camera: series.camera,
                role: series.role,
                samples: series
                    .samples
                    .into_iter()
                    .map(|kept| Sighting {
                        frame_index: kept.frame_index,
                        camera_s: kept.camera_s,
                        verdict: kept.verdict,
                        centre_px: Point2::from(kept.centre_px.unwrap_or([f64::NAN; 2])),
                        covariance_px2: Matrix2::from_iterator(kept.covariance_px2),
                        velocity_px_s: Vector2::zeros(),
                        radius_px: 0.0,
                    })
                    .collect(),
            })
            .collect();
        Ok(Self {
            rig,
            clocks: survey.value.clocks,
            series,
        })
    }

    /// Errors of the sightings that lie within spans of range time (s).
    pub(crate) fn errors(&self, truth: &Truth, spans_s: &[(f64, f64)]) -> Errors {
        let mut sums = Sums::default();
        let mut factors = vec![1.0; self.rig.cameras.len()];
        for series in &self.series {
            let clock = &self.clocks[series.camera];
            let before = sums.white;
            let mut stated = 0.0;
            let mut seen = 0.0;
            for (shot, span) in spans_s.iter().enumerate() {
                let mut errors: Vec<Vector2<f64>> = Vec::new();
                let mut run: Vec<Vector2<f64>> = Vec::new();
                for sample in &series.samples {
                    let time_s = clock.range_from_camera(sample.camera_s);
                    if time_s < span.0 || time_s > span.1 {
                        continue;
                    }
                    let Some(error) = error_px(truth, series.camera, sample) else {
                        run.clear();
                        continue;
                    };
                    sums.seen += 1.0;
                    if error.norm() > WRONG_PX {
                        sums.wrong += 1.0;
                        run.clear();
                        continue;
                    }
                    stated += 0.5 * sample.covariance_px2.trace();
                    seen += 1.0;
                    errors.push(error);
                    sums.singles.push(SingleError {
                        camera: series.camera,
                        shot,
                        error_px: error.into(),
                    });
                    run.push(error);
                    if let [a, b, c, d, e] = run.as_slice() {
                        let change = a - 4.0 * b + 6.0 * c - 4.0 * d + e;
                        sums.white.0 += change.norm_squared() / FOURTH_GAIN;
                        sums.white.1 += 2.0;
                        run.remove(0);
                    }
                }
                sums.add(&errors);
            }
            let white = (sums.white.0 - before.0, sums.white.1 - before.1);
            if white.1 > 20.0 && seen > 0.0 {
                factors[series.camera] = (white.0 / white.1 / (stated / seen)).sqrt();
            }
        }
        Errors {
            summary: sums.result(),
            factors,
            singles: sums.singles,
        }
    }

    /// The bound of one shot, at `times_s`; `factors` from [`Self::errors`]. `None` where no path can be had.
    pub(crate) fn limit(
        &self,
        place: &dyn Fn(f64) -> Point3<f64>,
        factors: &[f64],
        times_s: &[f64],
    ) -> Option<Limit> {
        let (from_s, to_s) = (
            times_s.first()? - AROUND_S,
            times_s.last()? + 2.0 * AROUND_S,
        );
        let series: Vec<SightingSeries> = self
            .series
            .iter()
            .map(|series| {
                let clock = &self.clocks[series.camera];
                let variance = factors[series.camera] * factors[series.camera];
                SightingSeries {
                    samples: series
                        .samples
                        .iter()
                        .filter(|s| (from_s..to_s).contains(&clock.range_from_camera(s.camera_s)))
                        .map(|s| Sighting {
                            covariance_px2: s.covariance_px2 * variance,
                            ..*s
                        })
                        .collect(),
                    ..series.clone()
                }
            })
            .collect();
        let input = PathInput {
            rig: &self.rig,
            clocks: &self.clocks,
            series: &series,
            release_hint_s: None,
            settings: PathSettings::default(),
        };
        let paths = forecast(&input, &|_, time_s| place(time_s)).ok()?;
        expected(paths.first()?, times_s)
    }
}

/// Expected errors of a path, from its own joint draws.
fn expected(path: &ElbowPath, times_s: &[f64]) -> Option<Limit> {
    let samples = path.sample(times_s, DRAWS, 1);
    let (mut absolute, mut shape) = (0.0, 0.0);
    for draw in &samples.draws {
        let off: Vec<Vector3<f64>> = draw
            .iter()
            .zip(&samples.mean)
            .zip(&samples.in_gap)
            .filter(|(_, gap)| !**gap)
            .map(|((a, b), _)| 1000.0 * (a - b))
            .collect();
        if off.len() < 20 {
            return None;
        }
        let n = off.len() as f64;
        let mean = off.iter().sum::<Vector3<f64>>() / n;
        absolute += off.iter().map(Vector3::norm_squared).sum::<f64>() / n;
        shape += off.iter().map(|o| (o - mean).norm_squared()).sum::<f64>() / n;
    }
    let root = |sum: f64| (sum / samples.draws.len() as f64).sqrt();
    Some(Limit {
        absolute_mm: root(absolute),
        shape_mm: root(shape),
    })
}

#[derive(Default)]
struct Sums {
    all: f64,
    shape: f64,
    numbers: f64,
    white: (f64, f64),
    seen: f64,
    wrong: f64,
    singles: Vec<SingleError>,
}

impl Sums {
    fn add(&mut self, errors: &[Vector2<f64>]) {
        if errors.is_empty() {
            return;
        }
        let mean = errors.iter().sum::<Vector2<f64>>() / errors.len() as f64;
        self.all += errors.iter().map(Vector2::norm_squared).sum::<f64>();
        self.shape += errors
            .iter()
            .map(|e| (e - mean).norm_squared())
            .sum::<f64>();
        self.numbers += 2.0 * errors.len() as f64;
    }

    fn result(&self) -> Option<SightingError> {
        (self.numbers > 0.0 && self.white.1 > 0.0).then(|| SightingError {
            all_px: (self.all / self.numbers).sqrt(),
            white_px: (self.white.0 / self.white.1).sqrt(),
            shape_px: (self.shape / self.numbers).sqrt(),
            wrong: self.wrong / self.seen,
        })
    }
}

/// Sighting minus true centre (px); `None` where either is missing.
fn error_px(truth: &Truth, camera: usize, sample: &Sighting) -> Option<Vector2<f64>> {
    if !sample.verdict.is_seen() {
        return None;
    }
    let marker = truth
        .cameras
        .get(camera)?
        .markers
        .iter()
        .find(|marker| marker.place == MarkerPlace::Elbow)?;
    let frame = usize::try_from(sample.frame_index).ok()?;
    let [x, y, _] = (*marker.frames.get(frame)?)?;
    Some(sample.centre_px - Point2::new(x, y))
}
