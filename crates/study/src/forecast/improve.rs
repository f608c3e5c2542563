//! Where to put the cameras instead: one camera at a time, within the limits of the room.

use super::danger::Danger;
use super::rig_forecast::{Forecast, ForecastSettings, forecast_sketch};
use super::sketch::{Place, RigSketch, SketchCamera};
use crate::StudyError;
use drawarc_rig::ClockFace;
use serde::{Deserialize, Serialize};

/// How far advice may go.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ImproveSettings {
    /// Names of cameras that must stay.
    pub fixed: Vec<String>,
    /// Most moves.
    pub moves: usize,
    /// A move must gain this share of the merit.
    pub least_gain: f64,
    /// Steps along the dial (minutes of the dial: 60 is one hour), up, and away (m).
    pub steps: [f64; 3],
    /// Joint samples of each trial.
    pub draws: usize,
}

impl Default for ImproveSettings {
    fn default() -> Self {
        Self {
            fixed: Vec::new(),
            moves: 6,
            least_gain: 0.03,
            steps: [30.0, 0.3, 0.5],
            draws: 40,
        }
    }
}

/// One move and what it gains.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Move {
    /// Camera.
    pub camera: String,
    /// In words: from where to where.
    pub words: String,
    /// Merit before (mm: shape error and weights for danger; smaller is better).
    pub merit_before: f64,
    /// Merit after.
    pub merit_after: f64,
    /// The rig stood in front of the shooting line before this move, and does not after it.
    pub clears_line: bool,
}

/// Advice.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Advice {
    /// Moves in order.
    pub moves: Vec<Move>,
    /// The sketch after all moves.
    pub sketch: RigSketch,
    /// Its forecast.
    pub after: Forecast,
    /// Forecast before.
    pub before: Forecast,
    /// What to change besides, most important first.
    pub purchases: Vec<String>,
}

/// Each danger weighs as much as this (mm).
const DANGER_MM: f64 = 0.3;
/// Standing in front of the line is never advised.
const FORBIDDEN_MM: f64 = 10.0;

/// One number to compare rigs: shape error in space, worst phase, smallest collapse beyond the floor, dangers.
fn merit(forecast: &Forecast) -> f64 {
    let dangers: f64 = forecast
        .dangers
        .iter()
        .map(|danger| match danger {
            Danger::InFrontOfLine { .. } => FORBIDDEN_MM,
            Danger::TooFewCameras { share, .. } => 20.0 * share,
            Danger::OutOfPicture { .. } => 3.0 * DANGER_MM,
            Danger::Hidden { share, .. } => DANGER_MM * share,
            Danger::Overhead { .. } => 0.0,
            _ => DANGER_MM,
        })
        .sum();
    forecast.shape.space_mm
        + 0.3 * forecast.absolute.space_mm
        + 0.3 * forecast.faults.collapse_without_floor_mm.min(50.0)
        + dangers
}

/// Does a camera stand in front of the shooting line?
fn in_front(forecast: &Forecast) -> bool {
    let in_front = |danger: &Danger| matches!(danger, Danger::InFrontOfLine { .. });
    forecast.dangers.iter().any(in_front)
}

/// Places to which a camera could be moved.
fn neighbours(camera: &SketchCamera, sketch: &RigSketch, steps: [f64; 3]) -> Vec<SketchCamera> {
    let room = &sketch.surroundings;
    let mut list = Vec::new();
    let mut offer = |minutes: f64, up_m: f64, away_m: f64| {
        let mut moved = camera.clone();
        if let Place::Clock(clock) = camera.place {
            moved.place = Place::Clock(ClockFace::from_hours(clock.hours() + minutes / 60.0));
            moved.distance_m = camera.distance_m + away_m;
            moved.height_m = camera.height_m + up_m;
            let [low, high] = room.tripod_height_m;
            if !(low..=high).contains(&moved.height_m) || moved.distance_m < 1.2 {
                return;
            }
        } else {
            moved.height_m = camera.height_m + up_m;
            if moved.height_m > room.ceiling_m || moved.height_m < 2.4 || up_m == 0.0 {
                return;
            }
        }
        let Place::Clock(clock) = moved.place else {
            list.push(moved);
            return;
        };
        let place = clock.direction().into_inner() * moved.distance_m;
        let [toward_3, toward_6, toward_9] = room.room_m;
        let inside = -place.y <= toward_3 && -place.x <= toward_6 && place.y <= toward_9;
        if inside && place.x + room.tripod_radius_m <= 0.0 {
            list.push(moved);
        }
    };
    for factor in [-4.0, -2.0, -1.0, 1.0, 2.0, 4.0] {
        offer(factor * steps[0], 0.0, 0.0);
    }
    for factor in [-2.0, -1.0, 1.0, 2.0] {
        offer(0.0, factor * steps[1], 0.0);
        offer(0.0, 0.0, factor * steps[2]);
    }
    for minutes in [-2.0, 2.0] {
        for up in [-2.0, 2.0] {
            offer(minutes * steps[0], up * steps[1], 0.0);
        }
    }
    list
}

