//! The sound of every recording: sudden events, and what they say about the clocks.

use crate::failure::{Failure, Outcome};
use crate::lags::Lags;
use crate::practice::Practice;
use crate::progress::{self, Progress};
use crate::recordings::{Recordings, wrong_footage};
use crate::slow_sound;
use drawarc_footage::Recording;
use drawarc_rig::{ClockModel, Rig};
use drawarc_sync_track::{
    Seam, SoundClockSettings, SoundClocks, SoundPlace, SoundScan, SoundScanner, SoundSettings,
    clocks_from_sound,
};
use rayon::prelude::*;

/// Sound is read at this rate (Hz): the onset of a clap holds nothing above half of it that a phone records well.
const RATE_HZ: u32 = 48_000;

/// Scans the sound of every recording; `None` where a recording has none. Refuses slow motion that the manifest does not mention
/// where the sound gives it away: all its times would be wrong.
pub(crate) fn listen(
    recordings: &Recordings,
    progress: &Progress,
) -> Outcome<Vec<Option<SoundScan>>> {
    let scans = scans(recordings, progress)?;
    let slower = slow_sound::slower(&recordings.films, &scans)?;
    for (filmed, slower) in recordings.cameras().zip(slower) {
        if let Some(slower) = slower {
            let name = &filmed.entry.name;
            return Err(Failure::input(format!(
                "camera {name:?}: its sounds are those that another camera heard, {slower} times as far apart"
            ))
            .help(format!(
                "if it is slow motion, write `slow_motion: [{{times_slower: {slower}}}]` under it in the manifest"
            )));
        }
    }
    Ok(scans)
}

/// Scans the sound of one recording; `None` where it has none.
pub(crate) fn scan(film: &Recording) -> Outcome<Option<SoundScan>> {
    let reader = film
        .sound_blocks(RATE_HZ)
        .map_err(|source| wrong_footage(&source))?;
    let Some(mut reader) = reader else {
        return Ok(None);
    };
    let mut scanner: Option<SoundScanner> = None;
    while let Some(block) = reader
        .next_block()
        .map_err(|source| wrong_footage(&source))?
    {
        scanner
            .get_or_insert_with(|| {
                SoundScanner::new(RATE_HZ, block.start_s, SoundSettings::default())
            })
            .push(block.samples);
    }
    Ok(scanner.map(|scanner| SoundScan {
        seams: seams(film),
        ..scanner.finish()
    }))
}

/// A camera that cuts its recording into files may lose some frames between two (s, 1 σ; common practice, no source).
const LOST_SD_S: f64 = 0.05;
/// Where slow motion begins and ends is read off a player to this (s, 1 σ; common practice, no source).
const READ_OFF_SD_S: f64 = 0.15;

/// Where a recording's time may jump.
fn seams(film: &Recording) -> Vec<Seam> {
    let chapters = film.chapter_starts_s().into_iter().skip(1);
    let mut seams: Vec<Seam> = chapters
        .map(|camera_s| Seam {
            camera_s,
            jump_sd_s: LOST_SD_S,
            certain: false,
        })
        .collect();
    let slow = film.slow_motion_ends().into_iter();
    seams.extend(slow.map(|(camera_s, gained)| Seam {
        camera_s,
        jump_sd_s: READ_OFF_SD_S * gained,
        certain: true,
    }));
    seams.sort_by(|p, q| p.camera_s.total_cmp(&q.camera_s));
    seams
}

/// Clocks with the jumps that the sounds tell now that the cameras' places are known.
pub(crate) fn with_jumps(
    practice: &Practice,
    scans: &[Option<SoundScan>],
    rig: &Rig,
    clocks: Vec<ClockModel>,
) -> Outcome<Vec<ClockModel>> {
    if practice.one_signal() || scans.iter().flatten().all(|scan| scan.seams.is_empty()) {
        return Ok(clocks);
    }
    let heard = sound_clocks(practice, scans, Some(rig), Vec::new())?;
    let clocks = clocks.into_iter().zip(&heard.jumps);
    Ok(clocks
        .map(|(clock, jumps)| clock.before_jumps().with_jumps(jumps).unwrap_or(clock))
        .collect())
}

fn scans(recordings: &Recordings, progress: &Progress) -> Outcome<Vec<Option<SoundScan>>> {
    let bar = progress.bar("listening");
    let share = 1.0 / recordings.len().max(1) as f64;
    let scans = recordings
        .films
        .par_iter()
        .map(|film| {
            let scan = scan(film)?;
            bar.inc(progress::parts(share));
            Ok(scan)
        })
        .collect::<Outcome<Vec<_>>>();
    bar.finish_and_clear();
    scans
}

