//! When cameras were started against each other, told by the board's own movement.
//!
//! At the right offset the rotations that two cameras see differ by one fixed rotation, the one between the cameras:
//! `R_second(t − o) = Q R_first(t)`. So at every offset for which their looks overlap, `Q` is the robust mean of what the
//! looks say, and they are asked how much better they agree with it than they would if the two movements had nothing to do
//! with each other. The best offset must stand out; it is refined by Gauss-Newton over offset and `Q` together.

use crate::board_turning::{Turned, Turning};
use crate::{Board, CalibrationError, SurveyCamera};
use drawarc_rig::ClockModel;
use nalgebra::{Matrix3, Matrix4, Quaternion, SMatrix, UnitQuaternion, Vector3, Vector4};
use rayon::prelude::*;
use std::collections::BTreeMap;

/// A clock that the board told.
#[derive(Debug, Clone, PartialEq)]
pub struct ClockByBoard {
    /// Which camera, by index.
    pub camera: usize,
    /// The camera with which it shares most of the board's movement.
    pub against: usize,
    /// Range time from its own time, in the range time of the clocks that were known.
    pub clock: ClockModel,
}

/// Step of the search over offsets (s).
const STEP_S: f64 = 0.02;
/// What rough lenses and interpolation leave of two rotations' difference (rad, 1.5°).
const BLUR: f64 = 0.026;
/// A board that shows fewer poses than this to one camera hardly turns.
const LEAST_POSES: usize = 6;
/// Less than this (nats) may be chance: of 1000 made-up pairs of movements that had nothing to do with each other two reached
/// 20 and 23. A pose says `ln (spread/blur)²`, about 5.
const LEAST_GAIN: f64 = 30.0;
/// An offset elsewhere that explains more than this share of what the best one does makes the answer ambiguous: the board was
/// moved to and fro alike, or too little of it was seen by both.
const RIVAL_SHARE: f64 = 0.5;
/// Nobody waves to and fro faster than this (s).
const RIVAL_APART_S: f64 = 0.3;
/// Rounds that the mean rotation is refined.
const MEAN_ROUNDS: usize = 4;
/// Gauss-Newton ends at a step below this share of the standard deviation, or after so many.
const STEP_END: f64 = 0.05;
const STEPS: usize = 40;
/// A typical residual is not taken for less than this (rad).
const LEAST_TYPICAL: f64 = 1e-5;
/// Cauchy's constant, in typical residuals.
const CAUCHY: f64 = 2.4;
/// Errors of looks closer than this (s) belong together: a lens that is roughly known errs alike while the board is about one
/// place.
const ALIKE_S: f64 = 1.0;
/// Rates of phones differ by so much (1 σ, 1.2 ms a minute).
const DRIFT_SD: f64 = 2e-5;

/// The clocks that are not `known`, by the movement of the board: camera by camera hung onto the one that it shares most of it
/// with, among those whose clock is known by then. Where no clock is known, range time is the first camera's.
///
/// # Errors
/// [`CalibrationError::ClockUntold`] naming a camera and why.
pub fn clocks_from_board(
    board: &Board,
    cameras: &[SurveyCamera],
    known: &[Option<ClockModel>],
) -> Result<Vec<ClockByBoard>, CalibrationError> {
    let turnings: Vec<Turning> = cameras
        .par_iter()
        .map(|camera| Turning::of(board, camera))
        .collect();
    hung(&turnings, known).map_err(|(camera, why)| CalibrationError::ClockUntold {
        camera: cameras[camera].name.clone(),
        reason: why.words(),
    })
}

