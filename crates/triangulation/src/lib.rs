//! From sightings to the elbow path: one continuous curve through all sightings of all cameras, each at its
//! own instant, with error bars that hold pixels, survey and clocks.

mod error;
mod samples;

pub use error::PathError;
pub use samples::PathSamples;
