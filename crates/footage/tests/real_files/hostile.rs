//! Damaged and hostile files: an error or data, never a panic, never a hang.

use std::path::Path;

use crate::common::{ffmpeg, open, read_all, small, write_numbered};
use drawarc_footage::{
    ClipSettings, ClipWriter, Condition, Footage, Limits, Picture, SoundSettings, read_still,
};

/// A small generator of numbers (xorshift; Marsaglia, Journal of Statistical Software 8(14), 2003): the same files each time.
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, end: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % end as u64) as usize
    }
}

/// A clip with sound and moving noise, so that its pictures have bytes to be damaged.
fn lively(path: &Path) {
    let settings = ClipSettings {
        sound: Some(SoundSettings::default()),
        b_frames: Some(2),
        preset: "veryfast".into(),
        key_frame_every: 15,
        nominal_rate_hz: 60.0,
        ..small()
    };
    let mut clip = ClipWriter::create(path, &settings).unwrap();
    let mut numbers = Numbers(7);
    for n in 0..90 {
        let mut picture = Picture::new(64, 48, 8);
        for sample in picture.luma.as_u8_mut().unwrap() {
            *sample = 60 + numbers.below(100) as u8;
        }
        clip.push_frame(n * 1500, &picture).unwrap();
    }
    let noise: Vec<f32> = (0..72_000)
        .map(|_| numbers.below(1000) as f32 / 2000.0 - 0.25)
        .collect();
    clip.push_sound(&noise).unwrap();
    clip.finish().unwrap();
}

/// Reads everything there is; gives how many frames came, if the file opens at all.
fn devour(path: &Path) -> Option<(u64, Condition)> {
    let limits = Limits {
        max_pixels: 1 << 20,
        ..Limits::default()
    };
    let footage = Footage::open(path, &limits).ok()?;
    let mut reader = footage.frames(2).ok()?;
    let mut last = None;
    while let Ok(Some(frame)) = reader.next_frame() {
        assert!(last.is_none_or(|last| frame.time.ticks > last));
        last = Some(frame.time.ticks);
    }
    let condition = reader.condition().clone();
    if reader.seek(0.7).is_ok() {
        let _ = reader.next_frame();
    }
    if let Ok(Some(mut sound)) = footage.sound_blocks(16_000) {
        let mut blocks = 0;
        while let Ok(Some(block)) = sound.next_block() {
            assert!(block.samples.len() < 1 << 20);
            blocks += 1;
            if blocks > 20_000 {
                break;
            }
        }
    }
    Some((condition.frames, condition))
}

#[test]
fn flipped_bytes_anywhere_do_no_harm() {
    let folder = tempfile::tempdir().unwrap();
    let whole = folder.path().join("whole.mp4");
    lively(&whole);
    let bytes = std::fs::read(&whole).unwrap();
    let head = bytes.windows(4).position(|four| four == b"mdat").unwrap();
    let damaged = folder.path().join("damaged.mp4");
    let (mut opened, mut complaints) = (0, 0);
    for variant in 0..240_u64 {
        let mut numbers = Numbers(variant * 0x9e37_79b9 + 1);
        let mut copy = bytes.clone();
        // Half of the variants damage the index, where it hurts most.
        let reach = if variant % 2 == 0 { head } else { copy.len() };
        for _ in 0..=numbers.below(12) {
            let at = numbers.below(reach);
            copy[at] = numbers.below(256) as u8;
        }
        std::fs::write(&damaged, &copy).unwrap();
        if let Some((_, condition)) = devour(&damaged) {
            opened += 1;
            complaints += u32::from(!condition.remarks().is_empty());
        }
    }
    assert!(opened > 100, "{opened} of 240 variants could be opened");
    assert!(
        complaints > 50,
        "{complaints} of {opened} had something to say"
    );
}

#[test]
fn a_file_cut_anywhere_does_no_harm() {
    let folder = tempfile::tempdir().unwrap();
    let whole = folder.path().join("whole.mp4");
    lively(&whole);
    for container in ["mp4", "mkv", "avi", "ts"] {
        let path = folder.path().join(format!("copy.{container}"));
        let mut arguments = vec!["-i", whole.to_str().unwrap(), "-c", "copy"];
        if container == "mp4" {
            arguments.extend(["-movflags", "faststart"]);
        }
        arguments.push(path.to_str().unwrap());
        ffmpeg(&arguments);
        let bytes = std::fs::read(&path).unwrap();
        let cut = folder.path().join(format!("cut.{container}"));
        let mut most = 0;
        for part in 1..16 {
            std::fs::write(&cut, &bytes[..bytes.len() * part / 16]).unwrap();
            let frames = devour(&cut).map_or(0, |(frames, _)| frames);
            assert!(
                frames >= most,
                "{container}: {frames} frames from {part}/16, {most} from less"
            );
            most = frames;
        }
        assert!(most > 60, "{container}: {most}");
    }
}

/// Overwrites a 32-bit number of an MP4 box, `offset` bytes after its name.
fn patch(bytes: &mut [u8], name: [u8; 4], offset: usize, value: u32) {
    let at = bytes.windows(4).position(|four| four == name).unwrap() + offset;
    bytes[at..at + 4].copy_from_slice(&value.to_be_bytes());
}

