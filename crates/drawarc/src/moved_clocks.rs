//! Clocks that the sound left open or told wrongly: the movement of the markers tells them.
//!
//! With a rig surveyed before no board is waved, so that sound alone says when each camera was started. A phone without
//! sound, or whose sound was shifted in its file, would stay where the path's fit cannot bring it back: that fit starts
//! from clocks that are right to a few frames. So the views are compared at every offset first.

use crate::failure::{Failure, Outcome};
use crate::health::clock_mm;
use crate::practice::Practice;
use drawarc_report::page::{Fitness, RigLine, Words};
use drawarc_rig::{ClockModel, ClockSegment, Rig};
use drawarc_sync_track::{
    MotionClockSettings, MotionClocks, SightingSeries, SyncTrackError, clocks_from_motion,
};
use nalgebra::{Matrix2, Vector2};

/// Standard deviation of an offset of which nothing is known (s).
const UNKNOWN_S: f64 = 1e3;
/// Rates of phones differ by so much (1 σ, 1.2 ms a minute).
const DRIFT_SD: f64 = 2e-5;
/// Sound is wrong where movement differs from it by more than this many standard deviations of both ...
const WRONG_SDS: f64 = 3.0;
/// ... and by more than this (s), two frames of a slow camera: with less the path's fit weighs sound and pictures itself. A
/// camera turned by 0.05° since the survey can pass for 10 ms.
const WRONG_S: f64 = 0.03;
/// A camera that stands otherwise than surveyed by a degree can pass for a clock that is off by this (s; 0.05° for 10 ms).
const PASSES_FOR_S: f64 = 0.2;
/// The path's fit asks the same sightings again, and their errors last: what they said here enters it with this share of its weight. With a
/// tenth the clocks of ten rendered films erred by 1.3 of their standard deviations, with this by 1.0 (before what
/// the background leaves of a turn is added).
const SHARE: f64 = 0.06;

/// A clock of which nothing is known.
pub(crate) fn unknown() -> ClockModel {
    ClockModel::linear(0.0, 0.0, 1.0, [UNKNOWN_S.powi(2), DRIFT_SD.powi(2), 0.0])
}

/// Whether nothing is known of a clock.
pub(crate) fn is_unknown(clock: &ClockModel) -> bool {
    offset_variance(clock) > 0.25 * UNKNOWN_S.powi(2)
}

/// The clocks by the movement of the markers, where sound told less or something else; where they agree and the cameras are seen to
/// stand as they were surveyed, but for `turned_deg` at most, what both tell; `None` where the sound's may stand.
///
/// # Errors
/// [`SyncTrackError::CameraCount`] where rig and clocks differ in number.
pub(crate) fn instead(
    (rig, turned_deg): (&Rig, Option<f64>),
    series: &[SightingSeries],
    before: &[ClockModel],
) -> Result<Option<Vec<ClockModel>>, SyncTrackError> {
    let motion = clocks_from_motion(rig, series, before, &MotionClockSettings::default())?;
    let open = before.iter().any(is_unknown);
    let wrong = (1..before.len()).any(|camera| contradicts(&motion, (series, before), camera));
    if !open && !wrong {
        // Movement knows of no jumps.
        let even = before.iter().all(|clock| clock.segments().len() == 1);
        let both = |turned_deg| together(&motion, before, turned_deg);
        return Ok(turned_deg.filter(|_| even).map(both));
    }
    // How far the clocks that sound tied to each other move as one.
    let shift_s = (0..before.len())
        .filter(|&camera| !is_unknown(&before[camera]))
        .find_map(|camera| change_s(&motion, before, camera))
        .unwrap_or(0.0);
    let clocks = before
        .iter()
        .enumerate()
        // Range time is the first camera's.
        .map(|(camera, own)| match &motion.clocks[camera] {
            // Movement knows of no jumps; those that sound told stay.
            Some(_) if own.segments().len() > 1 => {
                shifted(own, change_s(&motion, before, camera).unwrap_or(0.0))
            }
            Some(_) if camera == 0 => ClockModel::identity(),
            Some(clock) => clock.clone(),
            None if is_unknown(own) => own.clone(),
            None => shifted(own, shift_s),
        })
        .collect();
    Ok(Some(clocks))
}

