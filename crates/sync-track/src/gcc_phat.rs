//! Generalised cross-correlation with phase transform (Knapp & Carter 1976, "The generalized correlation
//! method for estimation of time delay", IEEE ASSP 24(4), table I: weighting `1/|G₁₂|`).

use drawarc_footage::Sound;
use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

/// How far apart two recordings of one event are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Delay {
    /// Time of the event in the second clock minus its time in the first (s).
    pub second_minus_first_s: f64,
    /// Standard deviation (s).
    pub sd_s: f64,
    /// Height of the peak over the rms of the correlation around it.
    pub clearness: f64,
}

/// Common rate at which snippets are compared (Hz).
const RATE_HZ: f64 = 48_000.0;
/// Sound compared: from so long before the onset (s) ...
const BEFORE_S: f64 = 0.004;
/// ... to so long after it (s): the direct sound and little of the room.
const AFTER_S: f64 = 0.014;
/// Length of the transform, more than twice the window so that nothing wraps round.
const LENGTH: usize = 2048;
/// The correlation is interpolated by this factor, then by a parabola.
const FINER: usize = 8;
/// The band compared (Hz): below it is rumble, above it phones and codecs differ.
const BAND_HZ: (f64, f64) = (400.0, 9000.0);
/// Onsets alone are right to this (s): the peak is looked for within it.
const SEARCH_S: f64 = 0.0025;
/// Half the length of the interpolation kernel (samples).
const KERNEL: i64 = 16;
/// No delay is believed better than this (s): microphones, codecs and automatic gain bend the phase.
const FLOOR_SD_S: f64 = 4e-5;

/// Delay between two snippets of one event whose onsets lie about at the given times of their own clocks.
/// `None` where the snippets are too short or empty.
pub fn delay(first: (&Sound, f64), second: (&Sound, f64)) -> Option<Delay> {
    let a = window(first.0, first.1)?;
    let b = window(second.0, second.1)?;
    let mut planner = RealFftPlanner::<f64>::new();
    let forward = planner.plan_fft_forward(LENGTH);
    let spectrum = |mut samples: Vec<f64>| {
        let mut bins = forward.make_output_vec();
        forward.process(&mut samples, &mut bins).ok()?;
        Some(bins)
    };
    let (a, b) = (spectrum(a)?, spectrum(b)?);
    let nyquist = 0.5 * f64::from(first.0.sample_rate_hz.min(second.0.sample_rate_hz));
    let top_hz = BAND_HZ.1.min(0.85 * nyquist);
    let mut cross = vec![Complex::new(0.0, 0.0); LENGTH * FINER / 2 + 1];
    let strongest = a
        .iter()
        .zip(&b)
        .map(|(x, y)| (y * x.conj()).norm())
        .fold(0.0, f64::max);
    if strongest <= 0.0 {
        return None;
    }
    for (bin, (x, y)) in a.iter().zip(&b).enumerate() {
        let hz = bin as f64 * RATE_HZ / LENGTH as f64;
        let weight = band_weight(hz, BAND_HZ.0, top_hz);
        let product = y * x.conj();
        // Bins in which neither speaks carry random phase: they fade out instead of shouting.
        cross[bin] = product * (weight / (product.norm() + 1e-3 * strongest));
    }
    let inverse = planner.plan_fft_inverse(LENGTH * FINER);
    let mut correlation = inverse.make_output_vec();
    inverse.process(&mut cross, &mut correlation).ok()?;
    let peak = highest(&correlation)?;
    let fine_rate_hz = RATE_HZ * FINER as f64;
    // Width of the peak from its curvature; its noise from the rest of the correlation.
    let sd_s = (peak.noise / peak.height * peak.half_width / fine_rate_hz).hypot(FLOOR_SD_S);
    Some(Delay {
        second_minus_first_s: (second.1 - first.1) + peak.lag / fine_rate_hz,
        sd_s,
        clearness: peak.height / peak.noise.max(1e-12),
    })
}

struct Peak {
    lag: f64,
    height: f64,
    noise: f64,
    half_width: f64,
}

