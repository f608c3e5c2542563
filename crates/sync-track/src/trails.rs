use crate::choice::{Chosen, choose, contenders};
use crate::coding_lag::take_off;
use crate::follower::{MarkerClass, classes_of};
use crate::lone_choice::choose_alone;
use crate::series::{LookedAt, Subject, series_of};
use crate::trail::Trail;
use crate::view_check::mark_disagreeing;
use crate::{ChoiceSettings, MarkerRole, MarkerSpec, SightingSeries, SyncTrackError};
use drawarc_rig::{ClockModel, Rig};
use nalgebra::Point2;
use std::collections::BTreeMap;

/// Everything of the markers' colours that moved or lay in the pictures of all cameras. Which of it is the marker is
/// decided by [`Trails::choose`], as often as clocks or rig become better, without looking at the footage again.
#[derive(Debug, Clone, PartialEq)]
pub struct Trails {
    pub(crate) markers: Vec<MarkerSpec>,
    pub(crate) classes: Vec<MarkerClass>,
    pub(crate) looked_at: Vec<LookedAt>,
    pub(crate) found: Vec<Vec<Trail>>,
}

impl Trails {
    pub(crate) fn new(
        markers: &[MarkerSpec],
        looked_at: Vec<LookedAt>,
        trails: Vec<Vec<Trail>>,
    ) -> Result<Self, SyncTrackError> {
        Ok(Self {
            markers: markers.to_vec(),
            classes: classes_of(markers)?,
            looked_at,
            found: trails,
        })
    }

    /// Number of patches that were followed, per camera.
    pub fn patches(&self) -> Vec<usize> {
        self.found.iter().map(Vec::len).collect()
    }

    /// Number of frames looked at, per camera.
    pub fn frames(&self) -> Vec<usize> {
        self.looked_at
            .iter()
            .map(|looked_at| looked_at.frames.len())
            .collect()
    }

    /// What was seen from `from_s` until before `until_s` (range time, s) alone, by these clocks: another rig may hold for
    /// another part.
    #[must_use]
    pub fn part(&self, clocks: &[ClockModel], (from_s, until_s): (f64, f64)) -> Self {
        let within = |camera: usize, camera_s: f64| {
            let range_s = clocks
                .get(camera)
                .map_or(camera_s, |clock| clock.range_from_camera(camera_s));
            (from_s..until_s).contains(&range_s)
        };
        let mut part = self.clone();
        for (camera, looked_at) in part.looked_at.iter_mut().enumerate() {
            looked_at
                .frames
                .retain(|(_, time_s)| within(camera, *time_s));
        }
        for (camera, trails) in part.found.iter_mut().enumerate() {
            for trail in trails.iter_mut() {
                trail.points.retain(|point| within(camera, point.camera_s));
            }
            trails.retain(|trail| !trail.points.is_empty());
        }
        part
    }

    /// The sightings of every marker in every camera, in the order markers × cameras. Without clocks each camera
    /// chooses by itself (what moves most), good enough to find the clocks by motion.
    ///
    /// # Errors
    /// [`SyncTrackError::CameraCount`] where rig or clocks do not have the footage's number of cameras.
    pub fn choose(
        &self,
        rig: &Rig,
        clocks: Option<&[ClockModel]>,
        settings: &ChoiceSettings,
    ) -> Result<Vec<SightingSeries>, SyncTrackError> {
        let cameras = self.found.len();
        for (what, found) in [
            ("cameras of the rig", rig.cameras.len()),
            ("clocks", clocks.map_or(cameras, <[_]>::len)),
        ] {
            if found != cameras {
                return Err(SyncTrackError::CameraCount {
                    what,
                    found,
                    expected: cameras,
                });
            }
        }
        let mut by_class: Vec<Vec<Chosen>> = self
            .classes
            .iter()
            .enumerate()
            .map(|(index, class)| match clocks {
                Some(clocks) if cameras > 1 => {
                    let contenders = contenders(rig, clocks, &self.found, index);
                    choose((rig, clocks), class, &contenders, settings)
                }
                _ => choose_alone(&self.found, index, class.members.len()),
            })
            .collect();
        // Without clocks nothing tells which of two it is.
        if clocks.is_some() {
            one_thing_one_marker(&mut by_class, &self.found);
        }
        let mut by_marker: Vec<Option<Vec<SightingSeries>>> = vec![None; self.markers.len()];
        for (index, class) in self.classes.iter().enumerate() {
            let mut chosen = std::mem::take(&mut by_class[index]);
            order_by_place(&mut chosen);
            for (member, marker) in self.members_in_order(class).into_iter().enumerate() {
                let nothing = Chosen {
                    trails: vec![Vec::new(); cameras],
                    place_in_range: None,
                    score: 0.0,
                };
                let chosen = chosen.get(member).unwrap_or(&nothing);
                let mut all = self.series(rig, index, marker, chosen);
                if let Some(clocks) = clocks {
                    mark_disagreeing(rig, clocks, &mut all, settings);
                }
                by_marker[marker] = Some(all);
            }
        }
        let mut all: Vec<SightingSeries> = by_marker.into_iter().flatten().flatten().collect();
        for (camera, looked_at) in self.looked_at.iter().enumerate() {
            let mut own: Vec<&mut SightingSeries> =
                all.iter_mut().filter(|one| one.camera == camera).collect();
            if let Some(lag) = take_off(&mut own, &looked_at.keys) {
                tracing::debug!(camera, lag.px, lag.sd_px, lag.keys, "pictures trail");
            }
        }
        Ok(all)
    }

