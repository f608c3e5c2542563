use std::path::Path;

use ff::format::Pixel;
use ff::software::scaling;
use ff::{Packet, decoder, encoder, frame};
use ffmpeg_next as ff;

use crate::container;
use crate::conversion::Conversion;
use crate::error::FootageError;
use crate::limits::Limits;
use crate::picture::Picture;
use crate::plane::Plane;
use crate::rgb::RgbImage;

/// Writes a picture as a PNG file, under a temporary name first.
///
/// # Errors
/// [`FootageError::Shape`] unless the samples fill the picture; [`FootageError::File`] if it cannot be written.
pub fn write_png(path: &Path, image: &RgbImage) -> Result<(), FootageError> {
    let bytes = encode_png(image)?;
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(".part");
    let part = path.with_file_name(name);
    std::fs::write(&part, bytes)
        .and_then(|()| std::fs::rename(&part, path))
        .map_err(|source| FootageError::File {
            path: path.into(),
            source,
        })
}

/// A picture as PNG bytes.
///
/// # Errors
/// [`FootageError::Shape`] unless the samples fill the picture.
pub fn encode_png(image: &RgbImage) -> Result<Vec<u8>, FootageError> {
    image.check()?;
    let frame = rgb_frame(image);
    encode(&frame, ff::codec::Id::PNG, &[]).map_err(|reason| FootageError::Still {
        action: "coding a PNG picture",
        reason: reason.to_string(),
    })
}

/// A picture as JPEG bytes; quality 1 (small) to 100 (good).
///
/// # Errors
/// [`FootageError::Shape`] unless the samples fill the picture.
pub fn encode_jpeg(image: &RgbImage, quality: u8) -> Result<Vec<u8>, FootageError> {
    image.check()?;
    let coded = || {
        let rgb = rgb_frame(image);
        let (width, height) = (rgb.width(), rgb.height());
        let flags =
            scaling::Flags::BILINEAR | scaling::Flags::ACCURATE_RND | scaling::Flags::BITEXACT;
        let mut scaler = scaling::Context::get(
            Pixel::RGB24,
            width,
            height,
            Pixel::YUVJ420P,
            width,
            height,
            flags,
        )?;
        let mut frame = frame::Video::new(Pixel::YUVJ420P, width, height);
        scaler.run(&rgb, &mut frame)?;
        frame.set_color_range(ff::color::Range::JPEG);
        // FFmpeg counts from 2 (good) to 31 (small).
        let quality = u32::from(quality.clamp(1, 100));
        let step = (2 + (100 - quality) * 29 / 99).to_string();
        encode(
            &frame,
            ff::codec::Id::MJPEG,
            &[("qmin", &step), ("qmax", &step)],
        )
    };
    coded().map_err(|reason: ff::Error| FootageError::Still {
        action: "coding a JPEG picture",
        reason: reason.to_string(),
    })
}

/// Reads a still picture: JPEG, PNG or PGM/PPM, by its content. Gray levels come through unchanged.
///
/// # Errors
/// Missing, empty, too large, no such picture, damaged.
pub fn read_still(path: &Path, limits: &Limits) -> Result<Picture, FootageError> {
    container::quiet();
    container::file_name(path)?;
    let file = |source| FootageError::File {
        path: path.into(),
        source,
    };
    let size = std::fs::metadata(path).map_err(file)?.len();
    if size > limits.max_still_bytes {
        let limit = limits.max_still_bytes as f64;
        return Err(container::over(
            path,
            "the size in bytes",
            size as f64,
            limit,
        ));
    }
    let bytes = std::fs::read(path).map_err(file)?;
    let decode = |reason: String| FootageError::Decode {
        path: path.into(),
        action: "reading a still picture",
        reason,
    };
    let codec = match &bytes[..] {
        [0x89, b'P', b'N', b'G', ..] => ff::codec::Id::PNG,
        [0xff, 0xd8, ..] => ff::codec::Id::MJPEG,
        [b'P', b'2' | b'5', ..] => ff::codec::Id::PGM,
        [b'P', b'3' | b'6', ..] => ff::codec::Id::PPM,
        _ => return Err(decode("this is neither JPEG, PNG nor PGM".into())),
    };
    let frame = decode_still(&bytes, codec, limits).map_err(|reason| decode(reason.to_string()))?;
    if frame.width() > limits.max_width_px || frame.height() > limits.max_height_px {
        let side = f64::from(frame.width().max(frame.height()));
        let limit = f64::from(limits.max_width_px.min(limits.max_height_px));
        return Err(container::over(
            path,
            "the longer side in pixels",
            side,
            limit,
        ));
    }
    let mut conversion = Conversion::default();
    Ok(conversion.view(&frame, path)?.to_picture())
}

/// Reads the gray levels of a still picture, 8 bits; see [`read_still`].
///
/// # Errors
/// As [`read_still`].
pub fn read_still_gray(path: &Path, limits: &Limits) -> Result<Plane, FootageError> {
    Ok(read_still(path, limits)?.luma.view().to_gray8())
}

fn decode_still(
    bytes: &[u8],
    codec: ff::codec::Id,
    limits: &Limits,
) -> Result<frame::Video, ff::Error> {
    let codec = decoder::find(codec).ok_or(ff::Error::DecoderNotFound)?;
    let mut context = ff::codec::Context::new_with_codec(codec);
    context.set_threading(ff::threading::Config::count(1));
    let mut options = ff::Dictionary::new();
    options.set("max_pixels", &limits.max_pixels.to_string());
    let mut decoder = context.decoder().open_as_with(codec, options)?.video()?;
    let mut frame = frame::Video::empty();
    decoder.send_packet(&Packet::copy(bytes))?;
    decoder.send_eof()?;
    decoder.receive_frame(&mut frame)?;
    Ok(frame)
}

fn rgb_frame(image: &RgbImage) -> frame::Video {
    let mut frame = frame::Video::new(Pixel::RGB24, image.width_px, image.height_px);
    let stride = frame.stride(0);
    let width = 3 * image.width_px as usize;
    for (to, from) in frame
        .data_mut(0)
        .chunks_mut(stride)
        .zip(image.samples.chunks(width))
    {
        to[..width].copy_from_slice(from);
    }
    frame
}

fn encode(
    frame: &frame::Video,
    codec: ff::codec::Id,
    options: &[(&str, &str)],
) -> Result<Vec<u8>, ff::Error> {
    container::quiet();
    let codec = encoder::find(codec).ok_or(ff::Error::EncoderNotFound)?;
    let mut context = ff::codec::Context::new_with_codec(codec);
    context.set_threading(ff::threading::Config::count(1));
    let mut video = context.encoder().video()?;
    video.set_width(frame.width());
    video.set_height(frame.height());
    video.set_format(frame.format());
    video.set_time_base(ff::Rational::new(1, 25));
    video.set_flags(ff::codec::Flags::BITEXACT);
    let mut encoder = video.open_as_with(codec, options.iter().collect())?;
    encoder.send_frame(frame)?;
    encoder.send_eof()?;
    let mut packet = Packet::empty();
    encoder.receive_packet(&mut packet)?;
    Ok(packet.data().unwrap_or_default().to_vec())
}
