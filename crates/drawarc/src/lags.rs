//! What the sound says of the clocks beside what the pictures say.
//!
//! A phone's sound may stand off its picture by some milliseconds. Sound alone cannot see that; the pictures can, between
//! two phones: what the clocks of the pictures differ from the clocks of the sound is the difference of both lags. It is
//! written beside the rig and taken from there in the next practice with the same phones.

use crate::failure::{Failure, Outcome};
use crate::health::clock_mm;
use crate::practice::Practice;
use drawarc_report::page::{Fitness, RigLine, Words};
use drawarc_rig::ClockModel;
use drawarc_sync_track::{ClockRemark, SoundClocks};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The file, beside `rig.yaml`.
pub(crate) const FILE: &str = "sound-lags.yaml";
/// A phone's lag may differ by so much from one recording to the next (ms, 1 σ; common practice, no source).
const FROM_DAY_TO_DAY_MS: f64 = 2.0;
/// Sound and pictures disagree where a lag is more than this many standard deviations from what was expected.
const DISAGREE_SDS: f64 = 3.0;
/// Pictures have told a lag if they know it better than this share of what was expected before.
const TOLD_SHARE: f64 = 0.5;
/// No lag of a phone is larger (ms).
const MOST_MS: f64 = 1000.0;

/// How much later sound is stamped than the picture of the same instant, compared with another camera.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct SoundLag {
    /// Which camera.
    pub(crate) camera: String,
    /// The camera that it is compared with.
    pub(crate) against: String,
    /// Its lag less that camera's (ms).
    pub(crate) lag_ms: f64,
    /// Standard deviation (ms).
    pub(crate) sd_ms: f64,
}

/// What is known of the lags before anything is measured.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Lags {
    /// Each camera's own, from the manifest or as usual for phones (s, 1 σ).
    pub(crate) sd_s: Vec<f64>,
    /// Remembered from another practice, in the order of the cameras: against one that they have in common (s), with its
    /// variance (s²).
    remembered: Vec<Option<(f64, f64)>>,
}

impl Lags {
    /// From the manifest alone: every lag is 0, as well as that is known.
    pub(crate) fn usual(sd_s: Vec<f64>) -> Self {
        Self {
            remembered: vec![None; sd_s.len()],
            sd_s,
        }
    }

    /// With what a practice before has learned. What it says of other cameras is left out.
    pub(crate) fn remembering(practice: &Practice, sd_s: Vec<f64>, found: &[SoundLag]) -> Self {
        let mut lags = Self::usual(sd_s);
        let Some(against) = found.first().map(|lag| lag.against.as_str()) else {
            return lags;
        };
        for (index, camera) in practice.cameras.iter().enumerate() {
            let variance_of = |ms: f64| (ms.hypot(FROM_DAY_TO_DAY_MS) / 1000.0).powi(2);
            lags.remembered[index] = if camera.name == against {
                Some((0.0, variance_of(0.0) / 2.0))
            } else {
                found
                    .iter()
                    .find(|lag| lag.camera == camera.name && lag.against == against)
                    .map(|lag| (lag.lag_ms / 1000.0, variance_of(lag.sd_ms)))
            };
        }
        lags
    }

    /// Lag of one camera less that of another (s), and its variance (s²).
    pub(crate) fn between(&self, camera: usize, anchor: usize) -> (f64, f64) {
        match (self.remembered[camera], self.remembered[anchor]) {
            (Some(own), Some(other)) => (own.0 - other.0, own.1 + other.1),
            _ => (0.0, self.sd_s[camera].powi(2) + self.sd_s[anchor].powi(2)),
        }
    }
}

/// Lags that stand beside a rig; none where there is no such file.
pub(crate) fn beside(rig: &Path) -> Outcome<Vec<SoundLag>> {
    let path = rig.with_file_name(FILE);
    let text = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => {
            return Err(Failure::input(format!(
                "cannot read {}: {error}",
                path.display()
            )));
        }
    };
    let lags: Vec<SoundLag> = serde_yaml::from_str(&text)
        .map_err(|error| Failure::input(format!("{}: {error}", path.display())))?;
    if let Some(lag) = lags
        .iter()
        .find(|lag| !(lag.lag_ms.abs() <= MOST_MS && (0.0..=MOST_MS).contains(&lag.sd_ms)))
    {
        return Err(Failure::input(format!(
            "{}: a lag of {} ± {} ms cannot be",
            path.display(),
            lag.lag_ms,
            lag.sd_ms
        ))
        .help("delete the file: the next run with the same phones writes it anew"));
    }
    Ok(lags)
}

