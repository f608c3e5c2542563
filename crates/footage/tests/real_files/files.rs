//! Rotation, pixel formats, chapters, stills, and files that are not what they should be.

use crate::common::{ffmpeg, irregular, numbered, open, read_all, small, write_numbered};
use drawarc_footage::{
    ClipSettings, ClipWriter, ColourMatrix, Footage, FootageError, Limits, Picture, Recording,
    RgbImage, SoundSettings, VideoCodec,
};
use std::path::Path;

fn error(path: &Path) -> FootageError {
    Footage::open(path, &Limits::default()).unwrap_err()
}

#[test]
fn rotation_is_reported_and_never_applied() {
    let folder = tempfile::tempdir().unwrap();
    for rotation_deg in [0, 90, 180, 270] {
        let path = folder.path().join(format!("{rotation_deg}.mp4"));
        write_numbered(
            &path,
            &ClipSettings {
                rotation_deg,
                ..small()
            },
            &[0, 1500, 3000],
        );
        let footage = open(&path);
        assert_eq!(footage.probe().rotation_deg, rotation_deg);
        assert_eq!(
            (footage.probe().width_px, footage.probe().height_px),
            (64, 48)
        );
        // ffprobe counts the other way round, from -180 to 180.
        let output = std::process::Command::new("ffprobe")
            .args([
                "-v",
                "quiet",
                "-show_entries",
                "stream_side_data=rotation",
                "-of",
                "csv=p=0",
            ])
            .arg(&path)
            .output()
            .unwrap();
        let text = String::from_utf8(output.stdout).unwrap();
        let theirs: i32 = text.trim().trim_matches(',').parse().unwrap_or(0);
        assert_eq!((-theirs).rem_euclid(360), i32::from(rotation_deg), "{text}");
    }
}

#[test]
fn turning_for_people_is_clockwise() {
    let mut image = RgbImage::filled(4, 2, [10, 10, 10]);
    image.set(3, 0, [250, 250, 250]);
    let picture = Picture::from_rgb(&image).unwrap();
    for (rotation_deg, size, at) in [
        (0, (4, 2), (3, 0)),
        (90, (2, 4), (1, 3)),
        (180, (4, 2), (0, 1)),
        (270, (2, 4), (0, 0)),
    ] {
        let turned = picture.to_rgb(rotation_deg);
        assert_eq!((turned.width_px, turned.height_px), size);
        assert!(turned.get(at.0, at.1)[1] > 200, "{rotation_deg}");
    }
}

#[test]
fn pixel_formats_come_as_planar_420_with_their_luma_unchanged() {
    let folder = tempfile::tempdir().unwrap();
    // A ramp of gray, stored without loss.
    let source = folder.path().join("ramp.pgm");
    let mut pgm = b"P5 256 64 255\n".to_vec();
    pgm.extend((0..64).flat_map(|_| 0..=255_u8));
    std::fs::write(&source, pgm).unwrap();
    let luma = |path: &Path| -> (Vec<u16>, u8, bool) {
        let footage = open(path);
        let mut reader = footage.frames(1).unwrap();
        let frame = reader.next_frame().unwrap().unwrap();
        assert_eq!(frame.picture.cb.width(), 128);
        assert_eq!(frame.picture.cb.height(), 32);
        let row = frame.picture.luma.row(10);
        let row = (0..256).map(|x| row.get(x)).collect();
        (row, frame.picture.bit_depth, frame.picture.full_range)
    };
    let store = |format: &str, name: &str, codec: &str| {
        let path = folder.path().join(name);
        ffmpeg(&[
            "-loop",
            "1",
            "-i",
            source.to_str().unwrap(),
            "-frames:v",
            "3",
            "-pix_fmt",
            format,
            "-c:v",
            codec,
            path.to_str().unwrap(),
        ]);
        path
    };
    let (video_range, depth, full) = luma(&store("yuv420p", "420.mkv", "ffv1"));
    assert_eq!(
        (depth, full, video_range[0], video_range[255]),
        (8, false, 16, 235)
    );
    for format in ["yuv422p", "yuv444p", "nv12"] {
        let codec = if format == "nv12" { "rawvideo" } else { "ffv1" };
        let (row, depth, full) = luma(&store(format, &format!("{format}.mkv"), codec));
        assert_eq!((depth, full), (8, false), "{format}");
        assert_eq!(row, video_range, "{format}");
    }
    let (gray, _, full) = luma(&store("gray", "gray.mkv", "ffv1"));
    assert!(full);
    assert!(gray.iter().copied().eq(0..256));
    let (jpeg, _, full) = luma(&store("yuvj444p", "jpeg.avi", "mjpeg"));
    assert!(full);
    assert!(
        jpeg.iter()
            .zip(0..256)
            .all(|(&ours, wanted)| i32::from(ours).abs_diff(wanted) <= 8),
        "{jpeg:?}"
    );
    let (bgr, _, full) = luma(&store("bgr24", "bgr.avi", "rawvideo"));
    assert!(full, "raw BGR is stored bottom to top");
    assert!(
        bgr.iter()
            .zip(0..256)
            .all(|(&ours, wanted)| i32::from(ours).abs_diff(wanted) <= 1)
    );
    for format in ["yuv420p10le", "yuv422p10le", "yuv444p12le"] {
        let (row, depth, _) = luma(&store(format, &format!("{format}.mkv"), "ffv1"));
        assert_eq!((depth, row[0], row[255]), (10, 64, 940), "{format}");
    }
}

