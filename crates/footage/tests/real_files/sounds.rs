//! Sound and pictures on one clock.

use crate::common::{ffmpeg, ffprobe_frames, open, opencv_doc, small};
use drawarc_footage::{
    ClipSettings, ClipWriter, Picture, Recording, SlowMotion, SlowStretch, Sound, SoundSettings,
};

/// A clip of 3 s at 60 frames a second: at each of these times one white frame, and a click in the sound.
const EVENTS_S: [f64; 3] = [0.5, 1.25, 2.75];

fn flash_and_click(path: &std::path::Path, rate_hz: u32, start_s: f64, first_tick: i64) {
    let settings = ClipSettings {
        sound: Some(SoundSettings {
            sample_rate_hz: rate_hz,
            bit_rate: 192_000,
            start_s,
        }),
        nominal_rate_hz: 60.0,
        b_frames: Some(2),
        preset: "veryfast".into(),
        ..small()
    };
    let mut clip = ClipWriter::create(path, &settings).unwrap();
    let origin_s = first_tick as f64 / 90_000.0;
    let black = Picture::new(64, 48, 8);
    let mut white = black.clone();
    white.luma.as_u8_mut().unwrap().fill(235);
    for n in 0..180 {
        let tick = first_tick + n * 1500;
        let is_flash = EVENTS_S
            .iter()
            .any(|event_s| (n as f64 / 60.0 - event_s).abs() < 1e-6);
        clip.push_frame(tick, if is_flash { &white } else { &black })
            .unwrap();
    }
    // A click: a burst of 3 kHz whose envelope peaks at the event.
    let count = ((3.0 + origin_s - start_s) * f64::from(rate_hz)) as usize;
    let samples: Vec<f32> = (0..count)
        .map(|n| {
            let time_s = start_s + n as f64 / f64::from(rate_hz) - origin_s;
            let click: f64 = EVENTS_S
                .iter()
                .map(|event_s| {
                    let since_s = time_s - event_s;
                    (-(since_s / 0.0006).powi(2)).exp()
                        * (std::f64::consts::TAU * 3000.0 * since_s).cos()
                })
                .sum();
            (0.8 * click) as f32
        })
        .collect();
    for part in samples.chunks(777) {
        clip.push_sound(part).unwrap();
    }
    clip.finish().unwrap();
}

/// Times of the flashes and of the clicks, in seconds.
fn events(recording: &Recording, rate_hz: u32) -> (Vec<f64>, Vec<f64>) {
    let mut flashes = Vec::new();
    let mut reader = recording.frames(2).unwrap();
    while let Some(frame) = reader.next_frame().unwrap() {
        if frame.picture.luma.get(30, 20) > 150 {
            flashes.push(frame.time_s);
        }
    }
    let sound = recording.sound(rate_hz).unwrap().unwrap();
    (flashes, clicks_of(&sound))
}

/// The centre of energy of each click, from 3 ms before to 3 ms after its first loud sample.
fn clicks_of(sound: &Sound) -> Vec<f64> {
    let reach = sound.sample_rate_hz as usize * 3 / 1000;
    let mut clicks = Vec::new();
    let mut n = reach;
    while n + reach < sound.samples.len() {
        if sound.samples[n].abs() > 0.3 {
            let (mut energy, mut moment) = (0.0, 0.0);
            for at in n - reach..n + reach {
                let power = f64::from(sound.samples[at]).powi(2);
                energy += power;
                moment += power * sound.time_s(at);
            }
            clicks.push(moment / energy);
            n += 10 * reach;
        }
        n += 1;
    }
    clicks
}

fn assert_agree(path: &std::path::Path, rate_hz: u32, limit_s: f64) {
    let (flashes, clicks) = events(&open(path).into(), rate_hz);
    assert_eq!(
        (flashes.len(), clicks.len()),
        (3, 3),
        "{flashes:?} {clicks:?}"
    );
    for (flash, click) in flashes.iter().zip(&clicks) {
        assert!(
            (flash - click).abs() < limit_s,
            "{}: flash {flash}, click {click}",
            path.display()
        );
    }
}

