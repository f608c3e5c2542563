use crate::chapters::Chapter;
use crate::error::FootageError;
use crate::resampling::Resampler;
use crate::slow_motion::SlowMotion;
use crate::sound_decoding::{Next, SoundDecoder};
use crate::time::MediaTime;

/// The whole sound of a recording: one channel (the mean of all).
#[derive(Debug, Clone, PartialEq)]
pub struct Sound {
    /// Samples a second.
    pub sample_rate_hz: u32,
    /// Time of the first sample, on the clock of the frames' `time_s`: edit list applied, priming removed.
    pub start_s: f64,
    /// Full scale is ±1.
    pub samples: Vec<f32>,
}

impl Sound {
    /// Time of a sample.
    pub fn time_s(&self, sample: usize) -> f64 {
        self.start_s + sample as f64 / f64::from(self.sample_rate_hz)
    }

    /// Length in seconds.
    pub fn duration_s(&self) -> f64 {
        self.samples.len() as f64 / f64::from(self.sample_rate_hz)
    }
}

/// Some samples in a row, in place.
#[derive(Debug, Clone, Copy)]
pub struct SoundBlock<'a> {
    /// Time of the first sample, on the clock of the frames' `time_s`.
    pub start_s: f64,
    /// Full scale is ±1. Blocks follow one another without a gap: where the file has none, there is silence.
    pub samples: &'a [f32],
}

/// Differences between the stated time of a packet and the count of samples up to which the count is trusted.
/// Real recordings jitter (`box.mp4` of `opencv-doc`: -1.7 to +0.2 ms around the count) and containers round; a
/// lost packet of AAC or MP3 is 21 to 26 ms.
const TRUST_COUNT_S: f64 = 8e-3;
/// A longer jump forward than this is no pause but a time that cannot be; its samples are passed over.
const LONGEST_JUMP_S: f64 = 600.0;
/// Silence is given out in blocks of this many samples.
const SILENCE_BLOCK: usize = 16_384;

/// The sound of a recording, block by block, with a memory that does not grow.
pub struct SoundReader {
    chapters: Vec<Chapter>,
    current: usize,
    native_hz: u32,
    rate_hz: u32,
    decoder: Option<SoundDecoder>,
    resampler: Resampler,
    start_s: Option<f64>,
    /// Native samples so far, since `start_s`.
    taken: u64,
    /// Samples of the file's own time so far, at the rate asked for.
    stated: u64,
    /// Samples given out so far.
    given: u64,
    slow: SlowMotion,
    /// Share of the next sample that is due: slow motion gives one for several.
    due: f64,
    silence_due: u64,
    decoded: Vec<f32>,
    block: Vec<f32>,
    jumps: u64,
    /// The next samples are the first of a chapter: their stated time counts, not the count.
    at_seam: bool,
    ended: bool,
}

impl std::fmt::Debug for SoundReader {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter
            .debug_struct("SoundReader")
            .field("rate_hz", &self.rate_hz)
            .field("given", &self.given)
            .finish_non_exhaustive()
    }
}

impl SoundReader {
    pub(crate) fn open(chapters: Vec<Chapter>, rate_hz: u32) -> Result<Option<Self>, FootageError> {
        let first = chapters
            .first()
            .ok_or(FootageError::NoChapters)?
            .footage
            .clone();
        let probes = chapters.iter().map(|chapter| chapter.footage.probe());
        let Some(native_hz) = probes
            .filter_map(|probe| probe.sound.as_ref())
            .map(|sound| sound.sample_rate_hz)
            .next()
        else {
            return Ok(None);
        };
        if !(1000..=768_000).contains(&rate_hz) {
            return Err(FootageError::Value {
                path: first.path().clone(),
                what: "the sample rate asked for",
                found: format!("{rate_hz} Hz"),
            });
        }
        let resampler =
            Resampler::new(native_hz, rate_hz).map_err(|reason| FootageError::Decode {
                path: first.path().clone(),
                action: "resampling the sound",
                reason: reason.to_string(),
            })?;
        Ok(Some(Self {
            decoder: SoundDecoder::open(&first, native_hz)?,
            chapters,
            current: 0,
            native_hz,
            rate_hz,
            resampler,
            start_s: None,
            taken: 0,
            stated: 0,
            given: 0,
            slow: SlowMotion::default(),
            due: 0.0,
            silence_due: 0,
            decoded: Vec::new(),
            block: Vec::new(),
            jumps: 0,
            at_seam: false,
            ended: false,
        }))
    }

    pub(crate) fn filmed_slow(mut self, slow: SlowMotion) -> Self {
        self.slow = slow;
        self
    }

    /// Samples a second of the blocks.
    pub fn sample_rate_hz(&self) -> u32 {
        self.rate_hz
    }

    /// How often the stated times did not follow the count of samples; silence was put in, or samples were cut, so that the times hold.
    pub fn jumps(&self) -> u64 {
        self.jumps
    }

