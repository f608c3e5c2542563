//! Follows every patch of a marker's colour through one camera's frames, as they come. Which patch is the marker is
//! decided later, from all cameras.

mod turns;

use crate::blob::{Blob, BlobFinder};
use crate::colour::ColourModel;
use crate::outline::{Family, Known, Outline, OutlineSettings, fit_outline};
use crate::trail::{Shown, Trail, TrailPoint};
use crate::{MarkerColour, MarkerShape, MarkerSpec, SyncTrackError};
use drawarc_footage::PictureView;
use kiddo::{ImmutableKdTree, SquaredEuclidean};
use nalgebra::{Matrix2, Point2, Vector2};
use std::num::NonZero;

/// Markers that look alike: one colour, one shape.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct MarkerClass {
    pub(crate) colour: MarkerColour,
    pub(crate) shape: MarkerShape,
    /// Indices into the list of markers.
    pub(crate) members: Vec<usize>,
}

/// Groups markers that look alike.
///
/// # Errors
/// [`SyncTrackError`] for a role described twice, sizes that cannot be, and picks without colour.
pub(crate) fn classes_of(markers: &[MarkerSpec]) -> Result<Vec<MarkerClass>, SyncTrackError> {
    let mut classes: Vec<MarkerClass> = Vec::new();
    for (index, marker) in markers.iter().enumerate() {
        ColourModel::of(marker)?;
        if markers[..index]
            .iter()
            .any(|other| other.role == marker.role)
        {
            return Err(SyncTrackError::DoubleMarker { role: marker.role });
        }
        let (longest, shortest) = marker.shape.extent_m();
        if !(longest > 0.0 && longest < 1.0 && shortest >= 0.0) {
            return Err(SyncTrackError::MarkerValue {
                role: marker.role,
                what: "size (m)",
                value: longest,
            });
        }
        match classes
            .iter_mut()
            .find(|class| class.colour == marker.colour && class.shape == marker.shape)
        {
            Some(class) => class.members.push(index),
            None => classes.push(MarkerClass {
                colour: marker.colour,
                shape: marker.shape,
                members: vec![index],
            }),
        }
    }
    Ok(classes)
}

/// What the follower knows of one camera.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct FollowerSettings {
    /// Smallest and largest radius (px, √(area/π)) that each class may have in this camera.
    pub(crate) radius_px: Vec<(f64, f64)>,
    /// Exposure (s).
    pub(crate) exposure_s: f64,
    /// See [`OutlineSettings::chroma_right_px`].
    pub(crate) chroma_right_px: f64,
    /// Blur that is expected before a picture told (1 σ, px).
    pub(crate) blur_px: f64,
    /// Trails followed at a time in one class.
    pub(crate) live: usize,
    /// Outlines fitted in a frame and class: more than a scene has markers, fewer than it may have leaves.
    pub(crate) fitted: usize,
    /// See [`crate::TrackSettings::rest`].
    pub(crate) rest: bool,
}

/// A trail not seen for so long ends (s); the same marker starts a new one.
const PATIENCE_S: f64 = 0.25;
/// Trails shorter than this many points are forgotten.
const SHORTEST: usize = 4;

/// Follows patches through one camera's frames.
#[derive(Debug)]
pub(crate) struct Follower {
    finder: BlobFinder,
    classes: Vec<MarkerClass>,
    models: Vec<ColourModel>,
    settings: FollowerSettings,
    live: Vec<Trail>,
    ended: Vec<Trail>,
    /// When the present stretch of frames began, and its last frame (s).
    stretch_s: (f64, f64),
    /// The last frame in which something that takes turns was measured.
    turn_taken: Option<u64>,
    /// Of each class, how unlike an outline a patch may be that is measured in every frame.
    unlike: Vec<f64>,
}

impl Follower {
    /// A follower for these classes.
    ///
    /// # Errors
    /// [`SyncTrackError::Colourless`] for a pick without colour.
    pub(crate) fn new(
        classes: &[MarkerClass],
        markers: &[MarkerSpec],
        settings: FollowerSettings,
    ) -> Result<Self, SyncTrackError> {
        let models = classes
            .iter()
            .map(|class| ColourModel::of(&markers[class.members[0]]))
            .collect::<Result<Vec<_>, _>>()?;
        let smallest = settings
            .radius_px
            .iter()
            .map(|range| range.0)
            .fold(f64::INFINITY, f64::min);
        Ok(Self {
            finder: BlobFinder::new(models.clone(), look_step(smallest)),
            classes: classes.to_vec(),
            models,
            settings,
            live: Vec::new(),
            ended: Vec::new(),
            stretch_s: (f64::NEG_INFINITY, f64::NEG_INFINITY),
            turn_taken: None,
            unlike: vec![f64::INFINITY; classes.len()],
        })
    }

