//! What the shifts of the background say: a turn of the camera, a change of focal length, or nothing.

use crate::corner_quality::median;
use drawarc_rig::{Lens, skew};
use nalgebra::{Matrix2x3, Matrix4, Point2, Point3, Vector2, Vector3, Vector4};
use serde::{Deserialize, Serialize};

/// Patches below which nothing is concluded.
const LEAST_PATCHES: usize = 8;
/// So few are enough where they tell the turn to [`WELL_KNOWN_DEG`]: a floor from above has few spots to know it by.
const FEW_PATCHES: usize = 5;
/// Half of [`MOVED_DEG`]: a turn known so well that one that counts would be seen (deg, standard deviation).
const WELL_KNOWN_DEG: f64 = 0.01;
/// Turn from which a camera counts as moved (deg): the goal of the check.
pub const MOVED_DEG: f64 = 0.02;
/// Change of focal length from which it counts as zoomed or refocused (relative).
pub const ZOOMED: f64 = 0.001;
/// How many standard deviations a change must stand out by.
const SIGNIFICANCE: f64 = 4.0;
/// Huber's limit for the shifts (robust standard deviations).
const HUBER: f64 = 2.0;
/// Beyond this (robust standard deviations) a patch is covered or has been moved itself.
const FAR_OFF: f64 = 6.0;
/// Rounds of the robust fit, at most.
const ROUNDS: usize = 20;
/// Median of the length of a two-dimensional normal vector, in standard deviations: √(2 ln 2).
const MEDIAN_LENGTH: f64 = 1.177_41;
/// No patch is found better than this (px).
const LEAST_SD_PX: f64 = 0.01;
/// A turn measured a little below the limit may be one at the limit.
const MARGIN: f64 = 0.9;

/// How a camera stands against its reference.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BackgroundShift {
    /// Turn of the camera about its own axes since the reference (rad).
    pub turn: [f64; 3],
    /// Standard deviation of the turn's length (deg).
    pub turn_sd_deg: f64,
    /// Relative change of focal length.
    pub zoom: f64,
    /// Its standard deviation.
    pub zoom_sd: f64,
    /// Patches found again, and those that agree.
    pub patches: (usize, usize),
    /// Typical rest of a patch's shift that turn and zoom leave (px per axis).
    pub rest_px: f64,
    /// What follows.
    pub verdict: CameraVerdict,
}

/// What the background says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CameraVerdict {
    /// As surveyed.
    Unmoved,
    /// Turned: the tripod was knocked.
    Moved,
    /// Focal length changed: zoom, focus, another lens, or stabilisation switched on.
    Zoomed,
    /// Too little of the background was found again.
    Unclear,
}

impl BackgroundShift {
    /// Angle of the turn (deg).
    pub fn turn_deg(&self) -> f64 {
        Vector3::from(self.turn).norm().to_degrees()
    }

    /// What the change costs for a point (camera frame, m): how far off it is taken to be, across the line of sight (mm).
    pub fn cost_mm(&self, point_in_camera: &Point3<f64>) -> f64 {
        let point = point_in_camera.coords;
        let sight = point.normalize();
        let aside = Vector3::new(point.x, point.y, 0.0) * self.zoom;
        let moved = Vector3::from(self.turn).cross(&point) + aside;
        1000.0 * (moved - sight * sight.dot(&moved)).norm()
    }

    /// A shift of which nothing is known: `found` patches were found again.
    pub(crate) fn unknown(found: usize) -> Self {
        Self {
            turn: [0.0; 3],
            turn_sd_deg: 180.0,
            zoom: 0.0,
            zoom_sd: 1.0,
            patches: (found, 0),
            rest_px: 0.0,
            verdict: CameraVerdict::Unclear,
        }
    }

    /// The same numbers with the verdict that follows from them.
    pub(crate) fn judged(mut self) -> Self {
        let (found, agree) = self.patches;
        let stands_out =
            |value: f64, limit: f64, sd: f64| value >= limit && value > SIGNIFICANCE * sd;
        let turned = stands_out(self.turn_deg(), MOVED_DEG * MARGIN, self.turn_sd_deg);
        let known = |sd_deg: f64| self.turn_sd_deg < sd_deg;
        let enough = if agree >= LEAST_PATCHES {
            turned || known(MOVED_DEG)
        } else {
            agree >= FEW_PATCHES && known(WELL_KNOWN_DEG)
        };
        self.verdict = if !enough || agree * 3 < found {
            CameraVerdict::Unclear
        } else if stands_out(self.zoom.abs(), ZOOMED, self.zoom_sd) {
            CameraVerdict::Zoomed
        } else if turned {
            CameraVerdict::Moved
        } else {
            CameraVerdict::Unmoved
        };
        self
    }
}

