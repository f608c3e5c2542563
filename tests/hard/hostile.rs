//! Containers made to hurt: a small file that asks for gigabytes, a million streams, an hour that lasts a century. Each is
//! refused or read within a bound of time and memory.

use crate::support::watch::watch;
use crate::support::{manifest, test_picture};
use std::fs;
use std::path::Path;
use std::process::Command;

/// No refusal may take more than this (s, processor time) ...
const AT_MOST_S: f64 = 20.0;
/// ... or be later than this (s), however busy the machine is, ...
const LATEST_S: f64 = 180.0;
/// ... or hold more than this (MB). A plain refusal takes 45 MB; one bounded block of FFmpeg's is 272 MB.
const AT_MOST_MB: f64 = 420.0;

/// A box of ISO/IEC 14496-12: length, name, content.
fn mp4_box(name: [u8; 4], content: &[u8]) -> Vec<u8> {
    let mut all = Vec::with_capacity(content.len() + 8);
    all.extend(u32::try_from(content.len() + 8).unwrap().to_be_bytes());
    all.extend(name);
    all.extend(content);
    all
}

/// Numbers of 32 bits, as the boxes hold them.
fn words(values: &[u32]) -> Vec<u8> {
    values.iter().flat_map(|v| v.to_be_bytes()).collect()
}

/// A RIFF chunk of an AVI file.
fn chunk(name: [u8; 4], content: &[u8]) -> Vec<u8> {
    let mut all = name.to_vec();
    all.extend(u32::try_from(content.len()).unwrap().to_le_bytes());
    all.extend(content);
    all
}

/// An element of Matroska with a length of eight bytes (RFC 8794, 4.4).
fn element(id: &[u8], content: &[u8]) -> Vec<u8> {
    let mut all = id.to_vec();
    all.extend((0x0100_0000_0000_0000_u64 | content.len() as u64).to_be_bytes());
    all.extend(content);
    all
}

/// Overwrites a 32-bit number of an MP4 box, `offset` bytes after the first appearance of its name.
fn patch(bytes: &mut [u8], name: [u8; 4], offset: usize, value: u32) {
    let at = bytes.windows(4).position(|four| four == name).unwrap() + offset;
    bytes[at..at + 4].copy_from_slice(&value.to_be_bytes());
}

/// A film with other tables: so many samples of one byte in one chunk (the lengths of the boxes around change, too).
fn with_tables(film: &[u8], samples: u32) -> Vec<u8> {
    // Some hundred bytes that describe gigabytes of index.
    let tables = [
        mp4_box(*b"stts", &words(&[0, 1, samples, 1])),
        mp4_box(*b"stsc", &words(&[0, 1, 1, samples, 1])),
        mp4_box(*b"stsz", &words(&[0, 1, samples])),
        mp4_box(*b"stco", &words(&[0, 1, 48])),
    ]
    .concat();
    let find = |name: &[u8; 4], from: usize| {
        film[from..]
            .windows(4)
            .position(|four| four == name)
            .unwrap()
            + from
            - 4
    };
    let length = |at: usize| u32::from_be_bytes(film[at..at + 4].try_into().unwrap()) as usize;
    let table = find(b"stbl", 0);
    let description = find(b"stsd", table);
    let content = [
        &film[description..description + length(description)],
        &tables,
    ]
    .concat();
    let new = mp4_box(*b"stbl", &content);
    let mut bytes = [&film[..table], &new, &film[table + length(table)..]].concat();
    for name in [b"moov", b"trak", b"mdia", b"minf"] {
        let at = find(name, 0);
        let grown = u32::try_from(length(at) + new.len() - length(table)).unwrap();
        bytes[at..at + 4].copy_from_slice(&grown.to_be_bytes());
    }
    bytes
}

