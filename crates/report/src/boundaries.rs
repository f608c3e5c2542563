//! Where one phase ends and the next begins, each boundary with its own uncertainty.
//!
//! Each boundary is the instant at which a smoothed rate passes a level. It is found on the best estimate and,
//! nearby, on every joint draw; the spread of the latter is its uncertainty.

use crate::ReportSettings;
use crate::motion::{Motion, crossing_near};
use crate::release::Release;
use crate::sheet::{Phase, ShotKind};
use crate::shots::ShotWindow;
use crate::track::Track;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Height changes faster than this in a raise (m/s).
const RISE_M_S: f64 = 0.05;
/// The V is over when height changes slower than this (m/s).
const SETTLED_M_S: f64 = 0.008;
/// A draw begins where the speed has made this share of the way from set-up's lowest to its own peak.
const DRAW_SHARE: f64 = 0.1;
/// How far (s) from the best estimate's boundary a draw's may lie.
const REACH_S: f64 = 0.25;

/// One boundary.
#[derive(Debug, Clone)]
pub(crate) struct Boundary {
    pub(crate) time_s: f64,
    /// The same on each joint draw.
    pub(crate) draws: Vec<f64>,
    pub(crate) corrected: bool,
}

impl Boundary {
    /// Root mean square distance of the draws' boundaries from the best estimate's (s).
    pub(crate) fn sd_s(&self) -> f64 {
        let sum: f64 = self.draws.iter().map(|d| (d - self.time_s).powi(2)).sum();
        (sum / self.draws.len().max(1) as f64).sqrt()
    }
}

/// All boundaries of a shot. `start[p]` is where phase `p` starts; the last entry is the end of the last.
#[derive(Debug, Clone)]
pub(crate) struct Boundaries {
    /// Phases present with their starts, in order.
    pub(crate) phases: Vec<(Phase, Boundary)>,
    /// End of the last phase.
    pub(crate) end: Boundary,
}

impl Boundaries {
    /// Start and end of a phase.
    pub(crate) fn of(&self, phase: Phase) -> Option<(&Boundary, &Boundary)> {
        let index = self.phases.iter().position(|(p, _)| *p == phase)?;
        let end = self
            .phases
            .get(index + 1)
            .map_or(&self.end, |(_, start)| start);
        Some((&self.phases[index].1, end))
    }

    /// Start of a phase (s).
    pub(crate) fn start_s(&self, phase: Phase) -> Option<f64> {
        self.of(phase).map(|(start, _)| start.time_s)
    }

    /// End of the hold: where release, or letting down, begins.
    pub(crate) fn hold_end(&self) -> &Boundary {
        self.of(Phase::Release)
            .map(|(start, _)| start)
            .or_else(|| self.of(Phase::Expansion).map(|(_, end)| end))
            .or_else(|| self.of(Phase::Anchor).map(|(_, end)| end))
            .unwrap_or(&self.end)
    }

    /// The phase at an instant.
    pub(crate) fn phase_at(&self, time_s: f64) -> Phase {
        self.phases
            .iter()
            .rev()
            .find(|(_, start)| start.time_s <= time_s)
            .map_or(self.phases[0].0, |(phase, _)| *phase)
    }
}

/// Everything a boundary is found on.
struct Finder<'a> {
    track: &'a Track,
    mean: &'a Motion,
    draws: &'a [Motion],
}

impl Finder<'_> {
    fn index(&self, time_s: f64) -> f64 {
        (time_s - self.track.start_s) / self.track.step_s
    }

    fn time(&self, index: f64) -> f64 {
        self.track.start_s + index * self.track.step_s
    }

    /// Crossing of `rate` through `level` nearest to `near_s`; falls back on `near_s` itself.
    fn crossing(
        &self,
        rate: impl Fn(&Motion) -> &[f64],
        level: f64,
        rising: bool,
        near_s: f64,
    ) -> Boundary {
        let reach = REACH_S / self.track.step_s;
        let near = self.index(near_s);
        let at = crossing_near(rate(self.mean), level, rising, near, reach).unwrap_or(near);
        let draws = self
            .draws
            .iter()
            .map(|draw| {
                self.time(crossing_near(rate(draw), level, rising, at, reach).unwrap_or(at))
            })
            .collect();
        Boundary {
            time_s: self.time(at),
            draws,
            corrected: false,
        }
    }
}

