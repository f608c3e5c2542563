//! Footage: what a camera recorded, with the time of every frame.
//!
//! [`Footage`] opens one video file, [`Recording`] the chapter files of one camera as one continuous thing. Both
//! give [`FrameReader`] (planes and exact presentation times), [`SoundReader`] (mono samples) and a [`Probe`]. Pictures and sound of
//! a file share one clock: edit lists and encoder priming are applied to both. [`ClipWriter`] writes such
//! files; [`write_png`], [`encode_jpeg`] and [`read_still`] do single pictures.
//!
//! # Conventions
//! - **Time.** A frame's time is its presentation time in integer ticks of the stream's time base
//!   ([`MediaTime`]), never an index divided by a rate.
//! - **Orientation.** Pictures are delivered as stored; the container's rotation is only reported
//!   ([`Probe::rotation_deg`], clockwise turn that shows the picture upright).
//! - **Pixels.** 8 or 10 bit planar 4:2:0 ([`PictureView`]); other formats are converted once, on the way in.
//!
//! FFmpeg does the decoding and encoding; none of its types is visible outside this crate.

mod chapters;
mod clip;
mod clip_settings;
mod condition;
mod container;
mod conversion;
mod decoding;
mod error;
mod ffi;
mod footage;
mod frames;
mod libraries;
mod limits;
mod picture;
mod picture_encoding;
mod plane;
mod presentation;
mod probe;
mod resampling;
mod rgb;
mod rgb_cut;
mod slow_motion;
mod sound;
mod sound_decoding;
mod sound_encoding;
mod still;
mod time;
mod upright;

pub use chapters::Recording;
pub use clip::ClipWriter;
pub use clip_settings::{ClipSettings, SoundSettings, VideoCodec};
pub use condition::{Condition, Gap};
pub use error::FootageError;
pub use footage::Footage;
pub use frames::{Frame, FrameReader};
pub use libraries::libraries;
pub use limits::Limits;
pub use picture::{ColourMatrix, Picture, PictureView};
pub use plane::{Plane, PlaneView, RowView, Samples};
pub use probe::{Probe, SoundProbe};
pub use rgb::RgbImage;
pub use slow_motion::{SlowMotion, SlowStretch};
pub use sound::{Sound, SoundBlock, SoundReader};
pub use still::{encode_jpeg, encode_png, read_still, read_still_gray, write_png};
pub use time::{MediaTime, TimeBase};
