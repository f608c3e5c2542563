//! Which trails are the marker: by agreement of the views, size, place and motion.

use crate::follower::MarkerClass;
use crate::trail::Trail;
use crate::view::{Timed, meet, px_per_rad};
use crate::{ChoiceSettings, MarkerShape};
use drawarc_rig::{Camera, ClockModel, Rig};
use nalgebra::Point3;
use std::collections::BTreeMap;

/// Instants at which a pair of trails is compared, unless they would be farther apart than [`PROBE_S`].
const PROBES: usize = 80;
/// Of a trail of minutes no shot is passed over (s).
const PROBE_S: f64 = 1.0;
/// Who waits behind the line, in sight of all cameras, and then steps up to it has one trail: views that meet elsewhere count against
/// it for no longer than this (s). Who only walks through is there for less, a shot takes more.
const ELSEWHERE_S: f64 = 3.0;
/// What one agreeing instant is worth against chance, in units of log likelihood: a wrong pair loses more.
const WORTH: f64 = 3.0;
/// No instant counts for more than this against a pair.
const WORST: f64 = 12.0;
/// A pair must have this score at least.
const LEAST: f64 = 6.0;
/// Trails of one camera that overlap by more than this share cannot both be the marker.
const OVERLAP: f64 = 0.1;

/// A trail with what is needed to compare it.
#[derive(Debug)]
pub(crate) struct Contender<'a> {
    pub(crate) camera: usize,
    pub(crate) trail: &'a Trail,
    timed: Timed,
}

/// Trails chosen for one marker.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Chosen {
    /// Per camera: indices into that camera's trails, in order of time.
    pub(crate) trails: Vec<Vec<usize>>,
    /// Median place (m, range frame), where two views met.
    pub(crate) place_in_range: Option<Point3<f64>>,
    /// How well the views agree, all pairs together; size counts.
    pub(crate) score: f64,
}

/// Contenders of one class in all cameras.
pub(crate) fn contenders<'a>(
    rig: &Rig,
    clocks: &[ClockModel],
    trails: &'a [Vec<Trail>],
    class: usize,
) -> Vec<(usize, Contender<'a>)> {
    let mut all = Vec::new();
    for (camera, trails) in trails.iter().enumerate() {
        for (index, trail) in trails.iter().enumerate() {
            if trail.class == class {
                all.push((
                    index,
                    Contender {
                        camera,
                        trail,
                        timed: Timed::of(trail, &rig.cameras[camera], &clocks[camera]),
                    },
                ));
            }
        }
    }
    all
}

/// How well two trails of different cameras agree.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Agreement {
    score: f64,
    place_in_range: Point3<f64>,
}

/// Where two views met at one instant.
#[derive(Debug, Clone, Copy)]
struct Met {
    /// What their rays and sizes are worth.
    views: f64,
    /// What the place takes off: it is far from where archers stand.
    away: f64,
    place_in_range: Point3<f64>,
}

/// Of pairs that were in sight at the same time, the lower index first: of an evening's thousands of patches hardly any two were.
type Agreements = BTreeMap<(usize, usize), Agreement>;

struct Judge<'a> {
    rig: &'a Rig,
    clocks: &'a [ClockModel],
    shape: MarkerShape,
    settings: &'a ChoiceSettings,
}

