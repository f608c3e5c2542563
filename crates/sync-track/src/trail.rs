use crate::blob::Blob;
use crate::outline::{Known, Outline, OutlineFit};
use nalgebra::{Matrix2, Point2, Vector2};

/// One patch in one frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TrailPoint {
    pub(crate) frame_index: u64,
    pub(crate) camera_s: f64,
    /// Fitted outline; of the blob alone where `fit` failed.
    pub(crate) outline: Outline,
    pub(crate) covariance_px2: Matrix2<f64>,
    /// The outline fit succeeded.
    pub(crate) fitted: bool,
    /// Middle of the patch of colour, which an outline of another shape need not share.
    pub(crate) patch_px: Point2<f64>,
    /// Nothing was measured: the patch has rested for so long that it is looked at now and then only.
    pub(crate) skipped: bool,
    /// First frame of those before this one in which the patch was followed without being measured, or this one's.
    pub(crate) rests_from: u64,
    pub(crate) clear_share: f64,
    pub(crate) at_border: bool,
}

/// A patch as one picture shows it, with what only the next pictures need.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Shown {
    pub(crate) point: TrailPoint,
    pub(crate) misfit: f64,
    pub(crate) colour: [f64; 3],
    /// Strength of the colour at its strongest.
    pub(crate) peak: f64,
    /// What this picture and those before it told of blur and radius; nothing without a fit.
    pub(crate) learned: Option<(Known, Option<Known>)>,
}

/// A patch followed from frame to frame in one camera: a candidate for being a marker.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Trail {
    /// Which class of markers it could be.
    pub(crate) class: usize,
    /// In order of time. Of frames in a row that were skipped only the last of all is kept; the point after them tells since when.
    pub(crate) points: Vec<TrailPoint>,
    /// Frames in which it was followed, skipped ones included.
    pub(crate) followed: usize,
    velocity_px_s: Vector2<f64>,
    colour: [f64; 3],
    /// Strength of its colour, lately.
    peak: f64,
    /// Longer and shorter half axis, lately.
    half_axes_px: Vector2<f64>,
    /// How often its outline could be fitted lately.
    success: f64,
    /// How unlike its outline it has been lately: misfit and the share of the outline that is not clear; 1 without a fit.
    unlike: f64,
    /// Blur and radius to expect in the next picture.
    expected: Option<(Known, Option<Known>)>,
}

/// From frame to frame the blur may change by this (1 σ, px), and is never known better than ...
const BLUR_DRIFT_PX: f64 = 0.01;
/// ... this (px): neighbouring pictures share the faults of model and codec.
const BLUR_FLOOR_PX: f64 = 0.03;
/// A radius may change by this share from frame to frame (1 σ): 1 m/s toward a camera 3.5 m away is 0.5 % at 60/s.
const RADIUS_DRIFT: f64 = 0.01;

/// A frame so many later is the next one: phones leave one out now and then.
const NEXT_FRAMES: u64 = 2;
/// Share of a new observation in the running colour and size.
const FRESH: f64 = 0.1;
/// Points after which, and distance from its beginning (px) below which, a trail is taken to stand.
const STANDS_POINTS: usize = 12;
const STANDS_PX: f64 = 3.0;
/// A patch that stands from the beginning of a stretch (s after it) rests after so long (s), ...
const RESTS_FROM_START_S: f64 = 0.3;
const RESTS_S: f64 = 1.5;
/// ... any other after so long (s): longer than an archer holds.
const RESTS_LONG_S: f64 = 6.0;
/// An outline that succeeds less often than this is doubted, ...
const DOUBTFUL: f64 = 0.4;
/// ... and one below, or above, the smallest and largest radius by these factors.
const SMALLER: f64 = 0.75;
const LARGER: f64 = 1.35;
/// Chroma of the same thing stays within this angle (rad) ...
const SAME_HUE_RAD: f64 = 0.22;
/// ... and this factor of strength from frame to frame.
const SAME_STRENGTH: f64 = 1.8;
/// Size of the same thing stays within this factor.
const SAME_SIZE: f64 = 1.6;
/// ... and its longer half axis within this one.
const SAME_LENGTH: f64 = 1.45;
/// Movement that a track may start with unseen: px a second at the start, before a velocity is known.
const FIRST_SPEED_PX_S: f64 = 400.0;
/// Acceleration of a marker in the picture that must not break a track (px/s²): 100 m/s² at 3 m and f = 1500.
const ACCELERATION_PX_S2: f64 = 50_000.0;

impl Trail {
    pub(crate) fn new(class: usize, shown: &Shown) -> Self {
        Self {
            class,
            velocity_px_s: Vector2::zeros(),
            colour: shown.colour,
            peak: shown.peak,
            half_axes_px: sorted_axes(&shown.point.outline),
            success: 1.0,
            unlike: unlike(shown),
            expected: shown.learned.map(carried),
            points: vec![shown.point],
            followed: 1,
        }
    }