#[test]
fn colours_survive_writing_and_reading() {
    let folder = tempfile::tempdir().unwrap();
    for colour in [[220, 30, 40], [20, 200, 60], [30, 60, 230], [250, 120, 20]] {
        let image = RgbImage::filled(64, 48, colour);
        let path = folder.path().join("colour.mp4");
        let mut clip = ClipWriter::create(&path, &small()).unwrap();
        clip.push_frame(0, &Picture::from_rgb(&image).unwrap())
            .unwrap();
        clip.finish().unwrap();
        let footage = open(&path);
        let mut reader = footage.frames(1).unwrap();
        let frame = reader.next_frame().unwrap().unwrap();
        assert_eq!(frame.picture.matrix, ColourMatrix::Bt709);
        let back = frame.picture.to_rgb(0).get(30, 20);
        for (ours, wanted) in back.iter().zip(colour) {
            assert!(ours.abs_diff(wanted) <= 4, "{back:?} {colour:?}");
        }
    }
}

#[test]
fn chapters_run_on_evenly_with_their_sound() {
    let folder = tempfile::tempdir().unwrap();
    let mut paths = Vec::new();
    let step = 1501;
    for chapter in 0..3_i64 {
        let path = folder.path().join(format!("chapter {chapter} ü.mp4"));
        let settings = ClipSettings {
            sound: Some(SoundSettings::default()),
            nominal_rate_hz: 90_000.0 / step as f64,
            b_frames: Some(2),
            preset: "veryfast".into(),
            ..small()
        };
        let mut clip = ClipWriter::create(&path, &settings).unwrap();
        for n in 0..60 {
            clip.push_frame(n * step, &numbered((60 * chapter + n) as u16, &settings))
                .unwrap();
        }
        let from = 60 * step * chapter * 48_000 / 90_000;
        let to = 60 * step * (chapter + 1) * 48_000 / 90_000;
        let samples: Vec<f32> = (from..to).map(|n| (n as f32 * 0.05).sin() * 0.5).collect();
        clip.push_sound(&samples).unwrap();
        clip.finish().unwrap();
        paths.push(path);
    }
    let recording = Recording::open(&paths, &Limits::default()).unwrap();
    let mut reader = recording.frames(2).unwrap();
    let mut count = 0;
    while let Some(frame) = reader.next_frame().unwrap() {
        assert_eq!(
            (frame.index, frame.time.ticks),
            (count as u64, count * step)
        );
        assert!(
            (i64::from(frame.picture.luma.get(30, 30)) - 16 - count).abs() <= 2,
            "{count}"
        );
        count += 1;
    }
    assert_eq!(count, 180);
    assert_eq!(reader.gaps(), []);
    for at in [130_i64, 20, 60, 59, 179, 119, 120] {
        reader.seek((at * step) as f64 / 90_000.0).unwrap();
        let frame = reader.next_frame().unwrap().unwrap();
        assert_eq!((frame.index, frame.time.ticks), (at as u64, at * step));
    }
    let sound = recording.sound(48_000).unwrap().unwrap();
    let whole_s = (180 * step) as f64 / 90_000.0;
    assert!(
        (sound.duration_s() - whole_s).abs() < 0.025,
        "{}",
        sound.duration_s()
    );
    assert!((recording.probe().duration_s - whole_s).abs() < 1e-3);
    // The tone goes on in phase in the middle of the last chapter.
    let at = 130 * step as usize * 48_000 / 90_000;
    let error: f32 = (at..at + 2000)
        .map(|n| (sound.samples[n] - (n as f32 * 0.05).sin() * 0.5).abs())
        .fold(0.0, f32::max);
    assert!(error < 0.06, "{error}");

    let other = folder.path().join("other.mp4");
    write_numbered(
        &other,
        &ClipSettings {
            width_px: 80,
            ..small()
        },
        &[0, 1500],
    );
    let message = Recording::open(&[paths[0].clone(), other], &Limits::default())
        .unwrap_err()
        .to_string();
    assert!(message.contains("80×48 px, not 64×48 px"), "{message}");
    assert!(matches!(
        Recording::open(&[], &Limits::default()),
        Err(FootageError::NoChapters)
    ));
}

