//! Clocks from sound: one offset and drift a camera from all events that two recordings share.

use crate::clock_fit::{Way, fit_clock};
use crate::seams::{PartedPair, Seam, match_in_parts};
use crate::sound_scan::SoundScan;
use crate::{ClockRemark, SyncTrackError};
use drawarc_rig::{ClockJump, ClockModel};
use nalgebra::Point3;
use serde::{Deserialize, Serialize};

/// Where sounds came from during a stretch of time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SoundPlace {
    /// From (s, anchor's clock).
    pub from_s: f64,
    /// To (s, anchor's clock).
    pub to_s: f64,
    /// Where (m, range frame).
    pub point_in_range: Point3<f64>,
    /// Known to this, an axis (m).
    pub sd_m: f64,
}

/// How clocks are made from sound.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SoundClockSettings {
    /// Temperature of the air (°C).
    pub air_temperature_c: f64,
    /// Standard deviation of the difference of two phones' clock rates before anything is heard. 1.2 ms a
    /// minute (published figure for phones: mostly under that).
    pub drift_sd: f64,
    /// Places of sounds, where known better than [`Self::usual_place`]. The first that fits counts.
    pub places: Vec<SoundPlace>,
    /// Where claps and shots come from when nothing better is known: about the archer, 1.3 m up.
    pub usual_place: Point3<f64>,
    /// Standard deviation of the usual place, an axis (m).
    pub usual_place_sd_m: f64,
    /// Before the survey: how far apart cameras may stand (m).
    pub cameras_apart_m: f64,
}

impl Default for SoundClockSettings {
    fn default() -> Self {
        Self {
            air_temperature_c: 20.0,
            drift_sd: 2e-5,
            places: Vec::new(),
            usual_place: Point3::new(0.0, 0.0, 1.3),
            usual_place_sd_m: 0.5,
            cameras_apart_m: 6.0,
        }
    }
}

/// Speed of sound (m/s) in air of `temperature_c` (°C): `343.2 √(T/293.15)`, ISO 9613-1:1993.
pub fn speed_of_sound_m_s(temperature_c: f64) -> f64 {
    343.2 * ((temperature_c + 273.15) / 293.15).max(0.0).sqrt()
}

/// One event heard by two cameras.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SharedEvent {
    /// The camera, besides the anchor.
    pub camera: usize,
    /// In the anchor's clock (s), as heard.
    pub anchor_s: f64,
    /// In the camera's clock (s), as heard.
    pub camera_s: f64,
    /// Standard deviation of the comparison (s), without the sound's way.
    pub sd_s: f64,
    /// What is left after the fit (s).
    pub residual_s: f64,
    /// Whether it was used.
    pub used: bool,
}

/// Clocks by sound alone, relative to the anchor's *sound* clock: a phone's own sound-to-picture lag is not in
/// them, nor in their variances; [`crate::combine_clocks`] puts it in.
#[derive(Debug, Clone, PartialEq)]
pub struct SoundClocks {
    /// The camera to which the others are compared: the first that heard anything. `None` where none did.
    pub anchor: Option<usize>,
    /// Per camera: anchor time from camera time, jumps included; `None` where sound tells nothing.
    pub clocks: Vec<Option<ClockModel>>,
    /// Per camera, the anchor included: where its time jumps, at seams of its recording.
    pub jumps: Vec<Vec<ClockJump>>,
    /// All events that two cameras share.
    pub events: Vec<SharedEvent>,
    /// What a person should know.
    pub remarks: Vec<ClockRemark>,
}

