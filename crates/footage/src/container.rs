use std::path::Path;
use std::sync::Once;

use ff::Packet;
use ff::format::context::Input;
use ffmpeg_next as ff;

use crate::error::FootageError;
use crate::ffi;
use crate::limits::Limits;

/// Containers that hold real footage. Play lists, image sequences and the like are kept out: they open other files.
const CONTAINERS: &str = "mov,avi,matroska,mpegts,mpeg";

/// Largest block of memory that `FFmpeg` may take: a picture of [`Limits::default`] with three channels of 16 bits
/// (226 MB) fits, a still file as large as allowed, and the index of twelve hours at 240/s (24 bytes a frame). Without a
/// bound a Matroska file of 2 MB with a million empty tracks took 2.1 GB and 14 s; the number of streams is limited, too,
/// but that is asked later.
const LARGEST_BLOCK: usize = 272 << 20;

/// FFmpeg prints to the terminal on its own; what a person should know comes back as errors and remarks. It also trusts
/// the sizes that a file states; memory is bounded before it reads the first.
pub(crate) fn quiet() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        ff::log::set_level(ff::log::Level::Quiet);
        ffi::bound_blocks(LARGEST_BLOCK);
    });
}

/// Checks that a path is a file with content, and gives the name by which FFmpeg opens it as a plain file
/// (never as a URL).
pub(crate) fn file_name(path: &Path) -> Result<String, FootageError> {
    let metadata = std::fs::metadata(path).map_err(|source| match source.kind() {
        std::io::ErrorKind::NotFound => FootageError::Missing { path: path.into() },
        _ => FootageError::File {
            path: path.into(),
            source,
        },
    })?;
    let problem = if metadata.is_dir() {
        Some("this is a folder, not a file")
    } else if !metadata.is_file() {
        Some("this is a pipe or a device, not a file")
    } else {
        None
    };
    if let Some(problem) = problem {
        return Err(FootageError::NotAFile {
            path: path.into(),
            problem,
        });
    }
    if metadata.len() == 0 {
        return Err(FootageError::Empty { path: path.into() });
    }
    url(path)
}

/// The name by which FFmpeg opens or makes a plain file.
pub(crate) fn url(path: &Path) -> Result<String, FootageError> {
    let name = path.to_str().filter(|name| !name.contains('\0'));
    name.map(|name| format!("file:{name}"))
        .ok_or(FootageError::NotAFile {
            path: path.into(),
            problem: "its name is not valid text (UTF-8); rename it",
        })
}

/// Opens a container for reading, with its streams found.
pub(crate) fn open(path: &Path, limits: &Limits) -> Result<Input, FootageError> {
    quiet();
    let name = file_name(path)?;
    // One failed attempt to open tells nothing about permissions: ask the system first.
    std::fs::File::open(path).map_err(|source| FootageError::File {
        path: path.into(),
        source,
    })?;
    let mut options = ff::Dictionary::new();
    options.set("protocol_whitelist", "file");
    options.set("format_whitelist", CONTAINERS);
    // One more than allowed, so that the excess is seen and named below.
    options.set("max_streams", &(limits.max_streams + 1).to_string());
    let input = ff::format::input_with_dictionary(&name, options)
        .map_err(|reason| not_opened(path, reason))?;
    let streams = input.streams().len();
    if streams > limits.max_streams {
        return Err(over(
            path,
            "the number of streams",
            streams as f64,
            limits.max_streams as f64,
        ));
    }
    Ok(input)
}

/// Reads the next packet of any stream into `packet`. The one that was in it is given back first: a packet that is read over
/// stays in memory, so that the whole file would.
pub(crate) fn read_packet(packet: &mut Packet, input: &mut Input) -> Result<(), ff::Error> {
    *packet = Packet::empty();
    packet.read(input)
}

/// A limit that a file exceeds.
pub(crate) fn over(path: &Path, what: &'static str, found: f64, limit: f64) -> FootageError {
    FootageError::OverLimit {
        path: path.into(),
        what,
        found,
        limit,
    }
}

fn not_opened(path: &Path, reason: ff::Error) -> FootageError {
    // FFmpeg says "invalid data" both for foreign content and for an MP4 without its index; the first bytes of
    // every MP4 tell the two apart.
    let mut head = [0; 8];
    let read = std::fs::File::open(path)
        .and_then(|mut file| std::io::Read::read(&mut file, &mut head))
        .unwrap_or(0);
    let is_mp4 = read == 8
        && [b"ftyp", b"mdat", b"wide", b"free", b"moov"]
            .iter()
            .any(|kind| head[4..] == kind[..]);
    match reason {
        ff::Error::InvalidData if is_mp4 => FootageError::Unfinished { path: path.into() },
        ff::Error::InvalidData
        | ff::Error::Other {
            errno: ff::error::EINVAL,
        } => FootageError::NotVideo { path: path.into() },
        ff::Error::Other {
            errno: ff::error::ENOMEM,
        } => FootageError::Decode {
            path: path.into(),
            action: "opening",
            reason: "it asks for more streams or more memory than any recording needs".into(),
        },
        reason => FootageError::Decode {
            path: path.into(),
            action: "opening",
            reason: match reason.to_string() {
                nothing if nothing.is_empty() => "the file is damaged".into(),
                words => words,
            },
        },
    }
}