    pub(crate) fn last(&self) -> &TrailPoint {
        self.points.last().expect("a trail starts with a point")
    }

    pub(crate) fn first(&self) -> &TrailPoint {
        self.points.first().expect("a trail starts with a point")
    }

    pub(crate) fn velocity_px_s(&self) -> Vector2<f64> {
        self.velocity_px_s
    }

    /// Where it should be at a later time, and how far off that may be (px).
    pub(crate) fn prediction(&self, camera_s: f64) -> (Point2<f64>, f64) {
        let ahead_s = (camera_s - self.last().camera_s).max(0.0);
        let centre = self.last().outline.centre_px + self.velocity_px_s * ahead_s;
        let first = if self.followed < 3 {
            FIRST_SPEED_PX_S
        } else {
            0.0
        };
        let gate = 2.0
            + 0.4 * self.radius_px()
            + first * ahead_s
            + 0.5 * (0.5 * ACCELERATION_PX_S2 * ahead_s * ahead_s).min(40.0);
        (centre, gate)
    }

    /// Before anything is fitted: a patch of quite another hue, or many times as large, is not worth a look.
    pub(crate) fn may_be(&self, colour: [f64; 3], by_area_px: f64) -> bool {
        let (own, other) = (
            Vector2::new(self.colour[1], self.colour[2]),
            Vector2::new(colour[1], colour[2]),
        );
        let turn = own.perp(&other).atan2(own.dot(&other)).abs();
        let size = (by_area_px / self.radius_px()).ln().abs();
        (own.norm() < 5.0 || turn < 2.0 * SAME_HUE_RAD) && size < 2.0 * SAME_SIZE.ln()
    }

    /// Could the patch be the same thing, by colour and size?
    pub(crate) fn is_like(&self, shown: &Shown) -> bool {
        let point = &shown.point;
        let (colour, axes) = (shown.colour, sorted_axes(&point.outline));
        let (own, other) = (
            Vector2::new(self.colour[1], self.colour[2]),
            Vector2::new(colour[1], colour[2]),
        );
        let colourless = own.norm() < 5.0;
        let turn = own.perp(&other).atan2(own.dot(&other)).abs();
        let strength = (own.norm() / other.norm().max(1e-6)).ln().abs();
        // An edge next to the marker would stretch the outline along itself; the shorter axis of a dot may shrink fast.
        let longer = (axes.x / self.half_axes_px.x).ln().abs();
        let size = (point.outline.radius_px() / self.radius_px()).ln().abs();
        (colourless || (turn < SAME_HUE_RAD && strength < SAME_STRENGTH.ln()))
            && size < SAME_SIZE.ln()
            && (longer < SAME_LENGTH.ln() || !point.fitted)
    }

    /// Followed for a while and still where it began: a flag on a wall, not a marker in a shot.
    pub(crate) fn stands(&self) -> bool {
        let way = self.last().patch_px - self.first().patch_px;
        self.followed >= STANDS_POINTS && way.norm() < STANDS_PX
    }

    /// Stands, and has stood since the film or stretch began or for long enough that it cannot be an archer's hold. A
    /// marker that is found again at full draw must not count as resting.
    pub(crate) fn rests(&self, stretch_from_s: f64) -> bool {
        let first_s = self.first().camera_s;
        let stood_s = self.last().camera_s - first_s;
        self.stands()
            && (stood_s > RESTS_LONG_S
                || (stood_s > RESTS_S && first_s - stretch_from_s < RESTS_FROM_START_S))
    }

    /// Rarely the outline of anything, or of no size that the marker can have: skin, a shoe, the edge of a box.
    pub(crate) fn is_doubtful(&self, radius_px: (f64, f64)) -> bool {
        let radius = self.radius_px();
        self.followed >= STANDS_POINTS
            && (self.success < DOUBTFUL
                || radius < SMALLER * radius_px.0
                || radius > LARGER * radius_px.1)
    }

    /// Whether it was followed all the time between the kept point before number `k` and that one.
    pub(crate) fn unbroken_before(&self, k: usize) -> bool {
        k > 0 && self.points[k].rests_from <= self.points[k - 1].frame_index + NEXT_FRAMES
    }

    /// How unlike a marker's outline it has been lately (0 and up), once enough was seen of it.
    pub(crate) fn unlike(&self) -> Option<f64> {
        (self.followed >= STANDS_POINTS).then_some(self.unlike)
    }

    /// The patch once more, at a blob's place, not measured.
    pub(crate) fn skip(&mut self, centre_px: Point2<f64>, frame_index: u64, camera_s: f64) {
        let last = *self.last();
        self.keep(TrailPoint {
            frame_index,
            camera_s,
            outline: Outline {
                centre_px,
                ..last.outline
            },
            patch_px: centre_px,
            fitted: false,
            skipped: true,
            ..last
        });
    }

