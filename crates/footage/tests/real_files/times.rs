//! Presentation times, against ffprobe and against what was written.

use crate::common::{
    brightness, ffmpeg, ffprobe_frames, irregular, open, opencv_doc, read_all, small,
    write_numbered,
};
use drawarc_footage::{ClipSettings, TimeBase, VideoCodec};

fn ffprobe_pts(path: &std::path::Path) -> Vec<i64> {
    ffprobe_frames(path, "v:0", "pts")
        .iter()
        .map(|frame| frame["pts"].as_i64().unwrap())
        .collect()
}

/// Debian's `opencv-doc`: real recordings. `box.mp4` holds B-frames in a container without composition offsets:
/// ffprobe's `pts`, frame by frame, jump to and fro (231 times back in 455 frames). The instants themselves are right.
#[test]
fn every_frame_of_real_recordings_has_the_time_that_ffprobe_states() {
    let folder = tempfile::tempdir().unwrap();
    for (name, frames, reordered) in [
        ("box.mp4", 455, true),
        ("cup.mp4", 217, false),
        ("vtest.avi", 795, false),
    ] {
        let path = opencv_doc(name, folder.path());
        let footage = open(&path);
        let ours = read_all(&footage, 2);
        let mut theirs = ffprobe_pts(&path);
        assert_eq!(!theirs.is_sorted(), reordered, "{name}");
        theirs.sort_unstable();
        assert_eq!(theirs.len(), frames, "{name}");
        let ticks: Vec<i64> = ours.iter().map(|frame| frame.1).collect();
        assert_eq!(ticks, theirs, "{name}");
        assert!(
            ours.iter().map(|frame| frame.0).eq(0..frames as u64),
            "{name}"
        );
        let mut reader = footage.frames(1).unwrap();
        while reader.next_frame().unwrap().is_some() {}
        assert_eq!(reader.condition().decode_times_only, reordered, "{name}");
        assert_eq!(reader.condition().corrupt_packets, 0, "{name}");
        assert_eq!(reader.condition().cut_at_s, None, "{name}");
    }
}

#[test]
fn irregular_times_come_back_exactly_in_every_codec_with_any_threads() {
    let folder = tempfile::tempdir().unwrap();
    let ticks: Vec<i64> = irregular(150).iter().map(|tick| tick + 4321).collect();
    for (codec, bit_depth, b_frames, preset) in [
        (VideoCodec::H264, 8, 0, "ultrafast"),
        (VideoCodec::H264, 8, 3, "veryfast"),
        (VideoCodec::H264, 10, 2, "superfast"),
        (VideoCodec::Hevc, 8, 3, "ultrafast"),
        (VideoCodec::Hevc, 10, 4, "superfast"),
    ] {
        let settings = ClipSettings {
            codec,
            bit_depth,
            b_frames: Some(b_frames),
            preset: preset.into(),
            nominal_rate_hz: 60.0,
            ..small()
        };
        let path = folder.path().join("clip.mp4");
        write_numbered(&path, &settings, &ticks);
        let footage = open(&path);
        assert_eq!(footage.probe().bit_depth, bit_depth);
        assert_eq!(footage.probe().time_base, settings.time_base);
        let once = read_all(&footage, 1);
        let label = format!("{codec:?} {bit_depth} bit, {b_frames} B-frames");
        assert_eq!(
            once.iter().map(|frame| frame.1).collect::<Vec<_>>(),
            ticks,
            "{label}"
        );
        let scale = f64::from(1_u16 << (bit_depth - 8));
        for (n, frame) in once.iter().enumerate() {
            // The right picture at each time: its level is its number.
            assert!(
                (frame.2 / scale - 16.0 - n as f64).abs() < 2.0,
                "{label}: {n} {frame:?}"
            );
        }
        assert_eq!(once, read_all(&footage, 4), "{label}");
        let mut theirs = ffprobe_pts(&path);
        theirs.sort_unstable();
        assert_eq!(theirs, ticks, "{label}");
    }
}

#[test]
fn dropped_frames_are_reported_as_gaps() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hot.mp4");
    let ticks: Vec<i64> = (0..120)
        .filter(|n| ![30, 31, 77].contains(n))
        .map(|n| n * 1500)
        .collect();
    write_numbered(&path, &small(), &ticks);
    let mut reader = open(&path).frames(2).unwrap();
    while reader.next_frame().unwrap().is_some() {}
    let gaps: Vec<(u64, i64)> = reader
        .gaps()
        .iter()
        .map(|gap| (gap.after_index, gap.steps().round() as i64))
        .collect();
    assert_eq!(gaps, [(29, 3), (74, 2)]);
}

