//! The edge where footage becomes sightings: one pass over a recording, bounded memory, all cores.
//!
//! The recording is looked at in *bursts*: the three frames about each multiple of the interval in *range* time, so that
//! several cameras are looked at about the same instants whatever their clocks. The middle frame is screened on a shrunk
//! picture; where the board is in it, all three are refined at full size.

use crate::detector::{BoardDetector, Effort, GrayView};
use crate::{Board, BoardSighting, CalibrationError};
use drawarc_footage::{Plane, Recording};
use drawarc_rig::ClockModel;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Mutex, PoisonError, mpsc};

/// How a recording is looked through. The defaults are what the pipelines use.
#[derive(Debug, Clone)]
pub struct ScanSettings {
    /// Index of the camera, written into every sighting.
    pub camera: usize,
    /// Range time from the camera's clock, as far as it is known; identity otherwise.
    pub clock: ClockModel,
    /// Range time between bursts (s).
    pub interval_s: f64,
    /// Parts of the recording to look at (s, camera clock), in order; none: all of it.
    pub windows_s: Vec<(f64, f64)>,
    /// Look at key frames alone, one in a burst: where to look more closely.
    pub key_frames_only: bool,
    /// Bursts kept, at most: when there are more, every second one goes.
    pub most_bursts: usize,
    /// Threads that look for the board beside the decoder's.
    pub threads: usize,
    /// Threads that decode.
    pub decoder_threads: usize,
}

impl Default for ScanSettings {
    fn default() -> Self {
        Self {
            camera: 0,
            clock: ClockModel::identity(),
            interval_s: 0.12,
            windows_s: Vec::new(),
            key_frames_only: false,
            most_bursts: 1200,
            threads: 2,
            decoder_threads: 2,
        }
    }
}

/// A stretch in which the board lay still.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rest {
    /// Its start (s, camera clock).
    pub from_s: f64,
    /// Its end (s, camera clock).
    pub to_s: f64,
}

/// What a recording shows of the board.
#[derive(Debug, Clone, Default)]
pub struct BoardScan {
    /// Where it was seen, in order of time.
    pub sightings: Vec<BoardSighting>,
    /// Where it lay still.
    pub rests: Vec<Rest>,
    /// Bursts looked at.
    pub looked_at: usize,
    /// Bursts in which it was seen (before any were dropped for number).
    pub seen_in: usize,
    /// Frames that were decoded.
    pub frames: u64,
    /// Some pictures in which it was seen, spread over all of them: what stood still meanwhile is the background of the
    /// survey.
    pub pictures: Vec<Plane>,
    /// Where the board was never seen: another size that was, `(columns, rows)`.
    pub other_size: Option<(usize, usize)>,
}

/// Pictures wider than this are screened shrunk (px).
const SCREEN_WIDTH_PX: u32 = 960;
/// A closer look is at a picture of this width at most (px).
const CLOSER_WIDTH_PX: usize = 1920;
/// Every so many bursts without a board are looked at again more closely: a board far away, or flat on the ground.
const CLOSER_LOOK: u64 = 2;
/// Frames this many intervals from a burst's instant belong to it.
const BURST_REACH: f64 = 1.5;
/// Samples in the jobs that wait for a thread, at most, three planes each (four jobs of full HD, one of 4K): bounds memory.
const WAITING_PX: usize = 25_000_000;
/// A board at rest moves less than this (px, rms over its corners).
const REST_PX: f64 = 0.6;
/// Shorter rests are not named (s).
const LEAST_REST_S: f64 = 0.8;

/// Pictures of the survey's background, at most.
const PICTURES: usize = 9;

struct Job {
    key: u64,
    frames: Vec<(u64, f64, Plane)>,
}

struct Done {
    key: u64,
    /// The burst's middle picture.
    picture: Option<Plane>,
    sightings: Vec<BoardSighting>,
}

