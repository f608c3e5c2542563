//! What stands behind the trace: the camera's own picture, or a drawn figure where no person may be shown.

use crate::clips::canvas::{Canvas, FIGURE, PAPER, SOFT};
use crate::clips::ink::{Mask, Spot};
use crate::clips::shot::{ClipShot, Elbow};
use crate::clips::trace::TracePoint;
use crate::cut::{Cut, cut_around, upright, whole};
use crate::failure::Outcome;
use crate::recordings::{Filmed, wrong_footage};
use drawarc_footage::{FrameReader, Picture};
use drawarc_report::page::{FigureLines, figure_lines};
use drawarc_rig::{Camera, ClockModel};
use nalgebra::Point3;

/// A part narrower than this is widened, if the picture has room (px): the panel needs words.
const NARROWEST_PX: u32 = 560;
/// Blocks of the encoder (px): a picture of whole blocks needs no padding.
pub(crate) const BLOCK_PX: u32 = 16;
/// Frames a second of a drawn clip.
const DRAWN_RATE_HZ: f64 = 60.0;

/// Which part of a camera's upright picture a clip shows, and how large.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(clippy::struct_field_names, reason = "the unit belongs to each name")]
pub(crate) struct Framing {
    /// First column and row of the part.
    pub(crate) from_px: (u32, u32),
    /// Width and height of the part.
    part_px: (u32, u32),
    /// Width and height in the clip; even.
    pub(crate) to_px: (u32, u32),
}

impl Framing {
    /// Around the ways of one or two shots, no side longer than `longest_px`.
    pub(crate) fn around(camera: &Camera, ways: &[&[Elbow]], longest_px: u32) -> Self {
        let path: Vec<(f64, Point3<f64>)> = ways
            .iter()
            .flat_map(|way| way.iter())
            .map(|elbow| (elbow.time_s, elbow.in_range))
            .collect();
        let Cut {
            left_px,
            top_px,
            width_px,
            height_px,
            ..
        } = cut_around(camera, &path);
        let size = camera.image_size;
        let (across, _) = if camera.rotation_deg % 180 == 90 {
            (size.height_px, size.width_px)
        } else {
            (size.width_px, size.height_px)
        };
        let more = NARROWEST_PX.min(across).saturating_sub(width_px);
        let left_px = left_px
            .saturating_sub(more / 2)
            .min(across - (width_px + more).min(across));
        let wide = (width_px + more).min(across) / BLOCK_PX * BLOCK_PX;
        let part_px = (wide.max(BLOCK_PX), (height_px & !1).max(2));
        let scale = (f64::from(longest_px) / f64::from(part_px.0.max(part_px.1))).min(1.0);
        // Whole blocks of the encoder across; the panel makes up for the height.
        let across_px = (whole(f64::from(part_px.0) * scale) / BLOCK_PX * BLOCK_PX).max(BLOCK_PX);
        let even = |px: u32| (whole(f64::from(px) * scale) & !1).max(2);
        Self {
            from_px: (left_px & !1, top_px & !1),
            part_px,
            to_px: (across_px, even(part_px.1)),
        }
    }

    /// Where a point of the range lies in the clip's picture, and the row of the stored picture that it lies on.
    pub(crate) fn place(&self, camera: &Camera, in_range: &Point3<f64>) -> Option<(Spot, f64)> {
        let stored = camera.pixel_from_range(in_range)?;
        let shown = upright(camera, &stored);
        let along = |at: f64, from: u32, part: u32, to: u32| {
            (at - f64::from(from) + 0.5) * f64::from(to) / f64::from(part) - 0.5
        };
        let spot = (
            along(shown.x, self.from_px.0, self.part_px.0, self.to_px.0),
            along(shown.y, self.from_px.1, self.part_px.1, self.to_px.1),
        );
        Some((spot, stored.y))
    }

    /// The elbow's way in the clip's picture, shifted to the right by `left_px`.
    pub(crate) fn trace(&self, camera: &Camera, way: &[Elbow], left_px: usize) -> Vec<TracePoint> {
        way.iter()
            .filter_map(|elbow| {
                let (spot, row_px) = self.place(camera, &elbow.in_range)?;
                Some(TracePoint {
                    time_s: elbow.time_s,
                    spot: (spot.0 + left_px as f64, spot.1),
                    row_delay_s: camera
                        .shutter
                        .row_delay_s(row_px, camera.image_size.height_px),
                    in_gap: elbow.in_gap,
                })
            })
            .collect()
    }
}