fn stand(camera: &SketchCamera) -> String {
    let place: String = camera.place.into();
    match camera.place {
        Place::Overhead => format!("overhead, {:.1} m high", camera.height_m),
        Place::Clock(_) => format!(
            "{place}, {:.1} m away, {:.1} m high",
            camera.distance_m, camera.height_m
        ),
    }
}

/// Moves one camera at a time to the best of its neighbouring places until no move gains enough.
///
/// # Errors
/// [`StudyError`] where the sketch itself cannot be forecast; places that cannot are passed over.
pub fn improve(
    sketch: &RigSketch,
    forecast: &ForecastSettings,
    settings: &ImproveSettings,
) -> Result<Advice, StudyError> {
    let quick = ForecastSettings {
        draws: settings.draws,
        ..*forecast
    };
    let before = forecast_sketch(sketch, forecast)?;
    let mut current = sketch.clone();
    let first = forecast_sketch(&current, &quick)?;
    let (mut value, mut forbidden) = (merit(&first), in_front(&first));
    let mut moves = Vec::new();
    while moves.len() < settings.moves {
        let mut best: Option<(f64, bool, RigSketch, usize)> = None;
        for index in 0..current.cameras.len() {
            if settings.fixed.contains(&current.cameras[index].name) {
                continue;
            }
            for moved in neighbours(&current.cameras[index], &current, settings.steps) {
                let mut trial = current.clone();
                trial.cameras[index] = moved;
                let Ok(result) = forecast_sketch(&trial, &quick) else {
                    continue;
                };
                let trial_value = merit(&result);
                if best.as_ref().is_none_or(|(least, ..)| trial_value < *least) {
                    best = Some((trial_value, in_front(&result), trial, index));
                }
            }
        }
        let Some((after, still_forbidden, trial, index)) = best else {
            break;
        };
        if after > (1.0 - settings.least_gain) * value {
            break;
        }
        moves.push(Move {
            camera: trial.cameras[index].name.clone(),
            words: format!(
                "from {} to {}",
                stand(&current.cameras[index]),
                stand(&trial.cameras[index])
            ),
            merit_before: value,
            merit_after: after,
            clears_line: forbidden && !still_forbidden,
        });
        current = trial;
        (value, forbidden) = (after, still_forbidden);
    }
    Ok(Advice {
        purchases: purchases(&current, &quick, value),
        after: forecast_sketch(&current, forecast)?,
        sketch: current,
        moves,
        before,
    })
}

/// What else would help, by trying it: a ball for a dot, a shorter exposure, a measured lag, one trigger, another board.
fn purchases(sketch: &RigSketch, settings: &ForecastSettings, value: f64) -> Vec<String> {
    use super::marker::MarkerKind;
    use super::sketch::Sync;
    let mut trials: Vec<(&str, RigSketch)> = Vec::new();
    let mut ball = sketch.clone();
    ball.marker = MarkerKind::Ball { diameter_m: 0.03 };
    trials.push(("a 30 mm ball on the elbow", ball));
    let mut lag = sketch.clone();
    let mut trigger = sketch.clone();
    let mut exposure = sketch.clone();
    for index in 0..sketch.cameras.len() {
        if matches!(sketch.cameras[index].sync, Sync::Sound | Sync::Motion) {
            lag.cameras[index].sync = Sync::SoundAndLag;
        }
        trigger.cameras[index].sync = Sync::Genlock;
        trigger.cameras[index].readout_s = 0.0;
        let shorter = (0.5 * exposure.cameras[index].exposure_s).min(1e-3);
        exposure.cameras[index].exposure_s = exposure.cameras[index].exposure_s.min(shorter);
    }
    trials.push((
        "measuring each phone's lag between sound and picture once",
        lag,
    ));
    trials.push(("cameras with one trigger and global shutters", trigger));
    trials.push(("an exposure half as long (at most 1/1000 s)", exposure));
    let mut views = sketch.clone();
    views.survey.views_in_volume *= 2;
    views.survey.views_of_lens *= 2;
    trials.push(("twice as many views of the board", views));
    let mut gains: Vec<(f64, String)> = trials
        .into_iter()
        .filter_map(|(words, trial)| {
            let after = merit(&forecast_sketch(&trial, settings).ok()?);
            let share = 1.0 - after / value;
            (share > 0.03).then(|| (share, format!("{words}: {:.0} % better", 100.0 * share)))
        })
        .collect();
    gains.sort_by(|a, b| b.0.total_cmp(&a.0));
    gains.into_iter().map(|(_, words)| words).collect()
}