impl Judge<'_> {
    fn camera(&self, contender: &Contender<'_>) -> &Camera {
        &self.rig.cameras[contender.camera]
    }

    fn agreement(&self, a: &Contender<'_>, b: &Contender<'_>) -> Option<Agreement> {
        let ((a0, a1), (b0, b1)) = (a.timed.span(), b.timed.span());
        let (from, to) = (a0.max(b0), a1.min(b1));
        if from.is_nan() || to <= from {
            return None;
        }
        let step = ((to - from) / PROBES as f64).clamp(1.0 / 60.0, PROBE_S);
        let (mut score, mut elsewhere) = (0.0, 0.0);
        let (mut places, mut places_elsewhere) = (Vec::new(), Vec::new());
        let mut t = from;
        while t <= to {
            if let (Some(p), Some(q)) = (a.timed.at(t), b.timed.at(t)) {
                match self.instant(a, b, p, q) {
                    Some(met) if met.views > 0.0 && met.views < met.away => {
                        elsewhere += met.views - met.away;
                        places_elsewhere.push(met.place_in_range);
                    }
                    Some(met) => {
                        score += (met.views - met.away).max(WORTH - WORST);
                        places.push(met.place_in_range);
                    }
                    None => score -= WORST,
                }
            }
            t += step;
        }
        score += elsewhere.max(-WORTH * ELSEWHERE_S / step);
        if places.is_empty() {
            places = places_elsewhere;
        }
        places.sort_by(|p: &Point3<f64>, q| p.x.total_cmp(&q.x));
        let place_in_range = *places.get(places.len() / 2)?;
        // Per second of film, so that long agreement beats short.
        Some(Agreement {
            score: score * step * 60.0,
            place_in_range,
        })
    }

    fn instant(
        &self,
        a: &Contender<'_>,
        b: &Contender<'_>,
        (p, p_speed): (crate::view::Instant, nalgebra::Vector2<f64>),
        (q, q_speed): (crate::view::Instant, nalgebra::Vector2<f64>),
    ) -> Option<Met> {
        let (first, second) = (self.camera(a), self.camera(b));
        let (r, s) = (
            first.ray_in_range(&p.centre_px)?,
            second.ray_in_range(&q.centre_px)?,
        );
        let meeting = meet(
            (&first.centre_in_range(), &r),
            (&second.centre_in_range(), &s),
        )?;
        let scale = [
            px_per_rad(first, &p.centre_px)? / meeting.distance_m[0],
            px_per_rad(second, &q.centre_px)? / meeting.distance_m[1],
        ];
        // Distance of the rays, in pixels of the finer view, against pixels, clock and survey.
        let clock_s = (self.clocks[a.camera].variance_at(p.range_s)
            + self.clocks[b.camera].variance_at(q.range_s))
        .sqrt();
        let tolerance = self.settings.view_tolerance_px
            + clock_s.min(0.05) * p_speed.norm().max(q_speed.norm());
        let apart = meeting.apart_m * scale[0].max(scale[1]) / tolerance;
        let mut cost = 0.5 * apart * apart;
        for (instant, scale) in [(&p, scale[0]), (&q, scale[1])] {
            cost += self.size_cost(instant.radius_px, scale);
        }
        let off = meeting.point_in_range - self.settings.archer_place;
        let beyond = (off.norm() - self.settings.archer_reach_m).max(0.0) / 0.2;
        Some(Met {
            views: WORTH - cost,
            away: 0.5 * beyond * beyond,
            place_in_range: meeting.point_in_range,
        })
    }

    /// Half the squared deviation of the size from what the distance makes one expect.
    fn size_cost(&self, radius_px: f64, px_per_m: f64) -> f64 {
        let (longest, shortest) = self.shape.extent_m();
        let largest = 0.5 * longest * px_per_m;
        let smallest = 0.5 * (longest * shortest).sqrt() * px_per_m;
        let log_error = if radius_px > largest {
            (radius_px / largest).ln()
        } else if radius_px < smallest {
            (smallest / radius_px).ln()
        } else {
            0.0
        };
        0.5 * (log_error / self.settings.size_tolerance).powi(2)
    }
}

