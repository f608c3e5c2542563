use crate::seams::Seam;
use crate::{SoundEvent, SoundKind};
use drawarc_footage::Sound;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// How sudden sounds are found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SoundSettings {
    /// A sound counts from this far above the running background (dB). 15 dB passes a bow at 5 m in a
    /// quiet hall and leaves talking out (common practice, no source).
    pub over_background_db: f64,
    /// It must rise by this much within 4 ms (dB): claps and bows do, voices do not.
    pub rise_db: f64,
    /// After an event its echoes are deaf for this long (s).
    pub refractory_s: f64,
    /// At most so many events are kept, the strongest.
    pub at_most: usize,
}

impl Default for SoundSettings {
    fn default() -> Self {
        Self {
            over_background_db: 15.0,
            rise_db: 9.0,
            refractory_s: 0.12,
            at_most: 600,
        }
    }
}

/// An event with the sound around it, so that the rest of a long recording need not be kept.
#[derive(Debug, Clone, PartialEq)]
pub struct HeardEvent {
    /// When, and how strong.
    pub event: SoundEvent,
    /// The sound from [`SNIPPET_BEFORE_S`] before to [`SNIPPET_AFTER_S`] after the onset, as far as the
    /// recording reaches.
    pub snippet: Sound,
}

/// What is kept of a recording's sound.
#[derive(Debug, Clone, PartialEq)]
pub struct SoundScan {
    /// Sudden sounds in order of time.
    pub events: Vec<HeardEvent>,
    /// Camera time of the first sample (s).
    pub start_s: f64,
    /// Camera time after the last sample (s).
    pub end_s: f64,
    /// Loudest sample, 0 to 1.
    pub peak: f32,
    /// Where the recording's time may jump, in order. The sound itself does not tell; whoever opened the files does.
    pub seams: Vec<Seam>,
}

impl SoundScan {
    /// A recording that carries sound in which nothing can be heard: below −70 dB of full scale throughout.
    pub fn is_silent(&self) -> bool {
        self.peak < 3.2e-4
    }

    /// Scans a sound that is in memory as a whole.
    pub fn of(sound: &Sound, settings: &SoundSettings) -> Self {
        let mut scanner = SoundScanner::new(sound.sample_rate_hz, sound.start_s, *settings);
        scanner.push(&sound.samples);
        scanner.finish()
    }
}

/// Sound kept before an onset (s).
pub const SNIPPET_BEFORE_S: f64 = 0.03;
/// Sound kept after an onset (s).
pub const SNIPPET_AFTER_S: f64 = 0.06;
/// Energy is looked at in steps of this length (s).
const HOP_S: f64 = 0.001;
/// The background is the median energy of this many steps.
const BACKGROUND_HOPS: usize = 800;
/// The background is renewed every so many steps.
const BACKGROUND_EVERY: usize = 40;
/// Energies below this are digital silence (−100 dB of full scale).
const FLOOR: f32 = 1e-10;
/// A step is judged when so many later ones are known.
const LOOKAHEAD_HOPS: usize = 70;

/// Finds sudden sounds in a stream of blocks; memory does not grow with the recording.
#[derive(Debug)]
pub struct SoundScanner {
    settings: SoundSettings,
    rate_hz: f64,
    start_s: f64,
    hop: usize,
    /// Raw samples from absolute index `kept_from` on.
    kept: VecDeque<f32>,
    /// The same, high-passed.
    kept_sharp: VecDeque<f32>,
    kept_from: usize,
    last: f32,
    last_sharp: f32,
    pass: f32,
    hop_energy: f32,
    hop_fill: usize,
    /// Energies from absolute step `energies_from` on.
    energies: VecDeque<f32>,
    energies_from: usize,
    next_judged: usize,
    background: f32,
    background_at: Option<usize>,
    deaf_until: usize,
    peak: f32,
    heard: Vec<HeardEvent>,
}

