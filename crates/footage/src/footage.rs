use std::path::{Path, PathBuf};
use std::sync::Arc;

use ff::format::stream::{Disposition, Stream};
use ff::media;
use ffmpeg_next as ff;

use crate::container;
use crate::conversion;
use crate::decoding;
use crate::error::FootageError;
use crate::ffi;
use crate::frames::FrameReader;
use crate::limits::Limits;
use crate::probe::{Probe, SoundProbe};
use crate::sound::{Sound, SoundReader};
use crate::time::TimeBase;

/// One video file, opened and understood. Holds no file handle; every reader opens its own, so that several can
/// run at once. Cheap to clone, may be shared between threads.
#[derive(Debug, Clone)]
pub struct Footage {
    inner: Arc<Inner>,
}

#[derive(Debug)]
struct Inner {
    path: PathBuf,
    limits: Limits,
    probe: Probe,
    picture_stream: usize,
    sound_stream: Option<usize>,
    reorder_span_ticks: i64,
}

impl Footage {
    /// Opens a file and reads what it says about itself.
    ///
    /// # Errors
    /// See [`FootageError`]: no such file, empty, not a video, cut before its index, no pictures, a codec that
    /// cannot be decoded, more than the limits allow.
    pub fn open(path: &Path, limits: &Limits) -> Result<Self, FootageError> {
        let input = container::open(path, limits)?;
        let picture = input
            .streams()
            .filter(|stream| is_moving(stream))
            .min_by_key(|stream| !stream.disposition().contains(Disposition::DEFAULT))
            .ok_or_else(|| FootageError::NoPictures { path: path.into() })?;
        let sound = input
            .streams()
            .filter(|stream| stream.parameters().medium() == media::Type::Audio)
            .find_map(|stream| sound_probe(&stream).map(|probe| (stream.index(), probe)));
        let time_base = time_base(path, picture.time_base())?;
        let decoder = decoding::open_decoder(path, &picture, 1, limits.max_pixels)?;
        let mut probe = picture_probe(path, &input, &picture, &decoder, time_base)?;
        check_limits(path, &probe, limits)?;
        let sound_stream = sound.as_ref().map(|&(index, _)| index);
        probe.sound = sound.map(|(_, probe)| probe);
        let step_s = 1.0 / probe.nominal_rate_hz.unwrap_or(25.0);
        let depth = ffi::reorder_depth(&decoder) as f64 + 2.0;
        Ok(Self {
            inner: Arc::new(Inner {
                path: path.into(),
                limits: limits.clone(),
                picture_stream: picture.index(),
                sound_stream,
                // Four times the usual steps: phones stretch them in the dark.
                reorder_span_ticks: time_base.nearest_tick(4.0 * depth * step_s),
                probe,
            }),
        })
    }

    /// What the file says about itself.
    pub fn probe(&self) -> &Probe {
        &self.inner.probe
    }

    /// The file.
    pub fn path(&self) -> &PathBuf {
        &self.inner.path
    }

    /// The frames from the beginning, decoded by this many threads (0 counts as 1).
    ///
    /// # Errors
    /// The file changed or went since it was opened.
    pub fn frames(&self, threads: usize) -> Result<FrameReader, FootageError> {
        FrameReader::open(vec![self.clone().into()], threads)
    }

    /// The sound from the beginning as a stream of blocks; `None` if there is none.
    ///
    /// # Errors
    /// The file changed or went, or its sound cannot be decoded.
    pub fn sound_blocks(&self, rate_hz: u32) -> Result<Option<SoundReader>, FootageError> {
        SoundReader::open(vec![self.clone().into()], rate_hz)
    }

    /// The whole sound (4 bytes a sample: an hour at 48 kHz takes 690 MB; prefer [`Footage::sound_blocks`] for long
    /// ones); `None` if there is none.
    ///
    /// # Errors
    /// As [`Footage::sound_blocks`].
    pub fn sound(&self, rate_hz: u32) -> Result<Option<Sound>, FootageError> {
        self.sound_blocks(rate_hz)?
            .map(SoundReader::collect)
            .transpose()
    }

    pub(crate) fn limits(&self) -> &Limits {
        &self.inner.limits
    }

    pub(crate) fn picture_stream(&self) -> usize {
        self.inner.picture_stream
    }

    pub(crate) fn sound_stream(&self) -> Option<usize> {
        self.inner.sound_stream
    }