/// Chooses trails for every member of a class; those with the best agreement first.
pub(crate) fn choose(
    (rig, clocks): (&Rig, &[ClockModel]),
    class: &MarkerClass,
    contenders: &[(usize, Contender<'_>)],
    settings: &ChoiceSettings,
) -> Vec<Chosen> {
    let judge = Judge {
        rig,
        clocks,
        shape: class.shape,
        settings,
    };
    let count = contenders.len();
    let mut agreements = Agreements::new();
    let mut pairs = Vec::new();
    for i in 0..count {
        for j in i + 1..count {
            let (a, b) = (&contenders[i].1, &contenders[j].1);
            if a.camera == b.camera {
                continue;
            }
            if let Some(found) = judge.agreement(a, b) {
                agreements.insert((i, j), found);
                if found.score > LEAST {
                    pairs.push((found.score, i, j));
                }
            }
        }
    }
    pairs.sort_by(|p, q| q.0.total_cmp(&p.0).then(p.1.cmp(&q.1)).then(p.2.cmp(&q.2)));
    let mut free = vec![true; count];
    let mut chosen = Vec::new();
    for _ in 0..class.members.len() {
        let mut members: Vec<usize> = Vec::new();
        let mut places = Vec::new();
        let mut total = 0.0;
        for &(score, i, j) in &pairs {
            let fits = |k: usize, members: &[usize]| {
                members.contains(&k) || (free[k] && may_join(k, members, contenders, &agreements))
            };
            if fits(i, &members) && fits(j, &members) {
                for k in [i, j] {
                    if !members.contains(&k) {
                        members.push(k);
                    }
                }
                places.extend(agreements.get(&(i, j)).map(|found| found.place_in_range));
                total += score;
            }
        }
        lone_continuations(&mut members, &free, contenders);
        if members.is_empty() {
            break;
        }
        for &k in &members {
            free[k] = false;
        }
        let mut trails = vec![Vec::new(); rig.cameras.len()];
        members.sort_by(|&p, &q| {
            let start = |k: usize| contenders[k].1.timed.span().0;
            start(p).total_cmp(&start(q))
        });
        for k in members {
            trails[contenders[k].1.camera].push(contenders[k].0);
        }
        places.sort_by(|p: &Point3<f64>, q| p.x.total_cmp(&q.x));
        chosen.push(Chosen {
            trails,
            place_in_range: places.get(places.len() / 2).copied(),
            score: total,
        });
    }
    chosen
}

/// May a trail join those chosen: no other of its camera at the same time, no disagreement with any other view?
fn may_join(
    k: usize,
    members: &[usize],
    contenders: &[(usize, Contender<'_>)],
    agreements: &Agreements,
) -> bool {
    members.iter().all(|&m| {
        if contenders[m].1.camera == contenders[k].1.camera {
            overlap_share(&contenders[m].1, &contenders[k].1) < OVERLAP
        } else {
            let pair = (m.min(k), m.max(k));
            agreements.get(&pair).is_none_or(|found| found.score > 0.0)
        }
    })
}

fn overlap_share(a: &Contender<'_>, b: &Contender<'_>) -> f64 {
    let ((a0, a1), (b0, b1)) = (a.timed.span(), b.timed.span());
    let shared = (a1.min(b1) - a0.max(b0)).max(0.0);
    shared / (a1 - a0).min(b1 - b0).max(1e-6)
}

/// A gap that a marker may cross unseen by all other cameras (s).
const ALONE_GAP_S: f64 = 0.5;
/// Speed at which it may do so (radii a second).
const ALONE_SPEED: f64 = 40.0;

/// Trails that only one camera sees: kept where they carry on from a chosen one of the same camera.
fn lone_continuations(
    members: &mut Vec<usize>,
    free: &[bool],
    contenders: &[(usize, Contender<'_>)],
) {
    loop {
        let next = (0..contenders.len()).find(|&k| {
            free[k]
                && !members.contains(&k)
                && contenders[k].1.trail.fitted_share() > 0.5
                && members
                    .iter()
                    .any(|&m| carries_on(&contenders[m].1, &contenders[k].1))
                && members.iter().all(|&m| {
                    contenders[m].1.camera != contenders[k].1.camera
                        || overlap_share(&contenders[m].1, &contenders[k].1) < OVERLAP
                })
        });
        match next {
            Some(k) => members.push(k),
            None => break,
        }
    }
}

fn carries_on(a: &Contender<'_>, b: &Contender<'_>) -> bool {
    if a.camera != b.camera {
        return false;
    }
    let (before, after) = if a.timed.span().0 < b.timed.span().0 {
        (a, b)
    } else {
        (b, a)
    };
    let (end, start) = (before.trail.last(), after.trail.first());
    let gap_s = start.camera_s - end.camera_s;
    let way = (start.outline.centre_px - end.outline.centre_px).norm();
    let radius = end.outline.radius_px();
    let size = (start.outline.radius_px() / radius).ln().abs();
    (0.0..ALONE_GAP_S).contains(&gap_s) && way < radius * (0.5 + ALONE_SPEED * gap_s) && size < 0.3
}
