use crate::time::TimeBase;

/// How the pictures of a clip are coded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum VideoCodec {
    /// H.264: plays everywhere.
    H264,
    /// HEVC (H.265): what phones record.
    Hevc,
}

/// The sound of a clip: AAC, one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct SoundSettings {
    /// Samples a second: 8000 to 96000, one of the rates of AAC.
    pub sample_rate_hz: u32,
    /// Bits a second.
    pub bit_rate: u32,
    /// Time of the first sample on the clip's clock, ≥ 0. (A late start leaves the encoder's priming in the file:
    /// read back, up to 1024 samples of silence stand before it, in their place on the clock.)
    pub start_s: f64,
}

impl Default for SoundSettings {
    fn default() -> Self {
        Self {
            sample_rate_hz: 48_000,
            bit_rate: 128_000,
            start_s: 0.0,
        }
    }
}

/// What a clip is to be. `ClipSettings { width_px, height_px, ..ClipSettings::default() }` gives an H.264 clip
/// that plays on phones.
#[derive(Debug, Clone, PartialEq)]
pub struct ClipSettings {
    /// Width of the stored pictures; even.
    pub width_px: u32,
    /// Height of the stored pictures; even.
    pub height_px: u32,
    /// How the pictures are coded.
    pub codec: VideoCodec,
    /// Bits a sample: 8 or 10.
    pub bit_depth: u8,
    /// Ticks of the frames' times.
    pub time_base: TimeBase,
    /// Clockwise turn that shows the stored pictures upright: 0, 90, 180 or 270.
    pub rotation_deg: u16,
    /// Preset of the encoder: `ultrafast`, `superfast`, …, `medium`, …
    pub preset: String,
    /// Constant rate factor: 0 (large) to 51 (bad); 18 to 28 is usual.
    pub crf: u8,
    /// Rate in the header, and for the encoder's rate control; no frame's time comes from it.
    pub nominal_rate_hz: f64,
    /// A key frame at least every so many frames.
    pub key_frame_every: u32,
    /// Most B-frames in a row; `None` leaves it to the preset.
    pub b_frames: Option<u8>,
    /// Threads of the encoder. The bytes of a clip depend on it, but not on the machine.
    pub threads: usize,
    /// Samples use the whole range (JPEG range) instead of the video range.
    pub full_range: bool,
    /// The sound, if any.
    pub sound: Option<SoundSettings>,
    /// The index at the front, so that the clip can start to play before it is loaded.
    pub faststart: bool,
    /// When the clip says that it was recorded (ISO 8601).
    pub creation_time: Option<String>,
}

impl Default for ClipSettings {
    fn default() -> Self {
        Self {
            width_px: 1920,
            height_px: 1080,
            codec: VideoCodec::H264,
            bit_depth: 8,
            time_base: TimeBase {
                numerator: 1,
                denominator: 90_000,
            },
            rotation_deg: 0,
            preset: "veryfast".into(),
            crf: 20,
            nominal_rate_hz: 30.0,
            key_frame_every: 30,
            b_frames: None,
            threads: 2,
            full_range: false,
            sound: None,
            faststart: true,
            creation_time: None,
        }
    }
}

/// What both encoders know.
const PRESETS: [&str; 9] = [
    "ultrafast",
    "superfast",
    "veryfast",
    "faster",
    "fast",
    "medium",
    "slow",
    "slower",
    "veryslow",
];

impl ClipSettings {
    /// What is wrong with them, in words.
    pub(crate) fn problem(&self) -> Option<String> {
        let sizes = 16..=16_384;
        if !sizes.contains(&self.width_px) || !sizes.contains(&self.height_px) {
            return Some(format!(
                "{}×{} px: a side must be 16 to 16384 px",
                self.width_px, self.height_px
            ));
        }
        if self.width_px % 2 == 1 || self.height_px % 2 == 1 {
            return Some(format!(
                "{}×{} px: 4:2:0 video needs even sides",
                self.width_px, self.height_px
            ));
        }
        if self.bit_depth != 8 && self.bit_depth != 10 {
            return Some(format!("bit depth {}: it must be 8 or 10", self.bit_depth));
        }
        if self.rotation_deg >= 360 || !self.rotation_deg.is_multiple_of(90) {
            return Some(format!(
                "rotation {}°: it must be 0, 90, 180 or 270",
                self.rotation_deg
            ));
        }
        if TimeBase::new(self.time_base.numerator, self.time_base.denominator).is_none() {
            return Some("the time base must be positive".into());
        }
        if !(self.nominal_rate_hz > 0.0 && self.nominal_rate_hz <= 10_000.0) {
            return Some(format!("nominal rate {} Hz", self.nominal_rate_hz));
        }
        if self.crf > 51 {
            return Some(format!("crf {}: it must be 0 to 51", self.crf));
        }
        if !PRESETS.contains(&self.preset.as_str()) {
            return Some(format!(
                "preset {:?}: it must be one of {}",
                self.preset,
                PRESETS.join(", ")
            ));
        }
        let sound = self.sound.as_ref()?;
        if !(8_000..=96_000).contains(&sound.sample_rate_hz) {
            return Some(format!(
                "sample rate {} Hz: AAC takes 8000 to 96000",
                sound.sample_rate_hz
            ));
        }
        (!(sound.start_s >= 0.0 && sound.start_s < 86_400.0)).then(|| {
            format!(
                "the sound starts at {} s: it must be 0 to 86400",
                sound.start_s
            )
        })
    }
}