    fn series(
        &self,
        rig: &Rig,
        class: usize,
        marker: usize,
        chosen: &Chosen,
    ) -> Vec<SightingSeries> {
        (0..self.found.len())
            .map(|camera| {
                let subject = Subject {
                    camera,
                    role: self.markers[marker].role,
                    shape: self.markers[marker].shape,
                    class,
                };
                series_of(
                    &subject,
                    &rig.cameras[camera],
                    &self.looked_at[camera],
                    &self.found[camera],
                    &chosen.trails[camera],
                )
            })
            .collect()
    }

    /// Markers that look alike, from the draw elbow forward to the bow hand.
    fn members_in_order(&self, class: &MarkerClass) -> Vec<usize> {
        let mut members = class.members.clone();
        members.sort_by_key(|&marker| forwardness(self.markers[marker].role));
        members
    }
}

/// Patches nearer than this in one frame are one thing (px).
const SAME_PATCH_PX: f64 = 1.5;
/// Of what two markers were chosen from, this share of frames may coincide: two balls may pass before each other.
const SAME_PATCH_SHARE: f64 = 0.2;

/// Markers of one colour and different sizes look at the same patches: where two were chosen from the same, the one whose
/// size and views agree less was not seen.
fn one_thing_one_marker(by_class: &mut [Vec<Chosen>], found: &[Vec<Trail>]) {
    loop {
        let all: Vec<(usize, usize)> = by_class
            .iter()
            .enumerate()
            .flat_map(|(class, chosen)| (0..chosen.len()).map(move |k| (class, k)))
            .collect();
        let clash = all.iter().enumerate().find_map(|(at, &p)| {
            all[at + 1..].iter().find_map(|&q| {
                let (first, second) = (&by_class[p.0][p.1], &by_class[q.0][q.1]);
                (p.0 != q.0 && coincide(first, second, found))
                    .then_some(if first.score < second.score { p } else { q })
            })
        });
        match clash {
            Some((class, k)) => {
                by_class[class].remove(k);
            }
            None => return,
        }
    }
}

fn coincide(first: &Chosen, second: &Chosen, found: &[Vec<Trail>]) -> bool {
    let (mut same, mut fewer) = (0, 0);
    for (camera, trails) in found.iter().enumerate() {
        let places = |chosen: &Chosen| -> BTreeMap<u64, Point2<f64>> {
            chosen.trails[camera]
                .iter()
                .flat_map(|&index| &trails[index].points)
                .map(|point| (point.frame_index, point.outline.centre_px))
                .collect()
        };
        let (p, q) = (places(first), places(second));
        fewer += p.len().min(q.len());
        same += p
            .iter()
            .filter(|(frame, place)| {
                q.get(frame)
                    .is_some_and(|other| (*place - other).norm() < SAME_PATCH_PX)
            })
            .count();
    }
    same as f64 > SAME_PATCH_SHARE * fewer as f64
}

/// Order of the markers along the arrow at full draw.
fn forwardness(role: MarkerRole) -> u8 {
    match role {
        MarkerRole::Elbow => 0,
        MarkerRole::DrawShoulder => 1,
        MarkerRole::StringHand => 2,
        MarkerRole::Nock => 3,
        MarkerRole::ArrowRest => 4,
        MarkerRole::BowHand => 5,
    }
}

fn order_by_place(chosen: &mut [Chosen]) {
    chosen.sort_by(|p, q| {
        let x = |chosen: &Chosen| chosen.place_in_range.map_or(f64::INFINITY, |place| place.x);
        x(p).total_cmp(&x(q))
    });
}