/// What sound and movement tell together of clocks without jumps; as sure as if movement alone had told it ([`to_start_from`] takes off again what is too much).
fn together(motion: &MotionClocks, before: &[ClockModel], turned_deg: f64) -> Vec<ClockModel> {
    let heard = |clock: &ClockModel| each_stretch(clock, |segment| scaled(segment, SHARE));
    let both = |(own, seen): (&ClockModel, &Option<ClockModel>)| {
        let seen = seen.as_ref()?.segments().first().copied()?;
        let sound = of_line(own.segments().first()?, seen.reference_camera_s);
        let mut sight = of_line(&scaled(seen, 1.0 / SHARE), seen.reference_camera_s);
        sight.1[(0, 0)] += (PASSES_FOR_S * turned_deg).powi(2);
        let (p, q) = (sound.1.try_inverse()?, sight.1.try_inverse()?);
        let covariance = (p + q).try_inverse()?;
        let values = covariance * (p * sound.0 + q * sight.0);
        let covariance = SHARE * covariance;
        Some(ClockModel::linear(
            seen.reference_camera_s,
            values[0],
            1.0 + values[1],
            [covariance[(0, 0)], covariance[(1, 1)], covariance[(0, 1)]],
        ))
    };
    let pairs = before.iter().zip(&motion.clocks);
    pairs
        .map(|pair| both(pair).unwrap_or_else(|| heard(pair.0)))
        .collect()
}

/// Offset (s) and rate less 1 about an instant, with their covariance.
fn of_line(segment: &ClockSegment, at_s: f64) -> (Vector2<f64>, Matrix2<f64>) {
    let since_s = at_s - segment.reference_camera_s;
    let values = Vector2::new(
        segment.offset_s + (segment.rate - 1.0) * since_s,
        segment.rate - 1.0,
    );
    let cov = segment.offset_rate_covariance_s;
    let own = Matrix2::new(segment.offset_variance_s2, cov, cov, segment.rate_variance);
    let moved = Matrix2::new(1.0, since_s, 0.0, 1.0);
    (values, moved * own * moved.transpose())
}

fn scaled(segment: ClockSegment, by: f64) -> ClockSegment {
    ClockSegment {
        offset_variance_s2: segment.offset_variance_s2 * by,
        rate_variance: segment.rate_variance * by,
        offset_rate_covariance_s: segment.offset_rate_covariance_s * by,
        ..segment
    }
}

/// Movement's offset less the one before (s), where movement tells it.
fn change_s(motion: &MotionClocks, before: &[ClockModel], camera: usize) -> Option<f64> {
    let clock = motion.clocks[camera].as_ref()?;
    let at_s = clock.segments()[0].reference_camera_s;
    Some(clock.range_from_camera(at_s) - before[camera].range_from_camera(at_s))
}

/// Does movement say something else, about the middle of the sightings or, since clocks run unlike, at their ends?
fn contradicts(
    motion: &MotionClocks,
    (series, before): (&[SightingSeries], &[ClockModel]),
    camera: usize,
) -> bool {
    let Some(clock) = &motion.clocks[camera] else {
        return false;
    };
    let own = || {
        let own = series.iter().filter(|series| series.camera == camera);
        own.flat_map(SightingSeries::seen).map(|seen| seen.camera_s)
    };
    let ends_s = [own().reduce(f64::min), own().reduce(f64::max)];
    let middle_s = Some(clock.segments()[0].reference_camera_s);
    ends_s.into_iter().chain([middle_s]).flatten().any(|at_s| {
        let change_s = clock.range_from_camera(at_s) - before[camera].range_from_camera(at_s);
        let variance = clock.variance_at(at_s)
            + before[camera].variance_at(at_s)
            + offset_variance(&before[0]);
        change_s.abs() > (WRONG_SDS * variance.sqrt()).max(WRONG_S)
    })
}

fn offset_variance(clock: &ClockModel) -> f64 {
    clock.segments()[0].offset_variance_s2
}