    /// Takes the next frame.
    pub(crate) fn push(&mut self, frame_index: u64, camera_s: f64, picture: &PictureView<'_>) {
        self.retire(camera_s);
        if camera_s - self.stretch_s.1 > PATIENCE_S {
            self.stretch_s.0 = camera_s;
        }
        self.stretch_s.1 = camera_s;
        let radii = self.settings.radius_px.iter();
        let largest: Vec<f64> = radii.map(|&(_, large)| largest_half(large)).collect();
        let blobs = self.finder.find(picture, &largest);
        for (class, blobs) in blobs.iter().enumerate() {
            self.follow(class, blobs, (frame_index, camera_s), picture);
        }
    }

    /// Ends all trails.
    pub(crate) fn finish(mut self) -> Vec<Trail> {
        self.retire(f64::INFINITY);
        self.ended.sort_by(|p, q| {
            (p.class, p.first().frame_index)
                .cmp(&(q.class, q.first().frame_index))
                .then(
                    p.first()
                        .outline
                        .centre_px
                        .x
                        .total_cmp(&q.first().outline.centre_px.x),
                )
        });
        self.ended
    }

    fn retire(&mut self, camera_s: f64) {
        let (over, live): (Vec<Trail>, Vec<Trail>) = std::mem::take(&mut self.live)
            .into_iter()
            .partition(|trail| camera_s - trail.last().camera_s > PATIENCE_S);
        self.live = live;
        let over = over.into_iter().filter(|trail| trail.followed >= SHORTEST);
        self.ended.extend(over.map(Trail::closed));
    }

    fn follow(
        &mut self,
        class: usize,
        blobs: &[Blob],
        (frame_index, camera_s): (u64, f64),
        picture: &PictureView<'_>,
    ) {
        let range = self.settings.radius_px[class];
        let places: Vec<[f64; 2]> = blobs
            .iter()
            .map(|blob| {
                let centre = self.in_luma(&blob.centre_half);
                [centre.x, centre.y]
            })
            .collect();
        self.unlike[class] = self.unlike_at_most(class, camera_s);
        let pairs = self.assign(class, &places, camera_s);
        let mut taken = vec![false; blobs.len()];
        let mut fitted = 0;
        for (trail, blob) in pairs {
            if taken[blob] {
                continue;
            }
            let previous = &self.live[trail];
            let by_area_px = 2.0 * (blobs[blob].area_half / std::f64::consts::PI).sqrt();
            if !previous.may_be(Self::colour_at(picture, &blobs[blob]), by_area_px) {
                continue;
            }
            if previous.last().frame_index != frame_index && self.takes_turns(trail, &places[blob])
            {
                if self.pauses(trail, &places[blob], frame_index)
                    || self.turn_taken == Some(frame_index)
                    || self.is_fresher(trail, frame_index)
                {
                    self.live[trail].skip(Point2::from(places[blob]), frame_index, camera_s);
                    taken[blob] = true;
                    continue;
                }
                self.turn_taken = Some(frame_index);
            }
            if self.live[trail].last().frame_index == frame_index {
                continue;
            }
            let previous = &self.live[trail];
            let shown = self.measure(
                (class, &blobs[blob]),
                (Some(previous), fitted < self.settings.fitted),
                (frame_index, camera_s),
                picture,
            );
            if !self.live[trail].is_like(&shown) {
                continue;
            }
            fitted += usize::from(shown.point.fitted);
            taken[blob] = true;
            self.live[trail].push(&shown);
        }
        // What nobody follows yet, the strongest colour first.
        let mut fresh: Vec<usize> = (0..blobs.len())
            .filter(|&k| !taken[k] && is_plausible(&blobs[k], range))
            .collect();
        fresh.sort_by(|&p, &q| blobs[q].peak.total_cmp(&blobs[p].peak));
        for blob in fresh {
            if !self.has_room(class, blobs[blob].peak) {
                break;
            }
            let shown = self.measure(
                (class, &blobs[blob]),
                (None, fitted < self.settings.fitted),
                (frame_index, camera_s),
                picture,
            );
            fitted += usize::from(shown.point.fitted);
            let radius = shown.point.outline.radius_px();
            if !shown.point.fitted || (radius > 0.7 * range.0 && radius < 1.4 * range.1) {
                self.live.push(Trail::new(class, &shown));
            }
        }
    }