/// Finds the boundaries of the shot in `window`.
pub(crate) fn find_boundaries(
    track: &Track,
    (mean, draws): (&Motion, &[Motion]),
    window: &ShotWindow,
    release: Option<&Release>,
    settings: &ReportSettings,
) -> Boundaries {
    let finder = Finder { track, mean, draws };
    let slow = settings.draw_speed_m_s;
    let mut phases = Vec::new();
    let (first, last) = (window.draw_start_s(), window.anchor_s());
    let (from, to) = (track.index_of(first), track.index_of(last));
    let peak = mean.away_rate[from..=to.max(from)]
        .iter()
        .copied()
        .fold(slow, f64::max);
    // Set-up moves slowly; the draw begins where the speed leaves that slowness for good.
    let half_way = (from..=to)
        .find(|&i| mean.away_rate[i] >= 0.5 * peak)
        .unwrap_or(from);
    let up_s = window.raise_s.map_or(first - 0.5, |raise| raise.1);
    let quiet_from = track.index_of(up_s).min(half_way);
    let slowest = mean.away_rate[quiet_from..=half_way]
        .iter()
        .copied()
        .fold(f64::INFINITY, f64::min)
        .max(0.0);
    let level = (slowest + DRAW_SHARE * (peak - slowest)).max(slow);
    let took_speed = (quiet_from..half_way)
        .rev()
        .find(|&i| mean.away_rate[i] < level)
        .unwrap_or(from);
    let draw = finder.crossing(|m| &m.away_rate, level, true, track.time_s(took_speed));
    let anchor = finder.crossing(|m| &m.away_rate, slow, false, last);
    if let Some((raise_from, raise_to)) = window.raise_s {
        let start = finder.crossing(|m| &m.height_rate, RISE_M_S, true, raise_from);
        let mut end = finder.crossing(|m| &m.height_rate, RISE_M_S, false, raise_to);
        if end.time_s > draw.time_s {
            end = draw.clone();
        }
        if start.time_s < end.time_s {
            phases.push((Phase::Raise, start));
        }
        if end.time_s < draw.time_s {
            phases.push((Phase::SetUp, end));
        }
    } else if took_speed > from {
        let slow_start = finder.crossing(|m| &m.away_rate, slow, true, first);
        if slow_start.time_s < draw.time_s {
            phases.push((Phase::SetUp, slow_start));
        }
    }
    phases.push((Phase::Draw, draw));
    let hold_end = match release {
        Some(release) => from_release(release, draws.len(), settings.seed),
        None if window.kind == ShotKind::LetDown => {
            finder.crossing(|m| &m.away_rate, -slow, false, window.hold_end_s)
        }
        None => fixed(window.hold_end_s, draws.len()),
    };
    let expansion = anchor_end(&finder, anchor.time_s, hold_end.time_s);
    phases.push((Phase::Anchor, anchor));
    if let Some(expansion) = expansion {
        phases.push((Phase::Expansion, expansion));
    }
    let end = fixed(window.end_s - 0.3, draws.len());
    if window.kind == ShotKind::Released {
        let fastest = fastest_after(&finder, hold_end.time_s);
        phases.push((Phase::Release, hold_end));
        let end = fixed(end.time_s.max(fastest.time_s + 0.1), draws.len());
        phases.push((Phase::FollowThrough, fastest));
        return Boundaries { phases, end };
    }
    Boundaries {
        phases,
        end: hold_end,
    }
}

fn fixed(time_s: f64, draws: usize) -> Boundary {
    Boundary {
        time_s,
        draws: vec![time_s; draws],
        corrected: false,
    }
}

fn from_release(release: &Release, draws: usize, seed: u64) -> Boundary {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x5e1e_a5e0);
    Boundary {
        time_s: release.dated.time_s,
        draws: (0..draws)
            .map(|_| {
                let z: f64 = StandardNormal.sample(&mut rng);
                release.dated.time_s + release.dated.sd_s * z
            })
            .collect(),
        corrected: false,
    }
}

/// The V is over: after its lowest point, height has settled.
fn anchor_end(finder: &Finder<'_>, anchor_s: f64, hold_end_s: f64) -> Option<Boundary> {
    let seconds = |s: f64| (s / finder.track.step_s) as usize;
    let from = finder.track.index_of(anchor_s);
    let limit = finder
        .track
        .index_of((anchor_s + 1.5).min(hold_end_s - 0.1));
    let rate = &finder.mean.height_rate;
    // The lowest point of the V, where the coming-up after it is clear; else the anchor itself.
    let bottom = (from..limit.min(from + seconds(1.0)))
        .min_by(|&a, &b| finder.mean.point[a].z.total_cmp(&finder.mean.point[b].z))
        .unwrap_or(from);
    let settled = |i: usize| {
        rate[i].abs() < SETTLED_M_S && finder.mean.away_rate[i].abs() < 3.0 * SETTLED_M_S
    };
    let rises = (bottom..limit).find(|&i| rate[i] > SETTLED_M_S && i < bottom + seconds(0.4));
    let at = (rises.unwrap_or(from)..limit)
        .find(|&i| (i..(i + seconds(0.1)).min(limit)).all(settled))
        .or_else(|| (limit > from + seconds(0.2)).then_some(limit))?;
    let time_s = finder.track.time_s(at);
    Some(if rises.is_some() {
        finder.crossing(|m| &m.height_rate, SETTLED_M_S, false, time_s)
    } else {
        finder.crossing(|m| &m.away_rate, 3.0 * SETTLED_M_S, false, time_s)
    })
    .filter(|boundary| boundary.time_s > anchor_s && boundary.time_s < hold_end_s)
}

/// The elbow's highest speed within 0.3 s.
fn fastest_after(finder: &Finder<'_>, release_s: f64) -> Boundary {
    let from = finder.track.index_of(release_s);
    let to = (finder.track.index_of(release_s + 0.3)).max(from + 1);
    let fastest = |motion: &Motion| {
        let to = to.min(motion.len());
        (from + 1..to)
            .max_by(|&a, &b| motion.speed[a].total_cmp(&motion.speed[b]))
            .unwrap_or(from + 1)
    };
    Boundary {
        time_s: finder.time(fastest(finder.mean) as f64),
        draws: finder
            .draws
            .iter()
            .map(|draw| finder.time(fastest(draw) as f64))
            .collect(),
        corrected: false,
    }
}
