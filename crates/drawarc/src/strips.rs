//! Pictures for the page: what each camera saw at the key instants of a shot, cut out around the archer.

use crate::cut::{Cut, cut_around, upright, whole};
use crate::failure::Outcome;
use crate::recordings::{Filmed, wrong_footage};
use drawarc_footage::{RgbImage, encode_jpeg};
use drawarc_report::page::{CameraStrip, StripPicture, TracePoint};
use drawarc_rig::{Camera, ClockModel};
use nalgebra::Point3;

/// Height of an embedded picture (px).
const HEIGHT_PX: u32 = 420;
/// Quality of an embedded picture.
const QUALITY: u8 = 72;

/// One instant to show.
#[derive(Debug, Clone)]
pub(crate) struct Instant {
    /// Range time (s).
    pub(crate) time_s: f64,
    /// What is written under it.
    pub(crate) caption: String,
    /// The mark of the fault that it shows.
    pub(crate) mark: Option<drawarc_report::page::Mark>,
}

/// What one camera saw of one shot. `path` is range time with the elbow (m).
pub(crate) fn strip(
    filmed: Filmed<'_>,
    camera: &Camera,
    clock: &ClockModel,
    path: &[(f64, Point3<f64>)],
    instants: &[Instant],
) -> Outcome<CameraStrip> {
    let cut = cut_around(camera, path).at_most(HEIGHT_PX);
    let mut reader = filmed
        .recording
        .frames(rayon::current_num_threads())
        .map_err(|source| wrong_footage(&source))?;
    let mut pictures = Vec::new();
    let mut size_px = (0, 0);
    for instant in instants {
        let camera_s = clock.camera_from_range(instant.time_s);
        reader
            .seek(camera_s)
            .map_err(|source| wrong_footage(&source))?;
        let frame = reader
            .next_frame()
            .map_err(|source| wrong_footage(&source))?;
        let Some(frame) = frame else {
            continue; // the camera stopped before this instant
        };
        let whole = frame.picture.to_rgb(camera.rotation_deg);
        let picture = cut_out(&whole, cut);
        size_px = (picture.width_px, picture.height_px);
        let jpeg = encode_jpeg(&picture, QUALITY).map_err(|source| wrong_footage(&source))?;
        pictures.push(StripPicture {
            time_s: instant.time_s,
            caption: instant.caption.clone(),
            mark: instant.mark,
            jpeg,
        });
    }
    let trace = path
        .iter()
        .filter_map(|(time_s, elbow)| {
            let upright = upright(camera, &camera.pixel_from_range(elbow)?);
            Some(TracePoint {
                time_s: *time_s,
                x_px: (upright.x - f64::from(cut.left_px) + 0.5) * cut.scale,
                y_px: (upright.y - f64::from(cut.top_px) + 0.5) * cut.scale,
            })
        })
        .collect();
    let (clock_hours, elevation_deg) = place(camera, path);
    Ok(CameraStrip {
        camera: camera.name.clone(),
        clock_hours,
        elevation_deg,
        picture_size_px: size_px,
        trace,
        pictures,
    })
}

/// Place on the dial (none for a camera above the archer) and elevation over the elbow.
fn place(camera: &Camera, path: &[(f64, Point3<f64>)]) -> (Option<f64>, f64) {
    let elbow = path
        .get(path.len() / 2)
        .map_or_else(Point3::origin, |entry| entry.1);
    let centre = camera.centre_in_range();
    let up = centre - elbow;
    let elevation_deg = up.z.atan2(up.x.hypot(up.y)).to_degrees();
    let hours = drawarc_rig::ClockFace::of_position(&centre, &elbow).hours();
    ((elevation_deg < 60.0).then_some(hours), elevation_deg)
}

fn cut_out(image: &RgbImage, cut: Cut) -> RgbImage {
    let width = whole((f64::from(cut.width_px) * cut.scale).max(1.0));
    let height = whole((f64::from(cut.height_px) * cut.scale).max(1.0));
    image.cut_and_shrunk(
        (cut.left_px, cut.top_px),
        (cut.width_px, cut.height_px),
        (width, height),
    )
}