/// A frame of a scene.
#[derive(Debug)]
pub(crate) struct Shown {
    /// Range time of the frame (s).
    pub(crate) time_s: f64,
    /// The part of the picture, upright, 8 bits.
    pub(crate) picture: Picture,
}

/// A frame that was laid on a canvas.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Laid {
    /// Range time of the frame (s).
    pub(crate) time_s: f64,
    /// Its width and height.
    pub(crate) size_px: (usize, usize),
}

/// Frames one after the other.
#[derive(Debug)]
pub(crate) enum Scene<'a> {
    /// The camera's picture.
    Film(Box<Film<'a>>),
    /// A drawn figure.
    Drawing(Box<Drawing<'a>>),
}

impl Scene<'_> {
    /// The next frame; none when the scene is over.
    pub(crate) fn next(&mut self) -> Outcome<Option<Shown>> {
        match self {
            Self::Film(film) => film.next(),
            Self::Drawing(drawing) => Ok(drawing.next()),
        }
    }

    /// Lays the next frame on a canvas, its upper left corner at a place (even); its time and size come back, none when
    /// the scene is over.
    pub(crate) fn lay_next(
        &mut self,
        canvas: &mut Canvas,
        place: (usize, usize),
    ) -> Outcome<Option<Laid>> {
        match self {
            Self::Film(film) => film.lay_next(canvas, place),
            Self::Drawing(drawing) => Ok(drawing.next().map(|shown| {
                canvas.paste(&shown.picture, place);
                Laid {
                    time_s: shown.time_s,
                    size_px: (shown.picture.width(), shown.picture.height()),
                }
            })),
        }
    }

    /// Gives back a frame that was shown, for its memory.
    pub(crate) fn give_back(&mut self, shown: Shown) {
        if let Self::Film(film) = self {
            film.spare = Some(shown.picture);
        }
    }

    /// Frames a second, about.
    pub(crate) fn rate_hz(&self) -> f64 {
        match self {
            Self::Film(film) => film.rate_hz,
            Self::Drawing(_) => DRAWN_RATE_HZ,
        }
    }
}

/// A stretch of a recording.
#[derive(Debug)]
pub(crate) struct Film<'a> {
    reader: FrameReader,
    camera: &'a Camera,
    clock: &'a ClockModel,
    framing: Framing,
    until_s: f64,
    /// A picture that was shown; the next one takes its memory.
    spare: Option<Picture>,
    rate_hz: f64,
}

impl<'a> Film<'a> {
    /// Opens a stretch (range time, s) of a recording.
    pub(crate) fn open(
        filmed: Filmed<'_>,
        (camera, clock): (&'a Camera, &'a ClockModel),
        framing: Framing,
        (from_s, until_s): (f64, f64),
        threads: usize,
    ) -> Outcome<Self> {
        let mut reader = filmed
            .recording
            .frames(threads)
            .map_err(|source| wrong_footage(&source))?;
        reader
            .seek(clock.camera_from_range(from_s))
            .map_err(|source| wrong_footage(&source))?;
        Ok(Self {
            reader,
            camera,
            clock,
            framing,
            until_s,
            spare: None,
            rate_hz: filmed.recording.probe().nominal_rate_hz.unwrap_or(30.0),
        })
    }

    fn next(&mut self) -> Outcome<Option<Shown>> {
        let frame = self
            .reader
            .next_frame()
            .map_err(|source| wrong_footage(&source))?;
        let Some(frame) = frame else { return Ok(None) };
        let time_s = self.clock.range_from_camera(frame.time_s);
        if time_s > self.until_s {
            return Ok(None);
        }
        let picture = frame.picture.upright_part_in(
            self.spare.take(),
            self.camera.rotation_deg,
            self.framing.from_px,
            self.framing.part_px,
            self.framing.to_px,
        );
        Ok(Some(Shown { time_s, picture }))
    }

    fn lay_next(&mut self, canvas: &mut Canvas, place: (usize, usize)) -> Outcome<Option<Laid>> {
        let frame = self
            .reader
            .next_frame()
            .map_err(|source| wrong_footage(&source))?;
        let Some(frame) = frame else { return Ok(None) };
        let time_s = self.clock.range_from_camera(frame.time_s);
        if time_s > self.until_s {
            return Ok(None);
        }
        let pixel = |at: usize| u32::try_from(at).unwrap_or(u32::MAX);
        let size_px = frame.picture.upright_part_onto(
            (canvas.picture_mut(), (pixel(place.0), pixel(place.1))),
            self.camera.rotation_deg,
            self.framing.from_px,
            self.framing.part_px,
            self.framing.to_px,
        );
        Ok(Some(Laid { time_s, size_px }))
    }
}

