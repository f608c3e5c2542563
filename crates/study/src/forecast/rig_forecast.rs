//! What a rig will be able to measure.

use super::camera_forecast::{CameraForecast, camera_forecast};
use super::danger::{self, Danger};
use super::detectable::{DetectionSettings, SmallestFaults, smallest_faults};
use super::marker::{MarkerKind, MarkerNoise};
use super::nominal_shot::{NominalArcher, NominalPhase};
use super::nominal_survey::nominal_rig;
use super::precision::{CameraTiming, FrameLook, MotionPrior, PathPrecision, PathTask};
use super::sketch::{RigSketch, Surroundings, Sync};
use crate::StudyError;
use drawarc_rig::Rig;
use nalgebra::{Matrix3, Point3, Vector3};
use serde::{Deserialize, Serialize};
use std::ops::Range;

/// How a forecast is made.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ForecastSettings {
    /// Marker noise.
    pub noise: MarkerNoise,
    /// Movement.
    pub prior: MotionPrior,
    /// What counts as found.
    pub detection: DetectionSettings,
    /// A small and a tall archer, who must both stay in every picture (m).
    pub archer_heights_m: [f64; 2],
    /// Joint samples behind shape errors and faults.
    pub draws: usize,
    /// Seed.
    pub seed: u64,
}

impl Default for ForecastSettings {
    fn default() -> Self {
        Self {
            noise: MarkerNoise::default(),
            prior: MotionPrior::default(),
            detection: DetectionSettings::default(),
            archer_heights_m: [1.40, 1.95],
            draws: 400,
            seed: 1,
        }
    }
}

/// What goes in: a rig with its covariance, and what a rig file does not say.
#[derive(Debug, Clone, Copy)]
pub struct ForecastInput<'a> {
    /// The rig, surveyed or nominal.
    pub rig: &'a Rig,
    /// Frames and clocks, in the rig's order.
    pub timing: &'a [CameraTiming],
    /// Who shoots.
    pub archer: NominalArcher,
    /// The marker.
    pub marker: MarkerKind,
    /// The room.
    pub surroundings: &'a Surroundings,
}

/// Errors along the three axes and in space (mm, one standard deviation).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AxisErrors {
    /// Away from the target.
    pub away_mm: f64,
    /// Behind the line.
    pub behind_mm: f64,
    /// Up.
    pub up_mm: f64,
    /// Root of the sum of squares.
    pub space_mm: f64,
}

impl AxisErrors {
    /// From mean squares along x, y, z (m²).
    fn of(squares: Vector3<f64>) -> Self {
        let mm = squares.map(|value| 1e3 * value.max(0.0).sqrt());
        Self {
            away_mm: mm.x,
            behind_mm: mm.y,
            up_mm: mm.z,
            space_mm: mm.norm(),
        }
    }
}

/// One phase of the shot.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PhaseForecast {
    /// Phase.
    pub phase: NominalPhase,
    /// Rms error where two cameras or more see the marker, survey and clock included; none where they never do.
    pub errors: Option<AxisErrors>,
    /// Fewest cameras that see the marker at any instant.
    pub cameras_least: usize,
    /// Share of the phase that fewer than two cameras see (0 to 1).
    pub blind_share: f64,
}

/// Curves over the nominal shot.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ForecastCurves {
    /// Time from the start of the raise (s).
    pub time_s: Vec<f64>,
    /// Standard deviation away (mm).
    pub away_sd_mm: Vec<f64>,
    /// Standard deviation behind (mm).
    pub behind_sd_mm: Vec<f64>,
    /// Standard deviation up (mm).
    pub up_sd_mm: Vec<f64>,
    /// Cameras that see the marker.
    pub cameras: Vec<usize>,
}

/// What the rig will be able to measure.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Forecast {
    /// From the end of set-up to 20 ms before release where two cameras see the marker, survey and clock included.
    pub absolute: AxisErrors,
    /// The same after one constant offset a shot.
    pub shape: AxisErrors,
    /// Smallest faults found.
    pub faults: SmallestFaults,
    /// Phase by phase.
    pub phases: Vec<PhaseForecast>,
    /// Camera by camera.
    pub cameras: Vec<CameraForecast>,
    /// Danger spots.
    pub dangers: Vec<Danger>,
    /// Curves.
    pub curves: ForecastCurves,
    /// Covariance at full draw (m²), for pictures: x, y, z.
    pub covariance_at_full_draw: Matrix3<f64>,
    /// Where the elbow is then (m).
    pub elbow_at_full_draw: Point3<f64>,
}

