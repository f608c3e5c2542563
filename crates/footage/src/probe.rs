use crate::time::TimeBase;

/// What a recording says about itself before a frame is decoded.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Probe {
    /// Width of the stored picture.
    pub width_px: u32,
    /// Height of the stored picture.
    pub height_px: u32,
    /// Clockwise turn that shows the stored picture upright: 0, 90, 180 or 270.
    pub rotation_deg: u16,
    /// The container also asks for a mirror image (front cameras). Never applied.
    pub mirrored: bool,
    /// Short name of the picture codec: `h264`, `hevc`, …
    pub codec: String,
    /// Short name of the container: `mov,mp4,…`, `avi`, …
    pub container: String,
    /// Name of the pixel format in the file: `yuv420p`, `yuv420p10le`, …
    pub pixel_format: String,
    /// Bits a sample as delivered: 8 or 10.
    pub bit_depth: u8,
    /// Ticks of the frames' times.
    pub time_base: TimeBase,
    /// First presentation time as the container states it.
    pub start_s: f64,
    /// Length of the pictures as the container states it; 0 if it does not.
    pub duration_s: f64,
    /// Number of frames as the container states it.
    pub frame_count: Option<u64>,
    /// Average rate as the container states it. Never used for the time of a frame.
    pub nominal_rate_hz: Option<f64>,
    /// Rate at which a slow-motion clip was captured, where the phone noted it.
    pub captured_rate_hz: Option<f64>,
    /// The sound, if any.
    pub sound: Option<SoundProbe>,
    /// When the file says that it was recorded (ISO 8601).
    pub creation_time: Option<String>,
    /// Make and model, where the phone noted them.
    pub camera: Option<String>,
    /// What a person should know: HDR tones, interlacing, non-square pixels, … in plain words.
    pub remarks: Vec<String>,
}

/// A clip captured less than this many times faster than it is stored is not slow motion: rates are rounded.
const SLOW_FROM: f64 = 1.25;

impl Probe {
    /// How many times slower the clip is stored than it was captured, where the phone noted that it is slow motion.
    pub fn noted_slower(&self) -> Option<f64> {
        let (captured, stored) = self.captured_rate_hz.zip(self.nominal_rate_hz)?;
        let slower = captured / stored;
        (slower > SLOW_FROM).then_some(slower)
    }
}

/// The sound stream of a recording.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct SoundProbe {
    /// Short name of the codec: `aac`, …
    pub codec: String,
    /// Samples a second in the file.
    pub sample_rate_hz: u32,
    /// Channels in the file; delivered as their mean.
    pub channels: u16,
    /// First presentation time as the container states it.
    pub start_s: f64,
    /// Length as the container states it; 0 if it does not.
    pub duration_s: f64,
}
