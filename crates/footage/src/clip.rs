use std::path::{Path, PathBuf};

use ff::format::context::Output;
use ff::{Packet, Rational, encoder, frame};
use ffmpeg_next as ff;

use crate::clip_settings::{ClipSettings, VideoCodec};
use crate::error::FootageError;
use crate::picture::{Picture, PictureView};
use crate::picture_encoding::{copy_plane, display_matrix, pixel_format, video_encoder};
use crate::sound_encoding::SoundEncoder;
use crate::{container, ffi};

/// Ticks of the movie's own clock, in which edit lists count: a multiple of 90 kHz and of 48 kHz, so that the
/// start of pictures and sound is exact.
const MOVIE_TICKS_S: i32 = 720_000;

/// Writes a clip: MP4 with H.264 or HEVC pictures at any instants, and AAC sound.
///
/// The file appears under its name when [`ClipWriter::finish`] succeeds; until then it lies beside it as
/// `<name>.part`, which goes when the writer is dropped.
pub struct ClipWriter {
    path: PathBuf,
    part: PathBuf,
    settings: ClipSettings,
    output: Option<Output>,
    encoder: encoder::video::Encoder,
    sound: Option<SoundEncoder>,
    /// The frame that was sent last.
    frame: Option<frame::Video>,
    last_ticks: Option<i64>,
    usual_step: i64,
    finished: bool,
}

impl std::fmt::Debug for ClipWriter {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter
            .debug_struct("ClipWriter")
            .field("path", &self.path)
            .field("settings", &self.settings)
            .finish_non_exhaustive()
    }
}

impl Drop for ClipWriter {
    fn drop(&mut self) {
        if !self.finished {
            self.output = None;
            // Nothing to be done if it is gone already.
            let _ = std::fs::remove_file(&self.part);
        }
    }
}

const PICTURES: usize = 0;
const SOUND: usize = 1;

impl ClipWriter {
    /// Begins a clip.
    ///
    /// # Errors
    /// [`FootageError::Settings`] for a clip that cannot be; [`FootageError::File`] if the file cannot be made; [`FootageError::Write`] with
    /// FFmpeg's words else.
    pub fn create(path: &Path, settings: &ClipSettings) -> Result<Self, FootageError> {
        container::quiet();
        if let Some(problem) = settings.problem() {
            return Err(FootageError::Settings {
                path: path.into(),
                problem,
            });
        }
        let mut name = path.file_name().unwrap_or_default().to_owned();
        name.push(".part");
        let part = path.with_file_name(name);
        std::fs::File::create(&part).map_err(|source| FootageError::File {
            path: part.clone(),
            source,
        })?;
        Self::begin(path, &part, settings).map_err(|reason| {
            let _ = std::fs::remove_file(&part);
            match reason {
                Begin::Name(error) => error,
                Begin::Ffmpeg(reason) => FootageError::Write {
                    path: path.into(),
                    action: "starting the encoder",
                    reason: reason.to_string(),
                },
            }
        })
    }

    fn begin(path: &Path, part: &Path, settings: &ClipSettings) -> Result<Self, Begin> {
        let mut output = ff::format::output_as(&container::url(part)?, "mp4")?;
        let global_header = output
            .format()
            .flags()
            .contains(ff::format::Flags::GLOBAL_HEADER);
        let encoder = video_encoder(settings, global_header)?;
        let base = Rational::new(settings.time_base.numerator, settings.time_base.denominator);
        let mut stream = output.add_stream_with(encoder.as_ref())?;
        stream.set_time_base(base);
        stream.set_avg_frame_rate(Rational::from(settings.nominal_rate_hz));
        if settings.codec == VideoCodec::Hevc {
            // The other name that FFmpeg would choose (hev1) does not play on some phones.
            ffi::set_codec_tag(&mut output, PICTURES, *b"hvc1");
        }
        if settings.rotation_deg != 0 {
            ffi::set_display_matrix(&mut output, PICTURES, &display_matrix(settings))?;
        }
        let sound = match &settings.sound {
            None => None,
            Some(sound) => {
                let sound = SoundEncoder::open(sound, global_header)?;
                output
                    .add_stream_with(sound.context())?
                    .set_time_base(sound.time_base());
                Some(sound)
            }
        };
        let mut metadata = ff::Dictionary::new();
        if let Some(time) = &settings.creation_time {
            metadata.set("creation_time", time);
        }
        output.set_metadata(metadata);
        let mut options = ff::Dictionary::new();
        options.set("movie_timescale", &MOVIE_TICKS_S.to_string());
        options.set(
            "video_track_timescale",
            &settings.time_base.denominator.to_string(),
        );
        options.set("fflags", "+bitexact");
        if settings.faststart {
            options.set("movflags", "+faststart");
        }
        output.write_header_with(options)?;
        let tick_s = settings.time_base.seconds();
        #[expect(clippy::cast_possible_truncation, reason = "the cast saturates")]
        let usual_step = (1.0 / settings.nominal_rate_hz / tick_s).round().max(1.0) as i64;
        Ok(Self {
            path: path.into(),
            part: part.into(),
            settings: settings.clone(),
            output: Some(output),
            encoder,
            sound,
            frame: None,
            last_ticks: None,
            usual_step,
            finished: false,
        })
    }

    /// Appends a frame that is shown at a tick of the clip's clock.
    ///
    /// # Errors
    /// [`FootageError::Settings`] if the tick is not after the last one, or the picture has another size or depth; [`FootageError::Write`]
    /// else.
    pub fn push_frame(&mut self, ticks: i64, picture: &Picture) -> Result<(), FootageError> {
        self.push_view(ticks, &picture.view())
    }