/// As [`clocks_from_board`]; a camera whose clock stays open, and why.
pub(crate) fn hung(
    turnings: &[Turning],
    known: &[Option<ClockModel>],
) -> Result<Vec<ClockByBoard>, (usize, Untold)> {
    let mut clocks = known.to_vec();
    clocks.resize(turnings.len(), None);
    if clocks.iter().all(Option::is_none)
        && let Some(first) = clocks.first_mut()
    {
        *first = Some(ClockModel::identity());
    }
    let mut tried: BTreeMap<(usize, usize), Result<Apart, Untold>> = BTreeMap::new();
    let mut told = Vec::new();
    loop {
        let open: Vec<usize> = (0..clocks.len())
            .filter(|&at| clocks[at].is_none())
            .collect();
        let Some(&first_open) = open.first() else {
            return Ok(told);
        };
        let mut best: Option<(usize, usize, Apart)> = None;
        let mut untold = (first_open, Untold::HardlyTurned { poses: 0 });
        for &camera in &open {
            for against in (0..clocks.len()).filter(|&at| clocks[at].is_some()) {
                let found = tried
                    .entry((against, camera))
                    .or_insert_with(|| offset_between(&turnings[against], &turnings[camera]));
                match found {
                    Ok(offset) if best.is_none_or(|(.., most)| offset.gain > most.gain) => {
                        best = Some((camera, against, *offset));
                    }
                    Err(why) if why.gain() > untold.1.gain() => untold = (camera, *why),
                    _ => {}
                }
            }
        }
        let Some((camera, against, offset)) = best else {
            return Err(untold);
        };
        let clock = clocks[against].as_ref().map(|first| offset.clock(first));
        told.extend(clock.clone().map(|clock| ClockByBoard {
            camera,
            against,
            clock,
        }));
        clocks[camera] = clock;
    }
}

/// Time of the first camera less that of the second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Apart {
    /// (s)
    pub(crate) offset_s: f64,
    /// (s²)
    pub(crate) variance_s2: f64,
    /// Time of the second camera about which it is stated: the middle of what tells it (s).
    pub(crate) about_s: f64,
    /// How much better the looks agree than by chance (nats).
    pub(crate) gain: f64,
}

impl Apart {
    /// The second camera's clock from the first one's.
    fn clock(&self, first: &ClockModel) -> ClockModel {
        let first_s = self.about_s + self.offset_s;
        let rate = first.rate_at(first_s);
        let rate_variance = first
            .segments()
            .iter()
            .map(|segment| segment.rate_variance)
            .fold(0.0, f64::max)
            + DRIFT_SD.powi(2);
        ClockModel::linear(
            self.about_s,
            first.range_from_camera(first_s) - self.about_s,
            rate,
            [
                first.variance_at(first_s) + self.variance_s2,
                rate_variance,
                0.0,
            ],
        )
    }
}

/// Why an offset is not told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Untold {
    /// A board that (nearly) lies still in view of one camera: the number of its poses.
    HardlyTurned { poses: usize },
    /// No offset explains enough.
    NeverAlike { gain: f64 },
    /// Another offset explains nearly as much.
    Ambiguous { apart_s: f64, gain: f64 },
}

impl Untold {
    fn gain(&self) -> f64 {
        match self {
            Self::HardlyTurned { .. } => -1.0,
            Self::NeverAlike { gain } | Self::Ambiguous { gain, .. } => *gain,
        }
    }

    fn words(&self) -> String {
        match self {
            Self::HardlyTurned { poses } => format!(
                "the board hardly turned in view of this camera or of the others (poses 3° or more apart: {poses}; {LEAST_POSES} are needed)"
            ),
            Self::NeverAlike { .. } => {
                "at no offset did this camera see the board turn as another one did".to_owned()
            }
            Self::Ambiguous { apart_s, .. } => format!(
                "what it saw fits nearly as well {apart_s:.1} s away: the board turned too little, or to and fro alike"
            ),
        }
    }
}

/// A look of the second camera beside the first one's at that offset.
struct Pair {
    /// Camera time of the second (s).
    second_s: f64,
    first: UnitQuaternion<f64>,
    second: UnitQuaternion<f64>,
}

fn pairs(first: &Turning, poses: &[Turned], offset_s: f64) -> Vec<Pair> {
    poses
        .iter()
        .filter_map(|pose| {
            Some(Pair {
                second_s: pose.time_s,
                first: first.at(pose.time_s + offset_s)?,
                second: pose.rotation,
            })
        })
        .collect()
}

