//! Pictures for the page: what each camera saw at the key instants of a shot, cut out around the archer.

use crate::failure::Outcome;
use crate::recordings::{Filmed, wrong_footage};
use drawarc_footage::{RgbImage, encode_jpeg};
use drawarc_report::page::{CameraStrip, StripPicture, TracePoint};
use drawarc_rig::{Camera, ClockModel};
use nalgebra::{Point2, Point3};

/// Height of an embedded picture (px).
const HEIGHT_PX: u32 = 420;
/// Quality of an embedded picture.
const QUALITY: u8 = 72;
/// Around the elbow's path so much is shown (m): archer and bow hand stay in the picture.
const AROUND_M: [f64; 3] = [0.75, 0.35, 0.65];

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

/// Part of an upright picture, and how it is scaled.
#[derive(Debug, Clone, Copy)]
struct Cut {
    left_px: u32,
    top_px: u32,
    width_px: u32,
    height_px: u32,
    scale: f64,
}

/// What one camera saw of one shot. `path` is range time with the elbow (m).
pub(crate) fn strip(
    filmed: Filmed<'_>,
    camera: &Camera,
    clock: &ClockModel,
    path: &[(f64, Point3<f64>)],
    instants: &[Instant],
) -> Outcome<CameraStrip> {
    let cut = cut_around(camera, path);
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

/// A stored pixel in the picture as it is shown: the container's rotation is clockwise.
fn upright(camera: &Camera, stored: &Point2<f64>) -> Point2<f64> {
    let last = |size: u32| f64::from(size) - 1.0;
    let (right, bottom) = (
        last(camera.image_size.width_px),
        last(camera.image_size.height_px),
    );
    match camera.rotation_deg {
        90 => Point2::new(bottom - stored.y, stored.x),
        180 => Point2::new(right - stored.x, bottom - stored.y),
        270 => Point2::new(stored.y, right - stored.x),
        _ => *stored,
    }
}

/// The part of the upright picture that shows the archer.
fn cut_around(camera: &Camera, path: &[(f64, Point3<f64>)]) -> Cut {
    let size = camera.image_size;
    let (width, height) = if matches!(camera.rotation_deg, 90 | 270) {
        (size.height_px, size.width_px)
    } else {
        (size.width_px, size.height_px)
    };
    let (mut low, mut high) = (
        Point2::new(f64::MAX, f64::MAX),
        Point2::new(f64::MIN, f64::MIN),
    );
    for (_, elbow) in path {
        for corner in 0..8 {
            let sign = |bit: u32| if corner & bit == 0 { -1.0 } else { 1.0 };
            let around = Point3::new(
                elbow.x + sign(1) * AROUND_M[0] + AROUND_M[0] / 2.0,
                elbow.y + sign(2) * AROUND_M[1],
                elbow.z + sign(4) * AROUND_M[2],
            );
            if let Some(pixel) = camera.pixel_from_range(&around) {
                let shown = upright(camera, &pixel);
                low = Point2::new(low.x.min(shown.x), low.y.min(shown.y));
                high = Point2::new(high.x.max(shown.x), high.y.max(shown.y));
            }
        }
    }
    let clamp = |value: f64, size: u32| whole(value.clamp(0.0, f64::from(size - 1)));
    let (left_px, top_px) = (clamp(low.x, width), clamp(low.y, height));
    let (right_px, bottom_px) = (clamp(high.x, width), clamp(high.y, height));
    let (mut left_px, mut top_px) = (left_px, top_px);
    let (mut width_px, mut height_px) = (
        right_px.saturating_sub(left_px) + 1,
        bottom_px.saturating_sub(top_px) + 1,
    );
    if width_px < 32 || height_px < 32 {
        (left_px, top_px, width_px, height_px) = (0, 0, width, height);
    }
    Cut {
        left_px,
        top_px,
        width_px,
        height_px,
        scale: (f64::from(HEIGHT_PX) / f64::from(height_px)).min(1.0),
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to a picture's size before"
)]
fn whole(value: f64) -> u32 {
    value as u32
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
