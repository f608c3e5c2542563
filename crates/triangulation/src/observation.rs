//! Sightings as the solver wants them: sorted into pieces of path, with their camera and clock.

use crate::coverage::{Coverage, Gap};
use crate::spline::Grid;
use crate::{PathError, PathSettings};
use drawarc_rig::{ClockModel, ClockSegment, Rig, Shutter};
use drawarc_sync_track::{MarkerRole, SightingSeries};
use nalgebra::{Matrix2, Point2};

/// A camera during one stretch of its clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Source {
    pub(crate) camera: usize,
    pub(crate) segment_index: usize,
    pub(crate) segment: ClockSegment,
}

/// One sighting that counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Observation {
    /// Where it stands in the input: series and sample.
    pub(crate) series: usize,
    pub(crate) sample: usize,
    pub(crate) source: usize,
    pub(crate) camera: usize,
    pub(crate) piece: usize,
    pub(crate) camera_s: f64,
    pub(crate) row_fraction: f64,
    pub(crate) pixel: Point2<f64>,
    pub(crate) covariance: Matrix2<f64>,
    /// Nominal instant (range time, s), before any refinement.
    pub(crate) nominal_s: f64,
}

/// One unbroken piece of one marker's path.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Piece {
    pub(crate) role: MarkerRole,
    pub(crate) grid: Grid,
    /// Index of its first coefficient among those of all pieces.
    pub(crate) offset: usize,
}

/// The layout of a fit.
#[derive(Debug, Clone)]
pub(crate) struct Layout {
    pub(crate) roles: Vec<MarkerRole>,
    pub(crate) coverage: Vec<Coverage>,
    pub(crate) gaps: Vec<Gap>,
    pub(crate) pieces: Vec<Piece>,
    pub(crate) sources: Vec<Source>,
    /// Sorted by piece, then by nominal instant.
    pub(crate) observations: Vec<Observation>,
}

impl Layout {
    pub(crate) fn coefficients(&self) -> usize {
        self.pieces
            .last()
            .map_or(0, |p| p.offset + p.grid.coefficients())
    }
}

/// Standard deviation of a pixel that claims to be better than this is not believed (px).
const FINEST_PIXEL_PX: f64 = 0.005;

fn median_interval_s(series: &SightingSeries) -> f64 {
    let mut steps: Vec<f64> = series
        .samples
        .windows(2)
        .map(|pair| pair[1].camera_s - pair[0].camera_s)
        .filter(|step| *step > 0.0)
        .collect();
    if steps.is_empty() {
        return 0.0;
    }
    let middle = steps.len() / 2;
    *steps.select_nth_unstable_by(middle, f64::total_cmp).1
}

fn check(rig: &Rig, clocks: &[ClockModel], series: &[SightingSeries]) -> Result<(), PathError> {
    let cameras = rig.cameras.len();
    if clocks.len() != cameras {
        return Err(PathError::Count {
            cameras,
            what: "clocks",
            found: clocks.len(),
        });
    }
    if let Some(bad) = series.iter().find(|s| s.camera >= cameras) {
        return Err(PathError::Camera {
            camera: bad.camera,
            cameras,
        });
    }
    Ok(())
}

