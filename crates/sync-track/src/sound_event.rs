use serde::{Deserialize, Serialize};

/// What a sound seems to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SoundKind {
    /// Short and broad-band with a sharp start: hands, a clapper board.
    Clap,
    /// A thump with a longer, lower tail: a bow.
    Shot,
    /// Neither clearly.
    Unknown,
}

/// A sudden sound in one recording.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SoundEvent {
    /// Its onset in the recording's own clock (s).
    pub camera_s: f64,
    /// Standard deviation of the onset (s).
    pub sd_s: f64,
    /// What it seems to be. A guess from the spectrum and the decay; nothing of consequence rests on it.
    pub kind: SoundKind,
    /// Peak energy over the running background (dB).
    pub strength_db: f64,
}