    /// Appends a frame in place; see [`ClipWriter::push_frame`].
    ///
    /// # Errors
    /// As there.
    pub fn push_view(&mut self, ticks: i64, picture: &PictureView<'_>) -> Result<(), FootageError> {
        let wrong = self.last_ticks.map_or(
            (ticks < 0)
                .then(|| format!("the first frame's tick is {ticks}; it must not be negative")),
            |last| {
                (ticks <= last)
                    .then(|| format!("a frame at tick {ticks} cannot follow one at {last}"))
            },
        );
        let (width, height) = (
            self.settings.width_px as usize,
            self.settings.height_px as usize,
        );
        let fits = (picture.width(), picture.height(), picture.bit_depth)
            == (width, height, self.settings.bit_depth);
        let wrong = wrong.or_else(|| {
            (!fits).then(|| {
                format!(
                    "a picture of {}×{} px, {} bit does not fit a clip of {width}×{height} px, {} bit",
                    picture.width(),
                    picture.height(),
                    picture.bit_depth,
                    self.settings.bit_depth
                )
            })
        });
        if let Some(problem) = wrong {
            return Err(FootageError::Settings {
                path: self.path.clone(),
                problem,
            });
        }
        // A new frame for every picture costs more than copying it: the system clears its pages.
        let mut frame = self.frame.take_if(ffi::is_free).unwrap_or_else(|| {
            let (width_px, height_px) = (self.settings.width_px, self.settings.height_px);
            frame::Video::new(pixel_format(&self.settings), width_px, height_px)
        });
        for (index, plane) in [picture.luma, picture.cb, picture.cr]
            .into_iter()
            .enumerate()
        {
            copy_plane(plane, &mut frame, index);
        }
        frame.set_pts(Some(ticks));
        self.last_ticks = Some(ticks);
        let sent = self.encoder.send_frame(&frame);
        self.frame = Some(frame);
        sent.and_then(|()| self.write_pictures())
            .map_err(|reason| self.failed("writing a frame", reason))
    }

    /// Appends samples of the sound (one channel, full scale ±1) after those before.
    ///
    /// # Errors
    /// [`FootageError::Settings`] if the clip has no sound; [`FootageError::Write`] else.
    pub fn push_sound(&mut self, samples: &[f32]) -> Result<(), FootageError> {
        let (Some(sound), Some(output)) = (&mut self.sound, &mut self.output) else {
            return Err(FootageError::Settings {
                path: self.path.clone(),
                problem: "the clip was begun without sound".into(),
            });
        };
        let base = sound.time_base();
        let written = sound.push(samples, &mut |packet| write(output, packet, SOUND, base));
        written.map_err(|reason| self.failed("writing sound", reason))
    }

    /// Ends the clip and gives it its name.
    ///
    /// # Errors
    /// [`FootageError::Settings`] without any frame; [`FootageError::Write`], [`FootageError::File`] if the disk is full, and so on.
    pub fn finish(mut self) -> Result<(), FootageError> {
        if self.last_ticks.is_none() {
            return Err(FootageError::Settings {
                path: self.path.clone(),
                problem: "a clip needs at least one frame".into(),
            });
        }
        self.end()
            .map_err(|reason| self.failed("ending the clip", reason))?;
        self.output = None;
        std::fs::rename(&self.part, &self.path).map_err(|source| FootageError::File {
            path: self.path.clone(),
            source,
        })?;
        self.finished = true;
        Ok(())
    }

    fn end(&mut self) -> Result<(), ff::Error> {
        self.encoder.send_eof()?;
        self.write_pictures()?;
        let Some(output) = &mut self.output else {
            return Ok(());
        };
        if let Some(sound) = &mut self.sound {
            let base = sound.time_base();
            sound.finish(&mut |packet| write(output, packet, SOUND, base))?;
        }
        output.write_trailer()
    }

    fn write_pictures(&mut self) -> Result<(), ff::Error> {
        let base = Rational::new(
            self.settings.time_base.numerator,
            self.settings.time_base.denominator,
        );
        loop {
            let mut packet = Packet::empty();
            match self.encoder.receive_packet(&mut packet) {
                Ok(()) => {
                    packet.set_duration(self.usual_step);
                    if let Some(output) = &mut self.output {
                        write(output, &mut packet, PICTURES, base)?;
                    }
                }
                Err(
                    ff::Error::Eof
                    | ff::Error::Other {
                        errno: ff::error::EAGAIN,
                    },
                ) => return Ok(()),
                Err(reason) => return Err(reason),
            }
        }
    }

    fn failed(&self, action: &'static str, reason: ff::Error) -> FootageError {
        FootageError::Write {
            path: self.path.clone(),
            action,
            reason: reason.to_string(),
        }
    }
}

/// Why a clip could not be begun.
enum Begin {
    Name(FootageError),
    Ffmpeg(ff::Error),
}

impl From<FootageError> for Begin {
    fn from(error: FootageError) -> Self {
        Self::Name(error)
    }
}

impl From<ff::Error> for Begin {
    fn from(error: ff::Error) -> Self {
        Self::Ffmpeg(error)
    }
}

fn write(
    output: &mut Output,
    packet: &mut Packet,
    stream: usize,
    from: Rational,
) -> Result<(), ff::Error> {
    let to = output
        .stream(stream)
        .ok_or(ff::Error::StreamNotFound)?
        .time_base();
    packet.set_stream(stream);
    packet.rescale_ts(from, to);
    packet.write_interleaved(output)
}
