//! Proof by the board itself: its corners, triangulated through the volume with the rig as it stands, must lie as far apart
//! as they were printed. The board need not rest, and the cameras need not be synchronised: each corner is taken at its own
//! row's instant in one camera and brought to that instant in the other.

use crate::wand::{WandPlace, WandReport, check_wand};
use crate::{Board, BoardSighting};
use drawarc_rig::{Camera, ClockModel, Rig};
use nalgebra::{Matrix3, Point2, Point3, Vector3};
use serde::Serialize;

/// Sightings this far apart (s) still tell where a corner was between them.
const NEAR_S: f64 = 0.04;
/// Share of their distance in time beyond two sightings to which their motion is continued.
const REACH: f64 = 0.6;

/// What the board says about distances, for two cameras.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BoardReport {
    /// The two cameras.
    pub cameras: [usize; 2],
    /// Length that was checked: the board's rows from end to end (m).
    pub length_m: f64,
    /// Its error over the volume.
    pub distances: WandReport,
    /// Root mean square distance of a corner from where the other camera's ray says it should be (px, across the epipolar
    /// line).
    pub epipolar_px: f64,
}

/// One corner's pixel of `sightings` at an instant in range time, by a straight line between its two neighbours in time.
fn pixel_at(
    camera: &Camera,
    clock: &ClockModel,
    pair: [&BoardSighting; 2],
    corner: usize,
    instant_s: f64,
) -> Option<Point2<f64>> {
    let [(t0, p0), (t1, p1)] = pair.map(|sighting| {
        let pixel = sighting.corners_px[corner];
        (row_instant(camera, clock, sighting, &pixel), pixel)
    });
    let share = (instant_s - t0) / (t1 - t0);
    (-REACH..=1.0 + REACH)
        .contains(&share)
        .then(|| p0 + (p1 - p0) * share)
}

/// Range time at which a pixel of a sighting was exposed (s).
fn row_instant(
    camera: &Camera,
    clock: &ClockModel,
    sighting: &BoardSighting,
    pixel: &Point2<f64>,
) -> f64 {
    let delay_s = camera
        .shutter
        .row_delay_s(pixel.y, camera.image_size.height_px);
    clock.range_from_camera(sighting.time_s + delay_s)
}

/// Where two pixels' rays pass closest, and by how much they miss each other (px, as the second camera sees it).
fn meet(cameras: [&Camera; 2], pixels: [Point2<f64>; 2]) -> Option<(Point3<f64>, f64)> {
    let mut across = Matrix3::zeros();
    let mut pull = Vector3::zeros();
    let mut rays = Vec::new();
    for (camera, pixel) in cameras.iter().zip(&pixels) {
        let ray = camera.ray_in_range(pixel)?.into_inner();
        let eye = camera.centre_in_range();
        let projector = Matrix3::identity() - ray * ray.transpose();
        across += projector;
        pull += projector * eye.coords;
        rays.push((eye, ray));
    }
    let place = Point3::from(across.try_inverse()? * pull);
    let normal = rays[0].1.cross(&rays[1].1).try_normalize(1e-6)?;
    let gap_m = normal.dot(&(rays[1].0 - rays[0].0)).abs();
    let distance_m = (place - rays[1].0).norm();
    Some((place, gap_m / distance_m * cameras[1].lens.focal_px()))
}

/// Checks distances for every pair of cameras that saw the board together often enough. `clocks` give range time; sightings
/// stand in order of time, camera by camera.
pub fn check_board(
    rig: &Rig,
    board: &Board,
    clocks: &[ClockModel],
    sightings: &[Vec<BoardSighting>],
) -> Vec<BoardReport> {
    let count = rig.cameras.len().min(clocks.len()).min(sightings.len());
    let mut reports = Vec::new();
    for first in 0..count {
        for second in first + 1..count {
            let pair = [first, second];
            if let Some(report) = check_pair(rig, board, clocks, sightings, pair) {
                reports.push(report);
            }
        }
    }
    reports
}

fn check_pair(
    rig: &Rig,
    board: &Board,
    clocks: &[ClockModel],
    sightings: &[Vec<BoardSighting>],
    [first, second]: [usize; 2],
) -> Option<BoardReport> {
    let cameras = [&rig.cameras[first], &rig.cameras[second]];
    let time =
        |camera: usize, sighting: &BoardSighting| clocks[camera].range_from_camera(sighting.time_s);
    let mut places = Vec::new();
    let (mut squares, mut corners) = (0.0, 0.0);
    // A board at rest repeats one place: a tenth of a second between looks is enough.
    let mut last_s = f64::NEG_INFINITY;
    for own in &sightings[first] {
        let middle_s = time(first, own);
        if middle_s < last_s + 0.1 {
            continue;
        }
        let others = &sightings[second];
        let after = others.partition_point(|other| time(second, other) < middle_s);
        let nearest = after.saturating_sub(1).min(others.len().saturating_sub(2));
        let Some([before, next]) = others.get(nearest..nearest + 2) else {
            continue;
        };
        let apart_s = time(second, next) - time(second, before);
        if apart_s > NEAR_S || (middle_s - time(second, before)).abs() > NEAR_S {
            continue;
        }
        let corner = |index: usize| {
            let pixel = own.corners_px[index];
            let instant_s = row_instant(cameras[0], &clocks[first], own, &pixel);
            let other = pixel_at(
                cameras[1],
                &clocks[second],
                [before, next],
                index,
                instant_s,
            )?;
            meet(cameras, [pixel, other])
        };
        for row in [0, board.rows - 1] {
            let ends = [row * board.columns, (row + 1) * board.columns - 1];
            if let [Some((a, gap_a)), Some((b, gap_b))] = ends.map(corner) {
                places.push(WandPlace { ends: [a, b] });
                squares += gap_a * gap_a + gap_b * gap_b;
                corners += 2.0;
                last_s = middle_s;
            }
        }
    }
    let length_m = (board.columns - 1) as f64 * board.pitch_x_m;
    Some(BoardReport {
        cameras: [first, second],
        length_m,
        distances: check_wand(&places, length_m)?,
        epipolar_px: f64::sqrt(squares / corners),
    })
}
