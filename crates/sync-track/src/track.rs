//! The edge: recordings in, trails out. One decoder and one follower a camera, cameras side by side; the result does
//! not depend on how many run at a time.

use crate::follower::{Follower, classes_of};
use crate::series::LookedAt;
use crate::trail::Trail;
use crate::{MarkerSpec, SightingSeries, SyncTrackError, TrackSettings, Trails};
use drawarc_footage::{FootageError, PictureView, Recording};
use drawarc_rig::{ClockModel, Rig};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError, mpsc};

/// Stretches of camera time (s) to look at, in order; none means all of it.
pub type Windows = Vec<(f64, f64)>;

/// What is to be followed.
#[derive(Debug, Clone, Copy)]
pub struct TrackInput<'a> {
    /// One recording a camera, in the order of the rig.
    pub recordings: &'a [Recording],
    /// The rig.
    pub rig: &'a Rig,
    /// The markers.
    pub markers: &'a [MarkerSpec],
    /// Per camera, where to look.
    pub windows: &'a [Windows],
}

/// Sees every picture that is looked at in passing: camera, camera time (s), picture. Called from several threads.
pub type OnLooker<'a> = dyn Fn(usize, f64, &PictureView<'_>) + Sync + 'a;

/// Progress is told every so many frames.
const TELL_EVERY: usize = 15;

/// Follows everything of the markers' colours through all recordings, in one pass. `progress` gets the share done.
///
/// # Errors
/// Markers that cannot be ([`SyncTrackError::Colourless`] and others), lists of different lengths, unreadable footage.
pub fn follow(
    input: &TrackInput<'_>,
    settings: &TrackSettings,
    progress: &mut dyn FnMut(f64),
) -> Result<Trails, SyncTrackError> {
    follow_watched(input, settings, progress, &|_, _, _| {})
}

/// As [`follow`]; `onlooker` sees the pictures, too, so that nothing has to be decoded twice.
///
/// # Errors
/// As [`follow`].
pub fn follow_watched(
    input: &TrackInput<'_>,
    settings: &TrackSettings,
    progress: &mut dyn FnMut(f64),
    onlooker: &OnLooker<'_>,
) -> Result<Trails, SyncTrackError> {
    let cameras = input.recordings.len();
    for (what, found) in [
        ("cameras of the rig", input.rig.cameras.len()),
        ("windows", input.windows.len()),
    ] {
        if found != cameras {
            return Err(SyncTrackError::CameraCount {
                what,
                found,
                expected: cameras,
            });
        }
    }
    classes_of(input.markers)?;
    let all = match settings.threads {
        0 => std::thread::available_parallelism().map_or(1, usize::from),
        n => n,
    };
    let workers = all.min(cameras).max(1);
    let threads = match settings.decode_threads {
        0 => (all / workers).max(1),
        n => n,
    };
    let next = AtomicUsize::new(0);
    let results: Mutex<Vec<Option<CameraResult>>> =
        Mutex::new((0..cameras).map(|_| None).collect());
    let (tell, hear) = mpsc::channel::<f64>();
    std::thread::scope(|scope| {
        for _ in 0..workers {
            let (tell, next, results) = (tell.clone(), &next, &results);
            scope.spawn(move || {
                loop {
                    let camera = next.fetch_add(1, Ordering::Relaxed);
                    if camera >= cameras {
                        break;
                    }
                    let result = follow_one((input, settings), camera, threads, (&tell, onlooker));
                    results.lock().unwrap_or_else(PoisonError::into_inner)[camera] = Some(result);
                }
            });
        }
        drop(tell);
        let total: f64 = (0..cameras).map(|camera| wanted_s(input, camera)).sum();
        let mut done_s = 0.0;
        for seconds in hear {
            done_s += seconds;
            progress((done_s / total.max(1e-9)).min(1.0));
        }
    });
    progress(1.0);
    let mut looked_at = Vec::new();
    let mut trails = Vec::new();
    for result in results.into_inner().unwrap_or_else(PoisonError::into_inner) {
        let (frames, found) = result.unwrap_or_else(|| Ok((LookedAt::default(), Vec::new())))?;
        looked_at.push(frames);
        trails.push(found);
    }
    Trails::new(input.markers, looked_at, trails)
}

type CameraResult = Result<(LookedAt, Vec<Trail>), SyncTrackError>;

fn wanted_s(input: &TrackInput<'_>, camera: usize) -> f64 {
    let windows = &input.windows[camera];
    if windows.is_empty() {
        input.recordings[camera].probe().duration_s
    } else {
        windows.iter().map(|(from, to)| (to - from).max(0.0)).sum()
    }
}

fn follow_one(
    (input, settings): (&TrackInput<'_>, &TrackSettings),
    camera: usize,
    threads: usize,
    (tell, onlooker): (&mpsc::Sender<f64>, &OnLooker<'_>),
) -> CameraResult {
    let classes = classes_of(input.markers)?;
    let follower_settings = settings.follower(&input.rig.cameras[camera], &classes);
    let mut follower = Follower::new(&classes, input.markers, follower_settings)?;
    let mut looked_at = LookedAt::default();
    let whole: Windows = vec![(f64::NEG_INFINITY, f64::INFINITY)];
    let windows = match &input.windows[camera] {
        none if none.is_empty() => &whole,
        some => some,
    };
    let mut read = || -> Result<(), FootageError> {
        let mut reader = input.recordings[camera].frames(threads)?;
        let mut last_s = f64::NEG_INFINITY;
        for &(from_s, to_s) in windows {
            if from_s.is_finite() && from_s > last_s {
                reader.seek(from_s)?;
            }
            let mut untold = (0, f64::NAN);
            while let Some(frame) = reader.next_frame()? {
                // Windows that overlap do not bring a frame twice.
                if frame.time_s <= last_s {
                    continue;
                }
                last_s = frame.time_s;
                looked_at.frames.push((frame.index, frame.time_s));
                if frame.key {
                    looked_at.keys.push(frame.index);
                }
                onlooker(camera, frame.time_s, &frame.picture);
                follower.push(frame.index, frame.time_s, &frame.picture);
                untold.0 += 1;
                if untold.1.is_nan() {
                    untold.1 = frame.time_s;
                }
                if untold.0 == TELL_EVERY {
                    // Nobody listens any more only when all is over.
                    let _ = tell.send(frame.time_s - untold.1);
                    untold = (0, frame.time_s);
                }
                if frame.time_s >= to_s {
                    break;
                }
            }
        }
        Ok(())
    };
    let outcome = read();
    match outcome {
        // What can be saved is saved: a recording that breaks off keeps what came before.
        Err(source) if looked_at.frames.is_empty() => {
            Err(SyncTrackError::Footage { camera, source })
        }
        Err(source) => {
            tracing::warn!(camera, %source, "the recording breaks off; what came before is used");
            Ok((looked_at, follower.finish()))
        }
        Ok(()) => Ok((looked_at, follower.finish())),
    }
}

/// Follows and chooses in one go: [`follow`], then [`Trails::choose`].
///
/// # Errors
/// As those two.
pub fn track(
    input: &TrackInput<'_>,
    clocks: Option<&[ClockModel]>,
    settings: &TrackSettings,
    progress: &mut dyn FnMut(f64),
) -> Result<Vec<SightingSeries>, SyncTrackError> {
    follow(input, settings, progress)?.choose(input.rig, clocks, &settings.choice)
}