/// How far each camera's sound may stand off its picture (s, 1 σ).
pub(crate) fn sound_lag_sd_s(practice: &Practice, default_ms: f64) -> Vec<f64> {
    practice
        .cameras
        .iter()
        .map(|camera| {
            let default = if camera.genlocked { 0.0 } else { default_ms };
            camera.sound_lag_sd_ms.unwrap_or(default) / 1000.0
        })
        .collect()
}

/// Clocks by sound; with a rig, the sound's way is taken off: from `places`, and from about the archer at other times.
pub(crate) fn sound_clocks(
    practice: &Practice,
    scans: &[Option<SoundScan>],
    rig: Option<&Rig>,
    places: Vec<SoundPlace>,
) -> Outcome<SoundClocks> {
    let settings = SoundClockSettings {
        air_temperature_c: practice.temperature_c,
        places,
        ..SoundClockSettings::default()
    };
    let places: Option<Vec<_>> = rig.map(|rig| {
        rig.cameras
            .iter()
            .map(drawarc_rig::Camera::centre_in_range)
            .collect()
    });
    clocks_from_sound(scans, places.as_deref(), &settings).map_err(Failure::not_measurable)
}

/// Clocks good enough to start a survey: sound, with the lag of each phone's sound standing in the variance; `None` for a
/// camera whose sound does not tell when it was started. Genlocked cameras share one clock.
pub(crate) fn clocks_before_survey(
    practice: &Practice,
    scans: &[Option<SoundScan>],
    default_lag_ms: f64,
) -> Outcome<Vec<Option<ClockModel>>> {
    let usual = Lags::usual(sound_lag_sd_s(practice, default_lag_ms));
    clocks(practice, scans, None, &usual)
}

/// Clocks by sound with a rig that was surveyed before: the sound's way and the lags that are known are taken off.
pub(crate) fn clocks_with_rig(
    practice: &Practice,
    scans: &[Option<SoundScan>],
    rig: &Rig,
    lags: &Lags,
) -> Outcome<Vec<ClockModel>> {
    all_heard(practice, clocks_if_heard(practice, scans, rig, lags)?)
}

/// As [`clocks_with_rig`]; `None` for a camera whose sound does not tell when it was started.
pub(crate) fn clocks_if_heard(
    practice: &Practice,
    scans: &[Option<SoundScan>],
    rig: &Rig,
    lags: &Lags,
) -> Outcome<Vec<Option<ClockModel>>> {
    clocks(practice, scans, Some(rig), lags)
}

/// Refuses a clock that nobody heard.
pub(crate) fn all_heard(
    practice: &Practice,
    clocks: Vec<Option<ClockModel>>,
) -> Outcome<Vec<ClockModel>> {
    let heard = clocks.into_iter().zip(&practice.cameras);
    heard
        .map(|(clock, camera)| {
            clock.ok_or_else(|| {
                Failure::not_measurable(format!(
                    "nothing in the sound of camera {:?} tells when it was started against the others",
                    camera.name
                ))
                .help("let every camera hear the same clap, while all of them run")
            })
        })
        .collect()
}

fn clocks(
    practice: &Practice,
    scans: &[Option<SoundScan>],
    rig: Option<&Rig>,
    lags: &Lags,
) -> Outcome<Vec<Option<ClockModel>>> {
    if practice.one_signal() {
        return Ok(vec![Some(ClockModel::identity()); practice.cameras.len()]);
    }
    let heard = sound_clocks(practice, scans, rig, Vec::new())?;
    let anchor = heard.anchor.unwrap_or(0);
    let by_sound = heard.clocks.iter().enumerate();
    Ok(by_sound
        .map(|(index, clock)| {
            let segment = clock.as_ref()?.segments()[0];
            if index == anchor {
                return clock.clone();
            }
            let (lag_s, lag_variance) = lags.between(index, anchor);
            let even = ClockModel::linear(
                segment.reference_camera_s,
                segment.offset_s + lag_s,
                segment.rate,
                [
                    segment.offset_variance_s2 + lag_variance,
                    segment.rate_variance,
                    segment.offset_rate_covariance_s,
                ],
            );
            even.with_jumps(&heard.jumps[index])
        })
        .collect())
}
