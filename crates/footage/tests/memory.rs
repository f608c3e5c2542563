//! Reading a recording holds a few pictures and a block of sound, however long it is.

#![cfg(target_os = "linux")]
#![expect(clippy::unwrap_used, reason = "a test: it fails where it unwraps")]

use drawarc_footage::{Footage, Limits};
use std::path::Path;
use std::process::Command;

/// Memory of this process that is no file's (MB), proc(5).
fn held_mb() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|l| l.starts_with("RssAnon:")).unwrap();
    let kilobytes: f64 = line.split_whitespace().nth(1).unwrap().parse().unwrap();
    kilobytes / 1024.0
}

/// Grain and a tone, coded so that each makes about 100 MB.
fn large(path: &Path) {
    let output = Command::new("ffmpeg")
        .args(["-v", "error", "-y"])
        .args(["-f", "lavfi", "-i"])
        .arg("color=gray:size=640x360:rate=30:duration=10,noise=alls=100:allf=t")
        .args(["-f", "lavfi", "-i", "sine=sample_rate=48000:duration=600"])
        .args(["-c:v", "libx264", "-preset", "ultrafast", "-qp", "0"])
        .args(["-c:a", "pcm_s16le", "-ac", "2"])
        .arg(path)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
}

#[test]
fn what_was_read_is_not_kept() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("grain.mov");
    large(&path);
    let megabytes = std::fs::metadata(&path).unwrap().len() as f64 / 1e6;
    assert!(megabytes > 150.0, "{megabytes} MB");
    let footage = Footage::open(&path, &Limits::default()).unwrap();
    let before_mb = held_mb();
    let mut pictures = footage.frames(2).unwrap();
    let mut frames = 0;
    while pictures.next_frame().unwrap().is_some() {
        frames += 1;
    }
    assert_eq!(frames, 300);
    let after_pictures_mb = held_mb();
    let mut sound = footage.sound_blocks(48_000).unwrap().unwrap();
    let mut samples = 0;
    while let Some(block) = sound.next_block().unwrap() {
        samples += block.samples.len();
    }
    assert_eq!(samples, 600 * 48_000);
    let after_sound_mb = held_mb();
    // A few pictures of 0.35 MB for each thread, the encoder's references, the container's index.
    assert!(
        after_pictures_mb - before_mb < 30.0,
        "pictures: {before_mb:.0} to {after_pictures_mb:.0} MB"
    );
    assert!(
        after_sound_mb - after_pictures_mb < 30.0,
        "sound: {after_pictures_mb:.0} to {after_sound_mb:.0} MB"
    );
}
