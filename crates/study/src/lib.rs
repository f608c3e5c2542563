//! Before and after the filming: what a rig will be able to measure, and what one camera alone is worth.
//!
//! * [`statistics`]: agreement statistics as plain functions of numbers, each beside its source.
//!
//! Everything here is a function from values to values; files are read and written by the command.

mod error;
pub mod statistics;

pub use error::StudyError;
