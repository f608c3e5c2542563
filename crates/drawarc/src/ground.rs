//! `ground:` of a manifest: what fixes the range frame where a board on level ground does not.

use crate::failure::{Failure, Outcome};
use drawarc_calibration::{FrameChoice, PlumbLine, SurveyedPoint};
use nalgebra::{Point2, Point3, Vector2};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Where a place is seen: camera by name, pixel of the stored picture (x, y).
type Seen = BTreeMap<String, [f64; 2]>;

/// How the range frame is found.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Ground {
    /// When the board lay on the line, in the first camera's time (s): from, to. Without it: its last rest.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) board_lay_s: Option<[f64; 2]>,
    /// Three or more points with known places, instead of the board on the line.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(crate) points: Vec<KnownPoint>,
    /// A plumb line or an upright post, where the ground under the board slopes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) plumb: Option<Plumb>,
}

/// A point whose place on the range was measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct KnownPoint {
    /// Toward the target, toward 9 o'clock, up, from the middle of the stance on the line (m).
    pub(crate) at_m: [f64; 3],
    /// Where cameras see it; two or more.
    pub(crate) seen: Seen,
}

/// Two places on a plumb line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Plumb {
    /// Where cameras see the upper place; two or more.
    pub(crate) top: Seen,
    /// Where cameras see the lower one.
    pub(crate) bottom: Seen,
}

fn marks(seen: &Seen, cameras: &[&str]) -> Outcome<Vec<(usize, Point2<f64>)>> {
    seen.iter()
        .map(|(name, pixel)| {
            let index = cameras.iter().position(|camera| camera == name);
            let index = index.ok_or_else(|| {
                Failure::input(format!(
                    "`ground:` names a camera {name:?} that is not under `cameras:`"
                ))
            })?;
            Ok((index, Point2::from(*pixel)))
        })
        .collect()
}

/// The choices that a manifest makes for cameras of these names. `unless_told` is what counts without `ground:`.
pub(crate) fn choices(
    ground: Option<&Ground>,
    cameras: &[&str],
    unless_told: FrameChoice,
) -> Outcome<(FrameChoice, Option<PlumbLine>)> {
    let Some(ground) = ground else {
        return Ok((unless_told, None));
    };
    if !ground.points.is_empty() && (ground.plumb.is_some() || ground.board_lay_s.is_some()) {
        return Err(Failure::input(
            "`ground:` takes either `points:`, which fix everything, or the board on the line with `plumb:` and `board_lay_s:`",
        ));
    }
    let frame = if ground.points.is_empty() {
        FrameChoice::BoardOnLine {
            window_s: ground.board_lay_s.map(|[from, to]| (from, to)),
            least_rest_s: 1.5,
            origin_from_centre_m: Vector2::zeros(),
        }
    } else {
        let points = ground.points.iter().map(|point| {
            Ok(SurveyedPoint {
                point_in_range: Point3::from(point.at_m),
                marks_px: marks(&point.seen, cameras)?,
            })
        });
        FrameChoice::SurveyedPoints {
            points: points.collect::<Outcome<_>>()?,
        }
    };
    let plumb = match &ground.plumb {
        Some(plumb) => Some(PlumbLine {
            top_px: marks(&plumb.top, cameras)?,
            bottom_px: marks(&plumb.bottom, cameras)?,
        }),
        None => None,
    };
    Ok((frame, plumb))
}
