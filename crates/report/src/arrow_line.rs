//! The arrow line, and coordinates along, behind and above it.

use crate::context::{ArrowLineChoice, ShotContext};
use crate::sheet::ArrowLineSource;
use crate::track::Track;
use crate::{ReportSettings, sentences::Sentences};
use nalgebra::{Point3, UnitVector3, Vector3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// A line: a point on it and the unit direction away from the target, range frame.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Line {
    pub(crate) point: Point3<f64>,
    pub(crate) away: UnitVector3<f64>,
}

impl Line {
    /// Horizontal unit vector toward the back of an archer (`side` +1 right-handed, −1 left-handed).
    pub(crate) fn behind_direction(&self, side: f64) -> Vector3<f64> {
        Vector3::z().cross(&-self.away.into_inner()).normalize() * side
    }

    /// `(away, behind, r)` of a point (m): along the line, horizontally behind its vertical plane, and its
    /// distance from the line in space.
    pub(crate) fn coordinates(&self, point: &Point3<f64>, side: f64) -> (f64, f64, f64) {
        let offset = point - self.point;
        let away = offset.dot(&self.away);
        let behind = offset.dot(&self.behind_direction(side));
        let r = (offset.norm_squared() - away * away).max(0.0).sqrt();
        (away, behind, r)
    }
}

/// The line with one for each joint draw.
#[derive(Debug, Clone)]
pub(crate) struct ArrowLine {
    pub(crate) source: ArrowLineSource,
    pub(crate) mean: Line,
    pub(crate) draws: Vec<Line>,
    pub(crate) words: String,
}

impl ArrowLine {
    /// Is the line's place known, so that `behind` is more than a change?
    pub(crate) fn is_absolute(&self) -> bool {
        self.source != ArrowLineSource::Assumed
    }

    /// Standard deviations: across the line at `elbow` (m), of its horizontal direction (rad).
    pub(crate) fn spread_at(&self, elbow: &Point3<f64>, side: f64) -> (f64, f64) {
        let (_, centre, _) = self.mean.coordinates(elbow, side);
        let n = self.draws.len().max(1) as f64;
        let across: f64 = self
            .draws
            .iter()
            .map(|line| (line.coordinates(elbow, side).1 - centre).powi(2))
            .sum();
        let normal = self.mean.behind_direction(side);
        let turn: f64 = self
            .draws
            .iter()
            .map(|line| line.away.dot(&normal).powi(2))
            .sum();
        ((across / n).sqrt(), (turn / n).sqrt())
    }
}

/// Nock and rest over the hold.
pub(crate) struct NockAndRest<'a> {
    pub(crate) nock: &'a Track,
    pub(crate) rest: &'a Track,
    /// From and to (s).
    pub(crate) span_s: (f64, f64),
}