    /// May one more patch be followed, of so strong a colour? Leaves and boxes would else keep out an elbow that comes into sight later
    /// than they: where all places are taken, the weakest of what stands or is hardly a marker makes way.
    fn has_room(&mut self, class: usize, peak: f64) -> bool {
        let own = self.live.iter().filter(|trail| trail.class == class);
        if own.count() < self.settings.live {
            return true;
        }
        let range = self.settings.radius_px[class];
        let idle = (0..self.live.len()).filter(|&k| {
            let trail = &self.live[k];
            trail.class == class && (trail.stands() || trail.is_doubtful(range))
        });
        let weakest = idle.min_by(|&p, &q| self.live[p].peak().total_cmp(&self.live[q].peak()));
        let Some(weakest) = weakest.filter(|&k| STRONGER * self.live[k].peak() < peak) else {
            return false;
        };
        let over = self.live.remove(weakest);
        if over.followed >= SHORTEST {
            self.ended.push(over.closed());
        }
        true
    }

    /// Pairs of (live trail, blob): established trails first, then nearest in units of the gate.
    fn assign(&self, class: usize, places: &[[f64; 2]], camera_s: f64) -> Vec<(usize, usize)> {
        let Ok(tree) = ImmutableKdTree::<f64, 2>::new_from_slice(places) else {
            return Vec::new();
        };
        let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
        if places.is_empty() {
            return Vec::new();
        }
        let few = NonZero::new(3usize).unwrap_or(NonZero::<usize>::MIN);
        for (index, trail) in self.live.iter().enumerate() {
            if trail.class != class {
                continue;
            }
            let (centre, gate) = trail.prediction(camera_s);
            let near = tree
                .query(&[centre.x, centre.y])
                .nearest_n::<SquaredEuclidean<f64>>(few)
                .within(gate * gate)
                .execute();
            for found in near {
                let blob = usize::try_from(found.item).unwrap_or(usize::MAX);
                pairs.push((found.distance.sqrt() / gate, index, blob));
            }
        }
        // A young trail's gate is wide; it must not snatch a patch from one that knows where it goes.
        let is_young = |index: usize| self.live[index].followed < 4;
        // Outlines fitted in a frame are bounded: what hangs on a wall must not use them up before what moves.
        let stands: Vec<bool> = self.live.iter().map(Trail::stands).collect();
        pairs.sort_by(|p, q| {
            is_young(p.1)
                .cmp(&is_young(q.1))
                .then(stands[p.1].cmp(&stands[q.1]))
                .then(p.0.total_cmp(&q.0))
                .then(p.1.cmp(&q.1))
                .then(p.2.cmp(&q.2))
        });
        pairs
            .into_iter()
            .map(|(_, trail, blob)| (trail, blob))
            .collect()
    }

    fn in_luma(&self, half: &Point2<f64>) -> Point2<f64> {
        Point2::new(
            2.0 * half.x + self.settings.chroma_right_px,
            2.0 * half.y + 0.5,
        )
    }

    /// Outline to start from: the blob's place with the shape that the trail had, or the blob's own.
    fn start(&self, class: usize, blob: &Blob, trail: Option<&Trail>) -> Outline {
        let centre_px = if self.models[class] == ColourModel::Light {
            Point2::from(2.0 * blob.centre_half.coords + Vector2::repeat(0.5))
        } else {
            self.in_luma(&blob.centre_half)
        };
        // Not where the outline was off the patch before: one that took in a shadow would start in it again, and stay (2 px off on
        // one film).
        if let Some(last) = trail.map(Trail::last)
            && last.fitted
        {
            return Outline {
                centre_px,
                ..last.outline
            };
        }
        let range = self.settings.radius_px[class];
        // A uniform ellipse has second moments (half axis)²/4.
        let eigen = blob.moments_half.symmetric_eigen();
        let axes = eigen
            .eigenvalues
            .map(|moment| 4.0 * moment.max(0.05).sqrt());
        let direction = eigen.eigenvectors.column(0);
        let by_area = 2.0 * (blob.area_half / std::f64::consts::PI).sqrt();
        match self.classes[class].shape {
            MarkerShape::Ball { .. } => Outline {
                centre_px,
                half_axes_px: Vector2::repeat(by_area.clamp(range.0, range.1)),
                angle: 0.0,
            },
            MarkerShape::Dot { .. } | MarkerShape::Band { .. } => Outline {
                centre_px,
                half_axes_px: axes.map(|axis| axis.clamp(1.0, 2.0 * range.1)),
                angle: direction[1].atan2(direction[0]),
            },
        }
    }