/// Looks through a recording.
///
/// # Errors
/// [`CalibrationError::Footage`] where it cannot be read, [`CalibrationError::Vision`] where `OpenCV` fails. A board that
/// is never seen is not an error here: [`BoardScan::sightings`] is empty, [`BoardScan::other_size`] may say why.
pub fn scan_board(
    recording: &Recording,
    board: &Board,
    settings: &ScanSettings,
    progress: &mut dyn FnMut(f64),
) -> Result<BoardScan, CalibrationError> {
    board.validate()?;
    let detector = BoardDetector::new(board);
    let kept = Mutex::new(Kept::default());
    // Bursts whose number is not a multiple of two to this power are no longer looked at.
    let level = AtomicU32::new(0);
    let probe = recording.probe();
    let job_px = 3 * probe.width_px as usize * probe.height_px as usize;
    let waiting = (WAITING_PX / job_px.max(1)).clamp(1, 4);
    let (send, receive) = mpsc::sync_channel::<Job>(waiting);
    let receive = Mutex::new(receive);
    let mut scan = BoardScan::default();
    let looked = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..settings.threads.max(1))
            .map(|_| {
                scope.spawn(|| -> Result<(), CalibrationError> {
                    let mut result = Ok(());
                    loop {
                        let job = {
                            let queue = receive.lock().unwrap_or_else(PoisonError::into_inner);
                            queue.recv()
                        };
                        let Ok(job) = job else {
                            return result;
                        };
                        // After an error the queue is still emptied: the decoder must not wait for ever.
                        if result.is_ok() {
                            // A panic must not leave the decoder waiting for a thread that is gone.
                            let looked =
                                std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
                                    look(&detector, settings.camera, job)
                                }));
                            let looked = looked.unwrap_or_else(|_panic| {
                                Err(CalibrationError::Vision {
                                    message: "the search for the board failed".to_owned(),
                                })
                            });
                            match looked {
                                Ok(done) => {
                                    let mut kept =
                                        kept.lock().unwrap_or_else(PoisonError::into_inner);
                                    kept.add(done, settings.most_bursts);
                                    level.store(kept.level, Ordering::Relaxed);
                                }
                                Err(error) => result = Err(error),
                            }
                        }
                    }
                })
            })
            .collect();
        let read = feed(recording, settings, &level, &send, progress, &mut scan);
        drop(send);
        for worker in workers {
            match worker.join() {
                Ok(result) => result?,
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        read
    });
    looked?;
    let mut kept = kept.into_inner().unwrap_or_else(PoisonError::into_inner);
    scan.pictures = std::mem::take(&mut kept.pictures).into_values().collect();
    scan.seen_in = kept.seen_in;
    scan.sightings = kept.bursts.into_values().flatten().collect();
    scan.rests = rests(&scan.sightings);
    if scan.sightings.is_empty() && !settings.key_frames_only {
        scan.other_size = other_size(recording, board, settings)?;
    }
    Ok(scan)
}

/// Bursts by number; thinned by halves when there are too many, which leaves the same ones in whatever order they came.
#[derive(Default)]
struct Kept {
    bursts: BTreeMap<u64, Vec<BoardSighting>>,
    level: u32,
    /// Pictures by the number of their burst, thinned in the same way.
    pictures: BTreeMap<u64, Plane>,
    picture_level: u32,
    seen_in: usize,
}

impl Kept {
    fn add(&mut self, done: Done, most: usize) {
        if done.sightings.is_empty() {
            return;
        }
        self.seen_in += 1;
        if let Some(picture) = done.picture
            && done.key.is_multiple_of(1 << self.picture_level)
        {
            self.pictures.insert(done.key, picture);
        }
        while self.pictures.len() > PICTURES && self.picture_level < 40 {
            self.picture_level += 1;
            let step = 1u64 << self.picture_level;
            self.pictures.retain(|key, _| key.is_multiple_of(step));
        }
        if done.key.is_multiple_of(1 << self.level) {
            self.bursts.insert(done.key, done.sightings);
        }
        while self.bursts.len() > most.max(1) && self.level < 40 {
            self.level += 1;
            let step = 1u64 << self.level;
            self.bursts.retain(|key, _| key.is_multiple_of(step));
        }
    }
}

