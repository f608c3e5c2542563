use serde::{Deserialize, Serialize};

/// What a person should know about the clocks; cameras by index.
#[non_exhaustive]
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ClockRemark {
    /// The recording carries no sound.
    NoSound {
        /// Which camera.
        camera: usize,
    },
    /// The recording has a sound track in which nothing can be heard.
    Silent {
        /// Which camera.
        camera: usize,
    },
    /// Sound, but no clap nor shot stands out of it.
    NothingSudden {
        /// Which camera.
        camera: usize,
    },
    /// Sudden sounds in both recordings, none in common: another room, no overlap in time, or the clap lies
    /// outside the overlap.
    NothingInCommon {
        /// Which camera.
        camera: usize,
        /// With which camera it was compared.
        anchor: usize,
    },
    /// One event in common only: nothing checks it.
    OneEventOnly {
        /// Which camera.
        camera: usize,
    },
    /// An event that does not fit the others was left out.
    Outlier {
        /// Which camera.
        camera: usize,
        /// When, in that camera's clock (s).
        camera_s: f64,
        /// By how much it is off (s).
        off_by_s: f64,
    },
    /// The sound's way from its source is not known: the interval carries it.
    PlaceUnknown {
        /// Which camera.
        camera: usize,
        /// Standard deviation that stands in for it (s).
        sd_s: f64,
    },
    /// The motion cannot tell this clock: too little movement across the epipolar lines, or no overlap.
    MotionCannotTell {
        /// Which camera.
        camera: usize,
        /// Standard deviation to which it could tell it (s), infinite where there is no overlap.
        sd_s: f64,
    },
    /// Sound and motion disagree beyond their errors.
    Disagreement {
        /// Which camera.
        camera: usize,
        /// Sound's offset minus motion's (s).
        sound_minus_motion_s: f64,
        /// Standard deviation that the difference should have (s).
        sd_s: f64,
    },
    /// Said to run in step with the first camera, but it does not.
    NotGenlocked {
        /// Which camera.
        camera: usize,
        /// Its offset (s).
        offset_s: f64,
        /// Standard deviation of the offset (s).
        sd_s: f64,
    },
    /// Nothing ties this camera's clock to the others.
    Untied {
        /// Which camera.
        camera: usize,
    },
}

impl std::fmt::Display for ClockRemark {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let ms = |seconds: f64| seconds * 1e3;
        match self {
            Self::NoSound { camera } => {
                write!(f, "camera {camera}: the recording carries no sound")
            }
            Self::Silent { camera } => {
                write!(
                    f,
                    "camera {camera}: the sound track is silent (microphone off?)"
                )
            }
            Self::NothingSudden { camera } => {
                write!(
                    f,
                    "camera {camera}: no clap nor shot stands out of the sound"
                )
            }
            Self::NothingInCommon { camera, anchor } => write!(
                f,
                "camera {camera}: no sudden sound in common with camera {anchor}; another place, no overlap in time, or the clap came before the second camera ran"
            ),
            Self::OneEventOnly { camera } => write!(
                f,
                "camera {camera}: one sound event in common only, nothing checks it; clap twice next time"
            ),
            Self::Outlier {
                camera,
                camera_s,
                off_by_s,
            } => write!(
                f,
                "camera {camera}: the sound at {camera_s:.3} s is off by {:.1} ms and was left out",
                ms(*off_by_s)
            ),
            Self::PlaceUnknown { camera, sd_s } => write!(
                f,
                "camera {camera}: the sound's way is not known, its clock is good to {:.1} ms only",
                ms(*sd_s)
            ),
            Self::MotionCannotTell { camera, sd_s } if sd_s.is_finite() => write!(
                f,
                "camera {camera}: the motion tells its clock to {:.1} ms only (too little movement across the line of sight of the others)",
                ms(*sd_s)
            ),
            Self::MotionCannotTell { camera, .. } => {
                write!(
                    f,
                    "camera {camera}: the motion tells nothing about its clock"
                )
            }
            Self::Disagreement {
                camera,
                sound_minus_motion_s,
                sd_s,
            } => write!(
                f,
                "camera {camera}: sound and motion disagree by {:.1} ms where {:.1} ms would be usual",
                ms(*sound_minus_motion_s),
                ms(*sd_s)
            ),
            Self::NotGenlocked {
                camera,
                offset_s,
                sd_s,
            } => write!(
                f,
                "camera {camera}: said to run in step, but it is {:.2} ms off (± {:.2} ms)",
                ms(*offset_s),
                ms(*sd_s)
            ),
            Self::Untied { camera } => write!(
                f,
                "camera {camera}: neither sound nor motion ties its clock to the others"
            ),
        }
    }
}
