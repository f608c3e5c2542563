//! The simple way, kept for comparison: a point for every instant, then a filter.

use crate::border::Stand;
use crate::butterworth::{Butterworth, residual_cutoff_hz};
use crate::initial::{glimpses, tracks};
use crate::observation::{self, Observation};
use crate::triangulate::{View, triangulate_optimal};
use crate::{PathError, PathFit, PathInput};
use drawarc_sync_track::{MarkerRole, SightingSeries};
use nalgebra::{DVector, Point3, Vector3};

/// One unbroken stretch of the simple path.
#[derive(Debug, Clone, PartialEq)]
pub struct InstantStretch {
    /// Range time (s), evenly spaced.
    pub time_s: Vec<f64>,
    /// Points of least reprojection error (m).
    pub raw: Vec<Point3<f64>>,
    /// The same after the filter (m).
    pub smooth: Vec<Point3<f64>>,
    /// Cut-off of each axis (Hz); `None` where a stretch is too short to filter and was left as it is.
    pub cutoff_hz: Option<Vector3<f64>>,
}

/// The simple path of one marker: per-instant triangulation, zero-lag Butterworth, split at given breaks.
#[derive(Debug, Clone, PartialEq)]
pub struct InstantPath {
    /// The marker.
    pub role: MarkerRole,
    /// Its stretches, in order of time.
    pub stretches: Vec<InstantStretch>,
}

impl InstantPath {
    /// The filtered path at an instant (range time, s), linear between its points.
    pub fn at(&self, time_s: f64) -> Option<Point3<f64>> {
        self.stretches.iter().find_map(|stretch| {
            let after = stretch.time_s.partition_point(|t| *t <= time_s);
            let before = after.checked_sub(1)?;
            let next = after.min(stretch.time_s.len() - 1);
            let (from, to) = (stretch.time_s[before], stretch.time_s[next]);
            if time_s > to {
                return None;
            }
            let share = if to > from {
                (time_s - from) / (to - from)
            } else {
                0.0
            };
            Some(stretch.smooth[before] + (stretch.smooth[next] - stretch.smooth[before]) * share)
        })
    }
}

/// The simple way, for the marker `role`: at evenly spaced instants (the frames of its most frequent camera) the
/// other cameras' tracks are interpolated linearly, the point of least reprojection error taken, and each stretch
/// between gaps and `breaks_s` (range time, s) filtered with a cut-off by residual analysis. Exact for genlocked
/// cameras; survey and clocks are taken as they are.
///
/// # Errors
/// As [`crate::fit_path`] for input that does not fit; [`PathError::NoOverlap`] where the marker has no stretch.
pub fn triangulate_instants(
    input: &PathInput<'_>,
    role: MarkerRole,
    breaks_s: &[f64],
) -> Result<InstantPath, PathError> {
    input.settings.validate()?;
    let layout = observation::layout(input.rig, input.clocks, input.series, &input.settings)?;
    let raw = DVector::zeros(
        input.rig.parameter_count() + crate::border::CLOCK_NUMBERS * layout.sources.len(),
    );
    let stand = Stand::new(input.rig, &layout.sources, &raw);
    let mut stretches = Vec::new();
    for (index, _) in layout
        .pieces
        .iter()
        .enumerate()
        .filter(|(_, p)| p.role == role)
    {
        let tracks = tracks(&layout, &stand, index);
        let Some((times, step_s)) = frames(&tracks) else {
            continue;
        };
        let mut current = (Vec::new(), Vec::new());
        for (i, &time_s) in times.iter().enumerate() {
            let parted = i > 0 && breaks_s.iter().any(|b| *b > times[i - 1] && *b <= time_s);
            let point = point(&stand, &tracks, time_s);
            if parted || point.is_none() {
                stretches.extend(filtered(std::mem::take(&mut current), step_s));
            }
            if let Some(point) = point {
                current.0.push(time_s);
                current.1.push(point);
            }
        }
        stretches.extend(filtered(current, step_s));
    }
    if stretches.is_empty() {
        return Err(PathError::NoOverlap {
            needed_s: input.settings.shortest_s,
            longest_s: 0.0,
        });
    }
    Ok(InstantPath { role, stretches })
}

/// The simple way beside a fit: the elbow, split at the releases that the fit found, from the sightings that the fit
/// stands on: a camera that it left out for contradicting the others is left out here too. [`InstantPath::at`] gives its
/// points, at the instants of the sheet.
///
/// # Errors
/// As [`triangulate_instants`].
pub fn comparison_path(input: &PathInput<'_>, fit: &PathFit) -> Result<InstantPath, PathError> {
    let path = &fit.path;
    let breaks_s: Vec<f64> = path.breaks().iter().map(|found| found.time_s).collect();
    let odd = fit.diagnostics.disagreement.map(|odd| odd.camera);
    let series: Vec<SightingSeries> = input
        .series
        .iter()
        .filter(|series| series.role == path.role() && Some(series.camera) != odd)
        .cloned()
        .collect();
    let own = PathInput {
        series: &series,
        ..input.clone()
    };
    triangulate_instants(&own, path.role(), &breaks_s)
}

/// Evenly spaced instants: those of the camera with most frames, and their distance (s).
fn frames(tracks: &[Vec<(f64, Observation)>]) -> Option<(Vec<f64>, f64)> {
    let busiest = tracks.iter().max_by_key(|track| track.len())?;
    let mut steps: Vec<f64> = busiest
        .windows(2)
        .map(|pair| pair[1].0 - pair[0].0)
        .collect();
    if steps.is_empty() {
        return None;
    }
    let middle = steps.len() / 2;
    let step_s = *steps.select_nth_unstable_by(middle, f64::total_cmp).1;
    let (from, to) = (busiest[0].0, busiest[busiest.len() - 1].0);
    let mut times = Vec::new();
    while from + times.len() as f64 * step_s <= to + 0.5 * step_s {
        times.push(from + times.len() as f64 * step_s);
    }
    Some((times, step_s))
}

fn point(stand: &Stand, tracks: &[Vec<(f64, Observation)>], time_s: f64) -> Option<Point3<f64>> {
    let seen = glimpses(tracks, time_s);
    let views: Vec<View<'_>> = seen
        .iter()
        .map(|glimpse| View {
            camera: &stand.cameras[glimpse.camera],
            pixel: glimpse.pixel,
            covariance_px2: nalgebra::Matrix2::identity(),
        })
        .collect();
    triangulate_optimal(&views).ok().map(|found| found.position)
}

fn filtered((time_s, raw): (Vec<f64>, Vec<Point3<f64>>), step_s: f64) -> Option<InstantStretch> {
    if raw.len() < 2 {
        return None;
    }
    let axes = [0, 1, 2].map(|axis| {
        let values: Vec<f64> = raw.iter().map(|p| p[axis]).collect();
        let cutoff_hz = residual_cutoff_hz(&values, 1.0 / step_s).ok()?;
        let filter = Butterworth::dual_pass(cutoff_hz, 1.0 / step_s).ok()?;
        Some((cutoff_hz, filter.smooth(&values)))
    });
    let [Some(x), Some(y), Some(z)] = axes else {
        return Some(InstantStretch {
            time_s,
            smooth: raw.clone(),
            raw,
            cutoff_hz: None,
        });
    };
    Some(InstantStretch {
        smooth: (0..raw.len())
            .map(|i| Point3::new(x.1[i], y.1[i], z.1[i]))
            .collect(),
        cutoff_hz: Some(Vector3::new(x.0, y.0, z.0)),
        time_s,
        raw,
    })
}
