//! Strokes: stretches in which the elbow gains new ground away from the target.

use crate::ReportSettings;
use crate::motion::Motion;

/// A stretch of drawing, indices of the grid.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Stroke {
    pub(crate) from: usize,
    pub(crate) to: usize,
}

/// New ground (m) that makes a stroke; taking back what a collapse gave away is none.
const NEW_GROUND_M: f64 = 0.01;
/// Falling back by this much (m) below the farthest point ends a draw.
const FALL_BACK_M: f64 = 0.06;

/// Strokes in order of time, joined into groups that belong to one draw (the release's own stroke included).
pub(crate) fn groups(
    motion: &Motion,
    in_gap: &[bool],
    settings: &ReportSettings,
) -> Vec<Vec<Stroke>> {
    let mut groups: Vec<Vec<Stroke>> = Vec::new();
    let mut farthest = f64::NEG_INFINITY;
    let mut seen = 0;
    for stroke in runs(motion, in_gap, settings.draw_speed_m_s) {
        let lowest = (seen..=stroke.from)
            .map(|i| motion.away(i))
            .fold(f64::INFINITY, f64::min);
        let fresh = groups.is_empty() || lowest < farthest - FALL_BACK_M;
        let base = if fresh {
            motion.away(stroke.from)
        } else {
            farthest.max(motion.away(stroke.from))
        };
        let gain = motion.away(stroke.to) - base;
        let climb = (motion.point[stroke.to].z - motion.point[stroke.from].z).abs();
        if gain < NEW_GROUND_M || (fresh && climb > gain) {
            continue;
        }
        match groups.last_mut() {
            Some(group) if !fresh => group.push(stroke),
            _ => groups.push(vec![stroke]),
        }
        farthest = if fresh {
            motion.away(stroke.to)
        } else {
            farthest.max(motion.away(stroke.to))
        };
        seen = stroke.to;
    }
    groups
}

/// Stretches faster than `speed` away from the target, without gaps.
fn runs(motion: &Motion, in_gap: &[bool], speed: f64) -> Vec<Stroke> {
    let mut found = Vec::new();
    let mut from = None;
    for (i, &gone) in in_gap.iter().enumerate().take(motion.len()) {
        // A raise that also comes back is still a raise.
        let rising = motion.height_rate[i] > motion.away_rate[i];
        let drawing = motion.away_rate[i] > speed && !rising && !gone;
        match (from, drawing) {
            (None, true) => from = Some(i),
            (Some(start), false) => {
                found.push(Stroke { from: start, to: i });
                from = None;
            }
            _ => {}
        }
    }
    if let Some(start) = from {
        found.push(Stroke {
            from: start,
            to: motion.len() - 1,
        });
    }
    found
}