/// What a practice has taught of the lags.
#[derive(Debug, Clone, Default)]
pub(crate) struct Learned {
    /// To be remembered: told by the pictures better than they were known.
    pub(crate) lags: Vec<SoundLag>,
    /// For the rig's health.
    pub(crate) lines: Vec<RigLine>,
    /// Where sound and pictures contradict each other.
    pub(crate) warnings: Vec<String>,
    /// Each camera's own lag (s): the differences as the pictures tell, their common part as the manifest has it.
    pub(crate) own_s: Vec<f64>,
    /// What stays unknown of it (s, 1 σ): that common part, or all of it where nothing was heard in common.
    pub(crate) own_sd_s: Vec<f64>,
    /// Whether its sounds count: not those of a room that no other camera heard.
    pub(crate) counts: Vec<bool>,
}

impl Learned {
    /// Before the pictures were looked at.
    pub(crate) fn nothing(before: &Lags) -> Self {
        Self {
            own_s: vec![0.0; before.sd_s.len()],
            own_sd_s: before.sd_s.clone(),
            counts: vec![true; before.sd_s.len()],
            ..Self::default()
        }
    }
}

/// Compares the clocks of the sound with those of the pictures. `clocks` rest on both, the sound's with its lag as
/// `before` has it, so that their variance is what is left of it.
pub(crate) fn learn(
    practice: &Practice,
    heard: &SoundClocks,
    clocks: &[ClockModel],
    before: &Lags,
    words: &Words,
) -> Learned {
    let mut learned = Learned::nothing(before);
    learned.counts = (0..clocks.len())
        .map(|camera| counts(heard, camera))
        .collect();
    let Some(anchor) = heard.anchor else {
        return learned;
    };
    let name = |index: usize| practice.cameras[index].name.as_str();
    let mut differences = vec![None; clocks.len()];
    differences[anchor] = Some(0.0);
    for index in (0..clocks.len()).filter(|&index| index != anchor) {
        let Some(sound) = &heard.clocks[index] else {
            continue;
        };
        let segment = sound.segments()[0];
        let at_s = segment.reference_camera_s;
        let lag_s = clocks[index].range_from_camera(at_s) - sound.range_from_camera(at_s);
        let sd_s = (clocks[index].variance_at(at_s) + segment.offset_variance_s2).sqrt();
        let (expected_s, variance_s2) = before.between(index, anchor);
        let expected_sd_s = variance_s2.sqrt();
        let off_s = lag_s - expected_s;
        let (ms, sd_ms) = (1000.0 * lag_s, 1000.0 * sd_s);
        differences[index] = Some(lag_s);
        if off_s.abs() > DISAGREE_SDS * expected_sd_s.hypot(sd_s) {
            let (off, most) = (
                tenth(1000.0 * off_s.abs()),
                tenth(1000.0 * DISAGREE_SDS * expected_sd_s),
            );
            let named = [
                ("camera", name(index)),
                ("against", name(anchor)),
                ("off", &off),
                ("most", &most),
            ];
            learned
                .warnings
                .push(words.health("sound_disagrees", &named));
        }
        if sd_s > TOLD_SHARE * expected_sd_s {
            continue;
        }
        learned.lags.push(SoundLag {
            camera: name(index).to_owned(),
            against: name(anchor).to_owned(),
            lag_ms: round_to(ms, 1000.0),
            sd_ms: round_to(sd_ms, 1000.0).max(0.001),
        });
        learned.lines.push(RigLine {
            fitness: Fitness::Good,
            sentence: words.health(
                if lag_s < 0.0 {
                    "sound_before"
                } else {
                    "sound_behind"
                },
                &[
                    ("camera", name(index)),
                    ("against", name(anchor)),
                    ("ms", &tenth(ms.abs())),
                    ("half", &tenth(1.96 * sd_ms)),
                ],
            ),
            // The lag itself is taken off; what is not known of it stays.
            costs_mm: Some(clock_mm(sd_ms)),
        });
    }
    (learned.own_s, learned.own_sd_s) = own(&differences, &before.sd_s);
    learned
}

/// Whether the sudden sounds of a camera are those of the range. Where cameras have none in common, nobody knows which of
/// them heard another room; one that alone has sound is believed.
fn counts(heard: &SoundClocks, camera: usize) -> bool {
    let alone = heard.clocks.iter().flatten().count() < 2;
    !heard.remarks.iter().any(|remark| {
        matches!(remark, ClockRemark::NothingInCommon { camera: odd, anchor } if *odd == camera || alone && *anchor == camera)
    })
}