impl SoundScanner {
    /// A scanner of a recording with `sample_rate_hz` samples a second whose first sample lies at `start_s` of
    /// the camera's clock.
    pub fn new(sample_rate_hz: u32, start_s: f64, settings: SoundSettings) -> Self {
        let rate_hz = f64::from(sample_rate_hz.max(1000));
        Self {
            settings,
            rate_hz,
            start_s,
            hop: index(rate_hz * HOP_S),
            kept: VecDeque::new(),
            kept_sharp: VecDeque::new(),
            kept_from: 0,
            last: 0.0,
            last_sharp: 0.0,
            pass: ratio_of_pass(rate_hz),
            hop_energy: 0.0,
            hop_fill: 0,
            energies: VecDeque::new(),
            energies_from: 0,
            next_judged: 0,
            background: FLOOR,
            background_at: None,
            deaf_until: 0,
            peak: 0.0,
            heard: Vec::new(),
        }
    }

    /// Takes the next block of mono samples.
    pub fn push(&mut self, block: &[f32]) {
        for &sample in block {
            let sample = if sample.is_finite() { sample } else { 0.0 };
            self.peak = self.peak.max(sample.abs());
            self.kept.push_back(sample);
            // First-order high-pass: the start of claps and bows stands over rumble and talk.
            let sharp = self.pass * (self.last_sharp + sample - self.last);
            self.last = sample;
            self.last_sharp = sharp;
            self.kept_sharp.push_back(sharp);
            self.hop_energy += sharp * sharp;
            self.hop_fill += 1;
            if self.hop_fill == self.hop {
                self.energies
                    .push_back((self.hop_energy / self.hop as f32).max(FLOOR));
                self.hop_energy = 0.0;
                self.hop_fill = 0;
                self.judge(LOOKAHEAD_HOPS);
            }
        }
    }

    /// Ends the scan.
    pub fn finish(mut self) -> SoundScan {
        self.judge(2);
        let total = self.kept_from + self.kept.len();
        if self.heard.len() > self.settings.at_most {
            self.heard
                .sort_by(|a, b| b.event.strength_db.total_cmp(&a.event.strength_db));
            self.heard.truncate(self.settings.at_most);
            self.heard
                .sort_by(|a, b| a.event.camera_s.total_cmp(&b.event.camera_s));
        }
        SoundScan {
            events: self.heard,
            start_s: self.start_s,
            end_s: self.start_s + total as f64 / self.rate_hz,
            peak: self.peak,
            seams: Vec::new(),
        }
    }

    fn energy(&self, step: usize) -> f32 {
        self.energies[step - self.energies_from]
    }

    fn renew_background(&mut self) {
        let due = self
            .background_at
            .is_none_or(|at| self.next_judged >= at + BACKGROUND_EVERY);
        if due {
            // Early on, what follows must stand in for what went before.
            let past = self.next_judged.saturating_sub(BACKGROUND_HOPS);
            let first = past.max(self.energies_from);
            let mut around: Vec<f32> = self
                .energies
                .iter()
                .skip(first - self.energies_from)
                .copied()
                .collect();
            let middle = around.len() / 2;
            self.background = *around.select_nth_unstable_by(middle, f32::total_cmp).1;
            self.background_at = Some(self.next_judged);
        }
    }

    fn judge(&mut self, lookahead: usize) {
        let known = self.energies_from + self.energies.len();
        while self.next_judged + lookahead < known {
            self.renew_background();
            let step = self.next_judged;
            let now = self.energy(step);
            let before = (1..=4)
                .filter_map(|back| step.checked_sub(back))
                .filter(|&earlier| earlier >= self.energies_from)
                .map(|earlier| self.energy(earlier))
                .fold(f32::INFINITY, f32::min)
                .max(self.background);
            let rises = now > before * ratio(self.settings.rise_db);
            // The peak may come a little after the start.
            let peak = (step..(step + 6).min(known))
                .map(|later| self.energy(later))
                .fold(now, f32::max);
            let over_db = 10.0 * f64::from(peak / self.background).log10();
            if step >= self.deaf_until && rises && over_db > self.settings.over_background_db {
                self.hear(step, over_db);
                self.deaf_until = step + index(self.settings.refractory_s / HOP_S);
            }
            self.next_judged += 1;
        }
        let keep_steps = self.next_judged.saturating_sub(BACKGROUND_HOPS);
        while self.energies_from < keep_steps {
            self.energies.pop_front();
            self.energies_from += 1;
        }
        let keep_samples = (self.next_judged * self.hop)
            .saturating_sub(index(self.rate_hz * 2.0 * SNIPPET_BEFORE_S));
        if self.kept_from + index(self.rate_hz) < keep_samples {
            self.kept.drain(..keep_samples - self.kept_from);
            self.kept_sharp.drain(..keep_samples - self.kept_from);
            self.kept_from = keep_samples;
        }
    }

