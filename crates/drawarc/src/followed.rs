//! The markers in every frame, and in the same pass how every camera stood: a camera that was turned is put back from its
//! background before the views are compared.

use crate::backgrounds::{Backgrounds, Looks, Watch};
use crate::failure::{Failure, Outcome};
use crate::moved_clocks;
use crate::progress::{self, Progress};
use crate::steps::Plan;
use crate::store::{Key, Store};
use drawarc_calibration::{CameraVerdict, Standing, standing};
use drawarc_rig::{Camera, ClockModel, Rig};
use drawarc_sync_track::{
    SightingSeries, SyncTrackError, TrackInput, TrackSettings, Trails, Windows, follow_watched,
};
use nalgebra::{Point3, UnitQuaternion, Vector3};
use std::cell::OnceCell;

/// What one pass through the recordings brought.
#[derive(Debug)]
pub(crate) struct Followed {
    /// Where every marker was in every frame, as seen from where the rig says that the cameras stand.
    pub(crate) series: Vec<SightingSeries>,
    /// How every camera stood.
    pub(crate) standing: Vec<Standing>,
    /// The clocks by movement, where they had to take the place of those by sound.
    pub(crate) clocks: Option<Vec<ClockModel>>,
}

/// What is to be looked through.
#[derive(Debug)]
pub(crate) struct Search<'a> {
    pub(crate) rig: &'a Rig,
    pub(crate) clocks: &'a [ClockModel],
    pub(crate) windows: &'a [Windows],
    pub(crate) backgrounds: &'a Backgrounds,
    /// Whether movement is asked for the clocks, too.
    pub(crate) clocks_may_move: bool,
}

impl Search<'_> {
    /// By how much the cameras may stand otherwise than surveyed (deg, all together), where all were compared with the background of the
    /// survey and none was found to have moved.
    fn turned_at_most_deg(&self, standing: &[Standing]) -> Option<f64> {
        let compared = self.backgrounds.iter().all(Option::is_some);
        let still = |standing: &Standing| !standing.restless && !standing.stands.is_empty();
        if !compared || !standing.iter().all(still) {
            return None;
        }
        let of_one = |standing: &Standing| {
            let stands = standing.stands.iter().map(|stand| {
                let unmoved = stand.shift.verdict == CameraVerdict::Unmoved;
                unmoved.then(|| stand.shift.turn_deg().hypot(stand.shift.turn_sd_deg))
            });
            stands
                .collect::<Option<Vec<f64>>>()
                .map(|all| all.into_iter().fold(0.0, f64::max))
        };
        standing.iter().map(of_one).sum()
    }
}

/// Follows the markers, unless that was done before.
pub(crate) fn follow(
    plan: &Plan<'_>,
    store: &Store,
    progress: &Progress,
    search: &Search<'_>,
    before: &Key,
) -> Outcome<Followed> {
    let on = (
        plan.markers,
        search.windows,
        search.clocks,
        search.backgrounds,
        search.clocks_may_move,
    );
    let key = Key::of("sightings", &on, &[before])?;
    let bar = progress.bar("following the markers");
    let passed: OnceCell<(Trails, Vec<Looks>)> = OnceCell::new();
    // One pass serves both steps; which of them need it is known only when their kept results have been read.
    let pass = || -> Outcome<()> {
        if passed.get().is_none() {
            let found = look_through(plan, search, &mut |fraction| progress::set(&bar, fraction))
                .map_err(Failure::not_measurable)?;
            // It was empty a moment ago.
            let _ = passed.set(found);
        }
        Ok(())
    };
    let lost = || Failure::not_measurable("the pass through the recordings left nothing");
    let looks: Vec<Looks> = store.step("background", &key, || {
        pass()?;
        passed
            .get()
            .map(|(_, looks)| looks.clone())
            .ok_or_else(lost)
    })?;
    let standing: Vec<Standing> = looks.iter().map(|looks| standing(looks)).collect();
    let first: OnceCell<Vec<SightingSeries>> = OnceCell::new();
    let clocks: Option<Vec<ClockModel>> = if search.clocks_may_move {
        store.step("moved-clocks", &key, || {
            pass()?;
            let (trails, _) = passed.get().ok_or_else(lost)?;
            let series =
                first_choice(trails, search, &standing).map_err(Failure::not_measurable)?;
            let moved =
                moved(trails, search, &standing, &series).map_err(Failure::not_measurable)?;
            // It was empty a moment ago.
            let _ = first.set(series);
            Ok(moved)
        })?
    } else {
        None
    };
    let series = store.step("sightings", &key, || {
        pass()?;
        let (trails, _) = passed.get().ok_or_else(lost)?;
        match (&clocks, first.into_inner()) {
            (None, Some(series)) => Ok(series),
            (moved, _) => {
                let clocks = moved.as_deref().unwrap_or(search.clocks);
                chosen(trails, (search.rig, clocks), &standing).map_err(Failure::not_measurable)
            }
        }
    })?;
    bar.finish_and_clear();
    Ok(Followed {
        series,
        standing,
        clocks,
    })
}

