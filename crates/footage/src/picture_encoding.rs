use ff::format::Pixel;
use ff::{Rational, encoder, frame};
use ffmpeg_next as ff;

use crate::clip_settings::{ClipSettings, VideoCodec};
use crate::plane::{PlaneView, RowView};

/// The pixel format of a clip.
pub(crate) fn pixel_format(settings: &ClipSettings) -> Pixel {
    if settings.bit_depth == 8 {
        Pixel::YUV420P
    } else {
        Pixel::YUV420P10LE
    }
}

/// An open encoder for the pictures of a clip.
pub(crate) fn video_encoder(
    settings: &ClipSettings,
    global_header: bool,
) -> Result<encoder::video::Encoder, ff::Error> {
    let name = match settings.codec {
        VideoCodec::H264 => "libx264",
        VideoCodec::Hevc => "libx265",
    };
    let codec = encoder::find_by_name(name).ok_or(ff::Error::EncoderNotFound)?;
    let mut context = ff::codec::Context::new_with_codec(codec);
    context.set_threading(ff::threading::Config::count(settings.threads.max(1)));
    let mut video = context.encoder().video()?;
    video.set_width(settings.width_px);
    video.set_height(settings.height_px);
    video.set_format(pixel_format(settings));
    video.set_time_base(Rational::new(
        settings.time_base.numerator,
        settings.time_base.denominator,
    ));
    video.set_frame_rate(Some(Rational::from(settings.nominal_rate_hz)));
    video.set_gop(settings.key_frame_every.max(1));
    if let Some(b_frames) = settings.b_frames {
        video.set_max_b_frames(usize::from(b_frames));
    }
    video.set_colorspace(ff::color::Space::BT709);
    video.set_color_primaries(ff::color::Primaries::BT709);
    video.set_color_transfer_characteristic(ff::color::TransferCharacteristic::BT709);
    video.set_color_range(if settings.full_range {
        ff::color::Range::JPEG
    } else {
        ff::color::Range::MPEG
    });
    if global_header {
        video.set_flags(ff::codec::Flags::GLOBAL_HEADER);
    }
    let mut options = ff::Dictionary::new();
    options.set("preset", &settings.preset);
    options.set("crf", &settings.crf.to_string());
    if settings.codec == VideoCodec::Hevc {
        let threads = settings.threads.max(1);
        // x265 prints by itself, and takes all cores unless told otherwise.
        options.set(
            "x265-params",
            &format!(
                "log-level=none:pools={threads}:frame-threads={}",
                threads.min(4)
            ),
        );
    }
    video.open_as_with(codec, options)
}

/// Rows (a b u), (c d v), (x y w) of ISO/IEC 14496-12: a clockwise turn, x right, y down, shifted so that the
/// turned picture starts at (0, 0).
pub(crate) fn display_matrix(settings: &ClipSettings) -> [i32; 9] {
    const ONE: i32 = 1 << 16;
    let (cosine, sine) = match settings.rotation_deg {
        90 => (0, ONE),
        180 => (-ONE, 0),
        270 => (0, -ONE),
        _ => (ONE, 0),
    };
    let shift = |side_px: u32| i32::try_from(side_px << 16).unwrap_or(0);
    let (x, y) = match settings.rotation_deg {
        90 => (shift(settings.height_px), 0),
        180 => (shift(settings.width_px), shift(settings.height_px)),
        270 => (0, shift(settings.width_px)),
        _ => (0, 0),
    };
    [cosine, sine, 0, -sine, cosine, 0, x, y, 1 << 30]
}

/// Copies a plane into a frame of the same depth.
pub(crate) fn copy_plane(plane: PlaneView<'_>, frame: &mut frame::Video, index: usize) {
    let stride = frame.stride(index);
    let rows = frame.data_mut(index).chunks_mut(stride);
    for (y, row) in rows.take(plane.height()).enumerate() {
        match plane.row(y) {
            RowView::Eight(samples) => row[..samples.len()].copy_from_slice(samples),
            RowView::Sixteen(samples) => {
                for (bytes, sample) in row.chunks_exact_mut(2).zip(samples) {
                    bytes.copy_from_slice(&sample.to_le_bytes());
                }
            }
        }
    }
}
