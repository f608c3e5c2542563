//! Pictures for the page: what each camera saw at the key instants of a shot, cut out around the archer.

use crate::cut::{Cut, cut_around, upright, whole};
use crate::failure::Outcome;
use crate::kept_pictures::KeptPictures;
use crate::recordings::{Recordings, wrong_footage};
use crate::store::Key;
use drawarc_footage::{FrameReader, PictureView, Recording, RgbImage, encode_jpeg};
use drawarc_report::ShotSheet;
use drawarc_report::page::{CameraStrip, Mark, StripPicture, TracePoint};
use drawarc_rig::{Camera, ClockModel, Rig};
use nalgebra::Point3;
use rayon::prelude::*;

/// Height of an embedded picture (px).
const HEIGHT_PX: u32 = 420;
/// Quality of an embedded picture.
const QUALITY: u8 = 72;

/// The trace in a picture has a point every so many samples of the sheet's curves.
const TRACE_STEP: usize = 2;

/// What pictures are taken from.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Films<'a> {
    pub(crate) recordings: &'a Recordings,
    pub(crate) rig: &'a Rig,
    pub(crate) clocks: &'a [ClockModel],
    /// May people be seen?
    pub(crate) pictures: bool,
    /// Pictures that were taken before.
    pub(crate) kept: &'a KeptPictures,
}

impl Films<'_> {
    /// What each camera saw of a shot; all cameras at once, since every picture has to be found in its film. A camera is
    /// left out where the elbow's way is not known.
    pub(crate) fn of(&self, sheet: &ShotSheet) -> Outcome<Vec<CameraStrip>> {
        let seen: Vec<Outcome<Option<CameraStrip>>> = (0..self.recordings.len())
            .into_par_iter()
            .map(|camera| self.seen(sheet, camera))
            .collect();
        let seen = seen.into_iter().collect::<Outcome<Vec<_>>>()?;
        Ok(seen.into_iter().flatten().collect())
    }

    fn seen(&self, sheet: &ShotSheet, camera: usize) -> Outcome<Option<CameraStrip>> {
        let curves = &sheet.curves;
        let path: Vec<(f64, Point3<f64>)> = curves
            .time_s
            .iter()
            .zip(&curves.elbow_mm)
            .zip(&curves.in_gap)
            .filter(|(_, in_gap)| !**in_gap)
            .step_by(TRACE_STEP)
            .map(|((time_s, mm), _)| (*time_s, Point3::from(*mm) / 1000.0))
            .collect();
        if path.is_empty() {
            return Ok(None);
        }
        let shown = sheet.key_instants.iter().filter(|_| self.pictures);
        let instants: Vec<Instant> = shown
            .map(|instant| Instant {
                time_s: instant.time_s,
                caption: instant.words.clone(),
                mark: mark_at(sheet, &instant.key),
            })
            .collect();
        self.strip(camera, &sheet.id, &path, &instants).map(Some)
    }

    /// What one camera saw of one shot. `path` is range time with the elbow (m).
    fn strip(
        &self,
        index: usize,
        shot: &str,
        path: &[(f64, Point3<f64>)],
        instants: &[Instant],
    ) -> Outcome<CameraStrip> {
        let camera = &self.rig.cameras[index];
        let cut = cut_around(camera, path).at_most(HEIGHT_PX);
        let mut film = Film {
            recording: self.recordings.camera(index).recording,
            reader: None,
            rotation_deg: camera.rotation_deg,
            cut,
        };
        let mut pictures = Vec::new();
        for instant in instants {
            let camera_s = self.clocks[index].camera_from_range(instant.time_s);
            let key = film.key(camera_s, self.recordings.key(index))?;
            let taken = self.kept.of(shot, &key, || film.taken(camera_s))?;
            let Some(jpeg) = taken else {
                continue; // the camera stopped before this instant
            };
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
            picture_size_px: if pictures.is_empty() {
                (0, 0)
            } else {
                shown_px(cut)
            },
            trace,
            pictures,
        })
    }
}

/// The mark of the fault that a key instant such as `fault-2` shows.
fn mark_at(sheet: &ShotSheet, key: &str) -> Option<Mark> {
    let number: usize = key.strip_prefix("fault-")?.parse().ok()?;
    sheet
        .faults
        .get(number.checked_sub(1)?)
        .map(|fault| Mark::from(fault.kind))
}

/// One instant to show.
#[derive(Debug, Clone)]
struct Instant {
    /// Range time (s).
    time_s: f64,
    /// What is written under it.
    caption: String,
    /// The mark of the fault that it shows.
    mark: Option<Mark>,
}

/// Where the pictures of one camera and shot are found.
struct Film<'a> {
    recording: &'a Recording,
    /// Opened when the first picture has to be taken.
    reader: Option<FrameReader>,
    rotation_deg: u16,
    cut: Cut,
}

impl Film<'_> {
    /// All that the picture of an instant (camera time) depends on.
    fn key(&self, camera_s: f64, recording: &Key) -> Outcome<Key> {
        let Cut {
            left_px,
            top_px,
            width_px,
            height_px,
            scale,
        } = self.cut;
        let part = (left_px, top_px, width_px, height_px, scale);
        let on = (camera_s, self.rotation_deg, part, QUALITY);
        Key::of("picture", &on, &[recording])
    }

    /// Takes the picture of an instant (camera time).
    fn taken(&mut self, camera_s: f64) -> Outcome<Option<Vec<u8>>> {
        let reader = match &mut self.reader {
            Some(reader) => reader,
            // Every camera of every shot is a job of its own: one thread each.
            none => none.insert(
                self.recording
                    .frames(1)
                    .map_err(|source| wrong_footage(&source))?,
            ),
        };
        reader
            .seek(camera_s)
            .map_err(|source| wrong_footage(&source))?;
        let frame = reader
            .next_frame()
            .map_err(|source| wrong_footage(&source))?;
        let Some(frame) = frame else {
            return Ok(None);
        };
        let picture = cut_out(&frame.picture, self.rotation_deg, self.cut);
        encode_jpeg(&picture, QUALITY)
            .map(Some)
            .map_err(|source| wrong_footage(&source))
    }
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

/// The part in colour. It is cut and shrunk as it is stored: to turn the whole picture into colours takes longer.
fn cut_out(picture: &PictureView<'_>, rotation_deg: u16, cut: Cut) -> RgbImage {
    let from_px = (even(cut.left_px), even(cut.top_px));
    picture
        .upright_part(rotation_deg, from_px, part_px(cut), shown_px(cut))
        .to_rgb(0)
}

fn even(px: u32) -> u32 {
    px & !1
}

/// Size of the part in the film's pixels.
fn part_px(cut: Cut) -> (u32, u32) {
    (even(cut.width_px).max(2), even(cut.height_px).max(2))
}

/// Size of the embedded picture.
fn shown_px(cut: Cut) -> (u32, u32) {
    let shrunk = |px: u32| even(whole((f64::from(px) * cut.scale).max(2.0)));
    let (width_px, height_px) = part_px(cut);
    (shrunk(width_px), shrunk(height_px))
}
