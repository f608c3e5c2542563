//! The page: one HTML file that archer and coach look at together.
//!
//! [`PracticePage`] holds what is shown, [`page`] writes it. The page is made of values alone (pictures
//! are JPEG bytes, drawings are lines in millimetres); its words come from one file ([`Words`]); its
//! template, style and script stand in `templates/` and go into the file whole, so that it opens offline
//! with a double click. One time cursor is shared by all views of the page, and a fault carries the same
//! mark in each of them.

mod base64;
mod card;
mod clip_links;
mod error;
mod figure;
mod from_sheet;
mod practice;
mod render;
mod script_json;
mod sketch;
mod words;

pub use card::{
    AngleShare, ArrowLine, BandCurve, Curves, FaultBar, Figure, Mark, PhaseBar, PhaseKey, ShotCard,
};
pub use clip_links::{PageClip, with_clips};
pub use error::PageError;
pub use figure::{FigureLines, figure_lines};
pub(crate) use from_sheet::readings;
pub use practice::{
    ArcherLine, CameraStrip, Fitness, PageShot, PracticePage, RigLine, SeriesPart, SeriesRow,
    StripPicture, TracePoint,
};
pub use render::page;
pub use words::{
    CurveWord, CurveWords, MarkWords, MeasureWord, MethodWords, PageWords, WORDS_FORMAT, Words,
};