    /// A generous bound for how much later than its decode time a frame is shown.
    pub(crate) fn reorder_span_ticks(&self) -> i64 {
        self.inner.reorder_span_ticks
    }
}

fn is_moving(stream: &Stream<'_>) -> bool {
    stream.parameters().medium() == media::Type::Video
        && !stream.disposition().contains(Disposition::ATTACHED_PIC)
}

fn time_base(path: &Path, base: ff::Rational) -> Result<TimeBase, FootageError> {
    TimeBase::new(base.numerator(), base.denominator()).ok_or_else(|| FootageError::Value {
        path: path.into(),
        what: "the time base of the pictures",
        found: base.to_string(),
    })
}

fn check_limits(path: &Path, probe: &Probe, limits: &Limits) -> Result<(), FootageError> {
    let pixels = u64::from(probe.width_px) * u64::from(probe.height_px);
    let pairs = [
        (
            "the width in pixels",
            f64::from(probe.width_px),
            f64::from(limits.max_width_px),
        ),
        (
            "the height in pixels",
            f64::from(probe.height_px),
            f64::from(limits.max_height_px),
        ),
        (
            "the number of pixels",
            pixels as f64,
            limits.max_pixels as f64,
        ),
        (
            "the length in seconds",
            probe.duration_s,
            limits.max_duration_s,
        ),
        (
            "the start in seconds",
            probe.start_s.abs(),
            limits.max_duration_s.max(86_400.0),
        ),
    ];
    for (what, found, limit) in pairs {
        if found > limit {
            return Err(container::over(path, what, found, limit));
        }
    }
    Ok(())
}

fn seconds(ticks: i64, base: ff::Rational) -> Option<f64> {
    (ticks != ff::ffi::AV_NOPTS_VALUE && base.denominator() != 0)
        .then(|| ticks as f64 * f64::from(base.numerator()) / f64::from(base.denominator()))
}

fn rate(rate: ff::Rational) -> Option<f64> {
    (rate.numerator() > 0 && rate.denominator() > 0)
        .then(|| f64::from(rate.numerator()) / f64::from(rate.denominator()))
}

fn sound_probe(stream: &Stream<'_>) -> Option<SoundProbe> {
    let context = ff::codec::Context::from_parameters(stream.parameters()).ok()?;
    let codec = context.id();
    ff::decoder::find(codec)?;
    let sound = context.decoder().audio().ok()?;
    (sound.rate() > 0 && sound.channels() > 0).then(|| SoundProbe {
        codec: codec.name().into(),
        sample_rate_hz: sound.rate(),
        channels: sound.channels(),
        start_s: seconds(stream.start_time(), stream.time_base()).unwrap_or(0.0),
        duration_s: seconds(stream.duration(), stream.time_base()).unwrap_or(0.0),
    })
}

fn picture_probe(
    path: &Path,
    input: &ff::format::context::Input,
    stream: &Stream<'_>,
    decoder: &ff::decoder::Video,
    time_base: TimeBase,
) -> Result<Probe, FootageError> {
    let format = decoder.format();
    let pixel_format = format
        .descriptor()
        .map_or_else(|| "none".to_owned(), |format| format.name().to_owned());
    if decoder.width() == 0 || decoder.height() == 0 || pixel_format == "none" {
        return Err(FootageError::Decode {
            path: path.into(),
            action: "looking at the first pictures",
            reason: "none of them can be decoded; the file is damaged or cut short".into(),
        });
    }
    let bit_depth =
        conversion::delivered_depth(format).ok_or_else(|| FootageError::UnsupportedPixels {
            path: path.into(),
            format: pixel_format.clone(),
        })?;
    let turn = Turn::of(stream);
    let metadata = input.metadata();
    let first_of = |keys: &[&str]| {
        keys.iter()
            .find_map(|key| metadata.get(key))
            .map(str::to_owned)
    };
    let make = first_of(&[
        "com.apple.quicktime.make",
        "com.android.manufacturer",
        "make",
    ]);
    let model = first_of(&["com.apple.quicktime.model", "com.android.model", "model"]);
    let camera = [make, model]
        .into_iter()
        .flatten()
        .collect::<Vec<_>>()
        .join(" ");
    let nominal_rate_hz = rate(stream.avg_frame_rate()).or_else(|| rate(stream.rate()));
    let captured_rate_hz = metadata
        .get("com.android.capture.fps")
        .and_then(|text| text.parse::<f64>().ok())
        .filter(|rate| rate.is_finite() && *rate > 0.0);
    Ok(Probe {
        width_px: decoder.width(),
        height_px: decoder.height(),
        rotation_deg: turn.rotation_deg,
        mirrored: turn.mirrored,
        codec: decoder.id().name().into(),
        container: input.format().name().into(),
        pixel_format,
        bit_depth,
        time_base,
        start_s: seconds(stream.start_time(), stream.time_base()).unwrap_or(0.0),
        duration_s: seconds(stream.duration(), stream.time_base())
            .or_else(|| seconds(input.duration(), ff::Rational::new(1, 1_000_000)))
            .unwrap_or(0.0)
            .max(0.0),
        frame_count: u64::try_from(stream.frames())
            .ok()
            .filter(|&count| count > 0),
        nominal_rate_hz,
        captured_rate_hz,
        sound: None,
        creation_time: metadata
            .get("com.apple.quicktime.creationdate")
            .or_else(|| metadata.get("creation_time"))
            .map(str::to_owned),
        camera: (!camera.is_empty()).then_some(camera),
        remarks: remarks(decoder, turn),
    })
}

