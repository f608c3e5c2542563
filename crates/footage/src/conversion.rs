use std::path::Path;

use ff::format::Pixel;
use ff::frame;
use ff::software::scaling;
use ffmpeg_next as ff;

use crate::error::FootageError;
use crate::ffi::{self, Scaler};
use crate::picture::{ColourMatrix, PictureView};
use crate::plane::{PlaneView, RowView};

/// How a pixel format is delivered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Layout {
    /// Planar 4:2:0: in place.
    Planar,
    /// Luma in place, chroma interleaved (hardware decoders): chroma is copied apart.
    HalfPlanar,
    /// Luma in place, no chroma: neutral chroma is added.
    Gray,
    /// Converted once, to this format.
    Converted(Pixel),
}

fn layout(format: Pixel, full_range: bool) -> Option<(Layout, u8)> {
    Some(match format {
        Pixel::YUV420P | Pixel::YUVJ420P => (Layout::Planar, 8),
        Pixel::YUV420P10LE => (Layout::Planar, 10),
        Pixel::NV12 => (Layout::HalfPlanar, 8),
        Pixel::GRAY8 => (Layout::Gray, 8),
        other => {
            let make = ffi::pixel_make(other)?;
            // A full-range source must stay full range: the scaler would squeeze it into video range.
            if make.bit_depth > 8 {
                (Layout::Converted(Pixel::YUV420P10LE), 10)
            } else if full_range || make.full_range {
                (Layout::Converted(Pixel::YUVJ420P), 8)
            } else {
                (Layout::Converted(Pixel::YUV420P), 8)
            }
        }
    })
}

/// Bits a sample with which a format is delivered; `None` if it cannot be.
pub(crate) fn delivered_depth(format: Pixel) -> Option<u8> {
    layout(format, false).map(|(_, bit_depth)| bit_depth)
}

/// Brings decoded frames into planar 4:2:0.
#[derive(Default)]
pub(crate) struct Conversion {
    scaler: Option<Scaler>,
    converted: Option<frame::Video>,
    cb: Vec<u8>,
    cr: Vec<u8>,
}

impl Conversion {
    /// The frame as planes; in place where its format allows.
    pub(crate) fn view<'a>(
        &'a mut self,
        decoded: &'a frame::Video,
        path: &Path,
    ) -> Result<PictureView<'a>, FootageError> {
        let unsupported = || FootageError::UnsupportedPixels {
            path: path.into(),
            format: decoded
                .format()
                .descriptor()
                .map_or_else(|| "none".into(), |format| format.name().into()),
        };
        let full_range = decoded.color_range() == ff::color::Range::JPEG;
        let (mut layout, bit_depth) =
            layout(decoded.format(), full_range).ok_or_else(unsupported)?;
        if !matches!(layout, Layout::Converted(_)) && !is_plain(decoded) {
            // Rows stored from bottom to top: the scaler reads them, we do not.
            layout = Layout::Converted(match (bit_depth, full_range || layout == Layout::Gray) {
                (10, _) => Pixel::YUV420P10LE,
                (_, true) => Pixel::YUVJ420P,
                (_, false) => Pixel::YUV420P,
            });
        }
        let matrix = matrix_of(decoded);
        let (width, height) = (decoded.width() as usize, decoded.height() as usize);
        let view = match layout {
            Layout::Planar => planar(decoded, bit_depth, full_range, matrix),
            Layout::Converted(to) => {
                self.scale(decoded, to, path)?;
                self.converted
                    .as_ref()
                    .and_then(|frame| planar(frame, bit_depth, full_range, matrix))
            }
            Layout::HalfPlanar | Layout::Gray => {
                let half = (width.div_ceil(2), height.div_ceil(2));
                if layout == Layout::Gray {
                    self.cb.clear();
                    self.cb.resize(half.0 * half.1, 128);
                    self.cr.clone_from(&self.cb);
                } else {
                    self.split_chroma(decoded, half);
                }
                let chroma =
                    |samples| PlaneView::new(half.0, half.1, half.0, 8, RowView::Eight(samples));
                plane(decoded, 0, 8)
                    .zip(chroma(&self.cb).zip(chroma(&self.cr)))
                    .map(|(luma, (cb, cr))| PictureView {
                        luma,
                        cb,
                        cr,
                        bit_depth,
                        full_range: full_range || layout == Layout::Gray,
                        matrix,
                    })
            }
        };
        view.ok_or_else(unsupported)
    }

    fn scale(
        &mut self,
        decoded: &frame::Video,
        to: Pixel,
        path: &Path,
    ) -> Result<(), FootageError> {
        let failed = |reason: ff::Error| FootageError::Decode {
            path: path.into(),
            action: "converting a picture to planar 4:2:0",
            reason: reason.to_string(),
        };
        let (format, width, height) = (decoded.format(), decoded.width(), decoded.height());
        let from = scaling::context::Definition {
            format,
            width,
            height,
        };
        if self
            .scaler
            .as_ref()
            .is_none_or(|scaler| *scaler.input() != from)
        {
            let flags =
                scaling::Flags::BILINEAR | scaling::Flags::ACCURATE_RND | scaling::Flags::BITEXACT;
            let context = scaling::Context::get(format, width, height, to, width, height, flags)
                .map_err(failed)?;
            self.scaler = Some(Scaler::new(context));
            self.converted = Some(frame::Video::new(to, width, height));
        }
        let (Some(scaler), Some(converted)) = (&mut self.scaler, &mut self.converted) else {
            return Ok(());
        };
        scaler.run(decoded, converted).map_err(failed)
    }

    fn split_chroma(&mut self, decoded: &frame::Video, half: (usize, usize)) {
        self.cb.clear();
        self.cr.clear();
        let stride = decoded.stride(1);
        for row in decoded.data(1).chunks(stride).take(half.1) {
            for pair in row.chunks_exact(2).take(half.0) {
                self.cb.push(pair[0]);
                self.cr.push(pair[1]);
            }
        }
    }
}

