//! From each camera's sightings to moments that cameras share.

use crate::{BoardSighting, SurveyCamera};

/// Frames of one camera that follow each other without a gap, at most three.
#[derive(Debug, Clone)]
struct Burst {
    camera: usize,
    sightings: Vec<usize>,
    middle_s: f64,
}

/// One moment: who sees the board then.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct MomentPlan {
    /// Range time of its middle (s); number of the exposure for stills.
    pub(crate) time_s: f64,
    /// `(camera, sightings of it)`, cameras in order.
    pub(crate) seen: Vec<(usize, Vec<usize>)>,
    /// How long the board lies still about this moment (s); `None` where it is held and may move.
    pub(crate) rest_s: Option<f64>,
}

impl MomentPlan {
    /// For how much of a view each of one camera's sightings counts. At rest every frame shows the same corners on the same
    /// pixels: on simulated film their errors were equal to a tenth (0.003 of 0.05 px), so that together they count as one.
    pub(crate) fn share(&self, sightings: &[usize]) -> f64 {
        if self.rest_s.is_some() {
            1.0 / sightings.len().max(1) as f64
        } else {
            1.0
        }
    }
}

/// Frames in a burst: three tell acceleration.
const BURST: usize = 3;
/// A gap of this many frame intervals ends a burst.
const BURST_GAP: f64 = 1.6;
/// Bursts of different cameras this far apart (s) still show one moment: the motion model holds over it.
const SAME_MOMENT_S: f64 = 0.026;
/// A board at rest moves less than this between looks, and since it came to rest (full-HD px, rms over its
/// corners).
const REST_PX: f64 = 0.6;
/// Longer side of a full-HD picture (px).
const FULL_HD_PX: f64 = 1920.0;
/// Shorter rests are taken for motion (s).
const LEAST_REST_S: f64 = 0.5;
/// Looks farther apart than this (s) do not prove that the board lay still between them.
const REST_GAP_S: f64 = 1.5;
/// Views of one rest that enter, per camera: more of the same picture repeat its errors.
const VIEWS_OF_REST: usize = 8;

fn range_s(camera: &SurveyCamera, sighting: &BoardSighting) -> f64 {
    if camera.stills {
        sighting.frame_index as f64
    } else {
        camera.clock.range_from_camera(sighting.time_s)
    }
}

fn bursts(cameras: &[SurveyCamera]) -> Vec<Burst> {
    let mut all = Vec::new();
    for (index, camera) in cameras.iter().enumerate() {
        let times: Vec<f64> = camera
            .sightings
            .iter()
            .map(|s| range_s(camera, s))
            .collect();
        let limit_s = if camera.stills {
            0.0
        } else {
            let shortest = times
                .windows(2)
                .map(|pair| pair[1] - pair[0])
                .filter(|gap| *gap > 1e-4)
                .fold(f64::INFINITY, f64::min);
            (BURST_GAP * shortest).min(0.12)
        };
        let mut open: Vec<usize> = Vec::new();
        let mut close = |open: &mut Vec<usize>| {
            if !open.is_empty() {
                let middle_s = times[open[open.len() / 2]];
                let sightings = std::mem::take(open);
                all.push(Burst {
                    camera: index,
                    sightings,
                    middle_s,
                });
            }
        };
        for at in 0..times.len() {
            let follows = open
                .last()
                .is_some_and(|last| times[at] - times[*last] <= limit_s);
            if !follows || open.len() == BURST {
                close(&mut open);
            }
            open.push(at);
        }
        close(&mut open);
    }
    all.sort_by(|a, b| {
        a.middle_s
            .total_cmp(&b.middle_s)
            .then(a.camera.cmp(&b.camera))
    });
    all
}

/// One camera's own bursts, each a moment in which the board may move.
pub(crate) fn bursts_alone(camera: &SurveyCamera) -> Vec<MomentPlan> {
    bursts(std::slice::from_ref(camera))
        .into_iter()
        .map(|burst| MomentPlan {
            time_s: burst.middle_s,
            seen: vec![(0, burst.sightings)],
            rest_s: None,
        })
        .collect()
}

