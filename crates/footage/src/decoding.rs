use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use ff::format::context::Input;
use ff::{Discard, Packet, decoder, frame};
use ffmpeg_next as ff;

use crate::condition::Condition;
use crate::error::FootageError;
use crate::footage::Footage;
use crate::presentation::{Placed, Presentation};
use crate::{container, ffi};

/// Demuxer or decoder errors in a row after which the rest of a file is given up.
const ERRORS_IN_A_ROW: u32 = 300;

/// A frame that was decoded.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Decoded {
    pub(crate) ticks: i64,
    pub(crate) index: u64,
    pub(crate) damaged: bool,
    pub(crate) key: bool,
}

/// The pictures of one file, decoded one after the other.
pub(crate) struct PictureDecoder {
    footage: Footage,
    threads: usize,
    input: Input,
    decoder: decoder::Video,
    packet: Packet,
    presentation: Presentation,
    /// The frame that [`PictureDecoder::next`] announced last.
    pub(crate) frame: frame::Video,
    draining: bool,
    errors_in_a_row: u32,
    /// A key frame that was read while seeking and still has to be decoded.
    pending: bool,
    /// Frames before this tick are not wanted: those that no other frame stands on are not decoded.
    not_before: Option<i64>,
    /// Decode time of the packet that was read last.
    last_dts: Option<i64>,
    /// Only key frames are read and decoded.
    keys_only: bool,
}

/// A decoder for one stream, threaded by frames.
pub(crate) fn open_decoder(
    path: &Path,
    stream: &ff::format::stream::Stream<'_>,
    threads: usize,
    max_pixels: u64,
) -> Result<decoder::Video, FootageError> {
    let failed = |reason: ff::Error| FootageError::Decode {
        path: path.into(),
        action: "starting the decoder",
        reason: reason.to_string(),
    };
    let mut context = ff::codec::Context::from_parameters(stream.parameters()).map_err(failed)?;
    let mut threading = ff::threading::Config::count(threads.max(1));
    threading.kind = ff::threading::Type::Frame;
    context.set_threading(threading);
    let mut decoder = context.decoder();
    decoder.set_packet_time_base(stream.time_base());
    let codec = decoder::find(decoder.id()).ok_or_else(|| FootageError::UnsupportedCodec {
        path: path.into(),
        codec: decoder.id().name().into(),
    })?;
    let mut options = ff::Dictionary::new();
    options.set("max_pixels", &max_pixels.to_string());
    decoder
        .open_as_with(codec, options)
        .and_then(decoder::Opened::video)
        .map_err(failed)
}

impl PictureDecoder {
    pub(crate) fn open(footage: &Footage, threads: usize) -> Result<Self, FootageError> {
        let path = footage.path();
        let mut input = container::open(path, footage.limits())?;
        ffi::keep_only(&mut input, footage.picture_stream());
        let stream = input
            .stream(footage.picture_stream())
            .ok_or_else(|| FootageError::NoPictures { path: path.into() })?;
        let decoder = open_decoder(path, &stream, threads, footage.limits().max_pixels)?;
        let presentation = Presentation::new(ffi::reorder_depth(&decoder));
        Ok(Self {
            footage: footage.clone(),
            threads,
            input,
            decoder,
            packet: Packet::empty(),
            presentation,
            frame: frame::Video::empty(),
            draining: false,
            errors_in_a_row: 0,
            pending: false,
            not_before: None,
            last_dts: None,
            keys_only: false,
        })
    }

    /// From here on only key frames come, which need no other to be decoded.
    pub(crate) fn only_keys(&mut self) {
        self.keys_only = true;
        ffi::want_only_keys(&mut self.input, self.footage.picture_stream());
    }

    pub(crate) fn path(&self) -> &PathBuf {
        self.footage.path()
    }