/// Clocks from the sounds of all cameras. `microphones_in_range` are the surveyed camera positions (m), in the
/// order of the scans, where there is a survey already.
///
/// # Errors
/// [`SyncTrackError::CameraCount`] where the two lists differ in length. Whatever the sound cannot tell is a remark, not
/// an error.
#[expect(
    clippy::too_many_lines,
    reason = "camera after camera, every way in which sound can fail"
)]
pub fn clocks_from_sound(
    scans: &[Option<SoundScan>],
    microphones_in_range: Option<&[Point3<f64>]>,
    settings: &SoundClockSettings,
) -> Result<SoundClocks, SyncTrackError> {
    if let Some(positions) = microphones_in_range
        && positions.len() != scans.len()
    {
        return Err(SyncTrackError::CameraCount {
            what: "microphone positions",
            found: positions.len(),
            expected: scans.len(),
        });
    }
    let mut remarks = Vec::new();
    let usable: Vec<Option<&SoundScan>> = scans
        .iter()
        .enumerate()
        .map(|(camera, scan)| {
            let Some(scan) = scan else {
                remarks.push(ClockRemark::NoSound { camera });
                return None;
            };
            if scan.is_silent() {
                remarks.push(ClockRemark::Silent { camera });
                return None;
            }
            if scan.events.is_empty() {
                remarks.push(ClockRemark::NothingSudden { camera });
                return None;
            }
            Some(scan)
        })
        .collect();
    // The anchor: the camera that shares events with most others; camera 0 unless it is deaf.
    let Some((anchor, matches)) = choose_anchor(&usable) else {
        return Ok(SoundClocks {
            anchor: None,
            clocks: vec![None; scans.len()],
            jumps: vec![Vec::new(); scans.len()],
            events: Vec::new(),
            remarks,
        });
    };
    let seams = |camera: usize| usable[camera].map_or(&[][..], |scan| &scan.seams);
    let mut anchor_jumps = vec![Vec::new(); seams(anchor).len()];
    let mut clocks = vec![None; scans.len()];
    let mut jumps = vec![Vec::new(); scans.len()];
    let mut events = Vec::new();
    for (camera, pairs) in matches.into_iter().enumerate() {
        if camera == anchor || usable[camera].is_none() {
            continue;
        }
        if pairs.is_empty() {
            remarks.push(ClockRemark::NothingInCommon { camera, anchor });
            continue;
        }
        let ways: Vec<Way> = pairs
            .iter()
            .map(|pair| {
                let ends = microphones_in_range.map(|p| (&p[anchor], &p[camera]));
                way(ends, pair.pair.first_s, settings)
            })
            .collect();
        let ends = (seams(camera), seams(anchor));
        let fit = fit_clock(&pairs, &ways, settings.drift_sd, ends);
        clocks[camera] = fit.clock.with_jumps(&fit.jumps);
        jumps[camera] = fit.jumps;
        for (all, jump) in anchor_jumps.iter_mut().zip(fit.anchor_jumps) {
            all.extend(jump);
        }
        if pairs.len() == 1 {
            remarks.push(ClockRemark::OneEventOnly { camera });
        }
        if fit.place_sd_s > 5e-3 {
            remarks.push(ClockRemark::PlaceUnknown {
                camera,
                sd_s: fit.place_sd_s,
            });
        }
        for (PartedPair { pair, .. }, (residual_s, used)) in pairs.iter().zip(fit.residuals) {
            if !used {
                remarks.push(ClockRemark::Outlier {
                    camera,
                    camera_s: pair.second_s,
                    off_by_s: residual_s,
                });
            }
            events.push(SharedEvent {
                camera,
                anchor_s: pair.first_s,
                camera_s: pair.second_s,
                sd_s: pair.sd_s,
                residual_s,
                used,
            });
        }
    }
    jumps[anchor] = anchor_told(seams(anchor), &anchor_jumps);
    clocks[anchor] = ClockModel::identity().with_jumps(&jumps[anchor]);
    Ok(SoundClocks {
        anchor: Some(anchor),
        clocks,
        jumps,
        events,
        remarks,
    })
}

/// The camera that shares events with most others, the first of equals, with its pairs of events by camera.
fn choose_anchor(usable: &[Option<&SoundScan>]) -> Option<(usize, Vec<Vec<PartedPair>>)> {
    let able: Vec<usize> = (0..usable.len()).filter(|&c| usable[c].is_some()).collect();
    let mut best: Option<(usize, usize, Vec<Vec<PartedPair>>)> = None;
    for &anchor in &able {
        let matches: Vec<Vec<PartedPair>> = (0..usable.len())
            .map(|camera| match (usable[anchor], usable[camera]) {
                (Some(first), Some(second)) if camera != anchor => match_in_parts(first, second),
                _ => Vec::new(),
            })
            .collect();
        let reached = matches.iter().filter(|pairs| !pairs.is_empty()).count();
        if best.as_ref().is_none_or(|(most, ..)| reached > *most) {
            best = Some((reached, anchor, matches));
        }
        if reached + 1 == able.len() {
            break;
        }
    }
    best.map(|(_, anchor, matches)| (anchor, matches))
}

fn way(
    anchor_and_camera: Option<(&Point3<f64>, &Point3<f64>)>,
    anchor_s: f64,
    settings: &SoundClockSettings,
) -> Way {
    let speed = speed_of_sound_m_s(settings.air_temperature_c);
    let Some((anchor, camera)) = anchor_and_camera else {
        // The difference of two ways is at most the distance between the cameras; even over that range.
        return Way {
            later_s: 0.0,
            sd_s: settings.cameras_apart_m / speed / 3f64.sqrt(),
        };
    };
    let known = settings
        .places
        .iter()
        .find(|place| (place.from_s..=place.to_s).contains(&anchor_s))
        .map(|place| (place.point_in_range, place.sd_m));
    let (source, sd_m) = known.unwrap_or((settings.usual_place, settings.usual_place_sd_m));
    let (to_anchor, to_camera) = (anchor - source, camera - source);
    let unit = |v: nalgebra::Vector3<f64>| v / v.norm().max(1e-3);
    let slope = (unit(to_camera) - unit(to_anchor)).norm();
    Way {
        later_s: (to_camera.norm() - to_anchor.norm()) / speed,
        sd_s: slope * sd_m / speed,
    }
}

/// The anchor's clock is the time of all, but for its jumps: what the others tell of each (s, s²), weighed by how well they know it.
fn anchor_told(seams: &[Seam], told: &[Vec<(f64, f64)>]) -> Vec<ClockJump> {
    let jump = |(seam, told): (&Seam, &Vec<(f64, f64)>)| {
        let weight: f64 = told.iter().map(|(_, variance)| 1.0 / variance).sum();
        let sum: f64 = told
            .iter()
            .map(|(later_s, variance)| later_s / variance)
            .sum();
        (weight > 0.0).then(|| ClockJump {
            camera_s: seam.camera_s,
            later_s: sum / weight,
            variance_s2: 1.0 / weight,
        })
    };
    seams.iter().zip(told).filter_map(jump).collect()
}
