use crate::chapters::Chapter;
use crate::condition::{Condition, Gap, GapWatch};
use crate::conversion::Conversion;
use crate::decoding::{Decoded, PictureDecoder};
use crate::error::FootageError;
use crate::picture::PictureView;
use crate::slow_motion::SlowMotion;
use crate::time::{MediaTime, TimeBase};

/// A frame, in place: it borrows the reader until the next one is asked for.
#[derive(Debug, Clone, Copy)]
pub struct Frame<'a> {
    /// The frame's place among all frames of the recording, from 0. Frames that cannot be decoded leave holes, so that an index means
    /// the same frame however one came to it.
    pub index: u64,
    /// Presentation time, exact, as the file states it.
    pub time: MediaTime,
    /// The same in seconds; of slow motion, when it was filmed.
    pub time_s: f64,
    /// The decoder found errors in it (a corrupt packet, or a frame that it refers to is missing).
    pub damaged: bool,
    /// A key frame: coded without any picture before it.
    pub key: bool,
    /// The picture as stored.
    pub picture: PictureView<'a>,
}

/// No film begins so long before its clock's zero (s).
const LONGEST_AGO_S: f64 = 1e6;

/// Frames one after the other, with strictly increasing times.
pub struct FrameReader {
    chapters: Vec<Chapter>,
    threads: usize,
    current: usize,
    decoder: PictureDecoder,
    conversion: Conversion,
    condition: Condition,
    watch: GapWatch,
    not_before: Option<i64>,
    last_ticks: Option<i64>,
    ended: bool,
    slow: SlowMotion,
    keys_only: bool,
}

impl std::fmt::Debug for FrameReader {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter
            .debug_struct("FrameReader")
            .field("file", self.decoder.path())
            .field("condition", &self.condition)
            .finish_non_exhaustive()
    }
}

impl FrameReader {
    pub(crate) fn open(chapters: Vec<Chapter>, threads: usize) -> Result<Self, FootageError> {
        let first = chapters.first().ok_or(FootageError::NoChapters)?;
        let decoder = PictureDecoder::open(&first.footage, threads)?;
        Ok(Self {
            chapters,
            threads,
            current: 0,
            decoder,
            conversion: Conversion::default(),
            condition: Condition::default(),
            watch: GapWatch::default(),
            not_before: None,
            last_ticks: None,
            ended: false,
            slow: SlowMotion::default(),
            keys_only: false,
        })
    }

    pub(crate) fn only_keys(mut self) -> Self {
        self.keys_only = true;
        self.decoder.only_keys();
        self
    }

    pub(crate) fn filmed_slow(mut self, slow: SlowMotion) -> Self {
        self.slow = slow;
        self
    }

