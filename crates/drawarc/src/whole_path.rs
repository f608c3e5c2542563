//! The path of the whole practice: where the shots are in it, and what clocks and survey say of themselves.
//!
//! A fit keeps 0.6 MB a second of path, so that an hour would fill the memory. A long practice is fitted in parts, one after
//! the other, of which only the places stay: the shots are found in them, and each is fitted anew on its own (`shot_fits`).
//! Clocks and survey are common to all parts; what is said of them comes from one joint fit of stretches spread over the practice.

use crate::failure::{Failure, Outcome};
use crate::sheets;
use crate::steps::Plan;
use drawarc_report::{ShotWindow, find_shots};
use drawarc_rig::{ClockModel, Rig};
use drawarc_sync_track::{MarkerRole, SightingSeries};
use drawarc_triangulation::{
    ElbowPath, PathError, PathFit, PathInput, PathSamples, PathSettings, fit_path,
};

/// A path goes on between sightings no farther apart than this (s).
const GOES_ON_S: f64 = 0.5;
/// Parts are cut where nothing was seen for longest, within this share of a part from where they would be even.
const CUT_WITHIN: f64 = 0.25;
/// A part is fitted with this much before and after it (s): at its ends a path is less certain, and would not join the next.
const AROUND_PART_S: f64 = 3.0;
/// Clocks and survey of a practice in parts are judged by so many stretches spread over it, first and last moments included.
const SPREAD: usize = 8;

/// What the whole practice's path told.
#[derive(Debug)]
pub(crate) struct Whole {
    /// Of all that was seen, or of stretches spread over a long practice.
    pub(crate) fit: PathFit,
    /// How much those stretches are (s); nothing where the fit is of all.
    pub(crate) of_s: Option<f64>,
    /// The shots, in order of time.
    pub(crate) shots: Vec<ShotWindow>,
    /// The parts (range time, s) that were fitted, in order; the first and the last without an end.
    pub(crate) parts: Vec<(f64, f64)>,
}

/// The sightings from and until (range time, s).
pub(crate) fn between(
    series: &[SightingSeries],
    clocks: &[ClockModel],
    (from_s, to_s): (f64, f64),
) -> Vec<SightingSeries> {
    let part = |series: &SightingSeries| {
        let clock = &clocks[series.camera];
        let within = |camera_s: f64| (from_s..to_s).contains(&clock.range_from_camera(camera_s));
        let samples = series.samples.iter().filter(|s| within(s.camera_s));
        SightingSeries {
            samples: samples.copied().collect(),
            camera: series.camera,
            role: series.role,
        }
    };
    series.iter().map(part).collect()
}

/// What a path is fitted from.
pub(crate) fn input<'a>(
    plan: &Plan<'_>,
    (rig, clocks): (&'a Rig, &'a [ClockModel]),
    series: &'a [SightingSeries],
) -> PathInput<'a> {
    PathInput {
        rig,
        clocks,
        series,
        release_hint_s: None,
        settings: PathSettings {
            refine_clocks: plan.pipeline.clocks.from_motion,
            ..PathSettings::default()
        },
    }
}

/// The path of a part of the practice.
pub(crate) fn of_part(
    plan: &Plan<'_>,
    on: (&Rig, &[ClockModel]),
    series: &[SightingSeries],
    (from_s, to_s): (f64, f64),
) -> Result<PathFit, PathError> {
    let around = (from_s - AROUND_PART_S, to_s + AROUND_PART_S);
    fit_path(&input(plan, on, &between(series, on.1, around)))
}

/// Evenly spaced instants of a path.
pub(crate) fn times(path: &ElbowPath, step_s: f64) -> Vec<f64> {
    let (start, end) = path.span();
    let mut times = Vec::new();
    let mut time_s = start;
    while time_s <= end {
        times.push(time_s);
        time_s = start + times.len() as f64 * step_s;
    }
    times
}

