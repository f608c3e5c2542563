//! When every frame was taken, and where the markers were in it.

mod blob;
mod choice;
#[cfg(test)]
mod choice_tests;
mod clock_fit;
mod clock_solution;
mod coding_lag;
mod colour;
mod contrast;
#[cfg(test)]
mod drawn;
mod edge;
mod epipolar;
mod error;
mod first_look;
mod follower;
#[cfg(test)]
mod follower_tests;
mod gcc_phat;
mod glance;
mod joint_equations;
mod lone_choice;
mod marker;
#[cfg(test)]
mod mire_tests;
mod motion_clocks;
mod outline;
mod outline_levels;
mod outline_samples;
#[cfg(test)]
mod outline_tests;
mod ray_track;
mod remark;
mod seams;
mod series;
mod sighting;
mod sound_clocks;
mod sound_event;
mod sound_match;
mod sound_scan;
mod survey_directions;
#[cfg(test)]
#[path = "../tests/common/cameras.rs"]
mod test_cameras;
mod tone;
mod track;
mod track_settings;
#[cfg(test)]
mod track_tests;
mod trail;
mod trails;
mod view;
mod view_check;

pub use clock_solution::{ClockSolution, PictureLag, check_genlock, combine_clocks};
pub use error::SyncTrackError;
pub use first_look::{FirstLookSettings, Glance, Moves, around_sounds, merged, moving};
pub use gcc_phat::{Delay, delay};
pub use glance::glances;
pub use marker::{MarkerColour, MarkerRole, MarkerShape, MarkerSpec, NamedColour};
pub use motion_clocks::{MotionClockSettings, MotionClocks, clocks_from_motion};
pub use remark::ClockRemark;
pub use seams::Seam;
pub use sighting::{AmbiguousReason, HiddenReason, Sighting, SightingSeries, Verdict};
pub use sound_clocks::{
    SharedEvent, SoundClockSettings, SoundClocks, SoundPlace, clocks_from_sound, speed_of_sound_m_s,
};
pub use sound_event::{SoundEvent, SoundKind};
pub use sound_scan::{
    HeardEvent, SNIPPET_AFTER_S, SNIPPET_BEFORE_S, SoundScan, SoundScanner, SoundSettings,
    sound_events,
};
pub use track::{OnLooker, TrackInput, Windows, follow, follow_watched, track};
pub use track_settings::{ChoiceSettings, TrackSettings};
pub use trails::Trails;
