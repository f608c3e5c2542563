//! What the page is made of: one practice with its shots, pictures, series and state of the rig.

use super::card::{Mark, ShotCard};

/// One practice, ready to be shown.
#[derive(Debug, Clone, PartialEq)]
pub struct PracticePage {
    /// Title of the practice; data, shown as it stands and escaped.
    pub title: String,
    /// Day, ISO 8601, such as `2026-05-14`.
    pub date: String,
    /// Whether everything on the page is made up to show it.
    pub invented: bool,
    /// The archers, by alias.
    pub archers: Vec<ArcherLine>,
    /// What must be read before anything else.
    pub warnings: Vec<String>,
    /// The shots, in the order in which they were shot.
    pub shots: Vec<PageShot>,
    /// The shots looked at together.
    pub series: SeriesPart,
    /// State of the rig, a line each.
    pub rig: Vec<RigLine>,
    /// How sure the page is of what it says, a sentence each.
    pub certainty: Vec<String>,
    /// How it was measured: a paragraph each.
    pub methods: Vec<String>,
    /// Version of the tool that wrote the page.
    pub version: String,
}

/// An archer in the head of the page.
#[derive(Debug, Clone, PartialEq)]
pub struct ArcherLine {
    /// Any alias.
    pub alias: String,
    /// `+1` right-handed, `-1` left-handed.
    pub side: f64,
    /// Anything worth saying, such as body height and bow.
    pub detail: String,
}

/// A shot with its pictures.
#[derive(Debug, Clone, PartialEq)]
pub struct PageShot {
    /// What was measured.
    pub card: ShotCard,
    /// What each camera saw; empty where no pictures are wanted.
    pub strips: Vec<CameraStrip>,
}

/// What one camera saw of a shot.
#[derive(Debug, Clone, PartialEq)]
pub struct CameraStrip {
    /// Name of the camera.
    pub camera: String,
    /// Where it stands on the dial, hours; `None` is overhead.
    pub clock_hours: Option<f64>,
    /// Its elevation above the elbow, degrees.
    pub elevation_deg: f64,
    /// Width and height of the pictures as embedded, px.
    pub picture_size_px: (u32, u32),
    /// The elbow's way through this camera's picture, in the pixels of the embedded pictures.
    pub trace: Vec<TracePoint>,
    /// Key instants.
    pub pictures: Vec<StripPicture>,
}

/// The elbow in a camera's picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TracePoint {
    /// Range time, s.
    pub time_s: f64,
    /// Column in the embedded picture, px.
    pub x_px: f64,
    /// Row in the embedded picture, px.
    pub y_px: f64,
}

/// A picture of a key instant.
#[derive(Debug, Clone, PartialEq)]
pub struct StripPicture {
    /// Range time, s.
    pub time_s: f64,
    /// What instant it is, such as "anchor".
    pub caption: String,
    /// The mark of the fault that it shows.
    pub mark: Option<Mark>,
    /// A JPEG file.
    pub jpeg: Vec<u8>,
}

/// The shots looked at together.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SeriesPart {
    /// In one or two sentences.
    pub sentences: Vec<String>,
    /// A measure each.
    pub rows: Vec<SeriesRow>,
    /// What to work on next, from the coach's own table.
    pub next: Vec<String>,
}

/// A measure over the shots of a series.
#[derive(Debug, Clone, PartialEq)]
pub struct SeriesRow {
    /// Name of the measure.
    pub name: String,
    /// Its unit.
    pub unit: String,
    /// Value and 95 % half width for each shot of the page, in its order.
    pub values: Vec<Option<(f64, f64)>>,
    /// Spread over the shots, with interval and unit.
    pub spread: String,
    /// From the first to the last shot, in plain words with interval.
    pub trend: String,
}

/// How fit a part of the rig is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fitness {
    /// Fit to use.
    Good,
    /// To be watched.
    Watch,
    /// Not fit to use.
    Bad,
}

/// One line about the rig.
#[derive(Debug, Clone, PartialEq)]
pub struct RigLine {
    /// How fit.
    pub fitness: Fitness,
    /// In plain words.
    pub sentence: String,
    /// What it costs at the elbow, mm.
    pub costs_mm: Option<f64>,
}