#[test]
fn wrong_files_are_named_for_what_they_are() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    assert!(matches!(
        error(&at("none.mp4")),
        FootageError::Missing { .. }
    ));
    assert!(matches!(
        error(folder.path()),
        FootageError::NotAFile { .. }
    ));
    assert!(matches!(
        error(Path::new("/dev/zero")),
        FootageError::NotAFile { .. }
    ));
    std::fs::write(at("empty.mp4"), []).unwrap();
    assert!(matches!(
        error(&at("empty.mp4")),
        FootageError::Empty { .. }
    ));
    std::fs::write(
        at("text.mp4"),
        "Dear coach, here is the video.\n".repeat(50),
    )
    .unwrap();
    assert!(
        matches!(error(&at("text.mp4")), FootageError::NotVideo { .. }),
        "{}",
        error(&at("text.mp4"))
    );
    std::fs::write(at("list.mp4"), "#EXTM3U\n#EXTINF:1,\n/etc/passwd\n").unwrap();
    assert!(
        matches!(error(&at("list.mp4")), FootageError::NotVideo { .. }),
        "{}",
        error(&at("list.mp4"))
    );
    std::fs::write(at("link.mp4"), "http://example.org/video.mp4").unwrap();
    assert!(matches!(
        error(&at("link.mp4")),
        FootageError::NotVideo { .. }
    ));
    ffmpeg(&[
        "-f",
        "lavfi",
        "-i",
        "sine=d=0.5",
        at("sound.mp4").to_str().unwrap(),
    ]);
    assert!(matches!(
        error(&at("sound.mp4")),
        FootageError::NoPictures { .. }
    ));

    write_numbered(
        &at("whole.mp4"),
        &ClipSettings {
            faststart: false,
            ..small()
        },
        &irregular(60),
    );
    let bytes = std::fs::read(at("whole.mp4")).unwrap();
    std::fs::write(at("cut.mp4"), &bytes[..bytes.len() / 2]).unwrap();
    assert!(
        matches!(error(&at("cut.mp4")), FootageError::Unfinished { .. }),
        "{}",
        error(&at("cut.mp4"))
    );
}

#[test]
fn more_than_the_limits_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    write_numbered(&at("whole.mp4"), &small(), &irregular(60));
    let narrow = Limits {
        max_width_px: 32,
        ..Limits::default()
    };
    let refused = Footage::open(&at("whole.mp4"), &narrow)
        .unwrap_err()
        .to_string();
    assert!(
        refused.contains("the width in pixels is 64, more than the limit of 32"),
        "{refused}"
    );
    let short = Limits {
        max_duration_s: 0.5,
        ..Limits::default()
    };
    assert!(matches!(
        Footage::open(&at("whole.mp4"), &short),
        Err(FootageError::OverLimit { .. })
    ));
    let few = Limits {
        max_streams: 0,
        ..Limits::default()
    };
    assert!(matches!(
        Footage::open(&at("whole.mp4"), &few),
        Err(FootageError::OverLimit { .. })
    ));
}