fn remarks(decoder: &ff::decoder::Video, turn: Turn) -> Vec<String> {
    let mut remarks = Vec::new();
    match decoder.color_transfer_characteristic() {
        ff::color::TransferCharacteristic::SMPTE2084 => remarks.push(
            "HDR tones (PQ): brightness is coded for HDR screens; switch HDR off in the camera if markers are hard to see".into(),
        ),
        ff::color::TransferCharacteristic::ARIB_STD_B67 => remarks.push(
            "HDR tones (HLG): brightness is coded for HDR screens; switch HDR off in the camera if markers are hard to see".into(),
        ),
        _ => {}
    }
    let aspect = decoder.aspect_ratio();
    if aspect.numerator() > 0 && aspect.numerator() != aspect.denominator() {
        remarks.push(format!(
            "the pixels are not square ({}:{}); geometry is measured in stored pixels",
            aspect.numerator(),
            aspect.denominator()
        ));
    }
    if turn.mirrored {
        remarks.push("the container asks for a mirror image (front camera); pictures are delivered as stored".into());
    }
    if !turn.is_quarter {
        remarks.push(format!(
            "the container's rotation is no quarter turn; {}° is the nearest",
            turn.rotation_deg
        ));
    }
    remarks
}

/// The display matrix of a stream in words.
#[derive(Debug, Clone, Copy)]
struct Turn {
    rotation_deg: u16,
    mirrored: bool,
    is_quarter: bool,
}

impl Turn {
    fn of(stream: &Stream<'_>) -> Self {
        let matrix = stream
            .side_data()
            .find(|data| data.kind() == ff::codec::packet::side_data::Type::DisplayMatrix)
            .filter(|data| data.data().len() >= 36)
            .map(|data| {
                let mut words = [0; 9];
                for (word, bytes) in words.iter_mut().zip(data.data().chunks_exact(4)) {
                    *word = i32::from_ne_bytes([bytes[0], bytes[1], bytes[2], bytes[3]]);
                }
                words
            });
        matrix.map_or(
            Self {
                rotation_deg: 0,
                mirrored: false,
                is_quarter: true,
            },
            |matrix| Self::from_matrix(&matrix),
        )
    }

    /// Rows (a b u), (c d v), (x y w): a stored point (p, q) is shown at (a p + c q + x, b p + d q + y), x right,
    /// y down (ISO/IEC 14496-12, 6.2.2). A clockwise turn by φ has a = cos φ, b = sin φ, c = -sin φ, d = cos φ.
    fn from_matrix(matrix: &[i32; 9]) -> Self {
        let [a, b, _, c, d, ..] = matrix.map(f64::from);
        let mirrored = a * d - b * c < 0.0;
        // Undo the mirror (left and right swapped in the shown picture) before reading the angle.
        let angle_deg = if mirrored { b.atan2(-a) } else { b.atan2(a) }.to_degrees();
        let quarters = (angle_deg / 90.0).round();
        let rotation_deg = match quarters.rem_euclid(4.0) {
            1.0 => 90,
            2.0 => 180,
            3.0 => 270,
            _ => 0,
        };
        Self {
            rotation_deg,
            mirrored,
            is_quarter: (angle_deg - 90.0 * quarters).abs() < 0.5,
        }
    }
}
