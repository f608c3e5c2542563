//! The page's pictures, kept below the results folder: each is found in its film once, and again only when what it shows
//! has changed.
//!
//! To find one takes about a tenth of a second, since half a group of frames has to be decoded for it; every other part
//! of the page is written in a fraction of that. A picture's file is named for all that it depends on, so that words,
//! verdicts and archers can change without it.

use crate::failure::{Failure, Outcome};
use crate::store::{Key, UNFINISHED, write_whole};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// Folder of the pictures below a results folder.
pub(crate) const FOLDER: &str = "pictures";
/// How the name of a kept picture ends.
const ENDING: &str = ".jpg";
/// Letters of a picture's key in its name.
const LETTERS: usize = 32;

/// The pictures of a results folder, and which of them a run shows.
#[derive(Debug)]
pub(crate) struct KeptPictures {
    results: PathBuf,
    /// Names of what is shown, by the id of its shot.
    shown: Mutex<BTreeMap<String, BTreeSet<PathBuf>>>,
}

impl KeptPictures {
    /// The pictures of a results folder that this process holds.
    pub(crate) fn below(results: &Path) -> Self {
        Self {
            results: results.to_owned(),
            shown: Mutex::default(),
        }
    }

    /// The picture (JPEG) of a shot that is kept under `key`, or the one that `take` takes now; none where the camera
    /// did not run then.
    pub(crate) fn of(
        &self,
        shot: &str,
        key: &Key,
        take: impl FnOnce() -> Outcome<Option<Vec<u8>>>,
    ) -> Outcome<Option<Vec<u8>>> {
        let name = Path::new(FOLDER).join(format!("{}{ENDING}", &key.text()[..LETTERS]));
        let path = self.results.join(&name);
        let kept = std::fs::read(&path).ok().filter(|bytes| is_whole(bytes));
        let jpeg = if let Some(kept) = kept {
            kept
        } else {
            let Some(taken) = take()? else {
                return Ok(None);
            };
            let folder = self.results.join(FOLDER);
            std::fs::create_dir_all(&folder)
                .map_err(|source| Failure::output(format!("{}: {source}", folder.display())))?;
            write_whole(&path, &taken)?;
            taken
        };
        let mut shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        shown.entry(shot.to_owned()).or_default().insert(name);
        Ok(Some(jpeg))
    }

    /// Files that show a shot, relative to the results folder.
    pub(crate) fn of_shot(&self, shot: &str) -> Vec<PathBuf> {
        let shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        shown
            .get(shot)
            .map_or_else(Vec::new, |names| names.iter().cloned().collect())
    }

    /// Deletes the pictures that this run did not show; all of them, if it shows no person.
    pub(crate) fn sweep(&self) -> Outcome<()> {
        let shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        let keep: BTreeSet<PathBuf> = shown.values().flatten().cloned().collect();
        delete_all_but(&self.results, &keep)
    }
}

/// Deletes all kept pictures of a results folder but those named (relative to it), and the folder when nothing is left.
pub(crate) fn delete_all_but(results: &Path, keep: &BTreeSet<PathBuf>) -> Outcome<()> {
    let folder = results.join(FOLDER);
    for entry in std::fs::read_dir(&folder).into_iter().flatten().flatten() {
        let name = entry.file_name();
        if keep.contains(&Path::new(FOLDER).join(&name)) || !is_ours(&name.to_string_lossy()) {
            continue;
        }
        match std::fs::remove_file(entry.path()) {
            Err(source) if source.kind() != std::io::ErrorKind::NotFound => {
                let path = entry.path();
                return Err(Failure::output(format!("{}: {source}", path.display())));
            }
            _ => {}
        }
    }
    // It stays where something is in it.
    let _ = std::fs::remove_dir(&folder);
    Ok(())
}

/// Is it a picture that a run kept, or one that a killed run left unfinished?
fn is_ours(name: &str) -> bool {
    let key = name.strip_suffix(ENDING);
    name.starts_with(UNFINISHED)
        || key.is_some_and(|key| {
            key.len() == LETTERS && key.bytes().all(|letter| letter.is_ascii_hexdigit())
        })
}

/// Does a JPEG file begin and end as one?
fn is_whole(bytes: &[u8]) -> bool {
    bytes.starts_with(&[0xff, 0xd8]) && bytes.ends_with(&[0xff, 0xd9])
}

#[cfg(test)]
mod tests {
    use super::*;

    const WHOLE: [u8; 5] = [0xff, 0xd8, 1, 0xff, 0xd9];

    fn key(of: u32) -> Key {
        Key::of("picture", &of, &[]).unwrap()
    }

    #[test]
    fn a_picture_is_taken_once_and_again_when_it_is_torn() {
        let folder = tempfile::tempdir().unwrap();
        let kept = KeptPictures::below(folder.path());
        let mut taken = 0;
        let mut ask = |of: u32| {
            let take = || {
                taken += 1;
                Ok(Some(WHOLE.to_vec()))
            };
            assert_eq!(kept.of("shot-01", &key(of), take).unwrap().unwrap(), WHOLE);
            taken
        };
        assert_eq!([ask(1), ask(1), ask(2), ask(1)], [1, 1, 2, 2]);
        let first = folder.path().join(&kept.of_shot("shot-01")[0]);
        std::fs::write(first, [0xff, 0xd8, 1]).unwrap();
        assert_eq!(ask(1) + ask(2), 6, "the torn one was taken again");
        assert!(kept.of_shot("shot-02").is_empty());
    }

    #[test]
    fn what_is_not_shown_goes_and_what_is_not_ours_stays() {
        let folder = tempfile::tempdir().unwrap();
        let take = || Ok(Some(WHOLE.to_vec()));
        let before = KeptPictures::below(folder.path());
        before.of("shot-01", &key(1), take).unwrap();
        before.of("shot-01", &key(2), take).unwrap();
        let below = folder.path().join(FOLDER);
        std::fs::write(below.join(format!("{UNFINISHED}x")), "half").unwrap();
        let now = KeptPictures::below(folder.path());
        now.of("shot-01", &key(2), take).unwrap();
        now.sweep().unwrap();
        assert_eq!(std::fs::read_dir(&below).unwrap().count(), 1);
        std::fs::write(below.join("mine.jpg"), WHOLE).unwrap();
        KeptPictures::below(folder.path()).sweep().unwrap();
        let left: Vec<_> = std::fs::read_dir(&below).unwrap().flatten().collect();
        assert_eq!(left.len(), 1);
        assert_eq!(left[0].file_name(), "mine.jpg");
        std::fs::remove_file(left[0].path()).unwrap();
        KeptPictures::below(folder.path()).sweep().unwrap();
        assert!(!below.exists(), "nobody needs an empty folder");
    }

    #[test]
    fn a_camera_that_did_not_run_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let kept = KeptPictures::below(folder.path());
        assert!(kept.of("shot-01", &key(1), || Ok(None)).unwrap().is_none());
        kept.sweep().unwrap();
        assert!(!folder.path().join(FOLDER).exists());
    }
}