/// Decodes and sends bursts.
fn feed(
    recording: &Recording,
    settings: &ScanSettings,
    level: &AtomicU32,
    send: &mpsc::SyncSender<Job>,
    progress: &mut dyn FnMut(f64),
    scan: &mut BoardScan,
) -> Result<(), CalibrationError> {
    let probe = recording.probe();
    let mut reader = if settings.key_frames_only {
        recording.key_frames(settings.decoder_threads)?
    } else {
        recording.frames(settings.decoder_threads)?
    };
    let frame_s = 1.0 / probe.nominal_rate_hz.unwrap_or(30.0).clamp(5.0, 1000.0);
    // Bursts must not overlap.
    let interval_s = settings.interval_s.max(3.6 * frame_s);
    let mut open: Option<Job> = None;
    let flush = |open: &mut Option<Job>, looked_at: &mut usize| {
        if let Some(job) = open.take() {
            *looked_at += 1;
            // A closed channel means that a worker failed; its error is reported where it is joined.
            return send.send(job).is_ok();
        }
        true
    };
    let all = [(f64::MIN, f64::MAX)];
    let windows_s = match &settings.windows_s[..] {
        [] => &all[..],
        some => some,
    };
    for &(from_s, until_s) in windows_s {
        if from_s > 0.0 {
            reader.seek(from_s)?;
        }
        while let Some(frame) = reader.next_frame()? {
            if frame.time_s > until_s {
                break;
            }
            scan.frames += 1;
            if scan.frames.is_multiple_of(32) {
                progress((frame.time_s / probe.duration_s.max(1e-9)).clamp(0.0, 1.0));
            }
            let range_s = settings.clock.range_from_camera(frame.time_s);
            let number = (range_s / interval_s).round();
            let reach_s = BURST_REACH * frame_s * settings.clock.rate_at(frame.time_s);
            let within =
                settings.key_frames_only || (range_s - number * interval_s).abs() < reach_s;
            if frame.damaged || !within {
                continue;
            }
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "bursts are counted from far before the recording, so never negative"
            )]
            let key = (number + BEFORE_ALL) as u64;
            if !key.is_multiple_of(1 << level.load(Ordering::Relaxed)) {
                continue;
            }
            if open.as_ref().is_some_and(|job| job.key != key)
                && !flush(&mut open, &mut scan.looked_at)
            {
                return Ok(());
            }
            let job = open.get_or_insert(Job {
                key,
                frames: Vec::with_capacity(3),
            });
            job.frames
                .push((frame.index, frame.time_s, frame.picture.luma.to_gray8()));
        }
    }
    flush(&mut open, &mut scan.looked_at);
    progress(1.0);
    Ok(())
}

/// Added to the number of a burst so that none is negative: a power of two, so that thinning is not shifted.
const BEFORE_ALL: f64 = 1_099_511_627_776.0;

/// One burst: the middle frame decides.
fn look(detector: &BoardDetector, camera: usize, mut job: Job) -> Result<Done, CalibrationError> {
    let mut sightings = Vec::new();
    let middle = job.frames.len() / 2;
    let shrink = job.frames[middle]
        .2
        .width()
        .div_ceil(SCREEN_WIDTH_PX as usize)
        .max(1);
    let quick = Effort::Quick {
        shrink: u32::try_from(shrink).unwrap_or(1),
    };
    let mut efforts = vec![quick];
    if shrink > 1 && job.key.is_multiple_of(CLOSER_LOOK) {
        // Finer than full HD there is more grain and texture, not more board.
        let closer = job.frames[middle].2.width().div_ceil(CLOSER_WIDTH_PX);
        efforts.push(Effort::Quick {
            shrink: u32::try_from(closer.max(1)).unwrap_or(1),
        });
    }
    let mut works = None;
    for effort in efforts {
        if let Some(sighting) = sight(detector, camera, &job.frames[middle], effort)? {
            sightings.push(sighting);
            works = Some(effort);
            break;
        }
    }
    if let Some(effort) = works {
        for (at, frame) in job.frames.iter().enumerate() {
            if at != middle
                && let Some(sighting) = sight(detector, camera, frame, effort)?
            {
                sightings.push(sighting);
            }
        }
        sightings.sort_by_key(|sighting| sighting.frame_index);
    }
    let picture = (!sightings.is_empty()).then(|| job.frames.swap_remove(middle).2);
    Ok(Done {
        key: job.key,
        picture,
        sightings,
    })
}