/// # Errors
/// As [`crate::fit_path`] where input and rig do not fit, or no two cameras see a marker for long enough.
pub(crate) fn layout(
    rig: &Rig,
    clocks: &[ClockModel],
    series: &[SightingSeries],
    settings: &PathSettings,
) -> Result<Layout, PathError> {
    check(rig, clocks, series)?;
    let (sources, source_of) = sources(clocks);
    let mut roles: Vec<MarkerRole> = series.iter().map(|s| s.role).collect();
    roles.sort_unstable();
    roles.dedup();
    let mut coverage = vec![Coverage::none(rig.cameras.len()); roles.len()];
    let mut observations = Vec::new();
    let mut role_of = Vec::new();
    for (index, one) in series.iter().enumerate() {
        let role = roles.partition_point(|r| *r < one.role);
        let found = observations_of(rig, clocks, one, index, &source_of);
        let instants: Vec<f64> = found.iter().map(|o| o.nominal_s).collect();
        let interval_s = median_interval_s(one)
            * found
                .first()
                .map_or(1.0, |o| clocks[one.camera].rate_at(o.camera_s));
        coverage[role].add(one.camera, &instants, interval_s);
        role_of.extend(std::iter::repeat_n(role, found.len()));
        observations.extend(found);
    }
    let mut pieces: Vec<Piece> = Vec::new();
    let mut gaps = Vec::new();
    let mut longest_s = 0.0f64;
    for (&role, coverage) in roles.iter().zip(&coverage) {
        let mut spans = coverage.stereo(settings.bridge_s);
        for span in &spans {
            longest_s = longest_s.max(span.1 - span.0);
        }
        spans.retain(|span| span.1 - span.0 >= settings.shortest_s);
        gaps.extend(coverage.gaps(role, &spans));
        for (from_s, to_s) in spans {
            let offset = pieces
                .last()
                .map_or(0, |p| p.offset + p.grid.coefficients());
            let grid = Grid::over(from_s, to_s, settings.knot_s, settings.degree);
            pieces.push(Piece { role, grid, offset });
        }
    }
    if pieces.is_empty() {
        return Err(PathError::NoOverlap {
            needed_s: settings.shortest_s,
            longest_s,
        });
    }
    let mut kept: Vec<Observation> = observations
        .into_iter()
        .zip(role_of)
        .filter_map(|(observation, role)| {
            let piece = pieces.iter().position(|p| {
                p.role == roles[role]
                    && (p.grid.start_s..=p.grid.end_s()).contains(&observation.nominal_s)
            })?;
            Some(Observation {
                piece,
                ..observation
            })
        })
        .collect();
    kept.sort_by(|a, b| {
        (a.piece.cmp(&b.piece))
            .then(a.nominal_s.total_cmp(&b.nominal_s))
            .then(a.series.cmp(&b.series))
    });
    Ok(Layout {
        roles,
        coverage,
        gaps,
        pieces,
        sources,
        observations: kept,
    })
}

/// All cameras with all stretches of their clocks, and where each camera's first stands.
fn sources(clocks: &[ClockModel]) -> (Vec<Source>, Vec<usize>) {
    let mut sources = Vec::new();
    let mut first_of = Vec::new();
    for (camera, clock) in clocks.iter().enumerate() {
        first_of.push(sources.len());
        for (segment_index, &segment) in clock.segments().iter().enumerate() {
            sources.push(Source {
                camera,
                segment_index,
                segment,
            });
        }
    }
    (sources, first_of)
}

fn observations_of(
    rig: &Rig,
    clocks: &[ClockModel],
    series: &SightingSeries,
    index: usize,
    first_of: &[usize],
) -> Vec<Observation> {
    let camera = &rig.cameras[series.camera];
    let clock = &clocks[series.camera];
    let floor = Matrix2::identity() * (FINEST_PIXEL_PX * FINEST_PIXEL_PX);
    series
        .samples
        .iter()
        .enumerate()
        .filter(|(_, s)| {
            s.verdict.is_seen()
                && s.camera_s.is_finite()
                && s.centre_px.iter().all(|v| v.is_finite())
                && s.covariance_px2.iter().all(|v| v.is_finite())
        })
        .map(|(sample, s)| {
            let height_px = camera.image_size.height_px;
            let row_fraction = Shutter::row_fraction(s.centre_px.y, height_px);
            let exposed_s = s.camera_s + camera.shutter.row_delay_s(s.centre_px.y, height_px);
            let segment = clock
                .segments()
                .partition_point(|segment| segment.from_camera_s <= exposed_s)
                .saturating_sub(1);
            Observation {
                series: index,
                sample,
                source: first_of[series.camera] + segment,
                camera: series.camera,
                piece: 0,
                camera_s: s.camera_s,
                row_fraction,
                pixel: s.centre_px,
                covariance: s.covariance_px2 + floor,
                nominal_s: clock.range_from_camera(exposed_s),
            }
        })
        .collect()
}