#[test]
fn a_flash_and_a_click_agree() {
    let folder = tempfile::tempdir().unwrap();
    for (name, rate_hz, start_s, first_tick) in [
        ("plain", 48_000, 0.0, 0),
        ("cd", 44_100, 0.0, 0),
        ("late_sound", 48_000, 0.137, 0),
        ("late_pictures", 48_000, 0.0, 12_345),
        ("both_late", 44_100, 0.31, 45_678),
    ] {
        let path = folder.path().join(format!("{name}.mp4"));
        flash_and_click(&path, rate_hz, start_s, first_tick);
        for out_hz in [48_000, 44_100, 16_000] {
            // Half a sample at 16 kHz is 0.03 ms.
            assert_agree(&path, out_hz, 0.1e-3);
        }
        let sound = open(&path).sound(rate_hz).unwrap().unwrap();
        // Priming is cut away by an edit list where the sound starts at 0; before a late start it stays, in its place.
        let early_s = start_s - sound.start_s;
        let priming_s = 1024.0 / f64::from(rate_hz);
        let expected_s = if start_s > 0.0 { priming_s } else { 0.0 };
        assert!(
            (early_s - expected_s).abs() < 1e-4,
            "{name}: {}",
            sound.start_s
        );
        let before = (early_s * f64::from(rate_hz)) as usize;
        assert!(
            sound.samples[..before]
                .iter()
                .all(|sample| sample.abs() < 0.01),
            "{name}"
        );
    }
}

#[test]
fn other_containers_and_edit_lists_keep_them_together() {
    let folder = tempfile::tempdir().unwrap();
    let source = folder.path().join("source.mp4");
    flash_and_click(&source, 48_000, 0.0, 0);
    let source = source.to_str().unwrap();
    for (name, arguments) in [
        ("copy.mov", vec!["-c", "copy"]),
        ("copy.mkv", vec!["-c", "copy"]),
        ("copy.ts", vec!["-c", "copy"]),
        (
            "pcm.mov",
            vec!["-c:v", "copy", "-c:a", "pcm_s16le", "-ac", "2"],
        ),
        (
            "fragmented.mp4",
            vec![
                "-c",
                "copy",
                "-movflags",
                "frag_keyframe+empty_moov+delay_moov",
            ],
        ),
        // The sound half a second late, as an edit list with an empty edit.
        ("trimmed.mp4", vec!["-c", "copy", "-ss", "0.3"]),
    ] {
        let path = folder.path().join(name);
        let mut all = vec!["-i", source];
        if name == "trimmed.mp4" {
            all = vec!["-ss", "0.3", "-i", source];
        }
        let copy = ["-ss", "0.3"];
        all.extend(arguments.iter().filter(|argument| !copy.contains(argument)));
        all.push(path.to_str().unwrap());
        ffmpeg(&all);
        assert_agree(&path, 48_000, 1e-3);
    }
}

