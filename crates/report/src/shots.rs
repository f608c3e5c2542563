//! Finding shots in a long path.
//!
//! A shot is a *draw* (the elbow gains at least 0.2 m of new ground away from the target, in one or several
//! strokes), a *hold* (slow for a while near the farthest point) and an *end*: a burst of acceleration (release)
//! or a slow way back (let down). Talking, pointing, walking and reaching for an arrow lack one of the three.
//!
//! No shot runs on across a time in which nobody saw the elbow for long: what is on its other side may be another shot.

use crate::motion::Motion;
use crate::sheet::{ShotKind, Side};
use crate::smooth::LowPass;
use crate::strokes::{Stroke, groups};
use crate::track::Track;
use crate::{ReportError, ReportSettings};
use drawarc_triangulation::PathSamples;
use nalgebra::Point3;

/// A shot in a long path: rough places (range time, s), refined by [`crate::score_shot`].
#[derive(Debug, Clone, PartialEq)]
pub struct ShotWindow {
    /// Start of the stretch to look at, half a second before the shot.
    pub start_s: f64,
    /// End of the stretch to look at.
    pub end_s: f64,
    /// How it ended.
    pub kind: ShotKind,
    /// Start and end of the raise, where there was one.
    pub raise_s: Option<(f64, f64)>,
    /// The strokes of the draw; a pause between two of them may be a stall.
    pub strokes_s: Vec<(f64, f64)>,
    /// End of the hold: release, beginning of the let-down, or end of the path.
    pub hold_end_s: f64,
    /// Which hand seems to draw: in the draw the elbow comes around to the archer's back. A hint, to set beside
    /// the manifest; `None` where it came around by less than 20 mm.
    pub side_seen: Option<Side>,
    /// Elbow at the end of the hold, range frame (m): tells archers of different size apart.
    pub full_draw_in_range: Point3<f64>,
}

impl ShotWindow {
    /// Start of the draw (s).
    pub fn draw_start_s(&self) -> f64 {
        self.strokes_s.first().map_or(self.start_s, |s| s.0)
    }

    /// End of the draw (s).
    pub fn anchor_s(&self) -> f64 {
        self.strokes_s.last().map_or(self.start_s, |s| s.1)
    }
}

/// The elbow follows through by less than this after a release (m).
const FOLLOW_THROUGH_M: f64 = 0.18;

/// Out of sight for this long (s), a draw is not gone on with. Whoever passes before a camera is gone sooner; no draw, hold or
/// release can be told across more. Common practice for how long a shot takes (4 to 10 s), no source.
const LOST_AFTER_S: f64 = 3.0;

/// Joint samples below which no statement can be made.
pub(crate) const MIN_DRAWS: usize = 50;

/// Refuses a path whose lists do not fit together or that is too short.
pub(crate) fn check_path(path: &PathSamples, needed_draws: usize) -> Result<(), ReportError> {
    let n = path.len();
    let fits = [
        path.mean.len(),
        path.in_gap.len(),
        path.cameras_seeing.len(),
    ]
    .iter()
    .all(|&len| len == n)
        && path.draws.iter().all(|draw| draw.len() == n)
        && path.time_s.windows(2).all(|pair| pair[0] < pair[1]);
    if !fits || n < 8 || path.draws.len() < needed_draws {
        return Err(ReportError::Path {
            instants: n,
            draws: path.draws.len(),
            needed_instants: 8,
            needed_draws,
        });
    }
    Ok(())
}

/// Finds the shots of a path of any length, in order of time. Joint samples are not needed.
///
/// # Errors
/// [`ReportError::BoardReversed`] where the draws run toward the target; [`ReportError::Path`] where the lists of
/// the path do not fit together.
pub fn find_shots(
    path: &PathSamples,
    settings: &ReportSettings,
) -> Result<Vec<ShotWindow>, ReportError> {
    settings.validate()?;
    check_path(path, 0)?;
    let pieces = pieces(path);
    let all = |pieces: &[PathSamples]| -> Vec<ShotWindow> {
        pieces
            .iter()
            .flat_map(|piece| shots_of(piece, settings))
            .collect()
    };
    let found = all(&pieces);
    let released = |shots: &[ShotWindow]| {
        shots
            .iter()
            .filter(|shot| shot.kind == ShotKind::Released)
            .count()
    };
    let turned: Vec<PathSamples> = pieces.into_iter().map(turned_around).collect();
    let backward = released(&all(&turned));
    if backward > released(&found) {
        return Err(ReportError::BoardReversed {
            shots: backward,
            right_way: released(&found),
        });
    }
    Ok(found)
}

