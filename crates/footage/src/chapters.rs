use std::path::PathBuf;

use crate::decoding;
use crate::error::FootageError;
use crate::footage::Footage;
use crate::frames::FrameReader;
use crate::limits::Limits;
use crate::probe::Probe;
use crate::slow_motion::SlowMotion;
use crate::sound::{Sound, SoundReader};

/// One file of a recording, with its place on the recording's clock.
#[derive(Debug, Clone)]
pub(crate) struct Chapter {
    pub(crate) footage: Footage,
    /// The chapter's zero on the recording's clock, in ticks of the pictures.
    pub(crate) offset_ticks: i64,
    /// Frames of the recording before this chapter.
    pub(crate) first_index: u64,
}

impl From<Footage> for Chapter {
    fn from(footage: Footage) -> Self {
        Self {
            footage,
            offset_ticks: 0,
            first_index: 0,
        }
    }
}

/// What one camera recorded between start and stop, in one file or in several that the camera cut (chapters), on
/// one continuous clock.
///
/// The rule: a chapter's zero is the end of the pictures of the chapter before: the end that its container states, if that lies
/// within three steps after the last frame's presentation time; else that time and one usual step. Cameras cut between two frames without a pause, so the frame
/// times go on evenly. The sound of each chapter keeps its place beside its pictures; what is missing at a seam is silence, what is
/// double is cut.
#[derive(Debug, Clone)]
pub struct Recording {
    chapters: Vec<Chapter>,
    probe: Probe,
    slow: SlowMotion,
}

impl Recording {
    /// Opens the files of one recording, in their order.
    ///
    /// # Errors
    /// As [`Footage::open`]; [`FootageError::Chapter`] if the files differ in size, rotation, codec, depth or time base;
    /// [`FootageError::NoChapters`] without files.
    pub fn open(paths: &[PathBuf], limits: &Limits) -> Result<Self, FootageError> {
        let footage = paths
            .iter()
            .map(|path| Footage::open(path, limits))
            .collect::<Result<Vec<_>, _>>()?;
        Self::join(footage)
    }

    /// Joins files that are open already.
    ///
    /// # Errors
    /// As [`Recording::open`].
    pub fn join(footage: Vec<Footage>) -> Result<Self, FootageError> {
        let first = footage.first().ok_or(FootageError::NoChapters)?.clone();
        let last_s = footage.last().map_or(0.0, |last| last.probe().duration_s);
        let mut probe = first.probe().clone();
        let mut chapters: Vec<Chapter> = Vec::with_capacity(footage.len());
        let count = footage.len();
        let (mut offset_ticks, mut first_index) = (0_i64, 0_u64);
        for (number, footage) in footage.into_iter().enumerate() {
            check_same(&first, &footage)?;
            let extent = if number + 1 < count {
                decoding::extent(&footage)?
            } else {
                decoding::Extent::default()
            };
            chapters.push(Chapter {
                footage,
                offset_ticks,
                first_index,
            });
            offset_ticks = offset_ticks.saturating_add(extent.end_ticks);
            first_index += extent.frames;
        }
        if let (true, Some(last)) = (count > 1, chapters.last()) {
            let offset_s = probe.time_base.seconds() * last.offset_ticks as f64;
            probe.duration_s = offset_s + last_s - probe.start_s;
            probe.frame_count = last
                .footage
                .probe()
                .frame_count
                .map(|frames| frames + last.first_index);
            if let (Some(sound), Some(tail)) = (&mut probe.sound, &last.footage.probe().sound) {
                sound.duration_s = offset_s + tail.start_s + tail.duration_s - sound.start_s;
            }
            if chapters
                .iter()
                .any(|chapter| chapter.footage.probe().sound.is_none() != probe.sound.is_none())
            {
                probe.remarks.push(
                    "some chapters have sound and some have none; the others are silent".into(),
                );
            }
        }
        Ok(Self {
            chapters,
            probe,
            slow: SlowMotion::default(),
        })
    }

