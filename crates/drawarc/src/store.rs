//! A folder of results: steps that need not be run twice, and nothing half-written.

use crate::failure::{Failure, Outcome};
use serde::Serialize;
use serde::de::DeserializeOwned;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs::File;
use std::io::{Read, Write as _};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use tempfile::NamedTempFile;

/// File that says to which practice a folder belongs.
const OWNER: &str = "practice.txt";
/// File that is locked while a run works in the folder.
const LOCK: &str = ".lock";
/// File that says from which steps the published results were made: a key for each step. It is published with them, so where a
/// run was stopped after a step and before its end, the two differ.
const MADE_FROM: &str = ".made-from.json";
/// How the names of unfinished files begin.
pub(crate) const UNFINISHED: &str = ".drawarc-";

/// A folder of results, held by this process alone while the value lives.
///
/// Results that belong together appear together: [`Store::write`] writes each under a temporary name, and
/// [`Store::publish`] gives all of them their own. What fails before that leaves the old result whole.
#[derive(Debug)]
pub(crate) struct Store {
    folder: PathBuf,
    ready: Mutex<Vec<(PathBuf, NamedTempFile)>>,
    keys: Mutex<BTreeMap<String, String>>,
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
        let lock = lock(folder)?;
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
        sweep(folder);
        let text = format!("{owner}\n");
        if std::fs::read_to_string(&stamp).ok().as_ref() != Some(&text) {
            write_whole(&stamp, text.as_bytes())?;
        }
        Ok(Self {
            folder: folder.to_owned(),
            ready: Mutex::default(),
            keys: Mutex::default(),
            _lock: lock,
        })
    }

    /// Where a result of this name stands.
    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    /// Writes a file of the result under a temporary name; [`Store::publish`] gives it its own, which comes back.
    pub(crate) fn write(&self, name: &str, bytes: &[u8]) -> Outcome<PathBuf> {
        let path = self.path(name);
        let file = written(&path, bytes)?;
        let mut ready = self.ready.lock().unwrap_or_else(PoisonError::into_inner);
        ready.push((path.clone(), file));
        Ok(path)
    }

    /// What was written under this name and is not published yet; else what stands in the folder.
    pub(crate) fn read(&self, name: &str) -> std::io::Result<Vec<u8>> {
        let path = self.path(name);
        let ready = self.ready.lock().unwrap_or_else(PoisonError::into_inner);
        match ready.iter().rfind(|(own, _)| *own == path) {
            Some((_, file)) => std::fs::read(file.path()),
            None => std::fs::read(path),
        }
    }

    /// Says from which steps the results were made that are published next.
    pub(crate) fn sign(&self) -> Outcome<()> {
        let keys = self.keys.lock().unwrap_or_else(PoisonError::into_inner);
        let text = serde_json::to_vec(&*keys).map_err(Failure::output)?;
        self.write(MADE_FROM, &text).map(drop)
    }

    /// Gives everything that was written its name.
    pub(crate) fn publish(&self) -> Outcome<()> {
        let mut ready = self.ready.lock().unwrap_or_else(PoisonError::into_inner);
        for (path, file) in ready.drain(..) {
            named(file, &path)?;
        }
        Ok(())
    }

    /// The value kept under `key`, or the one that `work` makes now (kept for the next run).
    pub(crate) fn step<T: Serialize + DeserializeOwned>(
        &self,
        name: &str,
        key: &Key,
        work: impl FnOnce() -> Outcome<T>,
    ) -> Outcome<T> {
        let file = format!("{name}.json");
        let mut keys = self.keys.lock().unwrap_or_else(PoisonError::into_inner);
        keys.insert(name.to_owned(), key.0.clone());
        drop(keys);
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
        write_whole(&self.path(&file), &bytes)?;
        Ok(kept.value)
    }
}