fn sight(
    detector: &BoardDetector,
    camera: usize,
    (frame_index, time_s, plane): &(u64, f64, Plane),
    effort: Effort,
) -> Result<Option<BoardSighting>, CalibrationError> {
    let Some(picture) = GrayView::of_plane(plane) else {
        return Ok(None);
    };
    let found = detector.detect(picture, effort)?;
    Ok(found.map(|found| BoardSighting {
        camera,
        frame_index: *frame_index,
        time_s: *time_s,
        corners_px: found.corners_px,
        corner_sd_px: found.corner_sd_px,
        edge_width_px: found.edge_width_px,
    }))
}

/// Stretches in which the board stays where it was when they began.
fn rests(sightings: &[BoardSighting]) -> Vec<Rest> {
    let mut found = Vec::new();
    let mut start = 0;
    for at in 1..=sightings.len() {
        let still = at < sightings.len() && sightings[start].distance_px(&sightings[at]) < REST_PX;
        if !still {
            let (from_s, to_s) = (sightings[start].time_s, sightings[at - 1].time_s);
            if to_s - from_s >= LEAST_REST_S {
                found.push(Rest { from_s, to_s });
            }
            start = at;
        }
    }
    found
}

/// Pictures looked at for a board of another size; in two of them it must be.
const LOOKS_FOR_OTHER: u32 = 40;
/// Sizes tried, largest first: a small one also fits into a large board.
const MOST_OTHER: (usize, usize) = (11, 3);

/// Looks for a board of another size in a few pictures spread over the recording.
fn other_size(
    recording: &Recording,
    board: &Board,
    settings: &ScanSettings,
) -> Result<Option<(usize, usize)>, CalibrationError> {
    let mut sizes: Vec<(usize, usize)> = (MOST_OTHER.1..=MOST_OTHER.0)
        .flat_map(|columns| (MOST_OTHER.1..=columns).map(move |rows| (columns, rows)))
        .filter(|size| *size != (board.columns, board.rows) && *size != (board.rows, board.columns))
        .collect();
    sizes.sort_by_key(|(columns, rows)| std::cmp::Reverse(columns * rows));
    let mut reader = recording.frames(settings.decoder_threads)?;
    let probe = recording.probe();
    let (start_s, end_s) = (probe.start_s, probe.start_s + probe.duration_s);
    let mut seen: Vec<(usize, usize)> = Vec::new();
    for look in 0..LOOKS_FOR_OTHER {
        let share = (f64::from(look) + 0.5) / f64::from(LOOKS_FOR_OTHER);
        reader.seek(start_s + share * (end_s - start_s))?;
        let Some(frame) = reader.next_frame()? else {
            continue;
        };
        let plane = frame.picture.luma.to_gray8();
        let Some(picture) = GrayView::of_plane(&plane) else {
            continue;
        };
        let shrink = picture.width_px().div_ceil(SCREEN_WIDTH_PX).max(1);
        let Some(size) = BoardDetector::size_among(&sizes, picture, shrink)? else {
            continue;
        };
        if seen.contains(&size) {
            return Ok(Some(size));
        }
        seen.push(size);
    }
    Ok(None)
}
