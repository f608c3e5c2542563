//! What really happened: `truth.json` (`format: drawarc-truth/1`). No step of the pipeline opens it.

use crate::film_camera::ClockPlan;
use crate::film_time::TICKS_PER_SECOND;
use crate::scenario::{FaultPlan, MarkerPlace, Scenario, ShotKind};
use crate::shot::PhaseTimes;
use crate::sound::arrival_s;
use crate::world::{Noise, World};
use drawarc_rig::{ImageSize, Lens, Shutter};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// The format that this version writes.
pub const TRUTH_FORMAT: &str = "drawarc-truth/1";
/// Step of the true path (s).
pub const PATH_STEP_S: f64 = 0.001;

/// Everything true about a filmed practice. Times are range time (s), places in the range frame (m).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Truth {
    /// Always [`TRUTH_FORMAT`].
    pub format: String,
    /// What was filmed.
    pub scenario: Scenario,
    /// +1 right-handed, −1 left-handed.
    pub side: f64,
    /// Hook to middle of the elbow marker (m).
    pub forearm_m: f64,
    /// Point on the arrow line at full draw (the hook's place at the jaw) without sway (m).
    pub arrow_point_m: [f64; 3],
    /// Unit vector along the arrow line toward the target, without sway.
    pub arrow_direction: [f64; 3],
    /// Centre of the elbow marker, from time 0 on in steps of [`PATH_STEP_S`].
    pub elbow_m: Vec<[f64; 3]>,
    /// Shots.
    pub shots: Vec<TrueShot>,
    /// What is heard.
    pub noises: Vec<Noise>,
    /// Cameras.
    pub cameras: Vec<TrueCamera>,
}

/// One shot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrueShot {
    /// Kind.
    pub kind: ShotKind,
    /// Boundaries of the phases.
    pub phases: PhaseTimes,
    /// When the fingers opened; `None` without a release.
    pub release_s: Option<f64>,
    /// When the bow sounded at the bow.
    pub sound_s: Option<f64>,
    /// Faults as dialled in.
    pub faults: Vec<FaultPlan>,
}

/// One camera.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrueCamera {
    /// Name.
    pub name: String,
    /// File name of the video.
    pub video: String,
    /// Stored size.
    pub image_size: ImageSize,
    /// Lens.
    pub lens: Lens,
    /// Shutter.
    pub shutter: Shutter,
    /// Clock: `range_s = offset_s + camera_s (1 + drift)`.
    pub clock: ClockPlan,
    /// `camera_from_range`: translation (m).
    pub camera_from_range_translation_m: [f64; 3],
    /// `camera_from_range`: rotation as a unit quaternion (i, j, k, w).
    pub camera_from_range_rotation_ijkw: [f64; 4],
    /// Range time at which each noise arrives (s), in the order of the noises.
    pub noise_arrivals_s: Vec<f64>,
    /// Ticks a second of the frames' presentation times.
    pub ticks_per_second: i32,
    /// Presentation time of every frame (ticks).
    pub frame_ticks: Vec<i64>,
    /// Markers, frame by frame.
    pub markers: Vec<TrueMarker>,
    /// The board: every frame in which it is waved or lies, corners row by row.
    pub board: Vec<TrueBoard>,
}

/// One marker in one camera.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrueMarker {
    /// Where it sits.
    pub place: MarkerPlace,
    /// Per frame: centre (px) and the visible fraction of its disc; `None` where it is not in the picture.
    pub frames: Vec<Option<[f64; 3]>>,
}

/// The board in one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrueBoard {
    /// Index of the frame.
    pub frame: usize,
    /// Inner corners (px).
    pub corners_px: Vec<[f64; 2]>,
}

impl Truth {
    /// Gathers the truth of a world.
    pub fn of(world: &World) -> Self {
        let scenario = &world.scenario;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "milliseconds of a practice"
        )]
        let steps = (scenario.end_s / PATH_STEP_S) as usize;
        let elbow_m = (0..=steps)
            .map(|k| world.elbow(k as f64 * PATH_STEP_S).coords.into())
            .collect();
        let noises = world.noises();
        let shots = world
            .phases()
            .into_iter()
            .zip(&scenario.shots)
            .map(|(phases, plan)| {
                let released = plan.kind == ShotKind::Shot;
                TrueShot {
                    kind: plan.kind,
                    phases,
                    release_s: released.then_some(phases.release_s),
                    sound_s: released.then_some(phases.release_s + crate::shot::POWER_STROKE_S),
                    faults: plan.faults.clone(),
                }
            })
            .collect();
        let (point, direction) = world.arrow_line();
        Self {
            format: TRUTH_FORMAT.to_owned(),
            side: scenario.side(),
            forearm_m: scenario.archer.forearm_m(),
            arrow_point_m: point.coords.into(),
            arrow_direction: direction.into(),
            elbow_m,
            shots,
            cameras: (0..world.views.len())
                .map(|view| true_camera(world, view, &noises))
                .collect(),
            noises,
            scenario: scenario.clone(),
        }
    }
}

fn true_camera(world: &World, index: usize, noises: &[Noise]) -> TrueCamera {
    let view = &world.views[index];
    let camera = &view.camera;
    let frame_ticks = world.frame_ticks(index);
    let seconds = |tick: i64| tick as f64 / f64::from(TICKS_PER_SECOND);
    let markers = world
        .scenario
        .markers
        .iter()
        .enumerate()
        .map(|(marker, plan)| TrueMarker {
            place: plan.place,
            frames: frame_ticks
                .par_iter()
                .map(|&tick| {
                    let camera_s = seconds(tick);
                    let visible = world.marker_visibility(index, camera_s, marker)?;
                    let pixel = world.marker_pixel(index, camera_s, plan.place)?;
                    Some([pixel.x, pixel.y, visible])
                })
                .collect(),
        })
        .collect();
    let shown = world
        .scenario
        .board
        .as_ref()
        .map_or(0.0..0.0, |plan| plan.waved_from_s..plan.on_line_until_s);
    let board = frame_ticks
        .iter()
        .enumerate()
        .filter(|(_, tick)| shown.contains(&view.row_instant_s(seconds(**tick), 0.0)))
        .filter_map(|(frame, &tick)| {
            let corners = world.board_pixels(index, seconds(tick))?;
            Some(TrueBoard {
                frame,
                corners_px: corners.iter().map(|p| [p.x, p.y]).collect(),
            })
        })
        .collect();
    let pose = view.camera_from_range;
    let rotation = pose.rotation.coords;
    TrueCamera {
        name: camera.name.clone(),
        video: format!("{}.mp4", camera.name),
        image_size: camera.image_size,
        lens: camera.lens,
        shutter: camera.shutter,
        clock: camera.clock,
        camera_from_range_translation_m: pose.translation.vector.into(),
        camera_from_range_rotation_ijkw: [rotation.x, rotation.y, rotation.z, rotation.w],
        noise_arrivals_s: noises
            .iter()
            .map(|noise| {
                arrival_s(
                    noise,
                    &view.centre_in_range(),
                    world.scenario.air_temperature_c,
                )
            })
            .collect(),
        ticks_per_second: TICKS_PER_SECOND,
        frame_ticks,
        markers,
        board,
    }
}