/// Full draw of the nominal shot (s).
pub(crate) const FULL_DRAW_S: f64 = 4.0;
/// Evaluation ends this long before release (s).
const BEFORE_RELEASE_S: f64 = 0.02;

/// Samples within `from_s..to_s`.
fn samples(time_s: &[f64], from_s: f64, to_s: f64) -> Range<usize> {
    time_s.partition_point(|t| *t < from_s)..time_s.partition_point(|t| *t < to_s)
}

/// Start and end of a phase (s).
fn times_of(phase: NominalPhase) -> (f64, f64) {
    NominalPhase::TIMES_S
        .iter()
        .find(|(candidate, _, _)| *candidate == phase)
        .map_or((0.0, 0.0), |(_, from, to)| (*from, *to))
}

/// The stretch on which the job is judged: end of set-up to 20 ms before release (s).
pub(crate) fn judged_s() -> (f64, f64) {
    let (_, from) = times_of(NominalPhase::SetUp);
    let (release, _) = times_of(NominalPhase::Release);
    (from, release - BEFORE_RELEASE_S)
}

/// Clock and frames of a sketch's cameras; free-running cameras start their frames anywhere, here a golden section apart.
pub fn timing_of(sketch: &RigSketch) -> Vec<CameraTiming> {
    const GOLDEN: f64 = 0.618_033_988_749_895;
    sketch
        .cameras
        .iter()
        .enumerate()
        .map(|(index, camera)| CameraTiming {
            rate_hz: camera.rate_hz,
            phase: if camera.sync == Sync::Genlock {
                0.0
            } else {
                (index as f64 * GOLDEN).fract()
            },
            clock_sd_s: camera.sync.sd_s(),
        })
        .collect()
}

/// Forecast of a sketch: nominal survey, then [`forecast`].
///
/// # Errors
/// [`StudyError`] where the sketch cannot be or cannot be surveyed.
pub fn forecast_sketch(
    sketch: &RigSketch,
    settings: &ForecastSettings,
) -> Result<Forecast, StudyError> {
    let rig = nominal_rig(sketch)?;
    forecast(
        &ForecastInput {
            rig: &rig,
            timing: &timing_of(sketch),
            archer: sketch.archer,
            marker: sketch.marker,
            surroundings: &sketch.surroundings,
        },
        settings,
    )
}

