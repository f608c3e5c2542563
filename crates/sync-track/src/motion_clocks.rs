//! Clocks from motion: the offsets under which the views of all cameras meet.
//!
//! Coarse first (the offset of each camera on a grid, robustly), then Gauss-Newton over offsets and rates of all
//! cameras together with the survey's parameters, held by the survey's covariance: a pose error of 0.05° can pass for
//! 10 ms, and must stand in the interval. The information bound is the one of a known rig:
//! `var(δ) ≥ 1/Σ (v⊥/σ)²`, which for two cameras of equal noise is `2σ²/Σ v⊥²`.

use crate::epipolar::{Miss, miss};
use crate::ray_track::RayTrack;
use crate::survey_directions::survey_directions;
use crate::{ClockRemark, SightingSeries, SyncTrackError};
use drawarc_rig::{ClockModel, Rig};
use nalgebra::{DMatrix, DVector, Point3};
use serde::{Deserialize, Serialize};

/// How clocks are found from motion.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct MotionClockSettings {
    /// Offsets are looked for within so many standard deviations of the starting clocks ...
    pub search_sds: f64,
    /// ... but at least this far (s) ...
    pub search_at_least_s: f64,
    /// ... and at most this far (s).
    pub search_at_most_s: f64,
    /// Standard deviation of the cameras' rates before anything is seen (1.2 ms a minute).
    pub drift_sd: f64,
    /// A clock that is known no better than this (s) is not told by the motion.
    pub telling_sd_s: f64,
}

impl Default for MotionClockSettings {
    fn default() -> Self {
        Self {
            search_sds: 5.0,
            search_at_least_s: 0.25,
            search_at_most_s: 600.0,
            drift_sd: 2e-5,
            telling_sd_s: 0.02,
        }
    }
}

/// Clocks by motion.
#[derive(Debug, Clone, PartialEq)]
pub struct MotionClocks {
    /// Per camera: range time from camera time; `None` where the motion cannot tell. The first camera is the
    /// reference.
    pub clocks: Vec<Option<ClockModel>>,
    /// Covariance of the offsets at the clocks' reference times (s²), zero rows where untold and for the reference.
    pub offset_covariance_s2: DMatrix<f64>,
    /// Per camera: standard deviation that pixel noise alone would leave (s), the information bound; infinite
    /// without overlap.
    pub bound_sd_s: Vec<f64>,
    /// Residual distance of the rays in units of what the pixels explain (1 is ideal).
    pub misfit: f64,
    /// Whether the last step was small enough.
    pub converged: bool,
    /// What a person should know.
    pub remarks: Vec<ClockRemark>,
}

/// Step of the coarse search (s): half a frame of a fast camera.
const GRID_S: f64 = 0.008;
/// Comparisons at each step of it, and the fewest that tell anything.
const PROBES: usize = 160;
const FEWEST: usize = 25;
/// Distances count up to this many (floored) standard deviations in the coarse search.
const CAP: f64 = 6.0;
/// In the coarse search the survey and the steps of the grid blur the views by this many pixel deviations.
const BLUR: f64 = 10.0;
/// A second minimum this far away (s) ...
const RIVAL_APART_S: f64 = 0.12;
/// ... whose cost is below this multiple of the best makes the answer ambiguous.
const RIVAL_COST: f64 = 1.15;
/// Gauss-Newton ends at a step below this share of the standard deviation, or after so many steps.
const STEP_END_SDS: f64 = 0.02;
const STEPS: usize = 12;
/// Cauchy's constant for the distances.
const CAUCHY: f64 = 3.0;

/// Clocks from the sightings of all cameras, starting from clocks known so far (their variances say how far to look).
///
/// # Errors
/// [`SyncTrackError::CameraCount`] where clocks and rig differ in number. What the motion cannot tell is a remark.
pub fn clocks_from_motion(
    rig: &Rig,
    series: &[SightingSeries],
    start: &[ClockModel],
    settings: &MotionClockSettings,
) -> Result<MotionClocks, SyncTrackError> {
    let cameras = rig.cameras.len();
    if start.len() != cameras {
        return Err(SyncTrackError::CameraCount {
            what: "clocks",
            found: start.len(),
            expected: cameras,
        });
    }
    let problem = Problem::new(rig, series, start, settings);
    let (offsets, tied) = problem.coarse();
    Ok(problem.refine(&offsets, &tied))
}

struct Problem<'a> {
    rig: &'a Rig,
    start: &'a [ClockModel],
    settings: &'a MotionClockSettings,
    /// Tracks by marker, then by camera.
    tracks: Vec<Vec<RayTrack>>,
    centres: Vec<Point3<f64>>,
    /// Middle of each camera's data (camera s).
    middle_s: Vec<f64>,
}

