//! What a person should know about a fit.

use crate::border::Stand;
use crate::bordered::Band;
use crate::consensus::Disagreement;
use crate::noise::{Judgement, Noise};
use crate::normal::linearise;
use crate::observation::Piece;
use crate::path::ErrorShares;
use crate::posterior::Posterior;
use crate::spline::Weights;
use crate::triangulate::convergence_deg;
use drawarc_rig::Camera;
use drawarc_sync_track::MarkerRole;
use nalgebra::{Matrix3, Point3, Vector2};
use serde::{Deserialize, Serialize};

/// Residuals are gathered by this many regions of the picture, across and down.
pub const REGIONS: usize = 3;
/// A sighting less probable than this to be right counts as wrong.
const WRONG: f64 = 0.5;
/// Spacing of the instants at which convergence and error shares are given (s).
const STEP_S: f64 = 0.25;

/// Residuals of one camera.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CameraResiduals {
    /// Its index in the rig.
    pub camera: usize,
    /// Sightings that went into the fit.
    pub sightings: usize,
    /// Those of them judged wrong.
    pub wrong: usize,
    /// Root mean square of one coordinate's residual, wrong ones left out (px).
    pub rms_px: f64,
    /// Pixel noise over the noise that the tracker stated.
    pub noise_scale: f64,
    /// Mean residual of each region of the stored picture, row by row from the top left (px); `None` where fewer
    /// than ten sightings fell.
    pub region_mean_px: Vec<Option<Vector2<f64>>>,
}

/// The elbow's geometry and error at one instant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MomentQuality {
    /// The marker.
    pub role: MarkerRole,
    /// Range time (s).
    pub time_s: f64,
    /// Cameras that see the marker.
    pub cameras_seeing: u8,
    /// Largest angle between the rays of the cameras that see it (degrees); 0 with fewer than two.
    pub convergence_deg: f64,
    /// Standard deviation of the position, root of the trace of its covariance (m).
    pub sd_m: f64,
    /// Where that comes from.
    pub shares: ErrorShares,
}

/// How the fit went.
#[derive(Debug, Clone, PartialEq)]
pub struct PathDiagnostics {
    /// Residuals, camera by camera.
    pub cameras: Vec<CameraResiduals>,
    /// Geometry and error over time.
    pub moments: Vec<MomentQuality>,
    /// The camera that contradicts all others, if there is one.
    pub disagreement: Option<Disagreement>,
    /// Linearisations that were needed.
    pub rounds: usize,
    /// Did the last round leave the path in place?
    pub settled: bool,
    /// Shared unknowns (of survey, clocks) that were refined.
    pub refined: usize,
    /// Standard deviation of the part of sightings' errors that lasts for several frames, from how the views contradict
    /// each other (px); 0 where they do not show any.
    pub lasting_px: f64,
}

impl PathDiagnostics {
    /// The fit in sentences; `names` are those of the cameras.
    pub fn sentences(&self, names: &[String]) -> Vec<String> {
        let name = |camera: usize| {
            names
                .get(camera)
                .cloned()
                .unwrap_or_else(|| format!("camera {}", camera + 1))
        };
        let mut lines: Vec<String> = self
            .cameras
            .iter()
            .map(|c| {
                format!(
                    "{}: {} sightings, {} of them wrong; the rest fit to {:.3} px, {:.2} times the stated noise.",
                    name(c.camera),
                    c.sightings,
                    c.wrong,
                    c.rms_px,
                    c.noise_scale
                )
            })
            .collect();
        lines.extend(self.cameras.iter().filter_map(|c| {
            let (region, lean_px) = c.worst_region()?;
            Some(format!(
                "{}: in no part of its picture do the sightings lie further off on average than {lean_px:.2} px ({region}).",
                name(c.camera)
            ))
        }));
        lines.extend(self.geometry());
        if let Some(odd) = &self.disagreement {
            lines.push(format!(
                "{} contradicts the other cameras by {:.1} px and was left out.",
                name(odd.camera),
                odd.distance_px
            ));
        }
        if self.lasting_px > 0.0 {
            lines.push(format!(
                "Part of the sightings' errors, {:.2} px, lasts for several frames; the intervals hold it.",
                self.lasting_px
            ));
        }
        if !self.settled {
            lines.push(format!(
                "The fit had not settled after {} rounds.",
                self.rounds
            ));
        }
        lines
    }
}