/// Makes the arrow line; `elbow_at_anchor` places an assumed one.
#[expect(
    clippy::too_many_lines,
    reason = "one rule after the other, each a few lines"
)]
pub(crate) fn arrow_line(
    context: &ShotContext<'_>,
    markers: Option<&NockAndRest<'_>>,
    elbow_at_anchor: &Point3<f64>,
    draws: usize,
    settings: &ReportSettings,
    words: &Sentences,
) -> ArrowLine {
    let mut rng = ChaCha8Rng::seed_from_u64(settings.seed ^ 0x0a11_0e11);
    let side = context.side.sign();
    let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
    let through = |nock: Point3<f64>, rest: Point3<f64>| Line {
        point: nock,
        away: UnitVector3::new_normalize(nock - rest),
    };
    if let (Some(found), ArrowLineChoice::MarkersOrAssumed) = (markers, &context.arrow_line) {
        let at = |track: &Track, points: &[Point3<f64>], offset: Vector3<f64>| {
            average(track, points, found.span_s) + offset
        };
        let (nock_offset, rest_offset) = (context.nock_offset_m, context.rest_offset_m);
        return ArrowLine {
            source: ArrowLineSource::Markers,
            mean: through(
                at(found.nock, &found.nock.mean, nock_offset),
                at(found.rest, &found.rest.mean, rest_offset),
            ),
            draws: (0..draws)
                .map(|k| {
                    let of = |track: &Track, offset| {
                        at(track, &track.draws[k % track.draws.len()], offset)
                    };
                    through(of(found.nock, nock_offset), of(found.rest, rest_offset))
                })
                .collect(),
            words: words.plain("line-markers"),
        };
    }
    match context.arrow_line {
        ArrowLineChoice::Picks {
            nock_in_range,
            rest_in_range,
            sd_m,
        } => ArrowLine {
            source: ArrowLineSource::Picks,
            mean: through(nock_in_range, rest_in_range),
            draws: (0..draws)
                .map(|_| {
                    let mut shift =
                        || Vector3::new(normal() * sd_m, normal() * sd_m, normal() * sd_m);
                    through(nock_in_range + shift(), rest_in_range + shift())
                })
                .collect(),
            words: words.plain("line-picks"),
        },
        ArrowLineChoice::StatedAnchor {
            anchor_in_range,
            sd_m,
        } => ArrowLine {
            source: ArrowLineSource::StatedAnchor,
            mean: level_line(anchor_in_range, 0.0, 0.0),
            draws: (0..draws)
                .map(|_| {
                    let shift = Vector3::new(0.0, normal() * sd_m, normal() * sd_m);
                    let turn = settings.assumed_direction_sd_rad;
                    level_line(
                        anchor_in_range + shift,
                        normal() * turn,
                        normal() * 2.0 * turn,
                    )
                })
                .collect(),
            words: words.plain("line-stated"),
        },
        ArrowLineChoice::MarkersOrAssumed => {
            let [behind, behind_sd] = settings.assumed_behind_m;
            let [above, above_sd] = settings.assumed_above_m;
            let place =
                |behind: f64, above: f64| elbow_at_anchor - Vector3::new(0.0, side * behind, above);
            ArrowLine {
                source: ArrowLineSource::Assumed,
                mean: level_line(place(behind, above), 0.0, 0.0),
                draws: (0..draws)
                    .map(|_| {
                        let point =
                            place(behind + behind_sd * normal(), above + above_sd * normal());
                        let turn = settings.assumed_direction_sd_rad;
                        level_line(point, normal() * turn, normal() * 2.0 * turn)
                    })
                    .collect(),
                words: words.plain("line-assumed"),
            }
        }
    }
}

/// A line away from the target, turned by small angles (rad) about the vertical and upward.
fn level_line(point: Point3<f64>, turn: f64, rise: f64) -> Line {
    Line {
        point,
        away: UnitVector3::new_normalize(Vector3::new(-1.0, turn, rise)),
    }
}

fn average(track: &Track, points: &[Point3<f64>], (from_s, to_s): (f64, f64)) -> Point3<f64> {
    let (from, to) = (track.index_of(from_s), track.index_of(to_s));
    let mut sum = Vector3::zeros();
    let mut count = 0.0;
    for i in (from..=to).filter(|&i| !track.in_gap[i]) {
        sum += points[i].coords;
        count += 1.0;
    }
    Point3::from(sum / f64::max(count, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn behind_is_the_archers_back_for_both_hands() {
        let line = level_line(Point3::new(0.0, 0.0, 1.5), 0.0, 0.0);
        let (away, behind, r) = line.coordinates(&Point3::new(-0.4, 0.03, 1.54), 1.0);
        assert_relative_eq!(away, 0.4, epsilon = 1e-12);
        assert_relative_eq!(behind, 0.03, epsilon = 1e-12);
        assert_relative_eq!(r, 0.05, epsilon = 1e-12);
        let (_, behind, _) = line.coordinates(&Point3::new(-0.4, -0.03, 1.54), -1.0);
        assert_relative_eq!(behind, 0.03, epsilon = 1e-12);
    }
}