#[test]
fn a_cut_file_gives_all_frames_up_to_the_cut_and_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("clip.mp4");
    write_numbered(
        &path,
        &ClipSettings {
            nominal_rate_hz: 60.0,
            ..small()
        },
        &irregular(200),
    );
    let whole = read_all(&open(&path), 1);
    let bytes = std::fs::read(&path).unwrap();
    std::fs::write(&path, &bytes[..bytes.len() * 3 / 4]).unwrap();
    let footage = open(&path);
    let part = read_all(&footage, 2);
    assert!(part.len() > 60 && part.len() < 190, "{}", part.len());
    for (ours, wanted) in part.iter().zip(&whole).take(part.len() - 1) {
        assert_eq!(ours, wanted);
    }
    let mut reader = footage.frames(1).unwrap();
    while reader.next_frame().unwrap().is_some() {}
    let end_s = reader.condition().cut_at_s.expect("the cut is reported");
    assert!((end_s - part.last().unwrap().1 as f64 / 90_000.0).abs() < 0.03);
    assert!(
        reader
            .condition()
            .remarks()
            .iter()
            .any(|remark| remark.contains("cut short"))
    );
}

#[test]
fn hdr_tones_are_remarked() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hdr.mp4");
    ffmpeg(&[
        "-f",
        "lavfi",
        "-i",
        "testsrc=s=64x48:r=30:d=0.2",
        "-pix_fmt",
        "yuv420p10le",
        "-c:v",
        "libx265",
        "-color_primaries",
        "bt2020",
        "-color_trc",
        "arib-std-b67",
        "-colorspace",
        "bt2020nc",
        "-x265-params",
        "log-level=none:colorprim=bt2020:transfer=arib-std-b67:colormatrix=bt2020nc",
        path.to_str().unwrap(),
    ]);
    let footage = open(&path);
    assert_eq!(
        (footage.probe().codec.as_str(), footage.probe().bit_depth),
        ("hevc", 10)
    );
    assert!(
        footage
            .probe()
            .remarks
            .iter()
            .any(|remark| remark.contains("HLG")),
        "{:?}",
        footage.probe().remarks
    );
}

#[test]
fn impossible_clips_are_refused_and_leave_nothing_behind() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("clip.mp4");
    for settings in [
        ClipSettings {
            width_px: 63,
            ..small()
        },
        ClipSettings {
            bit_depth: 9,
            ..small()
        },
        ClipSettings {
            rotation_deg: 45,
            ..small()
        },
        ClipSettings { crf: 60, ..small() },
        ClipSettings {
            preset: "no such preset".into(),
            ..small()
        },
        ClipSettings {
            nominal_rate_hz: f64::NAN,
            ..small()
        },
        ClipSettings {
            codec: VideoCodec::Hevc,
            preset: "fastest".into(),
            ..small()
        },
    ] {
        let refused = ClipWriter::create(&path, &settings);
        assert!(refused.is_err(), "{settings:?}");
    }
    assert!(ClipWriter::create(&folder.path().join("no/folder.mp4"), &small()).is_err());
    let mut clip = ClipWriter::create(&path, &small()).unwrap();
    clip.push_frame(100, &numbered(0, &small())).unwrap();
    assert!(clip.push_frame(100, &numbered(1, &small())).is_err());
    assert!(clip.push_frame(200, &Picture::new(32, 32, 8)).is_err());
    assert!(clip.push_sound(&[0.0; 100]).is_err());
    drop(clip);
    assert!(
        ClipWriter::create(&path, &small())
            .unwrap()
            .finish()
            .is_err()
    );
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn the_same_settings_give_the_same_bytes() {
    let folder = tempfile::tempdir().unwrap();
    let bytes = ["a.mp4", "b.mp4"].map(|name| {
        let path = folder.path().join(name);
        write_numbered(
            &path,
            &ClipSettings {
                preset: "veryfast".into(),
                ..small()
            },
            &irregular(90),
        );
        std::fs::read(path).unwrap()
    });
    assert!(bytes[0] == bytes[1]);
}
