//! The still background of every camera: as it was at the survey, kept beside the rig, and as it is in the pictures that a
//! later pass decodes anyway.

use crate::failure::{Failure, Outcome};
use crate::store::{self, Key};
use drawarc_calibration::{BackgroundReference, BackgroundShift, GrayView};
use drawarc_footage::{PictureView, Plane};
use drawarc_rig::Rig;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// Word at the top of the file.
const FORMAT: &str = "drawarc-background/1";
/// Time between looks (s). A look costs about what following the markers in one or two frames costs; half a second dates
/// a knock well enough, since a shot across it is lost anyway.
pub(crate) const LOOK_EVERY_S: f64 = 0.5;
/// Looks of which a reference is made where none was kept from the survey.
const FIRST_LOOKS: usize = 6;

/// Backgrounds as they stand in a file.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    format: String,
    /// Identity of the rig file beside which they stand.
    rig_sha256: String,
    cameras: Vec<CameraBackground>,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct CameraBackground {
    name: String,
    reference: BackgroundReference,
}

/// The survey's backgrounds, camera by camera; `None` for a camera that has none.
pub(crate) type Backgrounds = Vec<Option<BackgroundReference>>;

/// `rig.background.json` beside `rig.yaml`.
fn beside(rig_path: &Path) -> PathBuf {
    rig_path.with_extension("background.json")
}

/// Keeps backgrounds beside a rig file that has been written.
pub(crate) fn keep(rig_path: &Path, rig: &Rig, backgrounds: &Backgrounds) -> Outcome<()> {
    let cameras: Vec<CameraBackground> = rig
        .cameras
        .iter()
        .zip(backgrounds)
        .filter_map(|(camera, reference)| {
            Some(CameraBackground {
                name: camera.name.clone(),
                reference: reference.clone()?,
            })
        })
        .collect();
    if cameras.is_empty() {
        // Surveyed from photographs: nothing to keep. What another survey left beside this file is not of this rig.
        return Ok(());
    }
    let file = File {
        format: FORMAT.to_owned(),
        rig_sha256: Key::of_file(rig_path)?.text().to_owned(),
        cameras,
    };
    let text = serde_json::to_vec(&file).map_err(Failure::output)?;
    store::write_whole(&beside(rig_path), &text)
}

/// The backgrounds kept beside a rig file; `None` where there are none, or those of another rig.
pub(crate) fn kept(rig_path: &Path, rig: &Rig) -> Outcome<Option<Backgrounds>> {
    let path = beside(rig_path);
    if !path.exists() {
        return Ok(None);
    }
    let wrong = |words: String| {
        Failure::input(format!("{}: {words}", path.display())).help(
            "delete it, and the cameras are compared with their own first seconds; or survey again",
        )
    };
    let bytes = std::fs::read(&path).map_err(|source| wrong(source.to_string()))?;
    let file: File = serde_json::from_slice(&bytes).map_err(|source| wrong(source.to_string()))?;
    if file.format != FORMAT {
        return Err(wrong(format!(
            "this file says format {:?}; backgrounds say {FORMAT:?}",
            file.format
        )));
    }
    if let Some(odd) = file
        .cameras
        .iter()
        .find(|camera| !camera.reference.is_whole())
    {
        return Err(wrong(format!(
            "a patch of camera {:?} is not whole",
            odd.name
        )));
    }
    if file.rig_sha256 != Key::of_file(rig_path)?.text() {
        return Ok(None);
    }
    let of = |name: &str| {
        file.cameras
            .iter()
            .find(|camera| camera.name == name)
            .map(|camera| camera.reference.clone())
    };
    Ok(Some(
        rig.cameras.iter().map(|camera| of(&camera.name)).collect(),
    ))
}

/// The background in some pictures of one camera.
pub(crate) fn of_pictures(pictures: &[Plane]) -> Option<BackgroundReference> {
    let views: Vec<GrayView<'_>> = pictures.iter().filter_map(GrayView::of_plane).collect();
    BackgroundReference::from_pictures(&views)
}

/// Looks at one camera's background, one after the other.
pub(crate) type Looks = Vec<(f64, BackgroundShift)>;

/// Looks on while another pass decodes.
#[derive(Debug)]
pub(crate) struct Watch<'a> {
    rig: &'a Rig,
    cameras: Vec<Mutex<CameraWatch>>,
}

#[derive(Debug, Default)]
struct CameraWatch {
    reference: Option<BackgroundReference>,
    /// Pictures seen before there was a reference.
    first: Vec<(f64, Plane)>,
    last_s: Option<f64>,
    looks: Looks,
}

impl<'a> Watch<'a> {
    /// Compares with these backgrounds; a camera without one is compared with its own first seconds.
    pub(crate) fn new(rig: &'a Rig, backgrounds: &Backgrounds) -> Self {
        let cameras = (0..rig.cameras.len())
            .map(|index| {
                Mutex::new(CameraWatch {
                    reference: backgrounds.get(index).cloned().flatten(),
                    ..CameraWatch::default()
                })
            })
            .collect();
        Self { rig, cameras }
    }

    /// Sees a picture; most are let pass.
    pub(crate) fn see(&self, camera: usize, time_s: f64, picture: &PictureView<'_>) {
        let Some(watch) = self.cameras.get(camera) else {
            return;
        };
        let mut watch = watch.lock().unwrap_or_else(PoisonError::into_inner);
        // A little early is better than a frame late: times jitter.
        if watch
            .last_s
            .is_some_and(|last_s| time_s < last_s + LOOK_EVERY_S - 1e-3)
        {
            return;
        }
        watch.last_s = Some(time_s);
        watch.look(
            time_s,
            picture.luma.to_gray8(),
            &self.rig.cameras[camera].lens,
        );
    }

    /// What was seen, camera by camera.
    pub(crate) fn finish(self) -> Vec<Looks> {
        self.cameras
            .into_iter()
            .zip(&self.rig.cameras)
            .map(|(watch, camera)| {
                let mut watch = watch.into_inner().unwrap_or_else(PoisonError::into_inner);
                watch.settle(&camera.lens);
                watch.looks
            })
            .collect()
    }
}

impl CameraWatch {
    fn look(&mut self, time_s: f64, plane: Plane, lens: &drawarc_rig::Lens) {
        if let Some(reference) = &self.reference {
            if let Some(view) = GrayView::of_plane(&plane) {
                self.looks.push((time_s, reference.compare(view, lens)));
            }
            return;
        }
        self.first.push((time_s, plane));
        if self.first.len() == FIRST_LOOKS {
            self.settle(lens);
        }
    }

    /// Makes the first pictures the reference.
    fn settle(&mut self, lens: &drawarc_rig::Lens) {
        if self.reference.is_some() || self.first.is_empty() {
            return;
        }
        let (times, planes): (Vec<f64>, Vec<Plane>) =
            std::mem::take(&mut self.first).into_iter().unzip();
        self.reference = of_pictures(&planes);
        for (time_s, plane) in times.into_iter().zip(planes) {
            if self.reference.is_some() {
                self.look(time_s, plane, lens);
            }
        }
    }
}