    /// The same recording, its times those at which it was filmed: for slow motion. From here on frames, sound and probe speak
    /// of them. Sound is taken to have been slowed with the pictures.
    #[must_use]
    pub fn filmed_slow(mut self, slow: SlowMotion) -> Self {
        let span = |start_s: &mut f64, duration_s: &mut f64| {
            let end_s = slow.filmed_s(*start_s + *duration_s);
            *start_s = slow.filmed_s(*start_s);
            let filmed_s = end_s - *start_s;
            let ratio = *duration_s / filmed_s;
            *duration_s = filmed_s;
            ratio
        };
        let probe = &mut self.probe;
        let ratio = span(&mut probe.start_s, &mut probe.duration_s);
        if let Some(rate_hz) = &mut probe.nominal_rate_hz
            && ratio.is_finite()
        {
            *rate_hz *= ratio;
        }
        if let Some(sound) = &mut probe.sound {
            span(&mut sound.start_s, &mut sound.duration_s);
        }
        self.slow = slow;
        self
    }

    /// What the recording says about itself: the first chapter's words, the length of the whole.
    pub fn probe(&self) -> &Probe {
        &self.probe
    }

    /// The files, in their order.
    pub fn paths(&self) -> impl Iterator<Item = &PathBuf> {
        self.chapters.iter().map(|chapter| chapter.footage.path())
    }

    /// The zero of each file on the recording's clock, in seconds.
    pub fn chapter_starts_s(&self) -> Vec<f64> {
        let tick_s = self.probe.time_base.seconds();
        self.chapters
            .iter()
            .map(|chapter| self.slow.filmed_s(chapter.offset_ticks as f64 * tick_s))
            .collect()
    }

    /// Where slow motion begins and ends, but at the recording's own ends: when it was filmed (s), and the share of time that is
    /// gained there, 7/8 where it is eight times slower.
    pub fn slow_motion_ends(&self) -> Vec<(f64, f64)> {
        self.slow.ends()
    }

    /// The frames from the beginning, decoded by this many threads (0 counts as 1).
    ///
    /// # Errors
    /// A file changed or went since it was opened.
    pub fn frames(&self, threads: usize) -> Result<FrameReader, FootageError> {
        Ok(FrameReader::open(self.chapters.clone(), threads)?.filmed_slow(self.slow.clone()))
    }

    /// The key frames alone, at a small share of what decoding all costs: what is coded without any other picture, usually one or two a
    /// second. Their indices count key frames.
    ///
    /// # Errors
    /// As [`Recording::frames`].
    pub fn key_frames(&self, threads: usize) -> Result<FrameReader, FootageError> {
        Ok(self.frames(threads)?.only_keys())
    }

    /// The sound from the beginning as a stream of blocks; `None` if there is none.
    ///
    /// # Errors
    /// A file changed or went, or its sound cannot be decoded.
    pub fn sound_blocks(&self, rate_hz: u32) -> Result<Option<SoundReader>, FootageError> {
        let reader = SoundReader::open(self.chapters.clone(), rate_hz)?;
        Ok(reader.map(|reader| reader.filmed_slow(self.slow.clone())))
    }

    /// The whole sound; see [`Footage::sound`].
    ///
    /// # Errors
    /// As [`Recording::sound_blocks`].
    pub fn sound(&self, rate_hz: u32) -> Result<Option<Sound>, FootageError> {
        self.sound_blocks(rate_hz)?
            .map(SoundReader::collect)
            .transpose()
    }
}

impl From<Footage> for Recording {
    fn from(footage: Footage) -> Self {
        Self {
            probe: footage.probe().clone(),
            chapters: vec![footage.into()],
            slow: SlowMotion::default(),
        }
    }
}

fn check_same(first: &Footage, chapter: &Footage) -> Result<(), FootageError> {
    let describe = |probe: &Probe| {
        [
            (
                "the picture size",
                format!("{}×{} px", probe.width_px, probe.height_px),
            ),
            ("the rotation", format!("{}°", probe.rotation_deg)),
            ("the codec", probe.codec.clone()),
            ("the pixel format", probe.pixel_format.clone()),
            (
                "the time base",
                format!(
                    "{}/{} s",
                    probe.time_base.numerator, probe.time_base.denominator
                ),
            ),
        ]
    };
    for ((what, expected), (_, found)) in describe(first.probe())
        .into_iter()
        .zip(describe(chapter.probe()))
    {
        if expected != found {
            return Err(FootageError::Chapter {
                path: chapter.path().clone(),
                first: first.path().clone(),
                what,
                found,
                expected,
            });
        }
    }
    Ok(())
}
