use std::path::PathBuf;

/// What can be wrong with footage, or with writing it. Every variant names the file.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FootageError {
    /// There is no such file.
    #[error("{}: no such file", path.display())]
    Missing {
        /// The file.
        path: PathBuf,
    },
    /// The system does not let us read or write it.
    #[error("{}: {source}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// The system's reason.
        #[source]
        source: std::io::Error,
    },
    /// A folder, a pipe, a device, or a name that is no text.
    #[error("{}: {problem}", path.display())]
    NotAFile {
        /// The path.
        path: PathBuf,
        /// What it is instead.
        problem: &'static str,
    },
    /// The file has no bytes.
    #[error("{}: the file is empty (0 bytes)", path.display())]
    Empty {
        /// The file.
        path: PathBuf,
    },
    /// The content is no video container that this crate reads, whatever the name says.
    #[error("{}: this is not a video file (its content is none of MP4/MOV, MKV/WebM, AVI, MPEG)", path.display())]
    NotVideo {
        /// The file.
        path: PathBuf,
    },
    /// A container without its index: the recording was never closed, or the file was cut.
    #[error("{}: the recording has no index: the camera never closed it, or the copy is cut short. Copy it again from the camera", path.display())]
    Unfinished {
        /// The file.
        path: PathBuf,
    },
    /// Sound only, or nothing.
    #[error("{}: there are no moving pictures in this file", path.display())]
    NoPictures {
        /// The file.
        path: PathBuf,
    },
    /// No decoder for these pictures.
    #[error("{}: the pictures are coded as {codec:?}, which cannot be decoded here; export them as H.264 or HEVC", path.display())]
    UnsupportedCodec {
        /// The file.
        path: PathBuf,
        /// Short name of the codec.
        codec: String,
    },
    /// Decoded pictures cannot be brought to planar 4:2:0.
    #[error("{}: pictures in the pixel format {format:?} cannot be read", path.display())]
    UnsupportedPixels {
        /// The file.
        path: PathBuf,
        /// Name of the pixel format.
        format: String,
    },
    /// The file asks for more than [`crate::Limits`] allow.
    #[error("{}: {what} is {found}, more than the limit of {limit}", path.display())]
    OverLimit {
        /// The file.
        path: PathBuf,
        /// Which quantity, with its unit.
        what: &'static str,
        /// The value found.
        found: f64,
        /// The value allowed.
        limit: f64,
    },
    /// A number in the container that cannot be.
    #[error("{}: {what} is {found}, which cannot be", path.display())]
    Value {
        /// The file.
        path: PathBuf,
        /// Which quantity.
        what: &'static str,
        /// The value found, as text.
        found: String,
    },
    /// The pictures change their size within the recording.
    #[error("{}: the pictures change from {}×{} to {}×{} px within the recording", path.display(), from_px.0, from_px.1, to_px.0, to_px.1)]
    SizeChanged {
        /// The file.
        path: PathBuf,
        /// Width and height at the start.
        from_px: (u32, u32),
        /// Width and height found later.
        to_px: (u32, u32),
    },
    /// FFmpeg refused something that the variants above do not name.
    #[error("{}: {action}: {reason}", path.display())]
    Decode {
        /// The file.
        path: PathBuf,
        /// What was tried.
        action: &'static str,
        /// FFmpeg's words.
        reason: String,
    },
    /// Chapters that do not belong together.
    #[error("{} does not continue {}: {what} is {found}, not {expected}", path.display(), first.display())]
    Chapter {
        /// The chapter.
        path: PathBuf,
        /// The first chapter.
        first: PathBuf,
        /// Which property.
        what: &'static str,
        /// The chapter's value.
        found: String,
        /// The first chapter's value.
        expected: String,
    },
    /// A recording without any file.
    #[error("a recording needs at least one file")]
    NoChapters,
    /// Something that a clip or a still cannot be.
    #[error("{}: {problem}", path.display())]
    Settings {
        /// The file to be written.
        path: PathBuf,
        /// What is wrong and what would do.
        problem: String,
    },
    /// Writing failed.
    #[error("{}: {action}: {reason}", path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// What was tried.
        action: &'static str,
        /// The reason in words.
        reason: String,
    },
    /// A picture whose size and number of samples disagree.
    #[error("{what}: {found} samples; {width_px}×{height_px} px need {expected}")]
    Shape {
        /// Which picture or plane.
        what: &'static str,
        /// Width.
        width_px: u32,
        /// Height.
        height_px: u32,
        /// Samples found.
        found: usize,
        /// Samples needed.
        expected: usize,
    },
    /// A still picture could not be coded.
    #[error("{action}: {reason}")]
    Still {
        /// What was tried.
        action: &'static str,
        /// The reason in words.
        reason: String,
    },
}
