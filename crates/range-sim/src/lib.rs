//! The proving ground: a simulated range, archer and cameras, filmed into ordinary video files with sound, and a
//! truth file that no step of the pipeline opens.
//!
//! Projection, row times and motion are written here on their own, from published formulas; of the pipeline only
//! plain parameter structs of the rig and the clip writer of the footage crate are used. Conventions (range
//! frame, camera frame, pixels, presentation time = mid-exposure of the centre row) are those of `drawarc_rig`.
//!
//! [`Scenario`] says what happens; [`World`] evaluates it exactly at any instant without rendering;
//! [`render`] films it. Everything follows from the scenario and its seed, whatever the number of threads.
//!
//! Chroma is sited as H.264 and HEVC have it by default: on the even columns, between rows.

mod archer;
mod board;
mod body;
mod bow;
mod camera_stage;
mod canvas;
mod error;
mod film;
mod film_camera;
mod film_time;
mod hall;
mod helper;
mod lamps;
mod paint;
mod paint_board;
mod paint_cone;
mod paint_marker;
mod paint_shadow;
mod picture;
mod presets;
mod profile;
mod projection;
mod scenario;
mod shot;
mod solid;
mod sound;
mod stage;
mod track;
mod truth;
mod view;
mod wobble;
mod world;

pub use camera_stage::CameraStage;
pub use error::RangeSimError;
pub use film::{Rendered, render};
pub use film_camera::{ClockPlan, FilmCamera, FilmCodec, Knock};
pub use film_time::{TICKS_PER_SECOND, camera_time_s, frame_ticks, range_time_s, row_time_s};
pub use presets::{elbow_ball, further_balls, good_shot};
pub use projection::{project, slopes_from_pixel};
pub use scenario::{
    Archer, BoardPlan, CollapsePhase, FaultPlan, LightPlan, MarkerLook, MarkerPlace, MarkerPlan,
    SCENARIO_FORMAT, Scenario, ShotKind, ShotPlan, WandPlan,
};
pub use shot::PhaseTimes;
pub use sound::{SOUND_RATE_HZ, arrival_s, hear, speed_of_sound_m_s};
pub use truth::{PATH_STEP_S, TRUTH_FORMAT, TrueBoard, TrueCamera, TrueMarker, TrueShot, Truth};
pub use view::View;
pub use world::{Noise, NoiseKind, World};

/// Centre of the elbow marker (range frame, m) at range times (s), without rendering.
///
/// # Errors
/// As [`Scenario::validate`].
pub fn true_path(
    scenario: &Scenario,
    range_s: &[f64],
) -> Result<Vec<nalgebra::Point3<f64>>, RangeSimError> {
    let world = World::new(scenario)?;
    Ok(range_s.iter().map(|&t| world.elbow(t)).collect())
}