/// Slowed by `FFmpeg`, the program: the times of the packets (`setts`) and the rate of the samples (`asetrate`).
#[test]
fn slow_motion_comes_back_to_the_times_it_was_filmed_at() {
    let folder = tempfile::tempdir().unwrap();
    let source = folder.path().join("source.mp4");
    flash_and_click(&source, 48_000, 0.0, 0);
    let slow = folder.path().join("slow.mov");
    ffmpeg(&[
        "-i",
        source.to_str().unwrap(),
        "-c:v",
        "copy",
        "-bsf:v",
        "setts=pts=PTS*4:dts=DTS*4:duration=DURATION*4",
        "-af",
        "asetrate=12000,aresample=48000",
        "-c:a",
        "pcm_s16le",
        slow.to_str().unwrap(),
    ]);
    let stated = Recording::from(open(&slow));
    assert!((stated.probe().duration_s - 12.0).abs() < 0.1);
    let stretch = |from_s, until_s, slower| SlowStretch {
        from_s,
        until_s,
        slower,
    };
    let slowed = |stretches| SlowMotion::new(stretches).unwrap();
    let whole = stated
        .clone()
        .filmed_slow(slowed(vec![stretch(0.0, f64::INFINITY, 4.0)]));
    let probe = whole.probe();
    assert!((probe.duration_s - 3.0).abs() < 0.03, "{probe:?}");
    assert!(
        (probe.nominal_rate_hz.unwrap() - 60.0).abs() < 0.5,
        "{probe:?}"
    );
    let (flashes, clicks) = events(&whole, 48_000);
    assert_eq!(
        (flashes.len(), clicks.len()),
        (3, 3),
        "{flashes:?} {clicks:?}"
    );
    for ((flash, click), event_s) in flashes.iter().zip(&clicks).zip(EVENTS_S) {
        assert!((flash - event_s).abs() < 1e-4, "{flashes:?}");
        assert!((click - event_s).abs() < 1e-3, "{clicks:?}");
    }
    // A stretch of it alone: what comes before keeps its time, what comes after moves as one.
    let part = stated.filmed_slow(slowed(vec![stretch(3.0, 7.0, 4.0)]));
    let (flashes, _) = events(&part, 48_000);
    for (flash, expected_s) in flashes.iter().zip([2.0, 3.5, 8.0]) {
        assert!((flash - expected_s).abs() < 1e-4, "{flashes:?}");
    }
    // A frame is found by its own time.
    let mut reader = part.frames(1).unwrap();
    for flash in flashes {
        reader.seek(flash).unwrap();
        let frame = reader.next_frame().unwrap().unwrap();
        assert!((frame.time_s - flash).abs() < 1e-9);
        assert!(frame.picture.luma.get(30, 20) > 150);
    }
}

/// Debian's `opencv-doc`: AAC with priming in `cup.mp4`, MP3 in `box.mp4`.
#[test]
fn the_sound_of_real_recordings_has_the_length_and_start_that_ffprobe_states() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["cup.mp4", "box.mp4"] {
        let path = opencv_doc(name, folder.path());
        let footage = open(&path);
        let rate_hz = footage.probe().sound.as_ref().unwrap().sample_rate_hz;
        let sound = footage.sound(rate_hz).unwrap().unwrap();
        let frames = ffprobe_frames(&path, "a:0", "pts_time,nb_samples");
        let samples: i64 = frames
            .iter()
            .map(|frame| frame["nb_samples"].as_i64().unwrap())
            .sum();
        let start_s: f64 = frames[0]["pts_time"].as_str().unwrap().parse().unwrap();
        assert_eq!(sound.samples.len() as i64, samples, "{name}");
        assert!((sound.start_s - start_s).abs() < 1e-6, "{name}");
        assert!(sound.samples.iter().any(|sample| sample.abs() > 0.01));
        // Blocks are the same samples, and follow one another.
        let mut reader = footage.sound_blocks(rate_hz).unwrap().unwrap();
        let mut count = 0;
        while let Some(block) = reader.next_block().unwrap() {
            assert!((block.start_s - sound.time_s(count)).abs() < 1e-9);
            assert_eq!(
                block.samples,
                &sound.samples[count..count + block.samples.len()]
            );
            count += block.samples.len();
        }
        assert_eq!(count, sound.samples.len());
        let half = footage.sound(rate_hz / 2).unwrap().unwrap();
        assert!((half.duration_s() - sound.duration_s()).abs() < 1e-3);
    }
}

#[test]
fn footage_without_sound_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("silent.mp4");
    crate::common::write_numbered(&path, &small(), &[0, 1500, 3000]);
    let footage = open(&path);
    assert!(footage.probe().sound.is_none());
    assert!(footage.sound(48_000).unwrap().is_none());
}
