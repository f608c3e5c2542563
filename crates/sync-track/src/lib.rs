//! When every frame was taken, and where the markers were in it.

mod error;
mod marker;
mod sighting;
mod sound_event;

pub use error::SyncTrackError;
pub use marker::{MarkerColour, MarkerRole, MarkerShape, MarkerSpec, NamedColour};
pub use sighting::{AmbiguousReason, HiddenReason, Sighting, SightingSeries, Verdict};
pub use sound_event::{SoundEvent, SoundKind};
