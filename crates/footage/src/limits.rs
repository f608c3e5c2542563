/// What a file may ask for before it is refused. Footage can come from strangers: a container may claim any
/// size, length or number of streams.
///
/// The defaults let every phone and action camera of today pass (8K, a whole evening) and keep the memory for a
/// decoded picture under 200 MB.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    /// Widest picture, default 8192 px.
    pub max_width_px: u32,
    /// Highest picture, default 8192 px.
    pub max_height_px: u32,
    /// Most pixels in a picture, default 8192 × 4608.
    pub max_pixels: u64,
    /// Most streams in a container, default 64 (phones write up to 7).
    pub max_streams: usize,
    /// Longest recording, default 12 hours.
    pub max_duration_s: f64,
    /// Largest still picture file, default 256 MB.
    pub max_still_bytes: u64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            max_width_px: 8192,
            max_height_px: 8192,
            max_pixels: 8192 * 4608,
            max_streams: 64,
            max_duration_s: 12.0 * 3600.0,
            max_still_bytes: 256 << 20,
        }
    }
}