#[test]
fn seeking_gives_the_frames_of_reading_through() {
    let folder = tempfile::tempdir().unwrap();
    let mp4 = folder.path().join("clip.mp4");
    let settings = ClipSettings {
        b_frames: Some(3),
        preset: "veryfast".into(),
        key_frame_every: 20,
        nominal_rate_hz: 60.0,
        ..small()
    };
    write_numbered(&mp4, &settings, &irregular(150));
    let mkv = folder.path().join("clip.mkv");
    ffmpeg(&[
        "-i",
        mp4.to_str().unwrap(),
        "-c",
        "copy",
        mkv.to_str().unwrap(),
    ]);
    let folder_box = opencv_doc("box.mp4", folder.path());
    let avi = opencv_doc("vtest.avi", folder.path());
    let hevc = folder.path().join("hevc.mp4");
    ffmpeg(&[
        "-i",
        mp4.to_str().unwrap(),
        "-fps_mode",
        "passthrough",
        "-c:v",
        "libx265",
        "-x265-params",
        "keyint=20:bframes=3:log-level=error",
        hevc.to_str().unwrap(),
    ]);
    for path in [mp4, mkv, folder_box, avi, hevc] {
        let footage = open(&path);
        let all = read_all(&footage, 1);
        let tick_s = footage.probe().time_base.seconds();
        let mut reader = footage.frames(2).unwrap();
        // Who wants all from the beginning.
        reader.seek(f64::MIN).unwrap();
        assert_eq!(reader.next_frame().unwrap().unwrap().index, 0);
        for at in [140, 3, 77, 0, 149, 60, 61, 19, 20, 21] {
            let wanted = all[at];
            // A hair before the frame, and exactly at it.
            for early_s in [0.3 * tick_s, 0.0] {
                reader.seek(wanted.1 as f64 * tick_s - early_s).unwrap();
                for wanted in &all[at..(at + 3).min(all.len())] {
                    let frame = reader.next_frame().unwrap().unwrap();
                    assert_eq!(
                        (
                            frame.index,
                            frame.time.ticks,
                            brightness(frame.picture.luma)
                        ),
                        *wanted,
                        "{} at {at}",
                        path.display()
                    );
                }
            }
        }
        reader.seek(1e6).unwrap();
        assert!(reader.next_frame().unwrap().is_none());
        reader.seek(-5.0).unwrap();
        assert_eq!(reader.next_frame().unwrap().unwrap().index, 0);
    }
}

/// An edit list that begins between two key frames: the frames before it are decoded, never shown, never counted.
#[test]
fn frames_cut_away_by_an_edit_list_are_neither_shown_nor_counted() {
    let folder = tempfile::tempdir().unwrap();
    let whole = folder.path().join("whole.mp4");
    let settings = ClipSettings {
        b_frames: Some(2),
        preset: "veryfast".into(),
        key_frame_every: 40,
        nominal_rate_hz: 60.0,
        ..small()
    };
    write_numbered(
        &whole,
        &settings,
        &(0..120).map(|n| n * 1500).collect::<Vec<_>>(),
    );
    let trimmed = folder.path().join("trimmed.mp4");
    ffmpeg(&[
        "-ss",
        "0.9",
        "-i",
        whole.to_str().unwrap(),
        "-c",
        "copy",
        trimmed.to_str().unwrap(),
    ]);
    let footage = open(&trimmed);
    let ours = read_all(&footage, 2);
    let mut theirs = ffprobe_pts(&trimmed);
    theirs.sort_unstable();
    assert_eq!(ours.iter().map(|frame| frame.1).collect::<Vec<_>>(), theirs);
    assert!(ours.len() < 80 && ours.len() > 60, "{}", ours.len());
    // The first picture shown is the one at the cut: frame 54 of the whole.
    assert!((ours[0].2 - 16.0 - 54.0).abs() < 2.0, "{:?}", ours[0]);
    assert!(ours.iter().map(|frame| frame.0).eq(0..ours.len() as u64));
    let mut reader = footage.frames(1).unwrap();
    for at in [50, 10, 30, 0] {
        reader.seek(ours[at].1 as f64 / 90_000.0).unwrap();
        let frame = reader.next_frame().unwrap().unwrap();
        assert_eq!((frame.index, frame.time.ticks), (ours[at].0, ours[at].1));
    }
}

#[test]
fn readers_and_writers_may_move_to_other_threads() {
    fn may_move<T: Send>() {}
    fn may_be_shared<T: Send + Sync>() {}
    may_move::<drawarc_footage::FrameReader>();
    may_move::<drawarc_footage::SoundReader>();
    may_move::<drawarc_footage::ClipWriter>();
    may_be_shared::<drawarc_footage::Footage>();
    may_be_shared::<drawarc_footage::Recording>();
}

#[test]
fn a_time_base_of_ntsc_is_kept_exact() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ntsc.mp4");
    let settings = ClipSettings {
        time_base: TimeBase::new(1001, 30_000).unwrap(),
        ..small()
    };
    write_numbered(&path, &settings, &(0..40).collect::<Vec<_>>());
    let mut reader = open(&path).frames(1).unwrap();
    for n in 0..40 {
        let frame = reader.next_frame().unwrap().unwrap();
        assert!((frame.time_s - f64::from(n) * 1001.0 / 30_000.0).abs() < 1e-12);
    }
}