/// Fits the practice and finds its shots.
pub(crate) fn find(
    plan: &Plan<'_>,
    on: (&Rig, &[ClockModel]),
    series: &[SightingSeries],
) -> Outcome<Whole> {
    let seen_s = seen_s(series, on.1);
    let most = most(&seen_s, series, plan.pipeline.path.at_once_s);
    let parts = parts(&seen_s, most);
    let (fit, of_s, rough) = if parts.len() == 1 {
        let fit = fit_path(&input(plan, on, series)).map_err(Failure::not_measurable)?;
        let rough = fit
            .path
            .sample(&times(&fit.path, plan.pipeline.path.step_s), 0, 0);
        (fit, None, rough)
    } else {
        let spread = spread(&seen_s, most);
        let stretches: Vec<SightingSeries> = joined(
            spread
                .iter()
                .map(|&span| between(series, on.1, span))
                .collect(),
        );
        // They may all have met the archer waiting, in sight of one camera only.
        let a_part = || {
            let mut fits = parts.iter().map(|&part| of_part(plan, on, series, part));
            fits.find_map(Result::ok)
        };
        let joint = fit_path(&input(plan, on, &stretches))
            .or_else(|why| a_part().ok_or(why))
            .map_err(Failure::not_measurable)?;
        let rough = places(plan, on, series, &parts)?;
        let of_s = joint.path.pieces().iter().map(|(from, to)| to - from).sum();
        (joint, Some(of_s), rough)
    };
    let shots = find_shots(&rough, &sheets::settings_of(plan.pipeline))
        .map_err(|source| sheets::wrong_path(&source))?;
    Ok(Whole {
        fit,
        of_s,
        shots,
        parts,
    })
}

/// Where the elbow was, part by part.
fn places(
    plan: &Plan<'_>,
    on: (&Rig, &[ClockModel]),
    series: &[SightingSeries],
    parts: &[(f64, f64)],
) -> Outcome<PathSamples> {
    let mut all = PathSamples::default();
    let mut failed = None;
    for &part in parts {
        let path = match of_part(plan, on, series, part) {
            Ok(fit) => fit.path,
            // Perhaps one camera alone saw the marker; other parts may do.
            Err(why) => {
                failed.get_or_insert(why);
                continue;
            }
        };
        let mut times = times(&path, plan.pipeline.path.step_s);
        times.retain(|time_s| (part.0..part.1).contains(time_s));
        let rough = path.sample(&times, 0, 0);
        all.time_s.extend(rough.time_s);
        all.mean.extend(rough.mean);
        all.in_gap.extend(rough.in_gap);
        all.cameras_seeing.extend(rough.cameras_seeing);
    }
    match failed {
        Some(why) if all.time_s.is_empty() => Err(Failure::not_measurable(why)),
        _ => Ok(all),
    }
}

/// When anything was seen (range time, s), by any camera, in order.
fn seen_s(series: &[SightingSeries], clocks: &[ClockModel]) -> Vec<f64> {
    let of_one = |series: &SightingSeries| {
        let clock = &clocks[series.camera];
        let seen = series
            .seen()
            .map(|seen| clock.range_from_camera(seen.camera_s));
        seen.collect::<Vec<f64>>()
    };
    let mut all: Vec<f64> = series.iter().flat_map(of_one).collect();
    all.sort_by(f64::total_cmp);
    all
}

/// How many instants make a fit of so many seconds, all markers together.
fn most(seen_s: &[f64], series: &[SightingSeries], at_once_s: f64) -> usize {
    let steps = seen_s.windows(2).map(|pair| pair[1] - pair[0]);
    let one_s: f64 = steps.filter(|step_s| *step_s < GOES_ON_S).sum();
    let mut roles: Vec<MarkerRole> = Vec::new();
    for series in series.iter().filter(|s| s.seen().next().is_some()) {
        if !roles.contains(&series.role) {
            roles.push(series.role);
        }
    }
    let share = at_once_s / (one_s * roles.len() as f64).max(at_once_s);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a share of a count"
    )]
    let most = (share * seen_s.len() as f64).ceil() as usize;
    most.max(SPREAD)
}

