//! A folder of results: steps that need not be run twice, and nothing half-written.

use crate::failure::{Failure, Outcome};
use serde::Serialize;
use serde::de::DeserializeOwned;
use sha2::{Digest, Sha256};
use std::fmt::Write as _;
use std::fs::File;
use std::io::{Read, Write as _};
use std::path::{Path, PathBuf};

/// File that says to which practice a folder belongs.
const OWNER: &str = "practice.txt";
/// File that is locked while a run works in the folder.
const LOCK: &str = ".lock";

/// A folder of results, held by this process alone while the value lives.
#[derive(Debug)]
pub(crate) struct Store {
    folder: PathBuf,
    _lock: File,
}

/// Identity of everything that a step depends on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub(crate) struct Key(String);

#[derive(serde::Serialize, serde::Deserialize)]
struct Kept<T> {
    key: String,
    value: T,
}

impl Key {
    /// A key from the step's name, its settings and the keys it stands on.
    pub(crate) fn of(step: &str, settings: &impl Serialize, before: &[&Key]) -> Outcome<Self> {
        let mut hash = Sha256::new();
        hash.update(step.as_bytes());
        hash.update([0]);
        hash.update(env!("CARGO_PKG_VERSION").as_bytes());
        hash.update([0]);
        hash.update(serde_json::to_vec(settings).map_err(Failure::output)?);
        for key in before {
            hash.update([0]);
            hash.update(key.0.as_bytes());
        }
        Ok(Self(hex(&hash.finalize())))
    }

    /// The hash of a file's content.
    pub(crate) fn of_file(path: &Path) -> Outcome<Self> {
        let refuse =
            |source: std::io::Error| Failure::input(format!("{}: {source}", path.display()));
        let mut file = File::open(path).map_err(refuse)?;
        let mut hash = Sha256::new();
        let mut block = vec![0; 1 << 20];
        loop {
            let read = file.read(&mut block).map_err(refuse)?;
            if read == 0 {
                return Ok(Self(hex(&hash.finalize())));
            }
            hash.update(&block[..read]);
        }
    }

    /// The hash as hexadecimal text.
    pub(crate) fn text(&self) -> &str {
        &self.0
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}

impl Store {
    /// Opens or makes the folder for the practice called `owner`. A folder that holds another practice's
    /// results, or files that are no results, is refused unless `replace` is set; a folder in which another
    /// run is at work always is.
    pub(crate) fn open(folder: &Path, owner: &str, replace: bool) -> Outcome<Self> {
        let unwritable = |source: std::io::Error| {
            Failure::output(format!("{}: {source}", folder.display()))
                .help("choose a folder that can be written with --into FOLDER")
        };
        std::fs::create_dir_all(folder).map_err(unwritable)?;
        let lock = File::create(folder.join(LOCK)).map_err(unwritable)?;
        lock.try_lock().map_err(|_busy| {
            Failure::refused(format!("another run is at work in {}", folder.display()))
                .help("wait until it has ended, or write elsewhere with --into FOLDER")
        })?;
        let stamp = folder.join(OWNER);
        match std::fs::read_to_string(&stamp) {
            Ok(found) if found.trim() == owner => {}
            Ok(found) if !replace => {
                return Err(Failure::refused(format!(
                    "{} holds the results of another practice: {}",
                    folder.display(),
                    found.trim()
                ))
                .help("write elsewhere with --into FOLDER, or give --replace to write over them"));
            }
            Err(_missing) if !replace && is_occupied(folder) => {
                return Err(Failure::refused(format!(
                    "{} holds files that are no results of drawarc",
                    folder.display()
                ))
                .help(
                    "write elsewhere with --into FOLDER, or give --replace to write among them",
                ));
            }
            _ => {}
        }
        let store = Self {
            folder: folder.to_owned(),
            _lock: lock,
        };
        store.write(OWNER, format!("{owner}\n").as_bytes())?;
        Ok(store)
    }

    /// Where a result of this name stands.
    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    /// Writes a whole file or none: to a temporary name beside it, then renamed.
    pub(crate) fn write(&self, name: &str, bytes: &[u8]) -> Outcome<PathBuf> {
        let path = self.path(name);
        write_whole(&path, bytes)?;
        Ok(path)
    }

    /// The value kept under `key`, or the one that `work` makes now (kept for the next run).
    pub(crate) fn step<T: Serialize + DeserializeOwned>(
        &self,
        name: &str,
        key: &Key,
        work: impl FnOnce() -> Outcome<T>,
    ) -> Outcome<T> {
        let file = format!("{name}.json");
        let kept = std::fs::read(self.path(&file))
            .ok()
            .and_then(|bytes| serde_json::from_slice::<Kept<T>>(&bytes).ok())
            .filter(|kept| kept.key == key.0);
        if let Some(kept) = kept {
            return Ok(kept.value);
        }
        let kept = Kept {
            key: key.0.clone(),
            value: work()?,
        };
        let bytes = serde_json::to_vec(&kept).map_err(Failure::output)?;
        self.write(&file, &bytes)?;
        Ok(kept.value)
    }
}

/// Does a folder hold anything but our own dot file?
fn is_occupied(folder: &Path) -> bool {
    std::fs::read_dir(folder).is_ok_and(|entries| {
        entries
            .flatten()
            .any(|entry| !entry.file_name().to_string_lossy().starts_with('.'))
    })
}

/// Writes a whole file or none.
pub(crate) fn write_whole(path: &Path, bytes: &[u8]) -> Outcome<()> {
    let refuse = |source: &dyn std::fmt::Display| {
        Failure::output(format!("{}: {source}", path.display()))
            .help("is the folder there, writable, and the disk not full?")
    };
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let mut temporary =
        tempfile::NamedTempFile::new_in(folder).map_err(|source| refuse(&source))?;
    temporary
        .write_all(bytes)
        .and_then(|()| temporary.as_file().sync_all())
        .map_err(|source| refuse(&source))?;
    temporary.persist(path).map_err(|source| refuse(&source))?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_runs_once_for_one_key_and_again_for_another() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path(), "evening", false).unwrap();
        let mut runs = 0;
        let first = Key::of("clocks", &1, &[]).unwrap();
        let second = Key::of("clocks", &2, &[&first]).unwrap();
        for key in [&first, &first, &second, &second] {
            let value: u32 = store
                .step("clocks", key, || {
                    runs += 1;
                    Ok(runs)
                })
                .unwrap();
            assert_eq!(value, runs);
        }
        assert_eq!(runs, 2);
    }

    #[test]
    fn another_practice_is_refused_and_the_lock_holds() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path(), "evening", false).unwrap();
        let busy = Store::open(folder.path(), "evening", false).unwrap_err();
        assert_eq!(busy.exit, crate::failure::Exit::Refused);
        drop(store);
        let other = Store::open(folder.path(), "morning", false).unwrap_err();
        assert!(other.to_string().contains("evening"), "{other}");
        assert!(Store::open(folder.path(), "morning", true).is_ok());
    }

    #[test]
    fn a_torn_result_is_made_anew() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path(), "evening", false).unwrap();
        let key = Key::of("path", &(), &[]).unwrap();
        store.step("path", &key, || Ok(7_u32)).unwrap();
        std::fs::write(folder.path().join("path.json"), b"{\"key\":\"").unwrap();
        assert_eq!(store.step("path", &key, || Ok(8_u32)).unwrap(), 8);
    }
}