/// Names of the regions' rows and columns, in the stored picture.
const ROWS: [&str; REGIONS] = ["top", "middle", "bottom"];
const COLUMNS: [&str; REGIONS] = ["left", "centre", "right"];

impl CameraResiduals {
    /// The region whose mean residual is longest, in words, and how long (px).
    pub fn worst_region(&self) -> Option<(String, f64)> {
        let lean = |mean: &Option<Vector2<f64>>| mean.as_ref().map(Vector2::norm);
        let (region, lean_px) = self
            .region_mean_px
            .iter()
            .enumerate()
            .filter_map(|(region, mean)| Some((region, lean(mean)?)))
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        let (row, column) = (ROWS[region / REGIONS], COLUMNS[region % REGIONS]);
        Some((format!("{row} {column}"), lean_px))
    }
}

impl PathDiagnostics {
    /// Convergence over time, and where the error of the place comes from, in sentences.
    fn geometry(&self) -> Option<String> {
        let seen: Vec<&MomentQuality> = self
            .moments
            .iter()
            .filter(|m| m.role == MarkerRole::Elbow && m.cameras_seeing >= 2)
            .collect();
        let n = seen.len() as f64;
        if seen.is_empty() {
            return None;
        }
        let range = |of: fn(&MomentQuality) -> f64| {
            seen.iter()
                .map(|m| of(m))
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
                    (low.min(value), high.max(value))
                })
        };
        let (narrow, wide) = range(|m| m.convergence_deg);
        let mut sd_mm: Vec<f64> = seen.iter().map(|m| 1000.0 * m.sd_m).collect();
        sd_mm.sort_by(f64::total_cmp);
        let share = |of: fn(&ErrorShares) -> f64| {
            100.0 * seen.iter().map(|m| of(&m.shares)).sum::<f64>() / n
        };
        Some(format!(
            "Lines of sight meet at the elbow under {narrow:.0} to {wide:.0} degrees. Its place is known to {:.1} mm (one standard deviation, median); of that variance {:.0} % come from pixels, {:.0} % from the survey, {:.0} % from clocks.",
            sd_mm[sd_mm.len() / 2],
            share(|s| s.pixels),
            share(|s| s.survey),
            share(|s| s.clocks),
        ))
    }
}

/// Covariance of the position with the shared unknowns held fixed, from the inverse within the band.
pub(crate) fn conditional(selected: &Band, piece: &Piece, w: &Weights) -> Matrix3<f64> {
    conditional_of(selected, piece, w, 0)
}

/// As [`conditional`], of a derivative.
pub(crate) fn conditional_of(
    selected: &Band,
    piece: &Piece,
    w: &Weights,
    order: usize,
) -> Matrix3<f64> {
    let values = &w.by_derivative[order];
    let first = 3 * (piece.offset + w.first);
    let mut sum = Matrix3::zeros();
    // Lower triangle: pairs of different coefficients stand for both orders.
    for j in 0..=piece.grid.degree {
        for a in 0..3 {
            let row = selected.row_from(first + 3 * j + a, first);
            for (m, block) in row.chunks(3).enumerate() {
                let weight = values[j] * values[m];
                for (b, value) in block.iter().enumerate() {
                    if m < j {
                        sum[(a, b)] += weight * value;
                        sum[(b, a)] += weight * value;
                    } else {
                        sum[(a, b)] += weight * value;
                        if b < a {
                            sum[(b, a)] += weight * value;
                        }
                    }
                }
            }
        }
    }
    sum
}

