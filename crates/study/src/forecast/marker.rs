//! How well a marker shows in a picture.

use super::body::{BodyPart, hidden_by};
use super::nominal_shot::Body;
use drawarc_rig::{Camera, Projection};
use serde::{Deserialize, Serialize};

/// The marker at the tip of the elbow.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MarkerKind {
    /// A ball on an elastic band: seen from all around.
    Ball {
        /// Diameter (m).
        diameter_m: f64,
    },
    /// A bright band around the elbow: seen from all around, its centre less sharp.
    Band {
        /// Width along the arm (m).
        width_m: f64,
    },
    /// A flat dot on the tip: seen from where it faces.
    Dot {
        /// Diameter (m).
        diameter_m: f64,
    },
}

impl MarkerKind {
    /// Size that the picture shows (m).
    pub const fn size_m(self) -> f64 {
        match self {
            Self::Ball { diameter_m } | Self::Dot { diameter_m } => diameter_m,
            Self::Band { width_m } => width_m,
        }
    }

    /// The word for a person.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Ball { .. } => "ball",
            Self::Band { .. } => "band",
            Self::Dot { .. } => "dot",
        }
    }
}

/// Width of a marker to which [`MarkerNoise::lasting_px`] refers (px).
const LASTING_AT_PX: f64 = 12.0;

/// How the centre's standard deviation follows from size and smear.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct MarkerNoise {
    /// Centre of a large, still, round marker about its lasting error, one axis (px). Six cameras of three rendered and encoded films (two
    /// phones, nine shots, H.264 at about 20 Mbit/s, the coding's lag taken off; markers of 12 to 13 px) gave 0.041 to 0.063 with the law
    /// of [`Self::small_px`]; this is their rms.
    pub centre_sd_px: f64,
    /// What stays wrong with the centre for a while, one axis, of a marker 12 px wide (px): shading, sleeve, compression.
    /// The same cameras: 0.045 to 0.108; their rms. Taken to fall with the marker's width. Files of 8 Mbit/s are two to three times worse.
    pub lasting_px: f64,
    /// For how long: one-sided integral of its correlation (s). The same cameras: 0.08 to 0.37, weighted by variance.
    pub lasting_s: f64,
    /// Diameter (px) at which the small number of edge pixels doubles the variance.
    pub small_px: f64,
    /// Below this diameter a marker cannot be told from noise (px).
    pub least_px: f64,
    /// A band's centre is this much less sharp than a ball's.
    pub band_factor: f64,
    /// A dot is lost when it is turned further away than this (degrees).
    pub dot_limit_deg: f64,
    /// Marker this close to the border counts as outside (share of the picture's size).
    pub border_share: f64,
}

impl Default for MarkerNoise {
    fn default() -> Self {
        Self {
            centre_sd_px: 0.048,
            lasting_px: 0.082,
            lasting_s: 0.14,
            small_px: 8.0,
            least_px: 4.0,
            band_factor: 1.5,
            dot_limit_deg: 70.0,
            border_share: 0.02,
        }
    }
}

/// Why a marker is not measured in a picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unseen {
    /// Not within the picture.
    OutOfPicture,
    /// Behind a part of the body.
    Behind(BodyPart),
    /// The dot is turned away.
    TurnedAway,
    /// Too few pixels.
    TooSmall,
}

/// A marker as one camera sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct Look {
    /// Where, with derivatives.
    pub projection: Projection,
    /// Standard deviation of the centre, one axis (px).
    pub sd_px: f64,
    /// Standard deviation of what stays wrong with it, one axis (px).
    pub lasting_px: f64,
    /// Apparent diameter (px).
    pub diameter_px: f64,
    /// Smear over the exposure (px).
    pub smear_px: f64,
}

/// How `camera` sees the marker on `body`, which moves with `velocity` (m/s).
///
/// # Errors
/// [`Unseen`], where it does not.
pub fn look(
    camera: &Camera,
    body: &Body,
    velocity: &nalgebra::Vector3<f64>,
    marker: MarkerKind,
    noise: &MarkerNoise,
) -> Result<Look, Unseen> {
    let point_in_camera = camera.camera_from_range * body.elbow;
    let projection = camera
        .lens
        .project(&point_in_camera)
        .ok_or(Unseen::OutOfPicture)?;
    let size = [
        f64::from(camera.image_size.width_px),
        f64::from(camera.image_size.height_px),
    ];
    let pixel = projection.pixel;
    let inside = [pixel.x, pixel.y].iter().zip(size).all(|(value, length)| {
        let border = noise.border_share * length;
        *value >= border && *value <= length - 1.0 - border
    });
    if !inside {
        return Err(Unseen::OutOfPicture);
    }
    let centre = camera.centre_in_range();
    if let Some(part) = hidden_by(body, &centre) {
        return Err(Unseen::Behind(part));
    }
    let toward_camera = (centre - body.elbow).normalize();
    let facing = body.out_of_elbow().dot(&toward_camera);
    let range_m = point_in_camera.coords.norm();
    let focal_px = camera.lens.parameters()[0];
    let diameter_px = focal_px * marker.size_m() / range_m;
    let (foreshortened, factor) = match marker {
        MarkerKind::Ball { .. } => (1.0, 1.0),
        MarkerKind::Band { .. } => (1.0, noise.band_factor),
        MarkerKind::Dot { .. } => {
            if facing < noise.dot_limit_deg.to_radians().cos() {
                return Err(Unseen::TurnedAway);
            }
            (facing, 1.0)
        }
    };
    if diameter_px * foreshortened < noise.least_px {
        return Err(Unseen::TooSmall);
    }
    let velocity_in_camera = camera.camera_from_range.rotation * velocity;
    let smear_px =
        (projection.pixel_by_point * velocity_in_camera).norm() * camera.shutter.exposure_s;
    let small = 1.0 + (noise.small_px / (diameter_px * foreshortened)).powi(2);
    let smeared = 1.0 + (smear_px / diameter_px).powi(2);
    Ok(Look {
        sd_px: factor * noise.centre_sd_px * (small * smeared).sqrt(),
        lasting_px: factor * noise.lasting_px * LASTING_AT_PX / (diameter_px * foreshortened),
        projection,
        diameter_px,
        smear_px,
    })
}