fn shifted(clock: &ClockModel, by_s: f64) -> ClockModel {
    each_stretch(clock, |segment| ClockSegment {
        offset_s: segment.offset_s + by_s,
        ..segment
    })
}

/// A clock with each of its stretches changed.
pub(crate) fn each_stretch(
    clock: &ClockModel,
    change: impl Fn(ClockSegment) -> ClockSegment,
) -> ClockModel {
    let changed = clock.segments().iter().copied().map(change).collect();
    ClockModel::piecewise(changed).unwrap_or_else(|| clock.clone())
}

/// What the path's fit is to start from. Refuses cameras of which neither sound nor movement told when they were started.
pub(crate) fn to_start_from(
    practice: &Practice,
    clocks: &[ClockModel],
) -> Outcome<Vec<ClockModel>> {
    if let Some(index) = clocks.iter().position(is_unknown) {
        return Err(Failure::not_measurable(format!(
            "nothing in the sound of camera {:?} tells when it was started against the others, and the movement of the markers is too little or too much alike to tell",
            practice.cameras[index].name
        ))
        .help("let every camera hear the same clap while all of them run, or film a whole shot with each"));
    }
    Ok(clocks.iter().map(weaker).collect())
}

/// A clock for a fit that asks again what told it.
pub(crate) fn weaker(clock: &ClockModel) -> ClockModel {
    each_stretch(clock, |segment| scaled(segment, 1.0 / SHARE))
}

/// The cameras of which nothing is known.
pub(crate) fn silent(clocks: &[ClockModel]) -> Vec<usize> {
    (0..clocks.len())
        .filter(|&index| is_unknown(&clocks[index]))
        .collect()
}

/// Says of the cameras whose sound told nothing how well their clocks are known by movement: the elbow's
/// (`clock_by_movement`) or the board's (`clock_by_board`); at its worst `during_s` (range time), or where it was told.
pub(crate) fn told(
    practice: &Practice,
    (silent, by): (&[usize], &str),
    found: &[ClockModel],
    during_s: Option<(f64, f64)>,
    words: &Words,
) -> Vec<RigLine> {
    let variance = |clock: &ClockModel| match during_s {
        Some((from_s, to_s)) => {
            let at = |range_s: f64| clock.variance_at(clock.camera_from_range(range_s));
            at(from_s).max(at(to_s))
        }
        None => offset_variance(clock),
    };
    // Where the first camera is the silent one, it is the others that are known against it.
    let worst = found.iter().map(variance).fold(0.0, f64::max);
    silent
        .iter()
        .map(|&index| {
            let variance = if index == 0 {
                worst
            } else {
                variance(&found[index])
            };
            let sd_ms = 1000.0 * variance.sqrt();
            let half = format!("{:.1}", (1.96 * sd_ms).max(0.1));
            let camera = &practice.cameras[index].name;
            RigLine {
                fitness: Fitness::Good,
                sentence: words.health(by, &[("camera", camera), ("half", &half)]),
                costs_mm: Some(clock_mm(sd_ms)),
            }
        })
        .collect()
}

/// Says where clocks jump: `found` are the cameras' clocks in the end.
pub(crate) fn jumps_told(practice: &Practice, found: &[ClockModel], words: &Words) -> Vec<RigLine> {
    let mut lines = Vec::new();
    for (clock, camera) in found.iter().zip(&practice.cameras) {
        for pair in clock.segments().windows(2) {
            let at_s = pair[1].from_camera_s;
            let before = ClockModel::piecewise(vec![pair[0]]);
            let earlier_s = before.map_or(0.0, |clock| clock.range_from_camera(at_s));
            let ms = 1000.0 * (clock.range_from_camera(at_s) - earlier_s);
            let half_ms = 1960.0 * clock.variance_at(at_s).sqrt();
            let places = [
                ("camera", &*camera.name),
                ("at", &format!("{at_s:.1}")),
                ("ms", &format!("{ms:+.1}")),
                ("half", &format!("{:.1}", half_ms.max(0.1))),
            ];
            lines.push(RigLine {
                fitness: Fitness::Watch,
                sentence: words.health("clock_jumps", &places),
                costs_mm: None,
            });
        }
    }
    lines
}