fn region_of(camera: &Camera, pixel: &nalgebra::Point2<f64>) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the number of regions"
    )]
    let part = |at: f64, size: u32| {
        ((at + 0.5) / f64::from(size) * REGIONS as f64).clamp(0.0, (REGIONS - 1) as f64) as usize
    };
    let size = camera.image_size;
    REGIONS * part(pixel.y, size.height_px) + part(pixel.x, size.width_px)
}

#[derive(Clone, Default)]
struct Sums {
    sightings: usize,
    wrong: usize,
    square: f64,
    regions: Vec<(Vector2<f64>, usize)>,
}

fn by_camera(
    posterior: &Posterior,
    stand: &Stand,
    noise: &Noise,
    judgements: &[Judgement],
) -> Vec<CameraResiduals> {
    let empty = Sums {
        regions: vec![(Vector2::zeros(), 0); REGIONS * REGIONS],
        ..Sums::default()
    };
    let mut sums = vec![empty; stand.cameras.len()];
    let layout = &posterior.layout;
    for (o, judged) in layout.observations.iter().zip(judgements) {
        let slot = &mut sums[o.camera];
        slot.sightings += 1;
        let linear = linearise(layout, stand, &posterior.estimate, o, None);
        let Some(linear) = linear.filter(|_| judged.right >= WRONG) else {
            slot.wrong += 1;
            continue;
        };
        slot.square += linear.residual.norm_squared();

        let region = &mut slot.regions[region_of(&stand.cameras[o.camera], &o.pixel)];
        region.0 += linear.residual;
        region.1 += 1;
    }
    sums.into_iter()
        .enumerate()
        .map(|(camera, sums)| CameraResiduals {
            camera,
            sightings: sums.sightings,
            wrong: sums.wrong,
            rms_px: (sums.square / (2 * (sums.sightings - sums.wrong)).max(1) as f64).sqrt(),
            noise_scale: noise.scale[camera],
            region_mean_px: sums
                .regions
                .into_iter()
                .map(|(sum, count)| (count >= 10).then(|| sum / count as f64))
                .collect(),
        })
        .collect()
}

fn moments(posterior: &Posterior, stand: &Stand) -> Vec<MomentQuality> {
    let layout = &posterior.layout;
    let mut moments = Vec::new();
    for piece in &layout.pieces {
        let Some(role) = layout.roles.iter().position(|r| *r == piece.role) else {
            continue;
        };
        let mut time_s = piece.grid.start_s;
        let mut count = 0;
        while time_s <= piece.grid.end_s() {
            let w = piece.grid.weights(time_s);
            let position = Point3::from(posterior.value(piece, &w, 0));
            let causes = posterior.causes(piece, &w, 0);
            let rays: Vec<_> = layout.coverage[role]
                .seeing(time_s)
                .map(|camera| (position - stand.cameras[camera].centre_in_range()).normalize())
                .collect();
            moments.push(MomentQuality {
                role: piece.role,
                time_s,
                cameras_seeing: u8::try_from(rays.len()).unwrap_or(u8::MAX),
                convergence_deg: convergence_deg(&rays),
                sd_m: causes.total.trace().max(0.0).sqrt(),
                shares: ErrorShares::of(&causes),
            });
            count += 1;
            time_s = piece.grid.start_s + STEP_S * f64::from(count);
        }
    }
    moments
}

pub(crate) fn diagnose(
    posterior: &Posterior,
    stand: &Stand,
    noise: &Noise,
    judgements: &[Judgement],
    (rounds, settled): (usize, bool),
    disagreement: Option<Disagreement>,
) -> PathDiagnostics {
    PathDiagnostics {
        cameras: by_camera(posterior, stand, noise, judgements),
        moments: moments(posterior, stand),
        disagreement,
        rounds,
        settled,
        refined: posterior.border.len(),
        lasting_px: posterior.echo.lasting_px(),
    }
}