/// A patch's shift with its derivatives by turn and by zoom (px).
struct Row {
    by_turn: Matrix2x3<f64>,
    by_zoom: Vector2<f64>,
    shift: Vector2<f64>,
}

impl Row {
    fn rest(&self, change: &Vector4<f64>) -> Vector2<f64> {
        self.shift - self.by_turn * change.xyz() - self.by_zoom * change[3]
    }
}

/// Turn and zoom with the inverse of their normal matrix, and the typical rest (px per axis).
struct Fitted {
    change: Vector4<f64>,
    inverse: Matrix4<f64>,
    sd_px: f64,
}

/// Least squares with Huber weights, patches far off left out. `None` where the patches do not fix turn and zoom.
fn fit(rows: &[Row]) -> Option<Fitted> {
    let mut found = Fitted {
        change: Vector4::zeros(),
        inverse: Matrix4::zeros(),
        sd_px: 0.0,
    };
    for round in 0..ROUNDS {
        let mut lengths: Vec<f64> = rows
            .iter()
            .map(|row| row.rest(&found.change).norm())
            .collect();
        found.sd_px = (median(&mut lengths) / MEDIAN_LENGTH).max(LEAST_SD_PX);
        let mut normal = Matrix4::zeros();
        let mut pull = Vector4::zeros();
        for row in rows {
            let length = row.rest(&found.change).norm() / found.sd_px;
            // The first round knows nothing yet: all alike.
            let weight = if round == 0 || length < HUBER {
                1.0
            } else if length < FAR_OFF {
                HUBER / length
            } else {
                0.0
            };
            for axis in 0..2 {
                let derivative = Vector4::new(
                    row.by_turn[(axis, 0)],
                    row.by_turn[(axis, 1)],
                    row.by_turn[(axis, 2)],
                    row.by_zoom[axis],
                );
                normal += derivative * derivative.transpose() * weight;
                pull += derivative * (row.shift[axis] * weight);
            }
        }
        found.inverse = normal.try_inverse()?;
        let next = found.inverse * pull;
        let step = (next - found.change).norm();
        found.change = next;
        if step < 1e-9 {
            break;
        }
    }
    Some(found)
}

/// Turn and zoom that explain the shifts of patches `(middle, shift)` (px).
pub(crate) fn explain(shifts: &[(Point2<f64>, Vector2<f64>)], lens: &Lens) -> BackgroundShift {
    let parameters = lens.parameters();
    let middle = Vector2::new(parameters[2], parameters[3]);
    let rows: Vec<Row> = shifts
        .iter()
        .filter_map(|(pixel, shift)| {
            let ray = lens.ray_from_pixel(pixel)?.into_inner();
            let seen = lens.project(&ray.into())?;
            Some(Row {
                by_turn: -seen.pixel_by_point * skew(&ray),
                by_zoom: pixel.coords - middle,
                shift: *shift,
            })
        })
        .collect();
    let fitted = (rows.len() >= LEAST_PATCHES).then(|| fit(&rows)).flatten();
    let Some(Fitted {
        change,
        inverse,
        sd_px,
    }) = fitted
    else {
        return BackgroundShift::unknown(shifts.len());
    };
    let agree = rows
        .iter()
        .filter(|row| row.rest(&change).norm() < 3.0 * sd_px)
        .count();
    let turn_variance = inverse[(0, 0)] + inverse[(1, 1)] + inverse[(2, 2)];
    BackgroundShift {
        turn: change.xyz().into(),
        turn_sd_deg: (sd_px * turn_variance.sqrt()).to_degrees(),
        zoom: change[3],
        zoom_sd: sd_px * inverse[(3, 3)].sqrt(),
        patches: (rows.len(), agree),
        rest_px: sd_px,
        verdict: CameraVerdict::Unmoved,
    }
    .judged()
}