/// Parts with at most about so many instants, cut in the longest pauses near where they would be even.
fn parts(seen_s: &[f64], most: usize) -> Vec<(f64, f64)> {
    let count = seen_s.len().div_ceil(most).max(1);
    let even = seen_s.len() / count;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a share of a count"
    )]
    let aside = (CUT_WITHIN * even as f64) as usize;
    let pause = |at: usize| seen_s[at] - seen_s[at - 1];
    let cut = |number: usize| {
        let middle = number * even;
        let range = (middle - aside).max(1)..(middle + aside + 1).min(seen_s.len());
        let at = range.max_by(|&p, &q| pause(p).total_cmp(&pause(q)))?;
        Some(0.5 * (seen_s[at - 1] + seen_s[at]))
    };
    let mut from_s = f64::NEG_INFINITY;
    let mut found = Vec::new();
    for until_s in (1..count).filter_map(cut) {
        found.push((from_s, until_s));
        from_s = until_s;
    }
    found.push((from_s, f64::INFINITY));
    found
}

/// Stretches of together about so many instants, evenly spread over all.
fn spread(seen_s: &[f64], most: usize) -> Vec<(f64, f64)> {
    let each = (most / SPREAD).clamp(1, seen_s.len());
    let room = seen_s.len() - each;
    let stretch = |number: usize| {
        let first = room * number / (SPREAD - 1);
        // Neighbours never overlap, as there are more instants than `most`.
        (seen_s[first], seen_s[first + each - 1])
    };
    (0..SPREAD).map(stretch).collect()
}

/// Parts of the same series, in order of time, made one.
fn joined(parts: Vec<Vec<SightingSeries>>) -> Vec<SightingSeries> {
    let mut parts = parts.into_iter();
    let mut whole = parts.next().unwrap_or_default();
    for part in parts {
        for (series, more) in whole.iter_mut().zip(part) {
            series.samples.extend(more.samples);
        }
    }
    whole
}

#[cfg(test)]
mod tests {
    use super::{parts, spread};

    /// Minutes that begin at a multiple of 90 s, a sighting every tenth of a second.
    fn minutes(count: usize) -> Vec<f64> {
        (0..count * 600)
            .map(|k| 90.0 * (k / 600) as f64 + 0.1 * (k % 600) as f64)
            .collect()
    }

    #[test]
    fn a_short_practice_is_one_part() {
        assert_eq!(
            parts(&minutes(4), 2400),
            [(f64::NEG_INFINITY, f64::INFINITY)]
        );
        assert_eq!(parts(&[], 2400).len(), 1);
    }

    #[test]
    fn a_long_practice_is_cut_in_its_pauses() {
        let found = parts(&minutes(10), 2400);
        assert_eq!(found.len(), 3);
        for pair in found.windows(2) {
            assert_eq!(pair[0].1.to_bits(), pair[1].0.to_bits());
            let since_s = pair[0].1.rem_euclid(90.0);
            assert!((60.0..90.0).contains(&since_s), "{since_s}");
        }
    }

    #[test]
    fn without_pauses_parts_are_about_even() {
        let seen: Vec<f64> = (0..10_000).map(|k| 0.1 * f64::from(k)).collect();
        let found = parts(&seen, 2400);
        assert_eq!(found.len(), 5);
        for pair in found.windows(2).skip(1) {
            let length_s = pair[0].1 - pair[0].0;
            assert!((100.0..300.0).contains(&length_s), "{length_s}");
        }
    }

    #[test]
    fn the_spread_reaches_from_end_to_end_and_never_overlaps() {
        let seen = minutes(10);
        let found = spread(&seen, 2400);
        assert!(found[0].0 <= seen[0] && found[7].1 >= seen[seen.len() - 1]);
        assert!(
            found.windows(2).all(|pair| pair[0].1 < pair[1].0),
            "{found:?}"
        );
    }
}