/// Mean of rotations, those that stand apart weighing little (Markley et al. 2007 for the mean; weights after Cauchy).
fn mean(rotations: &[UnitQuaternion<f64>]) -> Option<UnitQuaternion<f64>> {
    let mut weights = vec![1.0; rotations.len()];
    let mut found = None;
    for _ in 0..MEAN_ROUNDS {
        let mut moment = Matrix4::zeros();
        for (rotation, weight) in rotations.iter().zip(&weights) {
            let q: Vector4<f64> = rotation.coords;
            moment += q * q.transpose() * *weight;
        }
        let eigen = moment.symmetric_eigen();
        let most: Vector4<f64> = eigen.eigenvectors.column(eigen.eigenvalues.imax()).into();
        let middle = UnitQuaternion::new_normalize(Quaternion::from(most));
        for (rotation, weight) in rotations.iter().zip(&mut weights) {
            let off = middle.angle_to(rotation);
            *weight = (1.0 + (off / (4.0 * BLUR)).powi(2)).recip();
        }
        found = Some(middle);
    }
    found.filter(|_| !rotations.is_empty())
}

/// `Q` and how much better the looks agree with it than if both movements were their own (nats): for each look the logarithm of
/// the ratio between how far it stands from the middle of its camera's own looks and how far from what the other camera
/// says. A board that lies still stands in the middle, and says nothing.
fn gain(pairs: &[Pair]) -> Option<(UnitQuaternion<f64>, f64)> {
    let list = |of: fn(&Pair) -> UnitQuaternion<f64>| pairs.iter().map(of).collect::<Vec<_>>();
    let (firsts, seconds) = (list(|pair| pair.first), list(|pair| pair.second));
    let between = list(|pair| pair.second * pair.first.inverse());
    let (first, second, between_mean) = (mean(&firsts)?, mean(&seconds)?, mean(&between)?);
    let sum = (0..pairs.len())
        .map(|at| {
            let own = first
                .angle_to(&firsts[at])
                .min(second.angle_to(&seconds[at]));
            let off = between_mean.angle_to(&between[at]);
            ((BLUR * BLUR + own * own) / (BLUR * BLUR + off * off)).ln()
        })
        .sum();
    Some((between_mean, sum))
}

pub(crate) fn offset_between(first: &Turning, second: &Turning) -> Result<Apart, Untold> {
    let poses = second.new_poses();
    let fewest = poses.len().min(first.new_poses().len());
    if fewest < LEAST_POSES {
        return Err(Untold::HardlyTurned { poses: fewest });
    }
    let (Some(one), Some(other)) = (first.span_s(), second.span_s()) else {
        return Err(Untold::HardlyTurned { poses: 0 });
    };
    let (least_s, most_s) = (one.0 - other.1, one.1 - other.0);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "both spans are of one recording each: hours at most"
    )]
    let count = ((most_s - least_s) / STEP_S).ceil() as usize;
    let gains: Vec<f64> = (0..=count)
        .into_par_iter()
        .map(|at| {
            let offset_s = least_s + at as f64 * STEP_S;
            let pairs = pairs(first, &poses, offset_s);
            if pairs.len() < LEAST_POSES {
                return 0.0;
            }
            gain(&pairs).map_or(0.0, |(_, gain)| gain)
        })
        .collect();
    let (at, best) = gains
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(b.1))
        .map_or((0, 0.0), |(at, gain)| (at, *gain));
    if best < LEAST_GAIN {
        return Err(Untold::NeverAlike { gain: best });
    }
    if let Some((rival, gain)) = rival(&gains, at)
        && gain > RIVAL_SHARE * best
    {
        return Err(Untold::Ambiguous {
            apart_s: (rival as f64 - at as f64).abs() * STEP_S,
            gain: best,
        });
    }
    refine(first, &poses, least_s + at as f64 * STEP_S, best)
        .ok_or(Untold::NeverAlike { gain: best })
}

/// The best offset that is not on the slopes of the highest one.
fn rival(gains: &[f64], at: usize) -> Option<(usize, f64)> {
    let (mut from, mut to) = (at, at);
    while from > 0 && gains[from - 1] < gains[from] {
        from -= 1;
    }
    while to + 1 < gains.len() && gains[to + 1] < gains[to] {
        to += 1;
    }
    gains
        .iter()
        .copied()
        .enumerate()
        .filter(|(other, _)| {
            (*other < from || *other > to) && other.abs_diff(at) as f64 * STEP_S > RIVAL_APART_S
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))
}

