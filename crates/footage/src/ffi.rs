#![expect(
    unsafe_code,
    reason = "what ffmpeg-next 9 has no safe call for: stream side data and codec tags on writing, packet flags, \
              seeking in one stream, the index of a container, the depth of reordering, a bound for blocks of memory, who holds a frame, 16-bit samples. Each \
              function below is safe to call: it checks what FFmpeg does not"
)]

use ffmpeg_next::codec::packet::Ref as _;
use ffmpeg_next::ffi;
use ffmpeg_next::format::Pixel;
use ffmpeg_next::format::context::{Input, Output};
use ffmpeg_next::software::scaling;
use ffmpeg_next::{Error, Packet, decoder, frame};

/// FFmpeg's release, as its builder calls it.
pub(crate) fn release() -> String {
    // SAFETY: the text is a constant of FFmpeg, ended by a zero.
    let words = unsafe { std::ffi::CStr::from_ptr(ffi::av_version_info()) };
    words.to_string_lossy().into_owned()
}

/// No block of memory that `FFmpeg` takes may be larger than this from now on, in the whole process.
pub(crate) fn bound_blocks(bytes: usize) {
    // SAFETY: one number is stored, atomically; every allocation of FFmpeg reads it.
    unsafe { ffi::av_max_alloc(bytes) }
}

/// Does nobody else hold the memory of a frame, so that it may be written again?
pub(crate) fn is_free(frame: &mut frame::Video) -> bool {
    // SAFETY: the frame is whole and borrowed for writing; only the counts of its buffers are read.
    unsafe { ffi::av_frame_is_writable(frame.as_mut_ptr()) > 0 }
}

/// What a pixel format is made of.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PixelMake {
    pub(crate) bit_depth: u8,
    /// Red, green and blue, or a palette of them, or gray: full range by nature.
    pub(crate) full_range: bool,
}

/// What a pixel format is made of; `None` for pictures in the memory of a graphics card and for no format.
pub(crate) fn pixel_make(format: Pixel) -> Option<PixelMake> {
    let descriptor = format.descriptor()?;
    // SAFETY: descriptors are constants of FFmpeg; plain fields are read.
    let (depth, components, flags) = unsafe {
        let descriptor = &*descriptor.as_ptr();
        (
            descriptor.comp[0].depth,
            descriptor.nb_components,
            descriptor.flags,
        )
    };
    let has = |flag: i32| flags & u64::from(flag.unsigned_abs()) != 0;
    let by_nature =
        has(ffi::AV_PIX_FMT_FLAG_RGB) || has(ffi::AV_PIX_FMT_FLAG_PAL) || components < 3;
    (!has(ffi::AV_PIX_FMT_FLAG_HWACCEL)).then_some(PixelMake {
        bit_depth: u8::try_from(depth).ok()?,
        full_range: by_nature || descriptor.name().starts_with("yuvj"),
    })
}

/// The words in a plane of more than 8 bits; `None` if the bytes are not aligned for words (FFmpeg aligns to 16).
pub(crate) fn words(bytes: &[u8]) -> Option<&[u16]> {
    // SAFETY: every pair of bytes is a valid u16, and `align_to` takes care of alignment.
    let (before, words, after) = unsafe { bytes.align_to::<u16>() };
    (before.is_empty() && after.is_empty()).then_some(words)
}

/// How many frames may come out of the decoder between a frame's turn to be decoded and its turn to be shown.
pub(crate) fn reorder_depth(decoder: &decoder::Video) -> usize {
    // SAFETY: the context lives as long as the decoder; a plain field is read.
    let depth = unsafe { (*decoder.as_ptr()).has_b_frames };
    usize::try_from(depth).unwrap_or(0)
}

/// Whether the edit list cuts this packet away (it is decoded, but never shown).
pub(crate) fn is_cut_away(packet: &Packet) -> bool {
    // SAFETY: the packet is valid as long as it is borrowed; a plain field is read.
    let flags = unsafe { (*packet.as_ptr()).flags };
    flags & ffi::AV_PKT_FLAG_DISCARD != 0
}

/// Tells the demuxer to skip all other streams (it then does not even read their bytes).
pub(crate) fn keep_only(input: &mut Input, stream: usize) {
    // SAFETY: `streams` holds `nb_streams` valid pointers; a plain field of each is written.
    unsafe {
        let context = input.as_mut_ptr();
        for index in 0..(*context).nb_streams as usize {
            if index != stream {
                (**(*context).streams.add(index)).discard = ffi::AVDiscard::AVDISCARD_ALL;
            }
        }
    }
}

/// Tells the demuxer to skip all frames of a stream but key frames, where it can.
pub(crate) fn want_only_keys(input: &mut Input, stream: usize) {
    // SAFETY: the stream number is checked; `streams` holds `nb_streams` valid pointers; a plain field is written.
    unsafe {
        let context = input.as_mut_ptr();
        if stream < (*context).nb_streams as usize {
            (**(*context).streams.add(stream)).discard = ffi::AVDiscard::AVDISCARD_NONKEY;
        }
    }
}