#[test]
fn impossible_numbers_in_the_container_are_refused_or_survived() {
    let folder = tempfile::tempdir().unwrap();
    let whole = folder.path().join("whole.mp4");
    lively(&whole);
    let bytes = std::fs::read(&whole).unwrap();
    let path = folder.path().join("hostile.mp4");
    for (name, offset, value) in [
        (*b"mdhd", 16, 0),        // time scale zero
        (*b"mdhd", 16, u32::MAX), // and enormous
        (*b"mdhd", 20, u32::MAX), // length
        (*b"stsz", 12, u32::MAX), // number of samples
        (*b"stsz", 8, u32::MAX),  // size of a sample
        (*b"stts", 8, u32::MAX),  // number of time entries
        (*b"stts", 12, u32::MAX), // samples in one entry
        (*b"stts", 16, u32::MAX), // length of a sample
        (*b"ctts", 16, 0x7fff_ffff),
        (*b"elst", 16, 0x7fff_ffff),
        (*b"stco", 8, u32::MAX),
        (*b"stco", 12, u32::MAX),
        (*b"stsc", 16, u32::MAX),    // samples in a chunk
        (*b"avc1", 28, 0xffff_ffff), // width and height
        (*b"mvhd", 16, 0),
    ] {
        let mut copy = bytes.clone();
        patch(&mut copy, name, offset, value);
        std::fs::write(&path, &copy).unwrap();
        let frames = devour(&path).map(|(frames, _)| frames);
        assert!(
            frames.is_none_or(|frames| frames <= 90),
            "{name:?} {offset}: {frames:?}"
        );
    }
}

#[test]
fn time_that_runs_backwards_is_reported() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("clip.mp4");
    let settings = ClipSettings {
        b_frames: Some(0),
        ..small()
    };
    write_numbered(
        &path,
        &settings,
        &(0..60).map(|n| n * 1500).collect::<Vec<_>>(),
    );
    let back = folder.path().join("back.mkv");
    ffmpeg(&[
        "-i",
        path.to_str().unwrap(),
        "-c",
        "copy",
        back.to_str().unwrap(),
    ]);
    // Frame 20, a block of track 1 at 333 ms, is put back to 90 ms. (Matroska, RFC 9559, 10.1: track number, 16-bit time, flags.)
    let mut bytes = std::fs::read(&back).unwrap();
    let block = [0x81, 0x01, 0x4d];
    let found: Vec<usize> = (0..bytes.len() - 3)
        .filter(|&at| bytes[at..at + 3] == block)
        .collect();
    assert_eq!(found.len(), 1);
    bytes[found[0] + 1..found[0] + 3].copy_from_slice(&[0x00, 90]);
    std::fs::write(&back, &bytes).unwrap();
    let footage = open(&back);
    let mut reader = footage.frames(2).unwrap();
    let (mut count, mut last) = (0, f64::NEG_INFINITY);
    while let Some(frame) = reader.next_frame().unwrap() {
        assert!(frame.time_s > last);
        last = frame.time_s;
        count += 1;
    }
    assert_eq!((count, reader.condition().backward_frames), (59, 1));
    assert!(reader.condition().remarks()[0].contains("time ran backwards"));
}

#[test]
fn a_damaged_picture_is_counted_and_the_others_are_delivered() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("whole.mp4");
    lively(&path);
    let before = read_all(&open(&path), 1);
    let mut bytes = std::fs::read(&path).unwrap();
    let middle = bytes.len() * 2 / 3;
    bytes[middle..middle + 4000].fill(0x55);
    std::fs::write(&path, &bytes).unwrap();
    let footage = open(&path);
    let mut reader = footage.frames(2).unwrap();
    let mut same = 0;
    while let Some(frame) = reader.next_frame().unwrap() {
        // Whatever comes carries the time of its own place.
        assert_eq!(frame.time.ticks, before[frame.index as usize].1);
        same += 1;
    }
    let condition = reader.condition();
    assert!(same >= 60, "{same}");
    assert!(
        condition.corrupt_packets + condition.damaged_frames + condition.lost_frames > 0,
        "{condition:?}"
    );
    assert_eq!(same + condition.lost_frames, 90, "{condition:?}");
}

#[test]
fn damaged_stills_do_no_harm() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("still");
    let image = drawarc_footage::RgbImage::filled(40, 30, [90, 140, 200]);
    let good = [
        drawarc_footage::encode_png(&image).unwrap(),
        drawarc_footage::encode_jpeg(&image, 80).unwrap(),
        [b"P5 40 30 255\n".as_slice(), &[7; 1200]].concat(),
    ];
    let limits = Limits {
        max_pixels: 1 << 20,
        ..Limits::default()
    };
    for bytes in &good {
        for variant in 1..60_u64 {
            let mut numbers = Numbers(variant);
            let mut copy = bytes.clone();
            for _ in 0..3 {
                let at = 2 + numbers.below(copy.len().min(80) - 2);
                copy[at] = numbers.below(256) as u8;
            }
            copy.truncate(numbers.below(copy.len()) + copy.len() / 2);
            std::fs::write(&path, &copy).unwrap();
            let _ = read_still(&path, &limits);
        }
    }
    std::fs::write(&path, b"P5 100000 100000 255\n").unwrap();
    assert!(read_still(&path, &limits).is_err());
}