/// The archer as a drawn figure, from where a camera stands. Nothing but the elbow's place is measured.
#[derive(Debug)]
pub(crate) struct Drawing<'a> {
    camera: &'a Camera,
    framing: Framing,
    way: Vec<Elbow>,
    figure: FigureLines,
    line_point_mm: [f64; 3],
    mask: Mask,
    from_s: f64,
    until_s: f64,
    frame: u32,
}

impl<'a> Drawing<'a> {
    /// A stretch (range time, s) of a shot.
    pub(crate) fn new(
        shot: &ClipShot,
        body_height_m: Option<f64>,
        (camera, framing): (&'a Camera, Framing),
        (from_s, until_s): (f64, f64),
    ) -> Self {
        let line_point_mm = shot.line_point_mm();
        let (width, height) = framing.to_px;
        Self {
            camera,
            framing,
            way: shot.way(),
            figure: figure_lines(shot.side(), body_height_m, Some(line_point_mm)),
            line_point_mm,
            mask: Mask::new(width as usize, height as usize),
            from_s,
            until_s,
            frame: 0,
        }
    }

    fn next(&mut self) -> Option<Shown> {
        let time_s = self.from_s + f64::from(self.frame) / DRAWN_RATE_HZ;
        self.frame += 1;
        if time_s > self.until_s {
            return None;
        }
        let (width, height) = self.framing.to_px;
        let mut canvas = Canvas::new(width, height, PAPER);
        let pen = (f64::from(width) / 500.0).max(1.0);
        self.mask.clear();
        // The shooting line on the ground, and the arrow line toward the target with its head.
        self.draw(&[[0.0, -1300.0, 0.0], [0.0, 1300.0, 0.0]], pen);
        let [x, y, z] = self.line_point_mm;
        self.draw(&[[x - 500.0, y, z], [x + 1500.0, y, z]], 0.6 * pen);
        self.draw(
            &[
                [x + 1440.0, y, z + 30.0],
                [x + 1500.0, y, z],
                [x + 1440.0, y, z - 30.0],
            ],
            pen,
        );
        canvas.lay(&self.mask, SOFT);
        self.mask.clear();
        let lines = self.figure.lines.clone();
        for line in &lines {
            self.draw(line, 1.6 * pen);
        }
        let (middle, radius_mm) = self.figure.head;
        let head: Vec<[f64; 3]> = (0..=24)
            .map(|step| {
                let angle = f64::from(step) * std::f64::consts::TAU / 24.0;
                let (right, up) = self.across();
                std::array::from_fn(|axis| {
                    middle[axis] + radius_mm * (angle.cos() * right[axis] + angle.sin() * up[axis])
                })
            })
            .collect();
        self.draw(&head, 1.6 * pen);
        let now = self
            .way
            .partition_point(|elbow| elbow.time_s < time_s)
            .min(self.way.len().saturating_sub(1));
        if let Some(elbow) = self.way.get(now) {
            let place = elbow.in_range * 1000.0;
            self.draw(
                &[self.figure.draw_shoulder, [place.x, place.y, place.z]],
                2.4 * pen,
            );
        }
        canvas.lay(&self.mask, FIGURE);
        Some(Shown {
            time_s,
            picture: canvas.view().to_picture(),
        })
    }

    /// Right and up as the camera sees them, range frame.
    fn across(&self) -> ([f64; 3], [f64; 3]) {
        let to_range = self.camera.camera_from_range.rotation.inverse();
        let right = to_range * nalgebra::Vector3::x();
        let up = to_range * nalgebra::Vector3::y();
        (right.into(), up.into())
    }

    /// A line through points of the range (mm), cut into short pieces: lenses bend straight lines.
    fn draw(&mut self, points_mm: &[[f64; 3]], radius_px: f64) {
        for pair in points_mm.windows(2) {
            let mut before: Option<Spot> = None;
            for step in 0..=8 {
                let share = f64::from(step) / 8.0;
                let point = Point3::from(std::array::from_fn::<f64, 3, _>(|axis| {
                    (pair[0][axis] + share * (pair[1][axis] - pair[0][axis])) / 1000.0
                }));
                let spot = self.framing.place(self.camera, &point).map(|place| place.0);
                if let (Some(from), Some(to)) = (before, spot) {
                    self.mask.line(from, to, radius_px);
                }
                before = spot;
            }
        }
    }
}
