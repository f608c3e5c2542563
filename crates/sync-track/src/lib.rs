//! When every frame was taken, and where the markers were in it.

mod error;
mod gcc_phat;
mod marker;
mod remark;
mod sighting;
mod sound_clocks;
mod sound_event;
mod sound_match;
mod sound_scan;

pub use error::SyncTrackError;
pub use gcc_phat::{Delay, delay};
pub use marker::{MarkerColour, MarkerRole, MarkerShape, MarkerSpec, NamedColour};
pub use remark::ClockRemark;
pub use sighting::{AmbiguousReason, HiddenReason, Sighting, SightingSeries, Verdict};
pub use sound_clocks::{
    SharedEvent, SoundClockSettings, SoundClocks, SoundPlace, clocks_from_sound, speed_of_sound_m_s,
};
pub use sound_event::{SoundEvent, SoundKind};
pub use sound_scan::{
    HeardEvent, SNIPPET_AFTER_S, SNIPPET_BEFORE_S, SoundScan, SoundScanner, SoundSettings,
    sound_events,
};