    /// Decodes the next frame into [`PictureDecoder::frame`]; `None` at the end.
    pub(crate) fn next(
        &mut self,
        condition: &mut Condition,
    ) -> Result<Option<Decoded>, FootageError> {
        loop {
            match self.decoder.receive_frame(&mut self.frame) {
                Ok(()) => {
                    self.errors_in_a_row = 0;
                    self.check_size()?;
                    let placed = self.presentation.place(self.frame.pts());
                    let lost = self.presentation.take_lost();
                    condition.decode_times_only |= self.presentation.dealt_out();
                    if let Some(target) = self.not_before {
                        // What was left out on the way to the frame that is wanted is no loss.
                        if matches!(placed, Placed::At { ticks, .. } if ticks >= target) {
                            self.not_before = None;
                        }
                    } else {
                        condition.lost_frames += lost;
                    }
                    match placed {
                        Placed::At { ticks, index } => {
                            let damaged = self.frame.is_corrupt() || self.frame.has_decode_errors();
                            condition.damaged_frames += u64::from(damaged);
                            return Ok(Some(Decoded {
                                ticks,
                                index,
                                damaged,
                                key: self.frame.is_key(),
                            }));
                        }
                        Placed::Untimed => condition.untimed_frames += 1,
                        Placed::Backwards => condition.backward_frames += 1,
                    }
                }
                Err(ff::Error::Eof) => {
                    self.presentation.end();
                    condition.lost_frames += self.presentation.take_lost();
                    return Ok(None);
                }
                Err(ff::Error::Other {
                    errno: ff::error::EAGAIN,
                }) if !self.draining => {
                    self.feed(condition);
                }
                Err(_) => {
                    condition.corrupt_packets += 1;
                    if self.error_is_last() {
                        return Ok(None);
                    }
                }
            }
        }
    }

    /// Hands one packet to the decoder, or tells it that there are no more.
    fn feed(&mut self, condition: &mut Condition) {
        if !std::mem::take(&mut self.pending) && !self.read(condition) {
            self.draining = true;
            if self.decoder.send_eof().is_err() {
                condition.corrupt_packets += 1;
            }
            return;
        }
        if !ffi::is_cut_away(&self.packet) {
            self.presentation.sent(self.packet.pts(), self.packet.dts());
        }
        let unwanted = self.leaves_out(self.packet.pts());
        self.decoder.skip_frame(if unwanted {
            Discard::NonReference
        } else {
            Discard::Default
        });
        // Empty packets mean "the end" to the decoder.
        let broken = self.packet.is_corrupt() || self.packet.size() == 0;
        let refused = self.packet.size() > 0 && self.decoder.send_packet(&self.packet).is_err();
        condition.corrupt_packets += u64::from(broken || refused);
    }

    /// May a frame be left undecoded, unless others stand on it? H.264 says of each picture whether any other does; HEVC
    /// only within its layer. Where instants are dealt out in the order of showing, every frame counts.
    fn leaves_out(&self, pts: Option<i64>) -> bool {
        self.decoder.id() == ff::codec::Id::H264
            && self.presentation.times_are_stated()
            && self
                .not_before
                .zip(pts)
                .is_some_and(|(target, pts)| pts < target)
    }

    /// Frames before a tick are not wanted, until the first that is.
    pub(crate) fn want_from(&mut self, ticks: i64) {
        self.not_before = Some(ticks);
    }

    /// Is going on the shortest way to a tick: does no key frame lie between what was read last and it?
    pub(crate) fn leads_to(&mut self, ticks: i64) -> bool {
        let early = ticks.saturating_sub(self.footage.reorder_span_ticks());
        let stream = self.footage.picture_stream();
        !self.draining
            && ffi::key_frame_before(&mut self.input, stream, early)
                .zip(self.last_dts)
                .is_some_and(|(key, last)| key <= last)
    }

    /// Reads the next packet of the pictures; `false` at the end.
    fn read(&mut self, condition: &mut Condition) -> bool {
        loop {
            match container::read_packet(&mut self.packet, &mut self.input) {
                Ok(()) if self.packet.stream() == self.footage.picture_stream() => {
                    self.last_dts = self.packet.dts();
                    // Not every demuxer leaves the others out by itself.
                    if self.keys_only && !self.packet.is_key() {
                        continue;
                    }
                    return true;
                }
                Ok(()) => {}
                // A demuxer can find its way after a corrupt packet; every other error is final.
                Err(ff::Error::InvalidData) if !self.error_is_last() => {
                    condition.corrupt_packets += 1;
                }
                Err(_) => return false,
            }
        }
    }

    fn error_is_last(&mut self) -> bool {
        self.errors_in_a_row += 1;
        self.errors_in_a_row > ERRORS_IN_A_ROW
    }

    fn check_size(&self) -> Result<(), FootageError> {
        let probe = self.footage.probe();
        let (from_px, to_px) = (
            (probe.width_px, probe.height_px),
            (self.frame.width(), self.frame.height()),
        );
        if from_px == to_px {
            return Ok(());
        }
        Err(FootageError::SizeChanged {
            path: self.path().clone(),
            from_px,
            to_px,
        })
    }

    /// Goes to a key frame from which all frames from `ticks` on can be decoded.
    pub(crate) fn seek(&mut self, ticks: i64) -> Result<(), FootageError> {
        self.last_dts = None;
        if self.seek_by_index(ticks) {
            return Ok(());
        }
        self.seek_by_reading(ticks)
    }