/// The places of a path, parted where the elbow was out of sight for [`LOST_AFTER_S`]: by an obstacle, or between recordings.
fn pieces(path: &PathSamples) -> Vec<PathSamples> {
    let seen: Vec<usize> = (0..path.len()).filter(|&i| !path.in_gap[i]).collect();
    seen.chunk_by(|&a, &b| path.time_s[b] - path.time_s[a] < LOST_AFTER_S)
        .map(|piece| {
            let span = piece[0]..=piece[piece.len() - 1];
            PathSamples {
                time_s: path.time_s[span.clone()].to_vec(),
                mean: path.mean[span.clone()].to_vec(),
                in_gap: path.in_gap[span.clone()].to_vec(),
                cameras_seeing: path.cameras_seeing[span].to_vec(),
                ..PathSamples::default()
            }
        })
        .collect()
}

/// The path as it would be with the board the other way round.
fn turned_around(mut path: PathSamples) -> PathSamples {
    for point in &mut path.mean {
        point.x = -point.x;
        point.y = -point.y;
    }
    path
}

fn shots_of(path: &PathSamples, settings: &ReportSettings) -> Vec<ShotWindow> {
    let step_s = 1.0 / settings.grid_hz;
    let span = (path.time_s[0], path.time_s[path.len() - 1]);
    let track = Track::sample(path, span, step_s, span.0);
    if track.len() < 30 {
        return Vec::new();
    }
    let low_pass = LowPass::new(settings.cutoff_hz, step_s);
    let motion = Motion::new(&track.mean, step_s, &low_pass, &[]);
    let bursts = bursts(&track, settings);
    let all = groups(&motion, &track.in_gap, settings);
    let mut found: Vec<ShotWindow> = Vec::new();
    for (index, group) in all.iter().enumerate() {
        let limit = all.get(index + 1).map_or(track.len(), |next| next[0].from);
        if let Some(shot) = shot_of(&track, &motion, group, limit, &bursts, settings) {
            found.push(shot);
        }
    }
    found
}

/// Index and size (m/s) of each sudden change of velocity out of slow movement.
fn bursts(track: &Track, settings: &ReportSettings) -> Vec<(usize, f64)> {
    let h = ((settings.burst_step_s / track.step_s).round() as usize).max(1);
    let h_s = h as f64 * track.step_s;
    let x = &track.mean;
    let slow = |from: usize, to: usize| (x[to] - x[from]).norm() / h_s < 0.12;
    let jump = |i: usize| ((x[i + h].coords - x[i].coords * 2.0 + x[i - h].coords) / h_s).norm();
    let mut found: Vec<(usize, f64)> = Vec::new();
    let mut i = 3 * h;
    while i + h < x.len() {
        let quiet = slow(i - h, i) && slow(i - 2 * h, i - h) && slow(i - 3 * h, i - 2 * h);
        if quiet && !track.in_gap[i] && jump(i) >= settings.burst_m_s {
            // The jump grows while the step slides over the break; its height is the largest of the next steps.
            let reach = (i + 2 * h).min(x.len() - h - 1);
            let height = (i..=reach).map(jump).fold(0.0, f64::max);
            // Half the height is where the middle of the step stands on the break.
            let at = (i.saturating_sub(h).max(h)..=reach)
                .find(|&j| jump(j) >= 0.5 * height)
                .unwrap_or(i);
            found.push((at, height));
            i = reach + h;
        }
        i += 1;
    }
    found
}

