//! A tiny practice: one shot, two phones, small pictures at 30/s with a large ball, so that a run takes a second or two.
//! It shows nothing of accuracy. Filmed once; its rig file stands for one that was surveyed before.

use crate::support::manifest;
use drawarc_range_sim::{MarkerLook, Scenario, Truth, World, elbow_ball, good_shot, render};
use drawarc_rig::{BrownConrady, Camera, ImageSize, Lens, Level, RangeFrame, Rig, SurveySummary};
use nalgebra::{DMatrix, Isometry3, Quaternion, Translation3, UnitQuaternion};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

/// Half of full HD in each direction.
const SIZE: ImageSize = ImageSize {
    width_px: 960,
    height_px: 540,
};

/// What a film shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shows {
    /// A clap, then a shot.
    Shot,
    /// A clap, then the board, waved and laid down.
    Board,
}

fn scenario(shows: Shows) -> Scenario {
    let mut scenario = Scenario::club_five_three(9).shortened();
    scenario.claps_s = vec![0.7];
    match shows {
        Shows::Shot => {
            scenario.board = None;
            scenario.shots = vec![good_shot(0.9)];
            scenario.end_s = 6.6;
        }
        Shows::Board => {
            scenario.shots = Vec::new();
            if let Some(board) = &mut scenario.board {
                board.waved_from_s = 0.9;
                board.waved_until_s = 3.9;
                board.on_line_from_s = 4.9;
                board.on_line_until_s = 6.2;
            }
            scenario.end_s = 6.6;
        }
    }
    let mut ball = elbow_ball();
    ball.look = MarkerLook::Ball { diameter_m: 0.06 };
    scenario.markers = vec![ball];
    for camera in &mut scenario.cameras {
        camera.image_size = SIZE;
        camera.rate_hz = 30.0;
        if let Lens::BrownConrady(lens) = camera.lens {
            camera.lens = Lens::BrownConrady(BrownConrady {
                fx_px: lens.fx_px / 2.0,
                fy_px: lens.fy_px / 2.0,
                // The centre of the first pixel is (0, 0).
                cx_px: lens.cx_px / 2.0 - 0.25,
                cy_px: lens.cy_px / 2.0 - 0.25,
                ..lens
            });
        }
    }
    scenario
}

/// The folder of a film; filmed again where its scenario changed.
fn filmed(shows: Shows) -> PathBuf {
    static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());
    let _held = ONE_AT_A_TIME.lock();
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("tiny-{shows:?}"));
    let scenario = scenario(shows);
    let text = scenario.to_yaml().unwrap();
    let stamp = folder.join("filmed.yaml");
    if fs::read_to_string(&stamp).ok().as_ref() != Some(&text) {
        fs::create_dir_all(&folder).unwrap();
        render(&scenario, &folder, &mut |_| ()).unwrap();
        fs::write(stamp, text).unwrap();
    }
    folder
}

/// The rig as a survey would have found it.
fn rig(scenario: &Scenario) -> Rig {
    let truth = Truth::of(&World::new(scenario).unwrap());
    let cameras: Vec<Camera> = truth
        .cameras
        .iter()
        .map(|camera| {
            let [i, j, k, w] = camera.camera_from_range_rotation_ijkw;
            Camera {
                name: camera.name.clone(),
                image_size: camera.image_size,
                rotation_deg: 0,
                lens: camera.lens,
                shutter: camera.shutter,
                camera_from_range: Isometry3::from_parts(
                    Translation3::from(camera.camera_from_range_translation_m),
                    UnitQuaternion::from_quaternion(Quaternion::new(w, i, j, k)),
                ),
            }
        })
        .collect();
    let parameters: usize = cameras.iter().map(Camera::parameter_count).sum();
    Rig {
        cameras,
        range_frame: RangeFrame::BoardOnLine { views: 12 },
        level: Level::AssumedFromBoard,
        survey: SurveySummary {
            residual_px: vec![0.1, 0.12],
            views: vec![30, 31],
            corner_sd_px: vec![0.1; 2],
            ended: String::new(),
            scale_sd_percent: 0.05,
            remarks: Vec::new(),
        },
        covariance: DMatrix::identity(parameters, parameters) * 1e-9,
    }
}

/// Puts a practice into a folder: films, board, manifest, and the rig, which only a film of a shot names.
pub(crate) fn practice(folder: &Path, shows: Shows) {
    fs::create_dir_all(folder).unwrap();
    let films = filmed(shows);
    for name in ["five.mp4", "three.mp4"] {
        fs::copy(films.join(name), folder.join(name)).unwrap();
    }
    fs::write(
        folder.join("board.yaml"),
        "format: drawarc-board/1\nname: simulated\ncolumns: 9\nrows: 6\npitch_x_mm: 40\npitch_y_mm: 40\n",
    )
    .unwrap();
    let rig = rig(&scenario(shows)).to_yaml().unwrap();
    fs::write(folder.join("rig.yaml"), rig).unwrap();
    let text = manifest("five.mp4", "three.mp4");
    let board = text
        .lines()
        .find(|line| line.starts_with("board:"))
        .unwrap()
        .to_owned();
    let mut text = text
        .replace(&board, "board: board.yaml")
        .replace("size_mm: 28", "size_mm: 60");
    if shows == Shows::Shot {
        text = text.replace("cameras:", "rig: rig.yaml\ncameras:");
    }
    fs::write(folder.join("practice.yaml"), text).unwrap();
}

/// The hash of every file below a folder, but for the lock.
pub(crate) fn contents(folder: &Path) -> BTreeMap<String, String> {
    let mut all = BTreeMap::new();
    for entry in fs::read_dir(folder).into_iter().flatten() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if path.is_dir() {
            let below = contents(&path).into_iter();
            all.extend(below.map(|(file, hash)| (format!("{name}/{file}"), hash)));
        } else if name != ".lock" {
            let hash = Sha256::digest(fs::read(&path).unwrap());
            all.insert(name, format!("{hash:x}"));
        }
    }
    all
}

/// Says which files of two results differ.
#[track_caller]
pub(crate) fn assert_same(
    one: &BTreeMap<String, String>,
    other: &BTreeMap<String, String>,
    when: &str,
) {
    let names = one.keys().chain(other.keys());
    let mut different: Vec<&String> = names
        .filter(|name| one.get(*name) != other.get(*name))
        .collect();
    different.sort();
    different.dedup();
    assert!(different.is_empty(), "{when}: {different:?} differ");
}