fn highest(correlation: &[f64]) -> Option<Peak> {
    let n = i64::try_from(correlation.len()).ok()?;
    let at = |lag: i64| usize::try_from(lag.rem_euclid(n)).map_or(0.0, |index| correlation[index]);
    #[expect(clippy::cast_possible_truncation, reason = "a few hundred steps")]
    let reach = (SEARCH_S * RATE_HZ * FINER as f64) as i64;
    let best = (-reach..=reach).max_by(|&p, &q| at(p).total_cmp(&at(q)))?;
    let (left, top, right) = (at(best - 1), at(best), at(best + 1));
    let bend = left - 2.0 * top + right;
    if top <= 0.0 || bend >= 0.0 {
        return None;
    }
    let shift = 0.5 * (left - right) / bend;
    let half_width = (top / -bend).sqrt();
    #[expect(clippy::cast_possible_truncation, reason = "a few dozen steps")]
    let skirt = (4.0 * half_width).ceil() as i64;
    let rest: Vec<f64> = (-2 * reach..=2 * reach)
        .filter(|lag| (lag - best).abs() > skirt)
        .map(|lag| at(lag).powi(2))
        .collect();
    let noise = (rest.iter().sum::<f64>() / rest.len().max(1) as f64).sqrt();
    Some(Peak {
        lag: best as f64 + shift.clamp(-1.0, 1.0),
        height: top,
        noise,
        half_width,
    })
}

fn band_weight(hz: f64, low_hz: f64, high_hz: f64) -> f64 {
    let ramp = |x: f64| 0.5 - 0.5 * (std::f64::consts::PI * x.clamp(0.0, 1.0)).cos();
    ramp((hz - 0.5 * low_hz) / (0.5 * low_hz)) * ramp((high_hz - hz) / (0.2 * high_hz))
}

/// The tapered sound around `onset_s`, at the common rate, zero-padded to [`LENGTH`].
fn window(sound: &Sound, onset_s: f64) -> Option<Vec<f64>> {
    let count = ((BEFORE_S + AFTER_S) * RATE_HZ).round();
    let mut samples = vec![0.0; LENGTH];
    let mut energy = 0.0;
    for (k, sample) in samples.iter_mut().enumerate() {
        let from_onset_s = k as f64 / RATE_HZ - BEFORE_S;
        if k as f64 >= count {
            break;
        }
        let rise = ((from_onset_s + BEFORE_S) / 0.002).clamp(0.0, 1.0);
        let fall = ((AFTER_S - from_onset_s) / 0.009).clamp(0.0, 1.0);
        let taper = |x: f64| 0.5 - 0.5 * (std::f64::consts::PI * x).cos();
        *sample = taper(rise) * taper(fall) * at_time(sound, onset_s + from_onset_s);
        energy += *sample * *sample;
    }
    (energy > 0.0).then_some(samples)
}

/// The sound at any time by a windowed sinc (Hann); zero outside the recording.
fn at_time(sound: &Sound, time_s: f64) -> f64 {
    let rate_hz = f64::from(sound.sample_rate_hz);
    let position = (time_s - sound.start_s) * rate_hz;
    // Sound of a higher rate than the common one is held below its Nyquist frequency.
    let cut = (RATE_HZ / rate_hz).min(1.0);
    #[expect(clippy::cast_possible_truncation, reason = "within a snippet")]
    let nearest = position.floor() as i64;
    let reach = KERNEL as f64 / cut;
    #[expect(clippy::cast_possible_truncation, reason = "a few dozen samples")]
    let half = reach.ceil() as i64;
    let mut sum = 0.0;
    for index in nearest - half + 1..=nearest + half {
        let Some(&sample) = usize::try_from(index)
            .ok()
            .and_then(|index| sound.samples.get(index))
        else {
            continue;
        };
        let x = position - index as f64;
        if x.abs() >= reach {
            continue;
        }
        let argument = std::f64::consts::PI * x * cut;
        let sinc = if argument.abs() < 1e-9 {
            1.0
        } else {
            argument.sin() / argument
        };
        let hann = 0.5 + 0.5 * (std::f64::consts::PI * x / reach).cos();
        sum += f64::from(sample) * sinc * hann * cut;
    }
    sum
}
