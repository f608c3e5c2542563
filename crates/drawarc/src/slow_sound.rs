//! Slow motion that nobody mentioned, from the sound: sudden sounds that lie several times as far apart as another camera heard
//! them, and are as many times deeper.

use crate::failure::Outcome;
use crate::hearing;
use drawarc_footage::{Recording, SlowMotion, SlowStretch};
use drawarc_sync_track::{SoundClockSettings, SoundScan, clocks_from_sound};

/// How many times slower phones store what they film faster: 60, 100, 120, 240, 480 or 960 frames a second as 24, 25, 30 or 60.
const FACTORS: [f64; 12] = [
    2.0,
    2.4,
    2.5,
    10.0 / 3.0,
    4.0,
    4.8,
    5.0,
    8.0,
    9.6,
    10.0,
    16.0,
    32.0,
];
/// Sounds in common that tell how slow. Two or three of a dozen agree by chance at some speed, so half of all must, too.
const FEWEST: usize = 3;

/// For every recording how many times slower it is stored than it was filmed, as far as its sound tells; `None` where it agrees with
/// another's as it is, or with none at any speed.
pub(crate) fn slower(
    films: &[Recording],
    scans: &[Option<SoundScan>],
) -> Outcome<Vec<Option<f64>>> {
    let mut found = vec![None; films.len()];
    for (k, film) in films.iter().enumerate() {
        let Some(own) = &scans[k] else {
            continue;
        };
        let others = || scans.iter().enumerate().filter(|&(other, _)| other != k);
        // As many in common as make up half of what the one that heard less has heard, or `None`.
        let agrees = |scan: &SoundScan| {
            let each = others().filter_map(|(_, other)| {
                let other = other.as_ref()?;
                let heard = other.events.len().min(scan.events.len());
                let common = shared(other, scan);
                (common >= FEWEST && 2 * common >= heard).then_some(common)
            });
            each.max()
        };
        if own.events.len() < FEWEST || agrees(own).is_some() {
            continue;
        }
        let mut best = None;
        for factor in FACTORS {
            let whole = SlowStretch {
                from_s: 0.0,
                until_s: f64::INFINITY,
                slower: factor,
            };
            let Some(slow) = SlowMotion::new(vec![whole]) else {
                continue;
            };
            let quick = hearing::scan(&film.clone().filmed_slow(slow))?;
            if let Some(common) = quick.as_ref().and_then(&agrees)
                && best.is_none_or(|(most, _)| common > most)
            {
                best = Some((common, factor));
            }
        }
        found[k] = best.map(|(_, factor)| factor);
    }
    Ok(found)
}

/// Sounds that two recordings have in common.
fn shared(first: &SoundScan, second: &SoundScan) -> usize {
    let pair = [first, second].map(|scan| Some(scan.clone()));
    let clocks = clocks_from_sound(&pair, None, &SoundClockSettings::default());
    clocks.map_or(0, |clocks| {
        let used = clocks.events.iter().filter(|event| event.used);
        used.count()
    })
}