    pub(crate) fn push(&mut self, shown: &Shown) {
        let point = &shown.point;
        if let Some(learned) = shown.learned {
            self.expected = Some(carried(learned));
        }
        let (now, share) = if point.fitted {
            (1.0, 0.5)
        } else {
            (0.0, FRESH)
        };
        self.success += share * (now - self.success);
        self.peak += FRESH * (shown.peak - self.peak);
        self.unlike += FRESH * (unlike(shown) - self.unlike);
        if point.fitted {
            self.half_axes_px += (sorted_axes(&point.outline) - self.half_axes_px) * FRESH;
            for (own, other) in self.colour.iter_mut().zip(shown.colour) {
                *own += FRESH * (other - *own);
            }
        }
        self.keep(*point);
    }

    fn keep(&mut self, mut point: TrailPoint) {
        let last = *self.last();
        let step_s = point.camera_s - last.camera_s;
        if step_s > 0.0 {
            let fresh = (point.outline.centre_px - last.outline.centre_px) / step_s;
            let share = if self.followed < 2 { 1.0 } else { 0.7 };
            self.velocity_px_s += (fresh - self.velocity_px_s) * share;
        }
        self.followed += 1;
        let next = point.frame_index - last.frame_index <= NEXT_FRAMES;
        point.rests_from = point.frame_index;
        if last.skipped && next {
            point.rests_from = last.rests_from;
            // An evening's flags on a wall would fill the memory.
            if self.points.len() > 1 {
                self.points.pop();
            }
        }
        self.points.push(point);
    }

    /// Nothing will be added to it any more: an evening has thousands.
    pub(crate) fn closed(mut self) -> Self {
        self.points.shrink_to_fit();
        self
    }

    /// Blur and radius to expect in the next picture, as far as earlier ones told.
    pub(crate) fn expected(&self) -> Option<(Known, Option<Known>)> {
        self.expected
    }

    /// Strength of its colour as it has been lately.
    pub(crate) fn peak(&self) -> f64 {
        self.peak
    }

    /// Radius as it has been lately (px).
    pub(crate) fn radius_px(&self) -> f64 {
        (self.half_axes_px.x * self.half_axes_px.y).sqrt()
    }

    /// Half the diagonal of the box that its centres fill (px): how far it moved.
    pub(crate) fn roaming_px(&self) -> f64 {
        let (mut low, mut high) = (
            self.first().outline.centre_px,
            self.first().outline.centre_px,
        );
        for point in &self.points {
            low = low.inf(&point.outline.centre_px);
            high = high.sup(&point.outline.centre_px);
        }
        0.5 * (high - low).norm()
    }

    /// Share of the measured frames whose outline was fitted.
    pub(crate) fn fitted_share(&self) -> f64 {
        let measured = self.points.iter().filter(|point| !point.skipped).count();
        self.points.iter().filter(|point| point.fitted).count() as f64 / measured.max(1) as f64
    }
}

fn unlike(shown: &Shown) -> f64 {
    if shown.point.fitted {
        shown.misfit + 1.0 - shown.point.clear_share
    } else {
        1.0
    }
}

fn carried((blur, radius): (Known, Option<Known>)) -> (Known, Option<Known>) {
    let blur = Known {
        value: blur.value,
        sd: blur.sd.hypot(BLUR_DRIFT_PX).max(BLUR_FLOOR_PX),
    };
    let radius = radius.map(|radius| Known {
        value: radius.value,
        sd: radius.sd.hypot(RADIUS_DRIFT * radius.value),
    });
    (blur, radius)
}

fn sorted_axes(outline: &Outline) -> Vector2<f64> {
    Vector2::new(outline.half_axes_px.max(), outline.half_axes_px.min())
}

impl From<(&OutlineFit, u64, f64, &Blob, Point2<f64>)> for Shown {
    fn from(
        (fit, frame_index, camera_s, blob, patch_px): (&OutlineFit, u64, f64, &Blob, Point2<f64>),
    ) -> Self {
        let point = TrailPoint {
            patch_px,
            frame_index,
            camera_s,
            outline: fit.outline,
            covariance_px2: fit.covariance_px2,
            fitted: true,
            skipped: false,
            rests_from: frame_index,
            clear_share: fit.clear_share,
            at_border: blob.at_border,
        };
        let radius = |sd| Known {
            value: fit.outline.radius_px(),
            sd,
        };
        Self {
            point,
            misfit: fit.misfit,
            colour: fit.colour,
            peak: blob.peak,
            learned: Some((fit.blur_px, fit.radius_sd_px.map(radius))),
        }
    }
}