    /// MP4 and MOV carry an index of all frames: no reading is needed.
    fn seek_by_index(&mut self, ticks: i64) -> bool {
        let stream = self.footage.picture_stream();
        if !self.footage.probe().container.starts_with("mov") {
            return false;
        }
        // The index holds decode times; a frame is shown at most the depth of reordering later.
        let early = ticks.saturating_sub(self.footage.reorder_span_ticks());
        if ffi::seek_back(&mut self.input, stream, early).is_err() {
            return false;
        }
        self.decoder.flush();
        self.draining = false;
        if !self.read(&mut Condition::default()) {
            return false;
        }
        let position = i64::try_from(self.packet.position()).unwrap_or(-1);
        let Some(index) = ffi::rank_in_index(&mut self.input, stream, position) else {
            return false;
        };
        self.pending = true;
        self.presentation.restart(index);
        true
    }

    /// Other containers: the packets are read (not decoded) from the start, which costs the reading of the file.
    fn seek_by_reading(&mut self, ticks: i64) -> Result<(), FootageError> {
        let mut scout = Self::open(&self.footage, 1)?;
        let mut nothing = Condition::default();
        let (mut count, mut key_frame) = (0, 0);
        while scout.read(&mut nothing) {
            let instant = scout.packet.pts().or(scout.packet.dts());
            if instant.is_some_and(|instant| instant > ticks + self.footage.reorder_span_ticks()) {
                break;
            }
            if scout.packet.is_key() && instant.is_some_and(|instant| instant <= ticks) {
                key_frame = count;
            }
            count += 1;
        }
        let keys_only = self.keys_only;
        *self = Self::open(&self.footage, self.threads)?;
        let mut rank = 0;
        for _ in 0..=key_frame {
            if !self.read(&mut nothing) {
                break;
            }
            rank += u64::from(!ffi::is_cut_away(&self.packet));
        }
        self.pending = rank > 0;
        self.presentation.restart(rank.saturating_sub(1));
        if keys_only {
            self.only_keys();
        }
        Ok(())
    }
}

/// How far the pictures of a file reach.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Extent {
    /// Frames that are shown.
    pub(crate) frames: u64,
    /// End of the last frame, in ticks.
    pub(crate) end_ticks: i64,
}

/// How far the pictures of a file reach, as its packets say; nothing is decoded. MP4 and MOV have an index, so that only the last packets are read.
pub(crate) fn extent(footage: &Footage) -> Result<Extent, FootageError> {
    let mut reader = PictureDecoder::open(footage, 1)?;
    let mut extent = Extent::default();
    let mut nothing = Condition::default();
    let promised = footage.probe().start_s + footage.probe().duration_s;
    let near_end =
        footage.probe().time_base.nearest_tick(promised) - 2 * footage.reorder_span_ticks();
    if near_end > 0 && !reader.seek_by_index(near_end) {
        reader = PictureDecoder::open(footage, 1)?;
    }
    if reader.pending {
        extent.frames = reader.presentation.next_index();
    }
    let mut last = BTreeSet::new();
    while std::mem::take(&mut reader.pending) || reader.read(&mut nothing) {
        if ffi::is_cut_away(&reader.packet) {
            continue;
        }
        extent.frames += 1;
        last.extend(reader.packet.pts().or(reader.packet.dts()));
        if last.len() > LAST_FRAMES {
            last.pop_first();
        }
    }
    extent.end_ticks = end_of(&last, footage.probe().time_base.nearest_tick(promised));
    Ok(extent)
}

/// Frames from whose steps the length of the last one is taken.
const LAST_FRAMES: usize = 32;

/// The end of the last frame. Packets of reordered frames carry no length, so that the container's word for the whole is asked first;
/// it is believed if it lies within three steps after the last frame.
fn end_of(last: &BTreeSet<i64>, promised: i64) -> i64 {
    let Some(&end) = last.last() else {
        return promised.max(0);
    };
    let mut steps: Vec<i64> = last
        .iter()
        .zip(last.iter().skip(1))
        .map(|(from, to)| to - from)
        .collect();
    steps.sort_unstable();
    let step = steps.get(steps.len() / 2).copied().unwrap_or(0);
    if promised > end && promised - end <= 3 * step.max(1) {
        promised
    } else {
        end + step
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_end_of_a_chapter_is_stated_or_one_step_after_its_last_frame() {
        let last: BTreeSet<i64> = [100, 201, 300, 400].into();
        assert_eq!(end_of(&last, 507), 507);
        assert_eq!(end_of(&last, 400), 500);
        assert_eq!(end_of(&last, 9000), 500);
        assert_eq!(end_of(&BTreeSet::new(), 70), 70);
    }
}