/// Forecast of a rig.
///
/// # Errors
/// [`StudyError`] where lists do not belong together or the rig's covariance is no covariance.
pub fn forecast(
    input: &ForecastInput<'_>,
    settings: &ForecastSettings,
) -> Result<Forecast, StudyError> {
    if input.timing.len() != input.rig.cameras.len() {
        return Err(StudyError::Lengths {
            what: "cameras and their timing",
            left: input.rig.cameras.len(),
            right: input.timing.len(),
        });
    }
    let precision = PathTask {
        rig: input.rig,
        timing: input.timing,
        archer: input.archer,
        marker: input.marker,
        noise: &settings.noise,
        prior: &settings.prior,
        draws: settings.draws,
        seed: settings.seed,
    }
    .run()?;
    let (from_s, to_s) = judged_s();
    let judged = samples(&precision.time_s, from_s, to_s);
    let (draw_from, draw_to) = times_of(NominalPhase::Draw);
    let draw = samples(&precision.time_s, draw_from, draw_to);
    let counts = cameras_seeing(&precision, input.timing);
    let absolute = mean_square(&precision, &counts, judged.clone())
        .map(AxisErrors::of)
        .ok_or_else(|| StudyError::Rig {
            problem: "no two cameras see the marker at any time between set-up and release"
                .to_owned(),
        })?;
    let cameras: Vec<CameraForecast> = (0..input.rig.cameras.len())
        .map(|index| camera_forecast(input, settings, &precision, index))
        .collect();
    let elbow = input.archer.body(FULL_DRAW_S).elbow;
    let phases = phase_forecasts(&precision, &counts);
    let mut dangers = danger::of_places(&input.rig.cameras, input.surroundings, &elbow);
    dangers.extend(danger::of_cameras(&cameras, &input.rig.cameras, &elbow));
    dangers.extend(
        phases
            .iter()
            .filter(|phase| {
                phase.blind_share > 0.05
                    && !matches!(
                        phase.phase,
                        NominalPhase::Raise | NominalPhase::FollowThrough
                    )
            })
            .map(|phase| Danger::TooFewCameras {
                phase: phase.phase,
                share: phase.blind_share,
            }),
    );
    let full = samples(&precision.time_s, FULL_DRAW_S, f64::MAX).start;
    let sd = |axis: usize| {
        precision
            .covariance
            .iter()
            .map(|c| 1e3 * c[(axis, axis)].sqrt())
            .collect()
    };
    Ok(Forecast {
        absolute,
        shape: AxisErrors::of(shape_square(&precision, &counts, judged.clone())),
        faults: smallest_faults(&precision, judged, draw, &settings.detection, settings.seed),
        phases,
        cameras,
        dangers,
        curves: ForecastCurves {
            away_sd_mm: sd(0),
            behind_sd_mm: sd(1),
            up_sd_mm: sd(2),
            cameras: counts,
            time_s: precision.time_s.clone(),
        },
        covariance_at_full_draw: precision.covariance[full],
        elbow_at_full_draw: elbow,
    })
}

/// Mean of the variances over those samples of a stretch that two cameras see, by axis (m²); none where there are none.
fn mean_square(
    precision: &PathPrecision,
    counts: &[usize],
    stretch: Range<usize>,
) -> Option<Vector3<f64>> {
    let seen: Vec<usize> = stretch.filter(|i| counts[*i] >= 2).collect();
    let total: Vector3<f64> = seen
        .iter()
        .map(|i| precision.covariance[*i].diagonal())
        .sum();
    (!seen.is_empty()).then(|| total / seen.len() as f64)
}

/// Mean square of joint errors about their own mean over the samples that two cameras see, by axis (m²).
fn shape_square(
    precision: &PathPrecision,
    counts: &[usize],
    stretch: Range<usize>,
) -> Vector3<f64> {
    let seen: Vec<usize> = stretch.filter(|i| counts[*i] >= 2).collect();
    let mut total = Vector3::zeros();
    for draw in &precision.draws {
        let count = seen.len() as f64;
        let centre = seen.iter().map(|i| draw[*i]).sum::<Vector3<f64>>() / count;
        let square: Vector3<f64> = seen
            .iter()
            .map(|i| (draw[*i] - centre).component_mul(&(draw[*i] - centre)))
            .sum();
        total += square / count;
    }
    total / precision.draws.len() as f64
}

/// How many cameras see the marker around each sample.
fn cameras_seeing(precision: &PathPrecision, timing: &[CameraTiming]) -> Vec<usize> {
    let sees = |looks: &[FrameLook], rate_hz: f64, t: f64| {
        let next = looks.partition_point(|look| look.time_s < t - 0.5 / rate_hz);
        looks[next.min(looks.len() - 1)].unseen.is_none()
    };
    precision
        .time_s
        .iter()
        .map(|t| {
            precision
                .looks
                .iter()
                .zip(timing)
                .filter(|(looks, timing)| !looks.is_empty() && sees(looks, timing.rate_hz, *t))
                .count()
        })
        .collect()
}

fn phase_forecasts(precision: &PathPrecision, counts: &[usize]) -> Vec<PhaseForecast> {
    NominalPhase::TIMES_S
        .iter()
        .map(|(phase, from, to)| {
            let range = samples(&precision.time_s, *from, *to);
            let seen = &counts[range.clone()];
            let blind = seen.iter().filter(|count| **count < 2).count();
            PhaseForecast {
                phase: *phase,
                errors: mean_square(precision, counts, range).map(AxisErrors::of),
                cameras_least: seen.iter().copied().min().unwrap_or(0),
                blind_share: blind as f64 / seen.len().max(1) as f64,
            }
        })
        .collect()
}