    fn hear(&mut self, step: usize, strength_db: f64) {
        let from = (step.saturating_sub(2) * self.hop).max(self.kept_from);
        let to = ((step + 4) * self.hop).min(self.kept_from + self.kept.len());
        let at = |sample: usize| self.kept[sample - self.kept_from];
        let sharp = |sample: usize| self.kept_sharp[sample - self.kept_from].abs();
        let loudest = (from..to).map(sharp).fold(0.0, f32::max);
        // The onset: where the sound first stands clear of the background and is no mere forerunner.
        let clear = (5.0 * self.background.sqrt()).max(0.12 * loudest);
        let onset = (from..to)
            .find(|&sample| sharp(sample) > clear)
            .unwrap_or(from);
        let begin = onset
            .saturating_sub(index(self.rate_hz * SNIPPET_BEFORE_S))
            .max(self.kept_from);
        let end =
            (onset + index(self.rate_hz * SNIPPET_AFTER_S)).min(self.kept_from + self.kept.len());
        let samples: Vec<f32> = (begin..end).map(at).collect();
        let after = onset - begin;
        let time = |sample: usize| self.start_s + sample as f64 / self.rate_hz;
        self.heard.push(HeardEvent {
            event: SoundEvent {
                camera_s: time(onset),
                sd_s: ONSET_SD_S,
                kind: kind_of(&samples[after.min(samples.len())..], self.rate_hz),
                strength_db,
            },
            snippet: Sound {
                sample_rate_hz: index(self.rate_hz).try_into().unwrap_or(u32::MAX),
                start_s: time(begin),
                samples,
            },
        });
    }
}

/// What an onset alone is good for (s), before waveforms are compared: half a step.
const ONSET_SD_S: f64 = 5e-4;

/// Sounds below this (Hz) count little: wind, traffic, steps.
const HIGH_PASS_HZ: f64 = 500.0;

/// Coefficient of the first-order high-pass `y ← a (y + x − x₋₁)`, `a = 1/(1 + 2π f/rate)`.
fn ratio_of_pass(rate_hz: f64) -> f32 {
    #[expect(clippy::cast_possible_truncation, reason = "between 0 and 1")]
    let pass = (1.0 / (1.0 + std::f64::consts::TAU * HIGH_PASS_HZ / rate_hz)) as f32;
    pass
}

fn ratio(db: f64) -> f32 {
    #[expect(clippy::cast_possible_truncation, reason = "a setting of a few dB")]
    let ratio = 10f64.powf(db / 10.0) as f32;
    ratio
}

/// Nearest whole number of a non-negative quantity.
fn index(value: f64) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped below; sample counts stay far under 2^53"
    )]
    let whole = value.max(0.0).round() as usize;
    whole
}

/// A guess from pitch and decay. For white noise the energy of the difference is twice the energy, for a sine
/// of frequency f it is `(2 sin(π f / rate))²` times; both are turned into an equivalent frequency.
fn kind_of(after_onset: &[f32], rate_hz: f64) -> SoundKind {
    let energy =
        |samples: &[f32]| -> f64 { samples.iter().map(|&x| f64::from(x) * f64::from(x)).sum() };
    let early = &after_onset[..index(rate_hz * 0.006).min(after_onset.len())];
    let total = energy(early);
    if early.len() < 2 || total <= 0.0 {
        return SoundKind::Unknown;
    }
    let sharp: f64 = early
        .windows(2)
        .map(|pair| f64::from(pair[1] - pair[0]).powi(2))
        .sum();
    let pitch_hz = rate_hz / std::f64::consts::PI * (0.5 * (sharp / total).sqrt()).min(1.0).asin();
    match pitch_hz {
        p if p > 1800.0 => SoundKind::Clap,
        p if p < 1000.0 => SoundKind::Shot,
        _ => SoundKind::Unknown,
    }
}

/// Sudden sounds of one recording, in order of time.
pub fn sound_events(sound: &Sound, settings: &SoundSettings) -> Vec<SoundEvent> {
    SoundScan::of(sound, settings)
        .events
        .into_iter()
        .map(|heard| heard.event)
        .collect()
}