/// The clocks by movement, where they must take the place of the sound's. Asked twice: by wrong clocks the views agree about few
/// sightings, and what was told by those few was 0.5 ms off where all tell it to 0.1.
fn moved(
    trails: &Trails,
    search: &Search<'_>,
    standing: &[Standing],
    series: &[SightingSeries],
) -> Result<Option<Vec<ClockModel>>, SyncTrackError> {
    let on = (search.rig, search.turned_at_most_deg(standing));
    let Some(first) = moved_clocks::instead(on, series, search.clocks)? else {
        return Ok(None);
    };
    let series = chosen(trails, (search.rig, &first), standing)?;
    let second = moved_clocks::instead(on, &series, search.clocks)?;
    Ok(Some(second.unwrap_or(first)))
}

/// The markers by the clocks of the sound; each camera's by itself where a clock was left open.
fn first_choice(
    trails: &Trails,
    search: &Search<'_>,
    standing: &[Standing],
) -> Result<Vec<SightingSeries>, SyncTrackError> {
    if search.clocks.iter().any(moved_clocks::is_unknown) {
        return trails.choose(search.rig, None, &TrackSettings::default().choice);
    }
    chosen(trails, (search.rig, search.clocks), standing)
}

fn look_through(
    plan: &Plan<'_>,
    search: &Search<'_>,
    progress: &mut dyn FnMut(f64),
) -> Result<(Trails, Vec<Looks>), SyncTrackError> {
    let watch = Watch::new(search.rig, search.backgrounds);
    let trails = follow_watched(
        &TrackInput {
            recordings: &plan.recordings.films,
            rig: search.rig,
            markers: plan.markers,
            windows: search.windows,
        },
        &TrackSettings {
            threads: rayon::current_num_threads(),
            ..TrackSettings::default()
        },
        progress,
        &|camera, time_s, picture| watch.see(camera, time_s, picture),
    )?;
    Ok((trails, watch.finish()))
}

/// Turn of a camera from where the rig says that it stands (rad about its own axes).
type Turn = Option<Vector3<f64>>;

/// Chooses the markers among what was followed, each stretch of time with the cameras as they stood in it.
fn chosen(
    trails: &Trails,
    (rig_surveyed, clocks): (&Rig, &[ClockModel]),
    standing: &[Standing],
) -> Result<Vec<SightingSeries>, SyncTrackError> {
    let settings = TrackSettings::default().choice;
    let mut whole: Option<Vec<SightingSeries>> = None;
    let stretches = stretches(clocks, standing);
    for (span, turns) in &stretches {
        let rig = placed(rig_surveyed, turns);
        let part;
        let seen = if stretches.len() > 1 {
            part = trails.part(clocks, *span);
            &part
        } else {
            trails
        };
        let mut found = seen.choose(&rig, Some(clocks), &settings)?;
        for series in &mut found {
            if let Some(turn) = turns[series.camera] {
                put_back(series, &rig_surveyed.cameras[series.camera], turn);
            }
        }
        match &mut whole {
            None => whole = Some(found),
            Some(whole) => {
                for (series, more) in whole.iter_mut().zip(found) {
                    series.samples.extend(more.samples);
                }
            }
        }
    }
    Ok(whole.unwrap_or_default())
}

/// Stretches of range time in which no camera changes its place, with every camera's turn.
fn stretches(clocks: &[ClockModel], standing: &[Standing]) -> Vec<((f64, f64), Vec<Turn>)> {
    let turned = |camera: usize, stand: usize| -> Turn {
        let standing = &standing[camera];
        let shift = &standing.stands.get(stand)?.shift;
        (!standing.restless && shift.verdict == CameraVerdict::Moved)
            .then(|| Vector3::from(shift.turn))
    };
    // Where a camera's next stand begins, and which it is.
    let mut changes: Vec<(f64, usize, usize)> = standing
        .iter()
        .enumerate()
        .flat_map(|(camera, standing)| {
            let stands = standing.stands.iter().enumerate().skip(1);
            stands.map(move |(stand, about)| {
                (
                    clocks[camera].range_from_camera(about.from_s),
                    camera,
                    stand,
                )
            })
        })
        .filter(|(_, camera, stand)| turned(*camera, *stand) != turned(*camera, stand - 1))
        .collect();
    changes.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut turns: Vec<Turn> = (0..standing.len())
        .map(|camera| turned(camera, 0))
        .collect();
    let mut found = Vec::new();
    let mut from_s = f64::NEG_INFINITY;
    for (at_s, camera, stand) in changes {
        found.push(((from_s, at_s), turns.clone()));
        turns[camera] = turned(camera, stand);
        from_s = at_s;
    }
    found.push(((from_s, f64::INFINITY), turns));
    found
}

fn placed(rig: &Rig, turns: &[Turn]) -> Rig {
    let mut rig = rig.clone();
    for (camera, turn) in rig.cameras.iter_mut().zip(turns) {
        if let Some(turn) = turn {
            camera.camera_from_range =
                UnitQuaternion::from_scaled_axis(*turn) * camera.camera_from_range;
        }
    }
    rig
}

/// Sightings of a camera that was turned, as it would have had them had it not been: a turn about the optical centre moves
/// every ray alike, whatever lies on it.
fn put_back(series: &mut SightingSeries, camera: &Camera, turn: Vector3<f64>) {
    let back = UnitQuaternion::from_scaled_axis(-turn);
    for sample in &mut series.samples {
        let seen = camera
            .lens
            .ray_from_pixel(&sample.centre_px)
            .and_then(|ray| {
                camera
                    .lens
                    .pixel_from_camera(&Point3::from(back * ray.into_inner()))
            });
        if let Some(pixel) = seen {
            sample.centre_px = pixel;
        }
    }
}