    /// The next samples; `None` at the end.
    ///
    /// # Errors
    /// The next chapter cannot be opened, or samples cannot be converted.
    pub fn next_block(&mut self) -> Result<Option<SoundBlock<'_>>, FootageError> {
        self.block.clear();
        while self.block.is_empty() && !self.ended {
            self.fill()?;
            self.quicken();
        }
        if self.block.is_empty() {
            return Ok(None);
        }
        let start_s = self.slow.filmed_s(self.start_s.unwrap_or(0.0))
            + self.given as f64 / f64::from(self.rate_hz);
        self.given += self.block.len() as u64;
        Ok(Some(SoundBlock {
            start_s,
            samples: &self.block,
        }))
    }

    /// Takes slow motion off the block: of the samples of a slowed stretch one in several stays, which puts its pitch back, too.
    fn quicken(&mut self) {
        if self.slow.is_none() {
            return;
        }
        let (start_s, rate) = (self.start_s.unwrap_or(0.0), f64::from(self.rate_hz));
        let (slow, stated, due) = (&self.slow, &mut self.stated, &mut self.due);
        self.block.retain(|_| {
            let stated_s = start_s + *stated as f64 / rate;
            *stated += 1;
            *due += 1.0 / slow.slower_at(stated_s);
            // Eighths add up exactly, thirds do not.
            let given = *due > 1.0 - 1e-9;
            *due -= f64::from(u8::from(given));
            given
        });
    }

    /// All that is left, in one piece.
    ///
    /// # Errors
    /// As [`SoundReader::next_block`].
    pub fn collect(mut self) -> Result<Sound, FootageError> {
        let mut samples = Vec::new();
        let mut start_s = None;
        while let Some(block) = self.next_block()? {
            start_s.get_or_insert(block.start_s);
            samples.extend_from_slice(block.samples);
        }
        Ok(Sound {
            sample_rate_hz: self.rate_hz,
            start_s: start_s.unwrap_or(0.0),
            samples,
        })
    }

    /// Puts samples into the block, or goes a step on.
    fn fill(&mut self) -> Result<(), FootageError> {
        if self.silence_due > 0 {
            let count = usize::try_from(self.silence_due)
                .unwrap_or(usize::MAX)
                .min(SILENCE_BLOCK);
            self.silence_due -= count as u64;
            return self.resample(&vec![0.0; count]);
        }
        if !self.decoded.is_empty() {
            let samples = std::mem::take(&mut self.decoded);
            return self.resample(&samples);
        }
        let next = match &mut self.decoder {
            Some(decoder) => decoder.next(&mut self.decoded)?,
            None => Next::End,
        };
        match next {
            Next::End => return self.next_chapter(),
            Next::Untimed => self.align(None),
            Next::At(time_s) => self.align(Some(time_s)),
        }
        Ok(())
    }

    fn next_chapter(&mut self) -> Result<(), FootageError> {
        self.decoded.clear();
        self.current += 1;
        self.at_seam = true;
        if let Some(chapter) = self.chapters.get(self.current) {
            self.decoder = SoundDecoder::open(&chapter.footage, self.native_hz)?;
            return Ok(());
        }
        self.ended = true;
        self.resampler
            .finish(&mut self.block)
            .map_err(|reason| self.failed(reason))
    }

    /// Compares the time of decoded samples with the count, and puts in silence or cuts samples where they differ.
    fn align(&mut self, time_s: Option<f64>) {
        let chapter = &self.chapters[self.current];
        let offset = MediaTime {
            ticks: chapter.offset_ticks,
            base: chapter.footage.probe().time_base,
        };
        let rate = f64::from(self.native_hz);
        let tick_s = self.decoder.as_ref().map_or(0.0, SoundDecoder::tick_s);
        let Some(time_s) = time_s.map(|time_s| time_s + offset.seconds()) else {
            self.start_s.get_or_insert(offset.seconds());
            return;
        };
        let start_s = *self.start_s.get_or_insert(time_s);
        let ahead_s = time_s - (start_s + self.taken as f64 / rate);
        let at_seam = std::mem::take(&mut self.at_seam);
        let trusted_s = if at_seam {
            0.5 / rate
        } else {
            TRUST_COUNT_S.max(2.0 * tick_s)
        };
        if ahead_s.abs() <= trusted_s {
            return;
        }
        self.jumps += u64::from(!at_seam);
        let end_s = self.taken as f64 / rate + ahead_s;
        if ahead_s > LONGEST_JUMP_S || end_s > chapter.footage.limits().max_duration_s {
            // A time that cannot be: the samples are passed over.
            self.decoded.clear();
            return;
        }
        let samples = (ahead_s.abs() * rate).round();
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "not negative, and bounded by the longest recording allowed; the cast saturates"
        )]
        let samples = samples as u64;
        if ahead_s > 0.0 {
            self.silence_due = samples;
        } else {
            let cut = usize::try_from(samples)
                .unwrap_or(usize::MAX)
                .min(self.decoded.len());
            self.decoded.drain(..cut);
        }
    }

    fn resample(&mut self, samples: &[f32]) -> Result<(), FootageError> {
        self.taken += samples.len() as u64;
        self.resampler
            .push(samples, &mut self.block)
            .map_err(|reason| self.failed(reason))
    }

    fn failed(&self, reason: ffmpeg_next::Error) -> FootageError {
        let last = self.chapters.len() - 1;
        FootageError::Decode {
            path: self.chapters[self.current.min(last)].footage.path().clone(),
            action: "resampling the sound",
            reason: reason.to_string(),
        }
    }
}
