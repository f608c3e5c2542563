//! The recordings of a practice, opened and looked over before any work is done on them.

use crate::failure::{Failure, Outcome};
use crate::practice::{CameraEntry, Practice};
use crate::store::Key;
use drawarc_footage::{FootageError, Limits, Recording};
use drawarc_rig::{ImageSize, Rig, Shutter};

/// The cameras of a practice with what they recorded, in the manifest's order.
#[derive(Debug)]
pub(crate) struct Recordings {
    /// What the manifest says of each camera.
    entries: Vec<CameraEntry>,
    /// What each recorded.
    pub(crate) films: Vec<Recording>,
    /// Identity of each camera's files.
    keys: Vec<Key>,
    /// Name, without its folders, and identity of every file.
    pub(crate) files: Vec<(String, Key)>,
}

/// One camera with its recording.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Filmed<'a> {
    /// What the manifest says of the camera.
    pub(crate) entry: &'a CameraEntry,
    /// What it recorded.
    pub(crate) recording: &'a Recording,
}

impl Recordings {
    /// Opens everything that the manifest lists.
    pub(crate) fn open(practice: &Practice) -> Outcome<Self> {
        let mut opened = Self {
            entries: practice.cameras.clone(),
            films: Vec::new(),
            keys: Vec::new(),
            files: Vec::new(),
        };
        for entry in &practice.cameras {
            if entry.files.is_empty() {
                return Err(Failure::input(format!(
                    "camera {:?} lists photographs only; a practice needs its recording under `files:`",
                    entry.name
                )));
            }
            let recording = Recording::open(&entry.files, &Limits::default())
                .map_err(|source| wrong_footage(&source))?
                .filmed_slow(entry.slowed()?);
            let keys = entry
                .files
                .iter()
                .map(|file| Key::of_file(file))
                .collect::<Outcome<Vec<_>>>()?;
            for (file, key) in entry.files.iter().zip(&keys) {
                let name = file.file_name().unwrap_or_default();
                opened
                    .files
                    .push((name.to_string_lossy().into_owned(), key.clone()));
            }
            opened.keys.push(Key::of(
                "recording",
                entry,
                &keys.iter().collect::<Vec<_>>(),
            )?);
            opened.films.push(recording);
        }
        Ok(opened)
    }

    /// The cameras, each with its recording.
    pub(crate) fn cameras(&self) -> impl Iterator<Item = Filmed<'_>> {
        self.entries
            .iter()
            .zip(&self.films)
            .map(|(entry, recording)| Filmed { entry, recording })
    }

    /// How many cameras there are.
    pub(crate) fn len(&self) -> usize {
        self.films.len()
    }

    /// One camera.
    pub(crate) fn camera(&self, index: usize) -> Filmed<'_> {
        Filmed {
            entry: &self.entries[index],
            recording: &self.films[index],
        }
    }

    /// What a person should know of slow motion that the manifest does not mention.
    pub(crate) fn remarks(&self) -> Vec<String> {
        self.cameras()
            .filter(|filmed| filmed.entry.slow_motion.is_empty())
            .filter_map(|filmed| {
                let slower = filmed.recording.probe().noted_slower()?;
                Some(format!(
                    "camera {:?} stored its frames {slower:.1} times slower than it filmed them: if this is slow motion, all its times are wrong; write `slow_motion: [{{times_slower: {slower:.1}}}]` under it in the manifest",
                    filmed.entry.name
                ))
            })
            .collect()
    }

    /// The identities of all recordings.
    pub(crate) fn keys(&self) -> Vec<&Key> {
        self.keys.iter().collect()
    }

    /// The identity of one recording.
    pub(crate) fn key(&self, index: usize) -> &Key {
        &self.keys[index]
    }

    /// Refuses a rig that was not surveyed with these cameras as they stand in the manifest.
    pub(crate) fn fits(&self, rig: &Rig) -> Outcome<()> {
        for (index, filmed) in self.cameras().enumerate() {
            let name = &filmed.entry.name;
            let camera = rig.cameras.get(index).filter(|camera| camera.name == *name);
            let Some(camera) = camera else {
                let names: Vec<&str> = rig.cameras.iter().map(|c| c.name.as_str()).collect();
                return Err(Failure::input(format!(
                    "the rig holds the cameras {}; the manifest's camera {} is {name:?}",
                    names.join(", "),
                    index + 1
                ))
                .help("list the cameras in the manifest by the rig's names and in its order"));
            };
            let probe = filmed.recording.probe();
            if camera.image_size != filmed.image_size() {
                return Err(Failure::input(format!(
                    "camera {name:?} was surveyed with pictures of {}×{} px and now films {}×{}",
                    camera.image_size.width_px,
                    camera.image_size.height_px,
                    probe.width_px,
                    probe.height_px
                ))
                .help("film with the settings of the survey, or survey again"));
            }
            if camera.rotation_deg != probe.rotation_deg {
                return Err(Failure::input(format!(
                    "camera {name:?} was surveyed turned by {}° and now films turned by {}°",
                    camera.rotation_deg, probe.rotation_deg
                ))
                .help(
                    "board and shots must both be filmed upright or both sideways: survey again",
                ));
            }
        }
        Ok(())
    }
}

impl Filmed<'_> {
    /// Stored picture size.
    pub(crate) fn image_size(&self) -> ImageSize {
        let probe = self.recording.probe();
        ImageSize {
            width_px: probe.width_px,
            height_px: probe.height_px,
        }
    }

    /// The shutter as the manifest states it.
    pub(crate) fn shutter(&self) -> Shutter {
        shutter_of(self.entry)
    }
}

/// Makers rarely print the read-out: a stated one is trusted to this share, unless the manifest says how well it is known
/// (common practice, no source).
const READOUT_SD_SHARE: f64 = 0.25;

/// The shutter as a manifest states it.
pub(crate) fn shutter_of(entry: &CameraEntry) -> Shutter {
    Shutter {
        readout_s: entry.readout_ms / 1000.0,
        readout_sd_s: entry
            .readout_sd_ms
            .unwrap_or(READOUT_SD_SHARE * entry.readout_ms.abs())
            / 1000.0,
        exposure_s: entry.exposure_ms / 1000.0,
    }
}

/// Footage that cannot be used, in words.
pub(crate) fn wrong_footage(source: &FootageError) -> Failure {
    Failure::input(source)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_read_out_without_a_word_on_its_error_is_not_trusted_blindly() {
        let shutter = |rest: &str| {
            let text = format!("{{name: five, files: [a.mp4], {rest}}}");
            shutter_of(&serde_yaml::from_str(&text).unwrap())
        };
        assert!((shutter("readout_ms: 16").readout_sd_s - 0.004).abs() < 1e-12);
        assert!((shutter("readout_ms: -16").readout_sd_s - 0.004).abs() < 1e-12);
        for held in ["readout_ms: 16, readout_sd_ms: 0", "readout_ms: 0"] {
            assert!(shutter(held).readout_sd_s.abs() < 1e-12, "{held}");
        }
    }
}