/// Gauss-Newton over the offset and `Q`, looks that stand apart weighing little. The covariance is that of sums over stretches
/// whose errors are alike (White 1980, by clusters).
fn refine(first: &Turning, poses: &[Turned], start_s: f64, gain_found: f64) -> Option<Apart> {
    let mut offset_s = start_s;
    let (mut between, _) = gain(&pairs(first, poses, offset_s))?;
    for _ in 0..STEPS {
        let rows = rows(first, poses, offset_s, &between);
        let sums = Sums::of(&rows);
        let inverse = sums.normal.try_inverse()?;
        let step = -(inverse * sums.pulls.iter().sum::<Four>());
        offset_s += step[0];
        between = UnitQuaternion::from_scaled_axis(step.fixed_rows::<3>(1).into_owned()) * between;
        if (offset_s - start_s).abs() > 10.0 * STEP_S {
            return None;
        }
        let count = sums.pulls.len() as f64;
        let scatter: Matrix4<f64> = sums.pulls.iter().map(|pull| pull * pull.transpose()).sum();
        let by_sums = inverse * scatter * inverse * (count / (count - 4.0).max(1.0));
        // A few sums scatter themselves: never less than if all looks of one erred alike.
        let alike = sums.typical.powi(2) * rows.len() as f64 / count;
        let variance_s2 = by_sums[(0, 0)].max(inverse[(0, 0)] * alike);
        if step[0].abs() <= STEP_END * variance_s2.sqrt() {
            return Some(Apart {
                offset_s,
                variance_s2,
                about_s: sums.about_s,
                gain: gain_found,
            });
        }
    }
    None
}

type Four = SMatrix<f64, 4, 1>;

/// What a look leaves of the other camera's.
struct Row {
    second_s: f64,
    left: Vector3<f64>,
    /// How that changes with the offset (rad/s).
    by_offset: Vector3<f64>,
}

fn rows(
    first: &Turning,
    poses: &[Turned],
    offset_s: f64,
    between: &UnitQuaternion<f64>,
) -> Vec<Row> {
    /// Half of the way over which a change with time is taken (s).
    const HALF_S: f64 = 1e-3;
    pairs(first, poses, offset_s)
        .iter()
        .filter_map(|pair| {
            let at_s = pair.second_s + offset_s;
            let (before, after) = (first.at(at_s - HALF_S)?, first.at(at_s + HALF_S)?);
            let turn = (after * before.inverse()).scaled_axis() / (2.0 * HALF_S);
            let left = pair.second * pair.first.inverse() * between.inverse();
            // R_second R_first(t + δ)⁻¹ Q⁻¹ = exp(left) exp(−Q ω δ)
            Some(Row {
                second_s: pair.second_s,
                left: left.scaled_axis(),
                by_offset: -(between * turn),
            })
        })
        .collect()
}

/// The normal equations, pulls summed over stretches of [`ALIKE_S`].
struct Sums {
    normal: Matrix4<f64>,
    pulls: Vec<Four>,
    /// Typical residual, an axis (rad).
    typical: f64,
    about_s: f64,
}

impl Sums {
    fn of(rows: &[Row]) -> Self {
        let mut sizes: Vec<f64> = rows.iter().map(|row| row.left.norm()).collect();
        let typical = crate::corner_quality::median(&mut sizes).max(LEAST_TYPICAL);
        let mut normal = Matrix4::zeros();
        let mut pulls: Vec<Four> = Vec::new();
        let mut from_s = f64::NEG_INFINITY;
        let (mut about, mut weights) = (0.0, 0.0);
        for row in rows {
            let weight = (1.0 + (row.left.norm() / (CAUCHY * typical)).powi(2)).recip();
            let mut by = SMatrix::<f64, 3, 4>::zeros();
            by.set_column(0, &row.by_offset);
            by.fixed_columns_mut::<3>(1)
                .copy_from(&-Matrix3::identity());
            normal += by.transpose() * by * weight;
            if row.second_s - from_s >= ALIKE_S {
                from_s = row.second_s;
                pulls.push(Four::zeros());
            }
            if let Some(sum) = pulls.last_mut() {
                *sum += by.transpose() * row.left * weight;
            }
            let share = weight * row.by_offset.norm_squared();
            about += share * row.second_s;
            weights += share;
        }
        Self {
            normal,
            pulls,
            typical: typical / 3f64.sqrt(),
            about_s: about / weights,
        }
    }
}
