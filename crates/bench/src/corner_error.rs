//! How corners of the board err on film: what a scan of the recordings finds beside where they truly were.

use crate::error::BenchError;
use drawarc_calibration::{Board, BoardSighting, ScanSettings, scan_board};
use drawarc_footage::{Limits, Recording};
use drawarc_range_sim::{TrueBoard, TrueCamera, Truth};
use drawarc_rig::ClockModel;
use nalgebra::{DMatrix, DVector, Vector2};
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// A view that errs by more has its corners on something else: it is counted, and left out of the law (px rms an axis).
const WRONG_PX: f64 = 1.0;
/// Frames of one burst follow each other.
const FOLLOWS: u64 = 1;

/// One view's corner errors.
#[derive(Debug, Clone)]
pub(crate) struct ViewError {
    /// Camera.
    pub(crate) camera: usize,
    /// Frame.
    pub(crate) frame: u64,
    /// Seen less true, corner by corner (px).
    pub(crate) error_px: Vec<Vector2<f64>>,
    /// Movement since the frame before, where that was seen (px a frame).
    pub(crate) speed_px: Option<f64>,
}

impl ViewError {
    fn rms_px(&self) -> f64 {
        let sum: f64 = self.error_px.iter().map(Vector2::norm_squared).sum();
        (sum / (2 * self.error_px.len()) as f64).sqrt()
    }
}

/// The law of a camera's corner errors.
#[derive(Debug, Clone, Default, Serialize)]
pub(crate) struct CornerError {
    /// Camera.
    pub(crate) name: String,
    /// Views compared.
    pub(crate) views: usize,
    /// Views whose corners are not the board's: camera time (s) and rms (px).
    pub(crate) wrong: Vec<(f64, f64)>,
    /// Rms an axis over all views (px).
    pub(crate) rms_px: f64,
    /// The same of the middle half of the views: their 25 and 75 % quantiles (px).
    pub(crate) quartiles_px: [f64; 2],
    /// Shift, stretch and shear that the corners of a view share, beyond what single corners make of it (px rms at the board's ends).
    pub(crate) shared_px: f64,
    /// Correlation of a corner's error from frame to frame of one burst, board moving (over [`MOVES_PX`] a frame).
    pub(crate) moving_kept: f64,
    /// The same, board at rest.
    pub(crate) resting_kept: f64,
    /// How far the whole board trails its motion (ms).
    pub(crate) trails_ms: f64,
}

/// A board that moves by more than this from frame to frame moves (px).
const MOVES_PX: f64 = 0.3;

/// What was found, one camera after the other.
pub(crate) struct Scanned {
    /// All views that show the board.
    pub(crate) views: Vec<ViewError>,
    /// The law, camera by camera.
    pub(crate) laws: Vec<CornerError>,
}

/// Scans all recordings of a folder and compares.
pub(crate) fn corner_errors(folder: &Path, truth: &Truth) -> Result<Scanned, BenchError> {
    let path = folder.join("board.yaml");
    let wrong = |path: &Path, what: String| BenchError::Content {
        path: path.to_owned(),
        what,
    };
    let board = Board::read(&path).map_err(|error| wrong(&path, error.to_string()))?;
    let threads = rayon::current_num_threads();
    let (mut views, mut laws) = (Vec::new(), Vec::new());
    for (index, camera) in truth.cameras.iter().enumerate() {
        let path = folder.join(&camera.video);
        let failed = |error: &dyn std::fmt::Display| wrong(&path, error.to_string());
        let recording = open(&path).map_err(|error| failed(&error))?;
        let settings = ScanSettings {
            camera: index,
            clock: ClockModel::identity(),
            threads,
            decoder_threads: threads,
            windows_s: shown_s(camera).into_iter().collect(),
            ..ScanSettings::default()
        };
        let scan =
            scan_board(&recording, &board, &settings, &mut |_| {}).map_err(|e| failed(&e))?;
        let own = compare(index, &scan.sightings, camera);
        laws.push(law(&camera.name, &own, camera, &board));
        views.extend(own);
    }
    Ok(Scanned { views, laws })
}

/// While the board is shown (s, camera clock).
fn shown_s(camera: &TrueCamera) -> Option<(f64, f64)> {
    let tick_s = 1.0 / f64::from(camera.ticks_per_second);
    let at = |board: &TrueBoard| Some(*camera.frame_ticks.get(board.frame)? as f64 * tick_s);
    Some((at(camera.board.first()?)?, at(camera.board.last()?)?))
}

fn open(path: &PathBuf) -> Result<Recording, drawarc_footage::FootageError> {
    Recording::open(std::slice::from_ref(path), &Limits::default())
}

fn compare(index: usize, sightings: &[BoardSighting], camera: &TrueCamera) -> Vec<ViewError> {
    let truth: BTreeMap<u64, &Vec<[f64; 2]>> = camera
        .board
        .iter()
        .map(|board| (board.frame as u64, &board.corners_px))
        .collect();
    sightings
        .iter()
        .filter_map(|seen| {
            let corners = truth.get(&seen.frame_index)?;
            let before = seen
                .frame_index
                .checked_sub(1)
                .and_then(|frame| truth.get(&frame));
            let speed_px = before.map(|before| {
                let sum: f64 = corners
                    .iter()
                    .zip(before.iter())
                    .map(|(now, then)| (now[0] - then[0]).hypot(now[1] - then[1]))
                    .sum();
                sum / corners.len() as f64
            });
            let error_px = seen
                .corners_px
                .iter()
                .zip(corners.iter())
                .map(|(seen, truth)| seen.coords - Vector2::from(*truth))
                .collect();
            Some(ViewError {
                camera: index,
                frame: seen.frame_index,
                error_px,
                speed_px,
            })
        })
        .collect()
}

