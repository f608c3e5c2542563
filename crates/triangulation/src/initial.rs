//! A first path, from rays that meet at common instants.

use crate::PathError;
use crate::border::Stand;
use crate::bordered::{Band, Bordered};
use crate::normal::{Estimate, half_band};
use crate::observation::{Layout, Observation, Piece};
use crate::smoothness::Smoothness;
use crate::triangulate::{LEAST_CONVERGENCE_DEG, convergence_deg};
use drawarc_sync_track::MarkerRole;
use nalgebra::{DMatrix, DVector, Matrix3, Point2, Point3, Vector3};

/// Instants for the first path are at least this far apart (s): it need not be fine.
const STEP_S: f64 = 1.0 / 60.0;
/// One camera's track is interpolated over no more than this (s).
const LONGEST_STEP_S: f64 = 0.11;
/// Weight of a point against the first path's roughness.
const ROUGHNESS: f64 = 0.3;

/// A camera's track interpolated to an instant.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Glimpse {
    pub(crate) camera: usize,
    pub(crate) pixel: Point2<f64>,
}

/// Observations of one piece by camera, each with its instant (s), rising.
pub(crate) fn tracks(layout: &Layout, stand: &Stand, piece: usize) -> Vec<Vec<(f64, Observation)>> {
    let mut tracks = vec![Vec::new(); stand.cameras.len()];
    for o in layout.observations.iter().filter(|o| o.piece == piece) {
        let (time_s, _) = stand.instant(o.source, o.camera, o.camera_s, o.row_fraction);
        tracks[o.camera].push((time_s, *o));
    }
    for track in &mut tracks {
        track.sort_by(|a, b| a.0.total_cmp(&b.0));
    }
    tracks
}

/// What each camera would have seen at an instant, by linear interpolation of its track.
pub(crate) fn glimpses(tracks: &[Vec<(f64, Observation)>], time_s: f64) -> Vec<Glimpse> {
    tracks
        .iter()
        .enumerate()
        .filter_map(|(camera, track)| {
            let after = track.partition_point(|(t, _)| *t < time_s);
            let (ta, a) = track.get(after.saturating_sub(1))?;
            let (tb, b) = track.get(after).unwrap_or(&track[after.saturating_sub(1)]);
            if (time_s - ta).abs() > LONGEST_STEP_S || (tb - time_s).abs() > LONGEST_STEP_S {
                return None;
            }
            let share = if tb > ta {
                ((time_s - ta) / (tb - ta)).clamp(0.0, 1.0)
            } else {
                0.0
            };
            Some(Glimpse {
                camera,
                pixel: a.pixel + (b.pixel - a.pixel) * share,
            })
        })
        .collect()
}

/// Point closest to the rays of all glimpses but those of camera `without`.
pub(crate) fn meet(
    stand: &Stand,
    glimpses: &[Glimpse],
    without: Option<usize>,
) -> Option<Point3<f64>> {
    let mut normal = Matrix3::zeros();
    let mut right = Vector3::zeros();
    let mut rays = Vec::new();
    for glimpse in glimpses.iter().filter(|g| Some(g.camera) != without) {
        let camera = &stand.cameras[glimpse.camera];
        let ray = camera.ray_in_range(&glimpse.pixel)?.into_inner();
        let across = Matrix3::identity() - ray * ray.transpose();
        normal += across;
        right += across * camera.centre_in_range().coords;
        rays.push(ray);
    }
    if rays.len() < 2 || convergence_deg(&rays) < LEAST_CONVERGENCE_DEG {
        return None;
    }
    Some(Point3::from(normal.cholesky()?.solve(&right)))
}

fn median_of(points: &[(f64, Point3<f64>)], around: usize) -> Point3<f64> {
    let from = around.saturating_sub(2);
    let window = &points[from..(around + 3).min(points.len())];
    Point3::from(Vector3::from_fn(|axis, _| {
        let mut values: Vec<f64> = window.iter().map(|(_, p)| p[axis]).collect();
        values.sort_by(f64::total_cmp);
        values[values.len() / 2]
    }))
}