/// Are the results of a folder made from the step that is kept there under `key`? Where nothing says so, they are taken to be.
pub(crate) fn made_from(folder: &Path, step: &str, key: &str) -> bool {
    std::fs::read(folder.join(MADE_FROM))
        .ok()
        .and_then(|bytes| serde_json::from_slice::<BTreeMap<String, String>>(&bytes).ok())
        .and_then(|keys| keys.get(step).cloned())
        .is_none_or(|own| own == key)
}

/// Holds a results folder for this process alone as long as the value lives.
pub(crate) fn lock(folder: &Path) -> Outcome<File> {
    let lock = File::create(folder.join(LOCK)).map_err(|source| {
        Failure::output(format!("{}: {source}", folder.display()))
            .help("choose a folder that can be written with --into FOLDER")
    })?;
    lock.try_lock().map_err(|_busy| {
        Failure::refused(format!("another run is at work in {}", folder.display()))
            .help("wait until it has ended, or write elsewhere with --into FOLDER")
    })?;
    Ok(lock)
}

/// Deletes what runs that were killed left unfinished. What cannot be deleted does no harm there.
fn sweep(folder: &Path) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        if entry.file_name().to_string_lossy().starts_with(UNFINISHED) {
            let _ = std::fs::remove_file(entry.path());
        }
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
    named(written(path, bytes)?, path)
}

fn refuse(path: &Path, source: &dyn std::fmt::Display) -> Failure {
    Failure::output(format!("{}: {source}", path.display()))
        .help("is the folder there, writable, and the disk not full?")
}

/// A file's content under a temporary name in its folder.
fn written(path: &Path, bytes: &[u8]) -> Outcome<NamedTempFile> {
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let mut temporary = tempfile::Builder::new()
        .prefix(UNFINISHED)
        .tempfile_in(folder)
        .map_err(|source| refuse(path, &source))?;
    temporary
        .write_all(bytes)
        .and_then(|()| temporary.as_file().sync_all())
        .map_err(|source| refuse(path, &source))?;
    Ok(temporary)
}

fn named(file: NamedTempFile, path: &Path) -> Outcome<()> {
    file.persist(path)
        .map(drop)
        .map_err(|failed| refuse(path, &failed.error))
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
    fn results_know_the_step_that_they_were_made_from() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path(), "evening", false).unwrap();
        let [first, second] = [1, 2].map(|k| Key::of("sightings", &k, &[]).unwrap());
        let stand = |key: &Key| made_from(folder.path(), "sightings", key.text());
        // Nothing says so yet.
        assert!(stand(&first));
        store.step("sightings", &first, || Ok(1)).unwrap();
        store.sign().unwrap();
        store.publish().unwrap();
        assert!(stand(&first) && !stand(&second));
        // A run with other settings is stopped after the step, or goes no further: what is published stands on the first.
        store.step("sightings", &second, || Ok(2)).unwrap();
        store.publish().unwrap();
        assert!(stand(&first) && !stand(&second));
        store.sign().unwrap();
        store.publish().unwrap();
        assert!(stand(&second));
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
    fn results_appear_together_or_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        let store = Store::open(folder.path(), "evening", false).unwrap();
        store.write("page.html", b"old").unwrap();
        store.publish().unwrap();
        store.write("page.html", b"new").unwrap();
        store.write("sheet.json", b"{}").unwrap();
        assert_eq!(std::fs::read(at("page.html")).unwrap(), b"old");
        assert_eq!(store.read("page.html").unwrap(), b"new");
        drop(store);
        assert_eq!(std::fs::read(at("page.html")).unwrap(), b"old");
        let names = std::fs::read_dir(folder.path()).unwrap().count();
        assert_eq!(names, 3, "the page, the owner and the lock");
        // What a killed run leaves goes at the next opening; nobody else's file does.
        std::fs::write(at(".drawarc-x1"), b"half").unwrap();
        std::fs::write(at(".tmp-of-somebody"), b"mine").unwrap();
        Store::open(folder.path(), "evening", false).unwrap();
        assert!(!at(".drawarc-x1").exists() && at(".tmp-of-somebody").exists());
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
