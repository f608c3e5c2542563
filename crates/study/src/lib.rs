//! Before and after the filming: what a rig will be able to measure, and what one camera alone is worth.
//!
//! * [`agreement`]: single-camera estimates against the 3-D path, with tables and figures.
//! * [`forecast`]: a nominal shot before a rig that stands or is only sketched.
//! * [`statistics`]: agreement statistics as plain functions of numbers, each beside its source.
//! * [`StudyWords`]: what pages and plans say, in one file a language.
//!
//! Everything here is a function from values to values; files are read and written by the command.

pub mod agreement;
mod error;
pub mod forecast;
pub mod statistics;
mod words;

pub use error::StudyError;
pub use words::{STUDY_WORDS_FORMAT, StudyWords};