/// Every hostile file by name.
fn write_all(folder: &Path) -> Vec<&'static str> {
    test_picture(&folder.join("good.mp4"), 0.4);
    let good = fs::read(folder.join("good.mp4")).unwrap();
    let type_box = mp4_box(*b"ftyp", b"isom\0\0\x02\0isomiso2avc1mp41");
    let million = |what: &[u8]| what.repeat(1_000_000);
    let mut names = Vec::new();
    let mut write = |name: &'static str, bytes: &[u8]| {
        fs::write(folder.join(name), bytes).unwrap();
        names.push(name);
    };
    let tracks = mp4_box(*b"moov", &million(&mp4_box(*b"trak", &[])));
    write("a million empty tracks.mp4", &[type_box, tracks].concat());
    let head = element(
        &[0x1a, 0x45, 0xdf, 0xa3],
        &[0x42, 0x82, 0x84, b'w', b'e', b'b', b'm'],
    );
    let entries = element(&[0x16, 0x54, 0xae, 0x6b], &million(&[0xae, 0x80]));
    let segment = element(&[0x18, 0x53, 0x80, 0x67], &entries);
    write("a million empty tracks.mkv", &[head, segment].concat());
    let list = chunk(
        *b"LIST",
        &[b"strl".as_slice(), &chunk(*b"strh", &[0; 56])].concat(),
    );
    let header = chunk(
        *b"LIST",
        &[
            b"hdrl".as_slice(),
            &chunk(*b"avih", &[1; 56]),
            &list.repeat(100_000),
        ]
        .concat(),
    );
    write(
        "a hundred thousand streams.avi",
        &chunk(*b"RIFF", &[b"AVI ".as_slice(), &header].concat()),
    );
    write("a gigabyte of index.mp4", &with_tables(&good, 170_000_000));
    write("an endless index.mp4", &with_tables(&good, u32::MAX));
    for (name, of, offset, value) in [
        ("no time base.mp4", *b"mdhd", 16, 0),
        ("a century.mp4", *b"mdhd", 20, u32::MAX),
        ("a picture as wide as a field.mp4", *b"avc1", 28, u32::MAX),
    ] {
        let mut bytes = good.clone();
        patch(&mut bytes, of, offset, value);
        write(name, &bytes);
    }
    // A picture of 30 000 × 30 000 px, as the picture itself says (PNG, ISO/IEC 15948: width and height follow the name IHDR).
    let status = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-f", "lavfi", "-i"])
        .args(["color=size=64x48:rate=30:duration=0.2", "-c:v", "png"])
        .arg(folder.join("small.mov"))
        .status()
        .unwrap();
    assert!(status.success());
    let mut bytes = fs::read(folder.join("small.mov")).unwrap();
    let headers: Vec<usize> = (0..bytes.len() - 12)
        .filter(|&at| &bytes[at..at + 4] == b"IHDR")
        .collect();
    assert!(!headers.is_empty());
    for at in headers {
        bytes[at + 4..at + 12].copy_from_slice(&words(&[30_000, 30_000]));
    }
    write("a picture as large as a field.mov", &bytes);
    names
}

#[test]
fn hostile_containers_are_refused_within_bounds() {
    let folder = tempfile::tempdir().unwrap();
    for name in write_all(folder.path()) {
        let text = manifest(&format!("\"{name}\""), "good.mp4");
        fs::write(folder.path().join("practice.yaml"), text).unwrap();
        let watched = watch(folder.path(), &["run", "practice.yaml"], LATEST_S);
        let said = &watched.said;
        assert!(
            matches!(said.code, 3 | 4),
            "{name}: exit code {}: {}",
            said.code,
            said.err
        );
        assert!(!said.err.contains("panicked"), "{name}: {}", said.err);
        // Files that nothing can be read from say so; others may still hold frames.
        let shown = said.err.contains(name) || said.err.contains("board");
        assert!(shown, "{name}: {}", said.err);
        // FFmpeg refuses these without a word of its own.
        let words = match name {
            "a million empty tracks.mp4" | "a hundred thousand streams.avi" => "more streams",
            "a million empty tracks.mkv" => "the file is damaged",
            _ => "",
        };
        assert!(said.err.contains(words), "{name}: {}", said.err);
        assert!(
            watched.busy_s < AT_MOST_S,
            "{name}: {:.1} s",
            watched.busy_s
        );
        assert!(
            watched.peak_mb < AT_MOST_MB,
            "{name}: {:.0} MB",
            watched.peak_mb
        );
        let page = folder.path().join("results/page.html");
        assert!(!page.exists(), "{name}");
    }
}