/// Columns: one, place along, place across (at the board's ends 1).
fn affine(board: &Board) -> DMatrix<f64> {
    let middle = board.centre();
    let corners = board.corners();
    let reach = |axis: usize| {
        corners
            .iter()
            .map(|c| (c[axis] - middle[axis]).abs())
            .fold(f64::MIN_POSITIVE, f64::max)
    };
    let reaches = [reach(0), reach(1)];
    DMatrix::from_fn(corners.len(), 3, |row, column| match column {
        0 => 1.0,
        k => (corners[row][k - 1] - middle[k - 1]) / reaches[k - 1],
    })
}

fn rms(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), v| (sum + v * v, count + 1.0));
    f64::sqrt(sum / f64::max(count, 1.0))
}

fn law(name: &str, views: &[ViewError], camera: &TrueCamera, board: &Board) -> CornerError {
    let tick_s = 1.0 / f64::from(camera.ticks_per_second);
    let mut found = CornerError {
        name: name.to_owned(),
        views: views.len(),
        ..CornerError::default()
    };
    for view in views.iter().filter(|view| view.rms_px() > WRONG_PX) {
        let at = usize::try_from(view.frame).unwrap_or(0);
        let time_s = camera
            .frame_ticks
            .get(at)
            .map_or(f64::NAN, |t| *t as f64 * tick_s);
        found.wrong.push((time_s, view.rms_px()));
    }
    let right: Vec<&ViewError> = views.iter().filter(|v| v.rms_px() <= WRONG_PX).collect();
    if right.is_empty() {
        return found;
    }
    found.rms_px = rms(right.iter().map(|view| view.rms_px()));
    let mut each: Vec<f64> = right.iter().map(|view| view.rms_px()).collect();
    each.sort_by(f64::total_cmp);
    found.quartiles_px = [each[each.len() / 4], each[3 * each.len() / 4]];
    found.shared_px = shared_px(&right, board);
    let kept = |moving: bool| {
        let (mut product, mut squares) = (0.0, 0.0);
        for pair in right.windows(2) {
            let [a, b] = pair else { continue };
            let follows = b.frame == a.frame + FOLLOWS;
            if !follows || b.speed_px.is_none_or(|px| (px > MOVES_PX) != moving) {
                continue;
            }
            for (p, q) in a.error_px.iter().zip(&b.error_px) {
                product += p.dot(q);
                squares += 0.5 * (p.norm_squared() + q.norm_squared());
            }
        }
        if squares > 0.0 {
            product / squares
        } else {
            f64::NAN
        }
    };
    found.moving_kept = kept(true);
    found.resting_kept = kept(false);
    found.trails_ms = trails_ms(&right, camera);
    found
}

/// Size of the affine part beyond what independent corners leave in it.
fn shared_px(views: &[&ViewError], board: &Board) -> f64 {
    let columns = affine(board);
    let Some(inverse) = (columns.transpose() * &columns).try_inverse() else {
        return f64::NAN;
    };
    let (mut seen, mut white) = (0.0, 0.0);
    for view in views {
        for axis in 0..2 {
            let errors = DVector::from_iterator(
                view.error_px.len(),
                view.error_px.iter().map(|error| error[axis]),
            );
            let fitted = &inverse * (columns.transpose() * &errors);
            let left = &errors - &columns * &fitted;
            let variance = left.norm_squared() / (errors.len() - 3) as f64;
            seen += fitted.norm_squared() / 3.0;
            white += variance * inverse.trace() / 3.0;
        }
    }
    f64::sqrt(((seen - white) / (2.0 * views.len() as f64)).max(0.0))
}

/// By how much later than it is shown the board seems to be where it is seen: shift against motion.
fn trails_ms(views: &[&ViewError], camera: &TrueCamera) -> f64 {
    let tick_s = 1.0 / f64::from(camera.ticks_per_second);
    let places: BTreeMap<u64, Vector2<f64>> = camera
        .board
        .iter()
        .map(|board| {
            let sum: Vector2<f64> = board.corners_px.iter().map(|c| Vector2::from(*c)).sum();
            (board.frame as u64, sum / board.corners_px.len() as f64)
        })
        .collect();
    let (mut product, mut square) = (0.0, 0.0);
    for view in views {
        let Some((before, after)) = view
            .frame
            .checked_sub(1)
            .and_then(|frame| Some((places.get(&frame)?, places.get(&(view.frame + 1))?)))
        else {
            continue;
        };
        let at = usize::try_from(view.frame).unwrap_or(0);
        let (Some(first), Some(last)) = (
            camera.frame_ticks.get(at.wrapping_sub(1)),
            camera.frame_ticks.get(at + 1),
        ) else {
            continue;
        };
        let velocity = (after - before) / ((last - first) as f64 * tick_s);
        let sum: Vector2<f64> = view.error_px.iter().sum();
        let shift = sum / view.error_px.len() as f64;
        product += shift.dot(&velocity);
        square += velocity.norm_squared();
    }
    if square > 0.0 {
        -1000.0 * product / square
    } else {
        f64::NAN
    }
}
