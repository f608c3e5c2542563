//! What one camera will see.

use super::danger;
use super::marker::Unseen;
use super::nominal_shot::{NominalArcher, NominalPhase};
use super::precision::{FrameLook, PathPrecision};
use super::rig_forecast::{FULL_DRAW_S, ForecastInput, ForecastSettings};
use drawarc_rig::Camera;
use nalgebra::{Point3, Vector3};
use serde::Serialize;

/// What a camera sees in a phase.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PhaseSight {
    /// Phase.
    pub phase: NominalPhase,
    /// Share of its frames in which the marker is measured (0 to 1).
    pub seen_share: f64,
    /// The most frequent reason where it is not.
    pub why: Option<Unseen>,
}

/// Does an archer of this height stay in the picture?
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PictureFit {
    /// Body height (m).
    pub archer_height_m: f64,
    /// Phases in which the marker leaves the picture.
    pub leaves_in: Vec<NominalPhase>,
    /// Smallest distance of the marker from the border (px; negative outside).
    pub margin_px: f64,
}

/// One camera.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CameraForecast {
    /// Name.
    pub name: String,
    /// Place on the dial, or `overhead`.
    pub place: String,
    /// Distance from the elbow at full draw (m).
    pub range_m: f64,
    /// Diameter of the marker (px, median where seen).
    pub marker_px: f64,
    /// Largest smear (px).
    pub smear_px: f64,
    /// Standard deviation of the marker's centre (px, median where seen).
    pub centre_sd_px: f64,
    /// Pixels for a millimetre of collapse, of the way around and of the V at full draw.
    pub px_per_mm: [f64; 3],
    /// Clock after sound and motion (ms).
    pub clock_ms: f64,
    /// Clock from the motion alone (ms).
    pub clock_from_motion_ms: f64,
    /// Phase by phase.
    pub phases: Vec<PhaseSight>,
    /// A small and a tall archer.
    pub pictures: Vec<PictureFit>,
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

/// Sums up one camera's frames of the nominal shot.
pub(crate) fn camera_forecast(
    input: &ForecastInput<'_>,
    settings: &ForecastSettings,
    precision: &PathPrecision,
    index: usize,
) -> CameraForecast {
    let camera = &input.rig.cameras[index];
    let looks = &precision.looks[index];
    let seen = || looks.iter().filter(|look| look.unseen.is_none());
    let elbow = input.archer.body(FULL_DRAW_S).elbow;
    let phases = NominalPhase::TIMES_S
        .iter()
        .map(|(phase, from, to)| {
            let own: Vec<&FrameLook> = looks
                .iter()
                .filter(|l| l.time_s >= *from && l.time_s < *to)
                .collect();
            let reasons: Vec<Unseen> = own.iter().filter_map(|look| look.unseen).collect();
            let why = reasons
                .iter()
                .max_by_key(|reason| reasons.iter().filter(|other| other == reason).count())
                .copied();
            PhaseSight {
                phase: *phase,
                seen_share: 1.0 - reasons.len() as f64 / own.len().max(1) as f64,
                why,
            }
        })
        .collect();
    CameraForecast {
        name: camera.name.clone(),
        place: danger::place_of(camera),
        range_m: (camera.centre_in_range() - elbow).norm(),
        marker_px: median(seen().map(|look| look.diameter_px).collect()),
        smear_px: seen().map(|look| look.smear_px).fold(0.0, f64::max),
        centre_sd_px: median(seen().map(|look| look.sd_px).collect()),
        px_per_mm: pixels_per_mm(camera, &elbow),
        clock_ms: 1e3 * precision.clock_sd_s[index],
        clock_from_motion_ms: 1e3 * precision.motion_clock_sd_s[index],
        phases,
        pictures: settings
            .archer_heights_m
            .iter()
            .map(|height_m| picture_fit(camera, input.archer, *height_m))
            .collect(),
    }
}

/// Pixels for a millimetre along x, y and z.
fn pixels_per_mm(camera: &Camera, point_in_range: &Point3<f64>) -> [f64; 3] {
    [Vector3::x(), Vector3::y(), Vector3::z()].map(|axis| {
        let ends =
            [-0.5e-3, 0.5e-3].map(|step| camera.pixel_from_range(&(point_in_range + axis * step)));
        match ends {
            [Some(a), Some(b)] => (b - a).norm(),
            _ => 0.0,
        }
    })
}

/// Does the marker stay within the picture from raise to follow-through? The camera stays where it is.
fn picture_fit(camera: &Camera, archer: NominalArcher, height_m: f64) -> PictureFit {
    let other = NominalArcher { height_m, ..archer };
    let size =
        [camera.image_size.width_px, camera.image_size.height_px].map(|n| f64::from(n) - 1.0);
    let mut leaves_in = Vec::new();
    let mut least = f64::MAX;
    for (phase, from, to) in NominalPhase::TIMES_S {
        let mut inside = true;
        for k in 0..20 {
            let t = from + (to - from) * f64::from(k) / 19.0;
            let margin = camera
                .pixel_from_range(&other.body(t).elbow)
                .map_or(f64::MIN, |p| {
                    p.x.min(size[0] - p.x).min(p.y).min(size[1] - p.y)
                });
            least = least.min(margin);
            inside &= margin > 0.0;
        }
        if !inside {
            leaves_in.push(phase);
        }
    }
    PictureFit {
        archer_height_m: height_m,
        leaves_in,
        margin_px: least,
    }
}