/// Each camera's own lag from the differences against one of them and what is known of each: least squares for the one
/// number that the differences leave open. With its standard deviation (s).
fn own(differences: &[Option<f64>], sd_s: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let weight = |sd_s: f64| sd_s.max(1e-5).powi(-2);
    let known = || {
        differences
            .iter()
            .zip(sd_s)
            .filter_map(|(difference, sd)| Some(((*difference)?, weight(*sd))))
    };
    let total: f64 = known().map(|(_, weight)| weight).sum();
    if total <= 0.0 {
        return (vec![0.0; sd_s.len()], sd_s.to_vec());
    }
    let common = -known().map(|(lag, weight)| lag * weight).sum::<f64>() / total;
    let lags = differences
        .iter()
        .map(|difference| difference.map_or(0.0, |lag| common + lag))
        .collect();
    let left = differences
        .iter()
        .zip(sd_s)
        .map(|(difference, sd_s)| difference.map_or(*sd_s, |_| total.sqrt().recip()))
        .collect();
    (lags, left)
}

/// With one digit after the point.
fn tenth(value: f64) -> String {
    format!("{value:.1}")
}

fn round_to(value: f64, steps: f64) -> f64 {
    (value * steps).round() / steps
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_open_part_is_shared_as_the_cameras_are_known() {
        // Two phones known alike, 6 ms apart: 3 ms each way, the common part to 10/√2 ms.
        let (lags, sd_s) = own(&[Some(0.0), Some(0.006)], &[0.01, 0.01]);
        assert!((lags[0] + 0.003).abs() < 1e-12 && (lags[1] - 0.003).abs() < 1e-12);
        assert!(
            sd_s.iter()
                .all(|sd_s| (sd_s - 0.01 / 2f64.sqrt()).abs() < 1e-12)
        );
        // One camera known to a tenth of a millisecond holds the other.
        let (lags, sd_s) = own(&[Some(0.0), Some(0.006)], &[0.0001, 0.01]);
        assert!(lags[0].abs() < 1e-5 && (lags[1] - 0.006).abs() < 1e-5 && sd_s[1] < 0.000_11);
        // Nothing told: nothing changed. One that heard nothing in common stays as little known as it was.
        let (lags, _) = own(&[Some(0.0), None], &[0.01, 0.01]);
        assert_eq!(lags, [0.0, 0.0]);
        let (lags, sd_s) = own(&[Some(0.0), Some(0.006), None], &[0.01; 3]);
        assert!(lags[2] == 0.0 && sd_s[1] < 0.0072 && sd_s[2] > 0.0099);
    }

    #[test]
    fn the_sound_of_another_room_counts_for_nothing() {
        let heard = |clocks: [bool; 3], remarks: Vec<ClockRemark>| SoundClocks {
            anchor: Some(0),
            clocks: clocks.map(|told| told.then(ClockModel::identity)).to_vec(),
            jumps: vec![Vec::new(); 3],
            events: Vec::new(),
            remarks,
        };
        let odd = ClockRemark::NothingInCommon {
            camera: 2,
            anchor: 0,
        };
        let silent = |camera: usize| ClockRemark::NoSound { camera };
        let which = |heard: SoundClocks| [0, 1, 2].map(|camera| counts(&heard, camera));
        assert_eq!(
            which(heard([true, true, false], vec![odd.clone()])),
            [true, true, false]
        );
        assert_eq!(
            which(heard([true, false, false], vec![silent(1), odd])),
            [false, true, false]
        );
        assert_eq!(
            which(heard([true, false, false], vec![silent(1), silent(2)])),
            [true; 3]
        );
    }

    #[test]
    fn what_is_remembered_takes_the_place_of_what_is_usual() {
        let practice: Practice = serde_yaml::from_str(
            "format: drawarc-practice/1\ntitle: Test\ndate: 2026-05-02\nboard: a4-9x6\ncameras:\n- {name: one, files: [a.mp4]}\n- {name: two, files: [b.mp4]}\n",
        )
        .unwrap_or_else(|error| panic!("{error}"));
        let lag = SoundLag {
            camera: "two".to_owned(),
            against: "one".to_owned(),
            lag_ms: 12.0,
            sd_ms: 0.4,
        };
        let usual = vec![0.01, 0.01];
        let lags = Lags::remembering(&practice, usual.clone(), &[lag]);
        let (mean_s, variance_s2) = lags.between(1, 0);
        assert!((mean_s - 0.012).abs() < 1e-12);
        assert!(variance_s2.sqrt() < 0.003, "{variance_s2}");
        assert!((lags.between(0, 1).0 + 0.012).abs() < 1e-12);
        let (mean_s, variance_s2) = Lags::usual(usual).between(1, 0);
        assert!(mean_s == 0.0 && (variance_s2.sqrt() - 0.0141).abs() < 1e-4);
    }
}