fn shot_of(
    track: &Track,
    motion: &Motion,
    group: &[Stroke],
    limit: usize,
    bursts: &[(usize, f64)],
    settings: &ReportSettings,
) -> Option<ShotWindow> {
    let start = group[0].from;
    let gain = |i: usize| motion.away(i) - motion.away(start);
    // A fast start after a stall is as sudden as a release, but much of the draw comes after it; lowering the arms may be
    // as sudden, but does not go away from the target. A release is the last burst that is neither; a dead one, in which
    // the elbow goes nowhere, is the last burst.
    let follows = (0.15 / track.step_s) as usize;
    let candidates: Vec<usize> = bursts
        .iter()
        .map(|(at, _)| *at)
        .filter(|&at| at > group[0].to && at < limit && gain(at) >= settings.draw_min_m)
        .filter(|&at| {
            let farthest = (at..limit).map(gain).fold(0.0, f64::max);
            farthest - gain(at) <= FOLLOW_THROUGH_M
        })
        .collect();
    let release = candidates
        .iter()
        .rev()
        .find(|&&at| gain((at + follows).min(track.len() - 1)) - gain(at) >= 0.01)
        .or(candidates.last())
        .copied();
    let margin = (0.08 / track.step_s) as usize;
    let draw: Vec<Stroke> = group
        .iter()
        .copied()
        .filter(|stroke| release.is_none_or(|at| stroke.from + margin < at))
        .collect();
    let last = draw.last()?;
    // The release's own stroke may have been joined to the draw where the hold was very short.
    let anchor = release.map_or(last.to, |at| last.to.min(at));
    let full = gain(anchor);
    if full < settings.draw_min_m || full > settings.draw_max_m {
        return None;
    }
    let (kind, hold_end) = match release {
        Some(at) => (ShotKind::Released, at),
        None => let_down(track, motion, (start, anchor), limit, settings)?,
    };
    let raise = raise_before(motion, start, track.step_s);
    if kind != ShotKind::Released && raise.is_none() {
        return None;
    }
    let end = stillness_after(motion, hold_end, limit, track.step_s);
    let across = motion.point[anchor].y - motion.point[start].y;
    let first = raise.map_or(start, |(from, _)| from);
    Some(ShotWindow {
        start_s: (track.time_s(first) - 0.5).max(track.start_s),
        end_s: (track.time_s(end) + 0.3).min(track.time_s(track.len() - 1)),
        kind,
        raise_s: raise.map(|(from, to)| (track.time_s(from), track.time_s(to))),
        strokes_s: draw
            .iter()
            .map(|stroke| {
                (
                    track.time_s(stroke.from),
                    track.time_s(stroke.to.min(hold_end)),
                )
            })
            .collect(),
        hold_end_s: track.time_s(hold_end),
        side_seen: (across.abs() > 0.02).then_some(if across > 0.0 {
            Side::Right
        } else {
            Side::Left
        }),
        full_draw_in_range: motion.point[hold_end.saturating_sub(margin)],
    })
}

/// A hold and a slow way back, or a hold at the end of the path.
fn let_down(
    track: &Track,
    motion: &Motion,
    (start, anchor): (usize, usize),
    limit: usize,
    settings: &ReportSettings,
) -> Option<(ShotKind, usize)> {
    let seconds = |s: f64| (s / track.step_s) as usize;
    let full = motion.away(anchor) - motion.away(start);
    let dropped = |i: usize, share: f64| motion.away(i) < motion.away(anchor) - share * full;
    let slow = settings.draw_speed_m_s;
    let away_again = (anchor..limit).find(|&i| dropped(i, 0.2));
    let hold_end = match away_again {
        Some(i) => (anchor..i)
            .rev()
            .find(|&j| motion.away_rate[j] > -slow)
            .unwrap_or(anchor),
        None => limit - 1,
    };
    if hold_end < anchor + seconds(0.5) {
        return None;
    }
    let quiet = (anchor + seconds(0.15)..hold_end.saturating_sub(seconds(0.15)))
        .all(|i| motion.speed[i] < 0.1);
    if !quiet {
        return None;
    }
    if away_again.is_none() {
        return (limit == track.len()).then_some((ShotKind::Unfinished, hold_end));
    }
    let back = (hold_end..limit.min(hold_end + seconds(4.0))).find(|&i| dropped(i, 0.6))?;
    let level = (motion.point[back].z - motion.point[hold_end].z).abs() < 0.6 * full;
    level.then_some((ShotKind::LetDown, hold_end))
}

/// Start and end of the rise of the elbow before the draw.
fn raise_before(motion: &Motion, draw_start: usize, step_s: f64) -> Option<(usize, usize)> {
    let seconds = |s: f64| (s / step_s) as usize;
    let rising = |i: usize| motion.height_rate[i] > 0.05;
    let earliest = draw_start.saturating_sub(seconds(6.0));
    let end = (earliest..=draw_start).rev().find(|&i| rising(i))?;
    let mut start = end;
    while let Some(next) = (earliest.max(start.saturating_sub(seconds(0.3)))..start)
        .rev()
        .find(|&i| rising(i))
    {
        start = next;
    }
    (motion.point[end].z - motion.point[start].z > 0.05).then_some((start, end))
}

/// First instant after which the elbow is still for 0.3 s, at most 3 s on.
fn stillness_after(motion: &Motion, from: usize, limit: usize, step_s: f64) -> usize {
    let seconds = |s: f64| (s / step_s) as usize;
    let last = limit
        .min(motion.len())
        .min(from + seconds(3.0))
        .max(from + 1)
        - 1;
    (from + seconds(0.15)..last)
        .find(|&i| {
            (i..(i + seconds(0.3)).min(last)).all(|j| motion.speed[j] < 0.05)
                && i + seconds(0.3) <= last
        })
        .unwrap_or(last)
}
