//! What a rig of cameras *is*: lenses, poses, shutters, clocks, the range frame, and the file that
//! holds them. Everything in the house stands on these types; nothing here opens a video.
//!
//! # Conventions (binding for every crate)
//!
//! * **Range frame**: right-handed, metres. Origin on the shooting line under the middle of the
//!   stance; `x` toward the target (12 o'clock), `y` toward 9 o'clock, `z` up.
//! * **Camera frame**: right-handed, metres. `x` right, `y` down, `z` forward along the optical axis.
//! * **Pixels**: the centre of the first pixel is `(0, 0)`; `x` right, `y` down, in the orientation in
//!   which the file *stores* the picture. Rotation for people is applied only when a picture is shown.
//! * **Poses** are stored in one direction: `camera_from_range`. Adjacent names cancel:
//!   `let point_in_camera = camera_from_range * point_in_range;`
//! * **Tangent** of a pose: six numbers `(ω, ν)`, rotation first, applied on the left:
//!   `camera_from_range ← exp(ξ) · camera_from_range`, see [`perturb`].
//! * **Time**: seconds. A frame's presentation time is the mid-exposure of the *centre row*; the
//!   instant of any other row follows from [`Shutter::row_delay_s`].

mod camera;
mod clock;
mod clock_face;
mod error;
mod file;
mod lens;
mod pose;
mod rig;
mod shutter;
pub mod words;

pub use camera::{Camera, ImageSize};
pub use clock::{ClockJump, ClockModel, ClockSegment};
pub use clock_face::{ClockFace, ViewDirection};
pub use error::RigError;
pub use lens::{BrownConrady, KannalaBrandt, Lens, Projection};
pub use pose::{exp, log, perturb, skew};
pub use rig::{Level, RangeFrame, Rig, SurveySummary};
pub use shutter::Shutter;