    fn measure(
        &self,
        (class, blob): (usize, &Blob),
        (previous, fit): (Option<&Trail>, bool),
        (frame_index, camera_s): (u64, f64),
        picture: &PictureView<'_>,
    ) -> Shown {
        let family = match self.classes[class].shape {
            MarkerShape::Ball { .. } => Family::Ball,
            MarkerShape::Dot { .. } => Family::Ellipse,
            MarkerShape::Band { .. } => Family::Bar,
        };
        let patch_px = self.in_luma(&blob.centre_half);
        let expected = previous.and_then(Trail::expected);
        let alone = OutlineSettings {
            family,
            smear_px: previous.map_or_else(Vector2::zeros, |trail| {
                trail.velocity_px_s() * self.settings.exposure_s
            }),
            chroma_right_px: self.settings.chroma_right_px,
            blur_px: Known {
                value: self.settings.blur_px,
                sd: FIRST_BLUR_SD_PX,
            },
            radius_px: None,
            luma_only: self.models[class] == ColourModel::Light,
            steps: 5,
        };
        let informed = expected.map_or(alone, |(blur_px, radius_px)| OutlineSettings {
            blur_px,
            radius_px,
            ..alone
        });
        let start = self.start(class, blob, previous);
        let found = if fit {
            // A shape carried over from the last frame may be wrong by now: then the blob's own.
            fit_outline(picture, &start, &informed).or_else(|| {
                let own = self.start(class, blob, None);
                let tried = own == start && informed == alone;
                (!tried).then(|| fit_outline(picture, &own, &alone))?
            })
        } else {
            None
        };
        found.map_or_else(
            || Shown {
                point: TrailPoint {
                    frame_index,
                    camera_s,
                    outline: start,
                    patch_px,
                    covariance_px2: Matrix2::identity() * UNFITTED_SD_PX * UNFITTED_SD_PX,
                    fitted: false,
                    skipped: false,
                    rests_from: frame_index,
                    clear_share: 0.0,
                    at_border: blob.at_border,
                },
                misfit: 1.0,
                colour: Self::colour_at(picture, blob),
                peak: blob.peak,
                learned: None,
            },
            |fit| Shown::from((&fit, frame_index, camera_s, blob, patch_px)),
        )
    }

    fn colour_at(picture: &PictureView<'_>, blob: &Blob) -> [f64; 3] {
        let scale = crate::colour::depth_scale(picture.bit_depth);
        let nearest = |value: f64, count: usize| {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "clamped to the plane"
            )]
            let index = value.round().clamp(0.0, count as f64 - 1.0) as usize;
            index
        };
        let x = nearest(blob.centre_half.x, picture.cb.width());
        let y = nearest(blob.centre_half.y, picture.cb.height());
        let luma = picture.luma.get(
            (2 * x).min(picture.width() - 1),
            (2 * y).min(picture.height() - 1),
        );
        [
            f64::from(luma) * scale,
            f64::from(picture.cb.get(x, y)) * scale - 128.0,
            f64::from(picture.cr.get(x, y)) * scale - 128.0,
        ]
    }
}

/// One patch makes way for another whose colour is so many times as strong.
const STRONGER: f64 = 1.5;
/// So little is known of a camera's blur before a picture told (px).
const FIRST_BLUR_SD_PX: f64 = 0.3;
/// A centroid alone is trusted to this (px).
const UNFITTED_SD_PX: f64 = 0.5;

/// Two looks across the smallest marker: its diameter is `smallest_px` samples of the half-size grid.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to a few samples"
)]
pub(crate) fn look_step(smallest_px: f64) -> usize {
    (smallest_px / 2.0).floor().clamp(1.0, 4.0) as usize
}

/// A patch above half of its peak, on the half-size grid, of a smeared marker of this radius (px) has so many samples at most.
pub(crate) fn largest_half(radius_px: f64) -> f64 {
    2.5 * std::f64::consts::PI * (0.5 * radius_px).powi(2) + 8.0
}

/// May a patch be a marker whose radius (px) is in this range?
fn is_plausible(blob: &Blob, range: (f64, f64)) -> bool {
    // Above half of the peak a patch has about its full area; small ones lose some on the coarse grid.
    let radius = 2.0 * (blob.area_half / std::f64::consts::PI).sqrt();
    radius > 0.45 * range.0 && radius < 1.6 * range.1
}