/// Instants at which the first path is looked at.
pub(crate) fn instants(piece: &Piece) -> Vec<f64> {
    let length_s = piece.grid.end_s() - piece.grid.start_s;
    let step_s = STEP_S.max(piece.grid.knot_s);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a count of instants"
    )]
    let count = (length_s / step_s).ceil().max(4.0) as usize;
    (0..=count)
        .map(|i| piece.grid.start_s + length_s * i as f64 / count as f64)
        .collect()
}

/// First estimate of all coefficients; shared unknowns at their surveyed values.
///
/// # Errors
/// [`PathError::Parallel`] where no rays of a piece meet; [`PathError::Singular`].
pub(crate) fn estimate(
    layout: &Layout,
    stand: &Stand,
    order: usize,
    modes: usize,
) -> Result<Estimate, PathError> {
    let n = 3 * layout.coefficients();
    let degree = layout.pieces[0].grid.degree;
    let mut band = Band::zeros(n, half_band(degree, order));
    let mut rhs = vec![0.0; n];
    for (index, piece) in layout.pieces.iter().enumerate() {
        let tracks = tracks(layout, stand, index);
        let points: Vec<(f64, Point3<f64>)> = instants(piece)
            .into_iter()
            .filter_map(|t| {
                let glimpses = glimpses(&tracks, t);
                Some((t, meet(stand, &glimpses, None)?))
            })
            .collect();
        if points.len() < 4 {
            return Err(PathError::Parallel {
                convergence_deg: 0.0,
                needed_deg: LEAST_CONVERGENCE_DEG,
            });
        }
        for at in 0..points.len() {
            pull(
                &mut band,
                &mut rhs,
                piece,
                points[at].0,
                &median_of(&points, at),
            );
        }
    }
    through(layout, order, band, &rhs, 1.0 / ROUGHNESS, modes)
}

/// The path nearest to points that are given, as smooth as `variance_m2` of its differences says, against 1 m² of
/// every point.
pub(crate) fn nearest(
    layout: &Layout,
    order: usize,
    modes: usize,
    variance_m2: f64,
    place: &dyn Fn(MarkerRole, f64) -> Point3<f64>,
) -> Result<Estimate, PathError> {
    let n = 3 * layout.coefficients();
    let degree = layout.pieces[0].grid.degree;
    let mut band = Band::zeros(n, half_band(degree, order));
    let mut rhs = vec![0.0; n];
    for piece in &layout.pieces {
        for i in 0..=2 * piece.grid.intervals {
            let t = piece.grid.start_s + 0.5 * piece.grid.knot_s * i as f64;
            pull(&mut band, &mut rhs, piece, t, &place(piece.role, t));
        }
    }
    through(layout, order, band, &rhs, variance_m2, modes)
}

/// Adds the wish to pass through a point.
fn pull(band: &mut Band, rhs: &mut [f64], piece: &Piece, time_s: f64, point: &Point3<f64>) {
    let w = piece.grid.weights(time_s);
    let first = 3 * (piece.offset + w.first);
    let values = &w.by_derivative[0];
    for j in 0..=piece.grid.degree {
        for a in 0..3 {
            let i = first + 3 * j + a;
            for m in 0..=j {
                band.add(i, first + 3 * m + a, values[j] * values[m]);
            }
            rhs[i] += values[j] * point[a];
        }
    }
}

fn through(
    layout: &Layout,
    order: usize,
    mut band: Band,
    rhs: &[f64],
    variance_m2: f64,
    modes: usize,
) -> Result<Estimate, PathError> {
    let n = band.len();
    let mut smoothness = Smoothness::new(layout, order, 1.0, 0.0);
    smoothness.set_all(variance_m2);
    smoothness.add_to(&mut band);
    let factor = Bordered {
        band,
        border: Vec::new(),
        corner: DMatrix::zeros(0, 0),
    }
    .factor()
    .map_err(|unknown| PathError::Singular {
        unknown,
        unknowns: n,
    })?;
    let (coefficients, _) = factor.solve(rhs, &DVector::zeros(0));
    Ok(Estimate {
        coefficients,
        z: DVector::zeros(modes),
    })
}
