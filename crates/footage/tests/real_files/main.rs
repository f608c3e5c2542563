//! Tests on real files: those of Debian's `opencv-doc`, and clips that are written first. FFmpeg's programs
//! are the reference.

#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::cast_sign_loss,
    reason = "small numbers that the tests choose themselves"
)]

#[cfg(test)]
mod common;
#[cfg(test)]
mod files;
#[cfg(test)]
mod hostile;
#[cfg(test)]
mod sounds;
mod stills;
#[cfg(test)]
mod times;