impl<'a> Problem<'a> {
    fn new(
        rig: &'a Rig,
        series: &[SightingSeries],
        start: &'a [ClockModel],
        settings: &'a MotionClockSettings,
    ) -> Self {
        let mut roles: Vec<_> = series.iter().map(|one| one.role).collect();
        roles.sort_unstable();
        roles.dedup();
        let tracks: Vec<Vec<RayTrack>> = roles
            .iter()
            .map(|role| {
                series
                    .iter()
                    .filter(|one| one.role == *role && one.camera < rig.cameras.len())
                    .map(|one| RayTrack::of(one, &rig.cameras[one.camera]))
                    .filter(|track| track.knots.len() >= 5)
                    .collect()
            })
            .collect();
        let middle_s = (0..rig.cameras.len())
            .map(|camera| {
                let spans = tracks
                    .iter()
                    .flatten()
                    .filter(|track| track.camera == camera)
                    .filter_map(RayTrack::span);
                let (low, high) = spans
                    .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), (p, q)| {
                        (a.min(p), b.max(q))
                    });
                if high >= low { 0.5 * (low + high) } else { 0.0 }
            })
            .collect();
        Self {
            rig,
            start,
            settings,
            tracks,
            centres: rig
                .cameras
                .iter()
                .map(drawarc_rig::Camera::centre_in_range)
                .collect(),
            middle_s,
        }
    }

    /// All pairs of tracks of one marker by two cameras; the sparser first, so that no comparison is made twice.
    fn pairs(&self) -> impl Iterator<Item = (&RayTrack, &RayTrack)> {
        self.tracks.iter().flat_map(|tracks| {
            tracks.iter().enumerate().flat_map(move |(k, a)| {
                tracks[k + 1..].iter().map(move |b| {
                    if a.knots.len() <= b.knots.len() {
                        (a, b)
                    } else {
                        (b, a)
                    }
                })
            })
        })
    }

    fn compare(&self, a: &RayTrack, knot: usize, b: &RayTrack, offsets: &Offsets) -> Option<Miss> {
        let first = &a.knots[knot];
        let range_s = self.start[a.camera].range_from_camera(first.camera_s)
            + offsets.at(a.camera, first.camera_s - self.middle_s[a.camera]);
        // The rate's share at the second camera is taken at the time before it: second order.
        let guess_s = self.start[b.camera].camera_from_range(range_s);
        let shift = offsets.at(b.camera, guess_s - self.middle_s[b.camera]);
        let second_s = self.start[b.camera].camera_from_range(range_s - shift);
        miss(
            (&self.centres[a.camera], &self.centres[b.camera]),
            first,
            b,
            second_s,
        )
    }

    /// Mean capped cost of one camera against another at an offset; `None` with too little overlap.
    fn cost(&self, camera: usize, against: usize, offsets: &Offsets) -> Option<f64> {
        let mut sum = 0.0;
        let mut count = 0;
        for (a, b) in self.pairs() {
            let both = [a.camera, b.camera];
            if !(both.contains(&camera) && both.contains(&against)) {
                continue;
            }
            let stride = (a.knots.len() / PROBES).max(1);
            for knot in (0..a.knots.len()).step_by(stride) {
                if let Some(miss) = self.compare(a, knot, b, offsets) {
                    sum += (miss.value / BLUR).powi(2).min(CAP * CAP);
                    count += 1;
                }
            }
        }
        (count >= FEWEST).then(|| (sum + 10.0) / count as f64)
    }

    /// Offsets on a grid, camera after camera, each against one that is tied already.
    fn coarse(&self) -> (Offsets, Vec<bool>) {
        let cameras = self.rig.cameras.len();
        let mut offsets = Offsets::zero(cameras);
        let mut tied = vec![false; cameras];
        if let Some(first) = tied.first_mut() {
            *first = true;
        }
        loop {
            let mut progress = false;
            for camera in 0..cameras {
                if tied[camera] {
                    continue;
                }
                for against in (0..cameras)
                    .filter(|&other| tied[other])
                    .collect::<Vec<_>>()
                {
                    if let Some(offset_s) = self.search(camera, against, &offsets) {
                        offsets.offset_s[camera] = offset_s;
                        tied[camera] = true;
                        progress = true;
                        break;
                    }
                }
            }
            if !progress {
                return (offsets, tied);
            }
        }
    }

    fn search(&self, camera: usize, against: usize, offsets: &Offsets) -> Option<f64> {
        let sd_s = (self.start[camera].variance_at(self.middle_s[camera])
            + self.start[against].variance_at(self.middle_s[against]))
        .sqrt();
        let reach_s = (self.settings.search_sds * sd_s)
            .max(self.settings.search_at_least_s)
            .min(self.settings.search_at_most_s);
        #[expect(
            clippy::cast_possible_truncation,
            reason = "at most 600 s in steps of 8 ms"
        )]
        let steps = (reach_s / GRID_S).ceil() as i32;
        let mut trial = offsets.clone();
        let base_s = offsets.offset_s[against];
        let costs: Vec<(f64, f64)> = (-steps..=steps)
            .filter_map(|step| {
                trial.offset_s[camera] = base_s + f64::from(step) * GRID_S;
                let cost = self.cost(camera, against, &trial)?;
                Some((trial.offset_s[camera], cost))
            })
            .collect();
        let best = costs.iter().min_by(|p, q| p.1.total_cmp(&q.1))?;
        let rival = costs
            .iter()
            .filter(|(offset_s, _)| (offset_s - best.0).abs() > RIVAL_APART_S)
            .map(|(_, cost)| *cost)
            .fold(f64::INFINITY, f64::min);
        (rival > RIVAL_COST * best.1).then_some(best.0)
    }

    #[expect(
        clippy::too_many_lines,
        reason = "one Gauss-Newton loop, easier to follow in one piece"
    )]
    fn refine(&self, start: &Offsets, tied: &[bool]) -> MotionClocks {
        let cameras = self.rig.cameras.len();
        let survey = survey_directions(&self.rig.covariance);
        let free: Vec<usize> = (1..cameras).filter(|&camera| tied[camera]).collect();
        let size = 2 * free.len() + survey.ncols();
        let mut offsets = start.clone();
        let mut survey_shift = DVector::<f64>::zeros(survey.ncols());
        let mut by_rig: Option<Vec<DVector<f64>>> = None;
        let mut converged = free.is_empty();
        let mut misfit = 1.0;
        let mut covariance = DMatrix::zeros(size, size);
        let mut bound = vec![0.0; cameras];
        let comparisons = self.comparisons(start, tied);
        let nothing = DVector::zeros(survey.ncols());
        for _ in 0..STEPS {
            let found: Vec<Option<Miss>> = comparisons
                .iter()
                .map(|&(a, knot, b)| self.compare(a, knot, b, &offsets))
                .collect();
            if found.iter().all(Option::is_none) {
                break;
            }
            // The survey's share changes little with the offsets: worked out once.
            let all_rows = by_rig.get_or_insert_with(|| {
                found
                    .iter()
                    .zip(&comparisons)
                    .map(|(miss, &(a, _, b))| {
                        miss.as_ref().map_or_else(
                            || nothing.clone(),
                            |miss| survey.tr_mul(&miss.by_rig(self.rig, (a.camera, b.camera))),
                        )
                    })
                    .collect()
            });
            let (misses, rows): (Vec<_>, Vec<_>) = found
                .into_iter()
                .zip(&comparisons)
                .zip(all_rows.iter())
                .filter_map(|((miss, &(a, _, b)), row)| Some((((a.camera, b.camera), miss?), row)))
                .unzip();
            let values: Vec<f64> = misses
                .iter()
                .zip(&rows)
                .map(|((_, miss), row)| miss.value + row.dot(&survey_shift))
                .collect();
            misfit = median_size(&values).max(0.3) / 0.6745;
            let scale = misfit.max(1.0);
            let mut normal = DMatrix::<f64>::zeros(size, size);
            let mut right = DVector::<f64>::zeros(size);
            bound.fill(0.0);
            for (((pair, miss), row), value) in misses.iter().zip(&rows).zip(&values) {
                let mut derivative = DVector::zeros(size);
                for (sign, camera, camera_s) in [
                    (1.0, pair.0, miss.camera_s[0]),
                    (-1.0, pair.1, miss.camera_s[1]),
                ] {
                    bound[camera] += miss.by_time * miss.by_time;
                    if let Some(k) = free.iter().position(|&c| c == camera) {
                        derivative[2 * k] = sign * miss.by_time;
                        derivative[2 * k + 1] =
                            sign * miss.by_time * (camera_s - self.middle_s[camera]);
                    }
                }
                derivative
                    .rows_mut(2 * free.len(), row.len())
                    .copy_from(*row);
                let weight = 1.0 / (1.0 + (value / (CAUCHY * scale)).powi(2)) / (scale * scale);
                normal.ger(weight, &derivative, &derivative, 1.0);
                right.axpy(-weight * value, &derivative, 1.0);
            }
            for k in 0..free.len() {
                let precision = self.settings.drift_sd.powi(-2);
                normal[(2 * k + 1, 2 * k + 1)] += precision;
                right[2 * k + 1] -= precision * offsets.rate[free[k]];
                // A hundred seconds of ignorance keep the system regular.
                normal[(2 * k, 2 * k)] += 1e-4;
            }
            for k in 2 * free.len()..size {
                normal[(k, k)] += 1.0;
                right[k] -= survey_shift[k - 2 * free.len()];
            }
            let Some(inverse) = normal.try_inverse() else {
                break;
            };
            let step = &inverse * right;
            covariance = inverse;
            let mut largest: f64 = 0.0;
            for (k, &camera) in free.iter().enumerate() {
                let limited = step[2 * k].clamp(-0.05, 0.05);
                offsets.offset_s[camera] += limited;
                offsets.rate[camera] += step[2 * k + 1];
                let sd_s = covariance[(2 * k, 2 * k)].sqrt();
                largest = largest.max(step[2 * k].abs() / sd_s);
            }
            survey_shift += step.rows(2 * free.len(), survey.ncols());
            if largest < STEP_END_SDS {
                converged = true;
                break;
            }
        }
        self.result(&offsets, (&free, &covariance), &bound, (misfit, converged))
    }

    /// The comparisons that stay possible within a step of the coarse grid: a fixed list, or they would come and go
    /// at the ends of the tracks while the offsets settle.
    fn comparisons(&self, offsets: &Offsets, tied: &[bool]) -> Vec<(&RayTrack, usize, &RayTrack)> {
        let mut all = Vec::new();
        for (a, b) in self.pairs() {
            if !(tied[a.camera] && tied[b.camera]) {
                continue;
            }
            let moved = [-1.0, 0.0, 1.0].map(|sign| {
                let mut moved = offsets.clone();
                moved.offset_s[b.camera] += sign * 2.0 * GRID_S;
                moved
            });
            all.extend(
                (0..a.knots.len())
                    .filter(|&knot| {
                        moved
                            .iter()
                            .all(|offsets| self.compare(a, knot, b, offsets).is_some())
                    })
                    .map(|knot| (a, knot, b)),
            );
        }
        all
    }

    fn result(
        &self,
        offsets: &Offsets,
        (free, covariance): (&[usize], &DMatrix<f64>),
        bound: &[f64],
        (misfit, converged): (f64, bool),
    ) -> MotionClocks {
        let cameras = self.rig.cameras.len();
        let mut clocks = vec![None; cameras];
        if let Some(first) = clocks.first_mut() {
            *first = Some(self.start[0].clone());
        }
        let mut remarks = Vec::new();
        let mut offset_covariance_s2 = DMatrix::zeros(cameras, cameras);
        for camera in 1..cameras {
            let place = free.iter().position(|&c| c == camera);
            let sd_s = place.map_or(f64::INFINITY, |k| covariance[(2 * k, 2 * k)].sqrt());
            let (Some(k), true) = (place, sd_s < self.settings.telling_sd_s && converged) else {
                remarks.push(ClockRemark::MotionCannotTell { camera, sd_s });
                continue;
            };
            for (l, &other) in free.iter().enumerate() {
                offset_covariance_s2[(camera, other)] = covariance[(2 * k, 2 * l)];
                offset_covariance_s2[(other, camera)] = covariance[(2 * l, 2 * k)];
            }
            let reference_s = self.middle_s[camera];
            let rate = self.start[camera].rate_at(reference_s) + offsets.rate[camera];
            let offset_s = self.start[camera].range_from_camera(reference_s) - reference_s
                + offsets.offset_s[camera];
            clocks[camera] = Some(ClockModel::linear(
                reference_s,
                offset_s,
                rate,
                [
                    covariance[(2 * k, 2 * k)],
                    covariance[(2 * k + 1, 2 * k + 1)],
                    covariance[(2 * k, 2 * k + 1)],
                ],
            ));
        }
        let bound_sd_s = bound
            .iter()
            .map(|information| information.powf(-0.5))
            .collect();
        MotionClocks {
            clocks,
            offset_covariance_s2,
            bound_sd_s,
            misfit,
            converged,
            remarks,
        }
    }
}

/// Corrections to the starting clocks.
#[derive(Debug, Clone)]
struct Offsets {
    offset_s: Vec<f64>,
    rate: Vec<f64>,
}

impl Offsets {
    fn zero(cameras: usize) -> Self {
        Self {
            offset_s: vec![0.0; cameras],
            rate: vec![0.0; cameras],
        }
    }

    fn at(&self, camera: usize, from_middle_s: f64) -> f64 {
        self.offset_s[camera] + self.rate[camera] * from_middle_s
    }
}

fn median_size(values: &[f64]) -> f64 {
    let mut sizes: Vec<f64> = values.iter().map(|value| value.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    sizes.get(sizes.len() / 2).copied().unwrap_or(0.0)
}
