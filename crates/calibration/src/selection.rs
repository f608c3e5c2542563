//! Which moments enter: spread over image, depth and tilt, no more of the same than needed.

use crate::moments::MomentPlan;
use crate::{Board, BoardSighting, SurveyCamera};
use std::collections::BTreeMap;

/// Cells over the picture's width and height.
const CELLS: (f64, f64) = (6.0, 4.0);
/// Steps of apparent size: half an octave.
const SIZE_STEPS_PER_OCTAVE: f64 = 2.0;
/// A ratio of opposite sides beyond this (log) counts as tilted.
const TILT_LOG: f64 = 0.04;
/// A moment seen by several cameras ties them; it counts this much more.
const SHARED_GAIN: f64 = 1.6;
/// Motion per frame that halves a moment's worth (px).
const SPEED_PX: f64 = 25.0;

type Place = (usize, i32, i32);
type Attitude = (usize, i32, i32, i32, i32);

/// What a sighting adds to the spread.
#[derive(Debug, Clone)]
struct Kind {
    place: Place,
    attitude: Attitude,
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "a cell number, a handful at most"
)]
fn cell(value: f64) -> i32 {
    value.floor() as i32
}

fn kind(camera: usize, size_px: (f64, f64), board: &Board, sighting: &BoardSighting) -> Kind {
    let at = |column: usize, row: usize| sighting.corners_px[row * board.columns + column];
    let (last_column, last_row) = (board.columns - 1, board.rows - 1);
    let low = (at(last_column, 0) - at(0, 0)).norm();
    let high = (at(last_column, last_row) - at(0, last_row)).norm();
    let left = (at(0, last_row) - at(0, 0)).norm();
    let right = (at(last_column, last_row) - at(last_column, 0)).norm();
    let third = |ratio: f64| i32::from(ratio > TILT_LOG) - i32::from(ratio < -TILT_LOG);
    let centre = sighting.centre_px();
    let extent = ((low + high) * (left + right)).sqrt() / 2.0;
    let shape = ((low + high) / (left + right)).ln();
    Kind {
        place: (
            camera,
            cell(centre.x / size_px.0 * CELLS.0),
            cell(centre.y / size_px.1 * CELLS.1),
        ),
        attitude: (
            camera,
            cell((extent / size_px.0).log2() * SIZE_STEPS_PER_OCTAVE),
            third((low / high).ln()),
            third((left / right).ln()),
            cell(shape * 2.0),
        ),
    }
}

/// Speed of the board across the frames of one burst (px per frame).
fn speed_px(sightings: &[&BoardSighting]) -> f64 {
    sightings
        .windows(2)
        .map(|pair| pair[0].distance_px(pair[1]))
        .fold(0.0, f64::max)
}

/// Chooses `most` of the moments, greedily by what each adds; rests always enter. Returns their indices in order of time.
pub(crate) fn choose(
    cameras: &[SurveyCamera],
    board: &Board,
    plans: &[MomentPlan],
    most: usize,
) -> Vec<usize> {
    let edge_px: Vec<f64> = cameras
        .iter()
        .map(|camera| {
            let mut widths: Vec<f64> = camera.sightings.iter().map(|s| s.edge_width_px).collect();
            crate::corner_quality::median(&mut widths)
        })
        .collect();
    let mut kinds = Vec::with_capacity(plans.len());
    let mut worth = Vec::with_capacity(plans.len());
    for plan in plans {
        let mut own = Vec::new();
        let mut quality = 1.0f64;
        for (index, sightings) in &plan.seen {
            let camera = &cameras[*index];
            let seen: Vec<&BoardSighting> =
                sightings.iter().map(|at| &camera.sightings[*at]).collect();
            let middle = seen[seen.len() / 2];
            let size_px = (
                f64::from(camera.image_size.width_px),
                f64::from(camera.image_size.height_px),
            );
            own.push(kind(*index, size_px, board, middle));
            quality = quality.min((edge_px[*index] / middle.edge_width_px.max(1e-6)).min(1.0));
            if plan.rest_s.is_none() {
                quality /= 1.0 + (speed_px(&seen) / SPEED_PX).powi(2);
            }
        }
        worth.push(quality * if own.len() > 1 { SHARED_GAIN } else { 1.0 });
        kinds.push(own);
    }
    let mut places: BTreeMap<Place, u32> = BTreeMap::new();
    let mut attitudes: BTreeMap<Attitude, u32> = BTreeMap::new();
    let mut chosen = vec![false; plans.len()];
    let mut enter =
        |at: usize, places: &mut BTreeMap<Place, u32>, attitudes: &mut BTreeMap<Attitude, u32>| {
            chosen[at] = true;
            for kind in &kinds[at] {
                *places.entry(kind.place).or_default() += 1;
                *attitudes.entry(kind.attitude).or_default() += 1;
            }
        };
    let mut open: Vec<usize> = Vec::new();
    let mut count = 0;
    for (at, plan) in plans.iter().enumerate() {
        if plan.rest_s.is_some() && count < most {
            enter(at, &mut places, &mut attitudes);
            count += 1;
        } else {
            open.push(at);
        }
    }
    while count < most && !open.is_empty() {
        let gain = |at: usize| -> f64 {
            let new: f64 = kinds[at]
                .iter()
                .map(|kind| {
                    let seen = |n: Option<&u32>| 1.0 / (1.0 + f64::from(n.copied().unwrap_or(0)));
                    seen(places.get(&kind.place)) + seen(attitudes.get(&kind.attitude))
                })
                .sum();
            new * worth[at]
        };
        // The first of equals: the order of time decides, not the order of a hash.
        let mut best = (0, f64::NEG_INFINITY);
        for (slot, at) in open.iter().enumerate() {
            let value = gain(*at);
            if value > best.1 {
                best = (slot, value);
            }
        }
        enter(open.swap_remove(best.0), &mut places, &mut attitudes);
        open.sort_unstable();
        count += 1;
    }
    (0..plans.len()).filter(|at| chosen[*at]).collect()
}
