//! The sounds of the shots, and what the sound says beside the pictures.

use crate::failure::{Failure, Outcome};
use crate::lags::{self, Learned};
use crate::steps::{Measured, Plan};
use crate::store::Store;
use crate::{genlock, hearing};
use drawarc_report::page::Fitness;
use drawarc_report::{ShotKind, SoundAt};
use drawarc_sync_track::{SoundClocks, SoundKind, SoundPlace, SoundScan};
use nalgebra::{Point3, Vector3};

/// From the draw elbow at full draw to the bow's middle, toward the target (m): forearm and draw length. Common practice,
/// no source.
const ELBOW_TO_BOW_M: f64 = 0.95;
/// Known to this, an axis (m, 1 σ; common practice, no source).
const BOW_SD_M: f64 = 0.15;
/// The bow sounds from this long before to this long after the end of the hold (s).
const AROUND_RELEASE_S: (f64, f64) = (0.1, 0.3);
/// About the archer, where no shot is near (m); known to half a metre.
const ARCHER_M: Point3<f64> = Point3::new(0.0, 0.0, 1.3);
const ARCHER_SD_M: f64 = 0.5;

/// When each bow sounded (range time, s), and where it stood.
fn bows(measured: &Measured) -> Vec<((f64, f64), Point3<f64>)> {
    measured
        .shots
        .windows
        .iter()
        .filter(|window| window.kind == ShotKind::Released)
        .map(|window| {
            let end_s = window.hold_end_s;
            let bow = window.full_draw_in_range + Vector3::x() * ELBOW_TO_BOW_M;
            (
                (end_s - AROUND_RELEASE_S.0, end_s + AROUND_RELEASE_S.1),
                bow,
            )
        })
        .collect()
}

/// Clocks of the sound, each shot heard from its bow.
fn heard(
    plan: &Plan<'_>,
    scans: &[Option<SoundScan>],
    measured: &Measured,
) -> Outcome<SoundClocks> {
    let with = |places| hearing::sound_clocks(plan.practice, scans, Some(&measured.rig), places);
    let rough = with(Vec::new())?;
    let Some(anchor) = rough.anchor else {
        return Ok(rough);
    };
    let clock = &measured.clocks[anchor];
    let places = bows(measured)
        .into_iter()
        .map(|((from_s, to_s), point_in_range)| SoundPlace {
            from_s: clock.camera_from_range(from_s),
            to_s: clock.camera_from_range(to_s),
            point_in_range,
            sd_m: BOW_SD_M,
        })
        .collect();
    with(places)
}

/// Sudden sounds after an instant (range time, s), claps left out: when they arose at the bow.
pub(crate) fn after(
    from_s: f64,
    plan: &Plan<'_>,
    scans: &[Option<SoundScan>],
    measured: &Measured,
    learned: &Learned,
) -> Vec<SoundAt> {
    let speed = drawarc_sync_track::speed_of_sound_m_s(plan.practice.temperature_c);
    let bows = bows(measured);
    let mut sounds = Vec::new();
    for (index, scan) in scans.iter().enumerate() {
        let Some(scan) = scan.as_ref().filter(|_| learned.counts[index]) else {
            continue;
        };
        let microphone = measured.rig.cameras[index].centre_in_range();
        for event in &scan.events {
            if event.event.kind == SoundKind::Clap {
                continue;
            }
            let camera_s = event.event.camera_s - learned.own_s[index];
            let heard_s = measured.clocks[index].range_from_camera(camera_s);
            let (source, sd_m) = bows
                .iter()
                .find(|((from_s, to_s), _)| (*from_s..=*to_s).contains(&heard_s))
                .map_or((ARCHER_M, ARCHER_SD_M), |(_, bow)| (*bow, BOW_SD_M));
            let time_s = heard_s - (microphone - source).norm() / speed;
            if time_s > from_s {
                // What all lags have in common no comparison of cameras tells.
                let sd_s = event
                    .event
                    .sd_s
                    .hypot(sd_m / speed)
                    .hypot(learned.own_sd_s[index]);
                sounds.push(SoundAt { time_s, sd_s });
            }
        }
    }
    sounds.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    sounds
}

/// Compares sound and pictures, keeps what that teaches of the phones' sound, and takes it off the sounds of the shots.
pub(crate) fn beside_pictures(
    plan: &Plan<'_>,
    store: &Store,
    scans: &[Option<SoundScan>],
    measured: &mut Measured,
    from_s: f64,
) -> Outcome<()> {
    if plan.practice.one_signal() {
        let series = &measured.shots.series;
        let found = genlock::verify(plan.practice, &measured.rig, series, plan.words);
        let bad = found.iter().filter(|line| line.fitness == Fitness::Bad);
        measured
            .warnings
            .extend(bad.map(|line| line.sentence.clone()));
        measured.health.extend(found);
        return Ok(());
    }
    let heard = heard(plan, scans, measured)?;
    let learned = lags::learn(
        plan.practice,
        &heard,
        &measured.clocks,
        &plan.lags(),
        plan.words,
    );
    measured.sounds = after(from_s, plan, scans, measured, &learned);
    measured.health.extend(learned.lines);
    measured.warnings.extend(learned.warnings);
    let known = if learned.lags.is_empty() {
        &plan.lags_before
    } else {
        &learned.lags
    };
    if known.is_empty() {
        return Ok(());
    }
    let text = serde_yaml::to_string(known).map_err(Failure::output)?;
    store.write(lags::FILE, text.as_bytes())?;
    Ok(())
}