/// All moments in order of time, rests joined.
pub(crate) fn moments(cameras: &[SurveyCamera]) -> Vec<MomentPlan> {
    let bursts = bursts(cameras);
    let mut taken = vec![false; bursts.len()];
    let mut plans = Vec::new();
    for seed in 0..bursts.len() {
        if taken[seed] {
            continue;
        }
        taken[seed] = true;
        let mut seen = vec![(bursts[seed].camera, bursts[seed].sightings.clone())];
        // Bursts are in order of time: look ahead until too late, the nearest of each camera first.
        for (at, burst) in bursts.iter().enumerate().skip(seed + 1) {
            if burst.middle_s - bursts[seed].middle_s > SAME_MOMENT_S {
                break;
            }
            if !taken[at] && seen.iter().all(|(camera, _)| *camera != burst.camera) {
                taken[at] = true;
                seen.push((burst.camera, burst.sightings.clone()));
            }
        }
        seen.sort_by_key(|(camera, _)| *camera);
        let time_s = seen
            .iter()
            .map(|(camera, sightings)| {
                let sighting = &cameras[*camera].sightings[sightings[sightings.len() / 2]];
                range_s(&cameras[*camera], sighting)
            })
            .sum::<f64>()
            / seen.len() as f64;
        plans.push(MomentPlan {
            time_s,
            seen,
            rest_s: None,
        });
    }
    plans.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    if cameras.iter().any(|camera| camera.stills) {
        for plan in &mut plans {
            plan.rest_s = Some(0.0);
        }
        return plans;
    }
    join_rests(cameras, &plans)
}

/// How many times finer than a full-HD picture a camera's is: its corners scatter, and its tripod's tremor shows, in so many
/// more pixels. Never below one: coarse pictures scatter as much.
fn fineness(camera: &SurveyCamera) -> f64 {
    let size = camera.image_size;
    (f64::from(size.width_px.max(size.height_px)) / FULL_HD_PX).max(1.0)
}

/// Largest movement between two moments over the cameras that see both, in full-HD pixels; `None` where there is none.
fn moved_px(cameras: &[SurveyCamera], a: &MomentPlan, b: &MomentPlan) -> Option<f64> {
    let mut most: Option<f64> = None;
    for (camera, sightings) in &a.seen {
        if let Some((_, others)) = b.seen.iter().find(|(other, _)| other == camera) {
            let all = &cameras[*camera].sightings;
            let middle = |list: &[usize]| &all[list[list.len() / 2]];
            let moved = middle(sightings).distance_px(middle(others)) / fineness(&cameras[*camera]);
            most = Some(most.map_or(moved, |known| known.max(moved)));
        }
    }
    most
}

fn join_rests(cameras: &[SurveyCamera], plans: &[MomentPlan]) -> Vec<MomentPlan> {
    let mut joined = Vec::new();
    let mut start = 0;
    while start < plans.len() {
        let mut end = start + 1;
        let mut last_still = start;
        while end < plans.len() && plans[end].time_s - plans[last_still].time_s < REST_GAP_S {
            let still = |from: usize| {
                moved_px(cameras, &plans[from], &plans[end]).is_none_or(|px| px < REST_PX)
            };
            let shares = moved_px(cameras, &plans[last_still], &plans[end]).is_some()
                || moved_px(cameras, &plans[start], &plans[end]).is_some();
            if !(shares && still(start) && still(last_still)) {
                break;
            }
            last_still = end;
            end += 1;
        }
        let rest_s = plans[end - 1].time_s - plans[start].time_s;
        if end - start >= 3 && rest_s >= LEAST_REST_S {
            joined.push(one_rest(&plans[start..end], rest_s));
            start = end;
        } else {
            joined.push(plans[start].clone());
            start += 1;
        }
    }
    joined
}

fn one_rest(plans: &[MomentPlan], rest_s: f64) -> MomentPlan {
    let mut seen: Vec<(usize, Vec<usize>)> = Vec::new();
    for plan in plans {
        for (camera, sightings) in &plan.seen {
            match seen.iter_mut().find(|(known, _)| known == camera) {
                Some((_, list)) => list.extend(sightings),
                None => seen.push((*camera, sightings.clone())),
            }
        }
    }
    seen.sort_by_key(|(camera, _)| *camera);
    for (_, list) in &mut seen {
        let count = list.len().min(VIEWS_OF_REST);
        *list = (0..count)
            .map(|k| list[(2 * k + 1) * list.len() / (2 * count)])
            .collect();
    }
    MomentPlan {
        time_s: f64::midpoint(plans[0].time_s, plans[plans.len() - 1].time_s),
        seen,
        rest_s: Some(rest_s),
    }
}
