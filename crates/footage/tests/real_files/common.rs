//! What several test files need.

use std::path::{Path, PathBuf};
use std::process::Command;

use drawarc_footage::{ClipSettings, ClipWriter, Footage, Limits, Picture, TimeBase};

/// A file of Debian's `opencv-doc`, unpacked if it is packed.
pub(crate) fn opencv_doc(name: &str, folder: &Path) -> PathBuf {
    let root = Path::new("/usr/share/doc/opencv-doc");
    let plain = root.join("examples/data").join(name);
    if plain.exists() {
        return plain;
    }
    let packed = root.join("opencv4/html").join(format!("{name}.gz"));
    let output = Command::new("gunzip")
        .arg("-c")
        .arg(&packed)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{} (package opencv-doc)",
        packed.display()
    );
    let path = folder.join(name);
    std::fs::write(&path, output.stdout).unwrap();
    path
}

/// What ffprobe says about every frame (`frame=...` entries of one stream kind), as JSON objects.
pub(crate) fn ffprobe_frames(path: &Path, stream: &str, entries: &str) -> Vec<serde_json::Value> {
    let output = Command::new("ffprobe")
        .args([
            "-v",
            "quiet",
            "-select_streams",
            stream,
            "-of",
            "json",
            "-show_entries",
        ])
        .arg(format!("frame={entries}"))
        .arg(path)
        .output()
        .unwrap();
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    json["frames"].as_array().unwrap().clone()
}

/// Runs FFmpeg, the program.
pub(crate) fn ffmpeg(arguments: &[&str]) {
    let output = Command::new("ffmpeg")
        .args(["-v", "error", "-y"])
        .args(arguments)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
}

/// Opens with the default limits.
pub(crate) fn open(path: &Path) -> Footage {
    Footage::open(path, &Limits::default()).unwrap()
}

/// Index, ticks and mean luma of every frame.
pub(crate) fn read_all(footage: &Footage, threads: usize) -> Vec<(u64, i64, f64)> {
    let mut reader = footage.frames(threads).unwrap();
    let mut frames = Vec::new();
    while let Some(frame) = reader.next_frame().unwrap() {
        frames.push((
            frame.index,
            frame.time.ticks,
            brightness(frame.picture.luma),
        ));
    }
    frames
}

/// Mean of all samples of a plane.
pub(crate) fn brightness(plane: drawarc_footage::PlaneView<'_>) -> f64 {
    let rows = (0..plane.height()).map(|y| {
        (0..plane.width())
            .map(|x| f64::from(plane.get(x, y)))
            .sum::<f64>()
    });
    rows.sum::<f64>() / (plane.width() * plane.height()) as f64
}

/// Small settings with ticks of 1/90000 s.
pub(crate) fn small() -> ClipSettings {
    ClipSettings {
        width_px: 64,
        height_px: 48,
        preset: "ultrafast".into(),
        time_base: TimeBase::new(1, 90_000).unwrap(),
        ..ClipSettings::default()
    }
}

/// A picture whose gray level tells which one it is: level `16 + n` (times 4 in 10 bits).
pub(crate) fn numbered(n: u16, settings: &ClipSettings) -> Picture {
    let mut picture = Picture::new(settings.width_px, settings.height_px, settings.bit_depth);
    let level = (16 + n % 200) << (settings.bit_depth - 8);
    for y in 0..picture.height() {
        for x in 0..picture.width() {
            picture.luma.set(x, y, level);
        }
    }
    picture
}

/// Writes numbered pictures at these ticks.
pub(crate) fn write_numbered(path: &Path, settings: &ClipSettings, ticks: &[i64]) {
    let mut clip = ClipWriter::create(path, settings).unwrap();
    for (n, &tick) in (0..).zip(ticks) {
        clip.push_frame(tick, &numbered(n, settings)).unwrap();
    }
    clip.finish().unwrap();
}

/// Irregular ticks: 60 frames a second with jitter, every so often a double step.
pub(crate) fn irregular(count: i64) -> Vec<i64> {
    let mut tick = 0;
    (0..count)
        .map(|n| {
            let here = tick;
            tick += 1500 + (n * 7919) % 97 - 48 + if n % 41 == 40 { 1500 } else { 0 };
            here
        })
        .collect()
}