/// Whether the rows of every plane run from top to bottom in memory of their own.
fn is_plain(decoded: &frame::Video) -> bool {
    let widest = (decoded.width() as usize + 4096) * 16;
    (0..decoded.planes()).all(|index| decoded.stride(index) <= widest)
}

fn planar(
    frame: &frame::Video,
    bit_depth: u8,
    full_range: bool,
    matrix: ColourMatrix,
) -> Option<PictureView<'_>> {
    Some(PictureView {
        luma: plane(frame, 0, bit_depth)?,
        cb: plane(frame, 1, bit_depth)?,
        cr: plane(frame, 2, bit_depth)?,
        bit_depth,
        full_range: full_range || frame.format() == Pixel::YUVJ420P,
        matrix,
    })
}

fn plane(frame: &frame::Video, index: usize, bit_depth: u8) -> Option<PlaneView<'_>> {
    if index >= frame.planes() || frame.stride(index) > (frame.width() as usize + 4096) * 16 {
        return None;
    }
    let (width, height) = (
        frame.plane_width(index) as usize,
        frame.plane_height(index) as usize,
    );
    let (bytes, stride) = (frame.data(index), frame.stride(index));
    if bit_depth > 8 {
        PlaneView::new(
            width,
            height,
            stride / 2,
            bit_depth,
            RowView::Sixteen(ffi::words(bytes)?),
        )
    } else {
        PlaneView::new(width, height, stride, bit_depth, RowView::Eight(bytes))
    }
}

/// The matrix that the stream names; else by size, as players do (BT.709 from 720 rows on).
fn matrix_of(frame: &frame::Video) -> ColourMatrix {
    match frame.color_space() {
        ff::color::Space::BT709 => ColourMatrix::Bt709,
        ff::color::Space::BT470BG | ff::color::Space::SMPTE170M => ColourMatrix::Bt601,
        ff::color::Space::BT2020NCL | ff::color::Space::BT2020CL => ColourMatrix::Bt2020,
        _ if frame.width().min(frame.height()) >= 720 => ColourMatrix::Bt709,
        _ => ColourMatrix::Bt601,
    }
}