    /// The next frame; `None` at the end. What was wrong on the way is data: [`FrameReader::condition`].
    ///
    /// # Errors
    /// Pictures of another size or of a format that cannot be read; the next chapter cannot be opened.
    pub fn next_frame(&mut self) -> Result<Option<Frame<'_>>, FootageError> {
        let Some(decoded) = self.advance()? else {
            return Ok(None);
        };
        let time = MediaTime {
            ticks: decoded.ticks,
            base: self.base(),
        };
        let time_s = self.slow.filmed_s(time.seconds());
        self.condition.frames += 1;
        // Between key frames there are gaps, of course.
        if !self.keys_only {
            self.watch.frame(decoded.index, time_s);
        }
        let picture = self.conversion.view(
            &self.decoder.frame,
            self.chapters[self.current].footage.path(),
        )?;
        Ok(Some(Frame {
            index: decoded.index,
            time,
            time_s,
            damaged: decoded.damaged,
            key: decoded.key,
            picture,
        }))
    }

    /// Makes the first frame at or after a time the next one. Frames before it are decoded as far as it needs
    /// them, and dropped.
    ///
    /// # Errors
    /// The file went or cannot be read again.
    pub fn seek(&mut self, to_s: f64) -> Result<(), FootageError> {
        // FFmpeg takes the smallest of all ticks for no time at all; of HEVC it then showed the last pictures.
        let to_s = to_s.max(-LONGEST_AGO_S);
        // The first tick not before the time. A thousandth of a tick is rounding: a frame's own time finds that frame.
        let to_s = self.slow.stated_s(to_s);
        let base = self.base();
        let nearest = base.nearest_tick(to_s);
        let time_s = MediaTime {
            ticks: nearest,
            base,
        }
        .seconds();
        let target = nearest.saturating_add(i64::from(to_s - time_s > 1e-3 * base.seconds()));
        let chapter = self
            .chapters
            .iter()
            .rposition(|chapter| chapter.offset_ticks <= target)
            .unwrap_or(0);
        let own = target.saturating_sub(self.chapters[chapter].offset_ticks);
        let ahead = self.last_ticks.is_some_and(|last| last < target);
        if chapter == self.current && !self.ended && ahead && self.decoder.leads_to(own) {
            self.decoder.want_from(own);
            self.watch.pause();
            self.not_before = Some(target);
            return Ok(());
        }
        if chapter != self.current || self.ended {
            self.enter(chapter)?;
        }
        self.decoder.seek(own)?;
        self.decoder.want_from(own);
        self.watch.pause();
        self.not_before = Some(target);
        self.last_ticks = None;
        self.ended = false;
        Ok(())
    }

    /// Longer steps than usual among the frames read so far. A step is judged when the 15 after it are known, or at
    /// the end.
    pub fn gaps(&self) -> &[Gap] {
        &self.watch.gaps
    }

    /// What was wrong so far.
    pub fn condition(&self) -> &Condition {
        &self.condition
    }

    fn base(&self) -> TimeBase {
        self.chapters[self.current].footage.probe().time_base
    }

    fn enter(&mut self, chapter: usize) -> Result<(), FootageError> {
        self.decoder = PictureDecoder::open(&self.chapters[chapter].footage, self.threads)?;
        if self.keys_only {
            self.decoder.only_keys();
        }
        self.current = chapter;
        Ok(())
    }

    /// The next frame to deliver, its time and index those of the recording.
    fn advance(&mut self) -> Result<Option<Decoded>, FootageError> {
        while !self.ended {
            let chapter = &self.chapters[self.current];
            let Some(mut decoded) = self.decoder.next(&mut self.condition)? else {
                self.check_end();
                if self.current + 1 < self.chapters.len() {
                    self.enter(self.current + 1)?;
                } else {
                    self.ended = true;
                    self.watch.pause();
                }
                continue;
            };
            decoded.ticks = decoded.ticks.saturating_add(chapter.offset_ticks);
            decoded.index += chapter.first_index;
            if self.not_before.is_some_and(|target| decoded.ticks < target) {
                continue;
            }
            self.not_before = None;
            if self.last_ticks.is_some_and(|last| decoded.ticks <= last) {
                self.condition.backward_frames += 1;
                continue;
            }
            self.last_ticks = Some(decoded.ticks);
            return Ok(Some(decoded));
        }
        Ok(None)
    }

    /// Compares the end with the length that the container promised.
    fn check_end(&mut self) {
        let chapter = &self.chapters[self.current];
        let probe = chapter.footage.probe();
        let (Some(last), Some(step_s)) = (self.last_ticks, self.watch.usual_step_s()) else {
            return;
        };
        let seconds = |ticks: i64| {
            let base = probe.time_base;
            MediaTime { ticks, base }.seconds()
        };
        let own_s = seconds(last.saturating_sub(chapter.offset_ticks));
        let step_s = step_s * self.slow.slower_at(seconds(last));
        let end_s = own_s + step_s;
        let promised_s = probe.start_s + probe.duration_s;
        if probe.duration_s > 0.0 && promised_s - end_s > (3.0 * step_s).max(0.2) {
            let cut_at_s = end_s + seconds(chapter.offset_ticks);
            self.condition.cut_at_s = Some(self.slow.filmed_s(cut_at_s));
        }
    }
}