/// Moves the demuxer to the last key frame at or before a time, in ticks of the stream.
pub(crate) fn seek_back(input: &mut Input, stream: usize, ticks: i64) -> Result<(), Error> {
    let stream = i32::try_from(stream).map_err(|_too_large| Error::StreamNotFound)?;
    // SAFETY: the context is valid; FFmpeg checks the stream number.
    let result =
        unsafe { ffi::av_seek_frame(input.as_mut_ptr(), stream, ticks, ffi::AVSEEK_FLAG_BACKWARD) };
    if result < 0 {
        Err(Error::from(result))
    } else {
        Ok(())
    }
}

/// Decode time of the last key frame at or before a time, in ticks of the stream, as the container's index says; `None`
/// where it has no index.
pub(crate) fn key_frame_before(input: &mut Input, stream: usize, ticks: i64) -> Option<i64> {
    // SAFETY: the stream number is checked; the entry is null-checked and read at once.
    unsafe {
        let context = input.as_mut_ptr();
        if stream >= (*context).nb_streams as usize {
            return None;
        }
        let stream = *(*context).streams.add(stream);
        let entry =
            ffi::avformat_index_get_entry_from_timestamp(stream, ticks, ffi::AVSEEK_FLAG_BACKWARD);
        (!entry.is_null()).then(|| (*entry).timestamp)
    }
}

/// How many frames of a stream stand before the packet at a byte position, without those cut away, as the
/// container's index says; `None` if the packet is not in the index.
pub(crate) fn rank_in_index(input: &mut Input, stream: usize, position: i64) -> Option<u64> {
    // SAFETY: the stream number is checked; entries are read below the count that FFmpeg gives, and are null-checked.
    unsafe {
        let context = input.as_mut_ptr();
        if stream >= (*context).nb_streams as usize {
            return None;
        }
        let stream = *(*context).streams.add(stream);
        let mut rank = 0;
        for at in 0..ffi::avformat_index_get_entries_count(stream) {
            let entry = ffi::avformat_index_get_entry(stream, at);
            if entry.is_null() {
                return None;
            }
            if (*entry).pos == position {
                return Some(rank);
            }
            if (*entry).flags() & ffi::AVINDEX_DISCARD_FRAME == 0 {
                rank += 1;
            }
        }
        None
    }
}

/// Writes the turn that shows a stored picture upright into the container. `matrix` is the display matrix of
/// ISO/IEC 14496-12, row by row, 16.16 (last column 2.30).
pub(crate) fn set_display_matrix(
    output: &mut Output,
    stream: usize,
    matrix: &[i32; 9],
) -> Result<(), Error> {
    // SAFETY: the stream number is checked; the buffer comes from FFmpeg's allocator, which takes ownership of it
    // when the call succeeds, and is freed here when it fails.
    unsafe {
        let context = output.as_mut_ptr();
        if stream >= (*context).nb_streams as usize {
            return Err(Error::StreamNotFound);
        }
        let size = size_of_val(matrix);
        let buffer = ffi::av_malloc(size).cast::<u8>();
        if buffer.is_null() {
            return Err(Error::Unknown);
        }
        std::ptr::copy_nonoverlapping(matrix.as_ptr().cast::<u8>(), buffer, size);
        let result = ffi::av_stream_add_side_data(
            *(*context).streams.add(stream),
            ffi::AVPacketSideDataType::AV_PKT_DATA_DISPLAYMATRIX,
            buffer,
            size,
        );
        if result < 0 {
            ffi::av_free(buffer.cast());
            return Err(Error::from(result));
        }
    }
    Ok(())
}

/// Sets the four letters by which the container names the codec of a stream.
pub(crate) fn set_codec_tag(output: &mut Output, stream: usize, tag: [u8; 4]) {
    // SAFETY: the stream number is checked; `codecpar` is never null in an allocated stream.
    unsafe {
        let context = output.as_mut_ptr();
        if stream < (*context).nb_streams as usize {
            (*(**(*context).streams.add(stream)).codecpar).codec_tag = u32::from_le_bytes(tag);
        }
    }
}

/// A converter of pixel formats that may move to another thread.
pub(crate) struct Scaler(scaling::Context);

// SAFETY: an SwsContext has no ties to the thread that made it; it is owned here and only used through `&mut`.
unsafe impl Send for Scaler {}

impl Scaler {
    pub(crate) fn new(context: scaling::Context) -> Self {
        Self(context)
    }

    pub(crate) fn run(&mut self, from: &frame::Video, to: &mut frame::Video) -> Result<(), Error> {
        self.0.run(from, to)
    }

    pub(crate) fn input(&self) -> &scaling::context::Definition {
        self.0.input()
    }
}
