//! The curves of a shot, for plots and exports.

use crate::MotionCurves;
use crate::coordinates::Coordinate;
use crate::shot::Shot;
use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// Every `THIN`-th instant of the grid goes into the curves.
const THIN: usize = 2;

/// One curve over the times of [`Curves`], with its pointwise 95 % band.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Curve {
    /// Best estimate.
    pub value: Vec<f64>,
    /// Lower end of the band.
    pub low: Vec<f64>,
    /// Upper end of the band.
    pub high: Vec<f64>,
}

/// Curves for plotting and export, all of one length. Zeros of the coordinates are chosen so that the curves
/// start at 0 at the end of the raise; `behind` is absolute where the arrow line is known.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Curves {
    /// Range time (s), evenly spaced.
    pub time_s: Vec<f64>,
    /// Time of release (or, without one, of the end of the hold), range time (s): the zero of a plot.
    pub zero_s: f64,
    /// Away from the target (mm).
    pub away_mm: Curve,
    /// Behind the line (mm).
    pub behind_mm: Curve,
    /// Height (mm, above ground).
    pub height_mm: Curve,
    /// Speed (mm/s), below the tremor band.
    pub speed_mm_s: Curve,
    /// Where the elbow says that the hook is, along the arrow line (mm, 0 at anchor). Shorter than the others:
    /// it covers anchor to release, from index `hook_from` on.
    pub hook_mm: Curve,
    /// Index of the first time of `hook_mm`.
    pub hook_from: usize,
    /// The elbow as it was fitted, tremor and all, range frame (mm).
    pub elbow_mm: Vec<[f64; 3]>,
    /// Its pointwise standard deviation along each axis (mm): pixels, clocks and survey together.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub elbow_sd_mm: Vec<[f64; 3]>,
    /// The simple way's elbow, range frame (mm): a point for every instant, then a filter. `None` where it has none,
    /// empty where it was not computed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub simple_mm: Vec<Option<[f64; 3]>>,
    /// How the elbow moved, with bands; only where the path brought them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub motion: Option<MotionCurves>,
    /// No camera pair saw the marker here; the curve bridges.
    pub in_gap: Vec<bool>,
    /// Cameras that saw the marker.
    pub cameras: Vec<u8>,
}

pub(crate) fn curves(shot: &Shot<'_>, hook: &Coordinate) -> Curves {
    let c = &shot.coordinates;
    let zero = shot.track.index_of(shot.draw_up_s().0);
    let anchor = shot.track.index_of(shot.anchor_s());
    let hold_end = shot.track.index_of(shot.hold_end_s());
    let kept: Vec<usize> = (0..shot.track.len()).step_by(THIN).collect();
    let (from, to) = (anchor.div_ceil(THIN), hold_end / THIN);
    let absolute = shot.line.is_absolute();
    let speed = Coordinate {
        mean: shot.mean.speed.clone(),
        draws: shot.draws.iter().map(|draw| draw.speed.clone()).collect(),
    };
    let time_s: Vec<f64> = kept.iter().map(|&i| shot.track.time_s(i)).collect();
    Curves {
        motion: MotionCurves::at(shot.path, &time_s),
        time_s,
        zero_s: shot.hold_end_s(),
        away_mm: curve(&c.away, &kept, Some(zero)),
        behind_mm: curve(&c.behind, &kept, (!absolute).then_some(zero)),
        height_mm: curve(&c.height, &kept, None),
        speed_mm_s: curve(&speed, &kept, None),
        hook_mm: if from <= to {
            curve(hook, &kept[from..=to], Some(anchor))
        } else {
            curve(hook, &[], None)
        },
        hook_from: from,
        elbow_mm: kept
            .iter()
            .map(|&i| (shot.track.mean[i].coords * 1000.0).into())
            .collect(),
        elbow_sd_mm: kept.iter().map(|&i| sd_mm(shot, i)).collect(),
        simple_mm: simple_mm(shot, &kept),
        in_gap: kept.iter().map(|&i| shot.track.in_gap[i]).collect(),
        cameras: kept.iter().map(|&i| shot.track.cameras[i]).collect(),
    }
}

/// A coordinate with its pointwise band, in millimetres, as the change since index `zero` where given.
fn curve(coordinate: &Coordinate, kept: &[usize], zero: Option<usize>) -> Curve {
    let base = |values: &[f64]| zero.map_or(0.0, |i| values[i]);
    let own = base(&coordinate.mean);
    let bases: Vec<f64> = coordinate.draws.iter().map(|draw| base(draw)).collect();
    let mut out = Curve {
        value: Vec::with_capacity(kept.len()),
        low: Vec::with_capacity(kept.len()),
        high: Vec::with_capacity(kept.len()),
    };
    let n = coordinate.draws.len().max(1) as f64;
    for &i in kept {
        let value = coordinate.mean[i] - own;
        let each = coordinate
            .draws
            .iter()
            .zip(&bases)
            .map(|(draw, base)| draw[i] - base);
        let centre = each.clone().sum::<f64>() / n;
        let sd = (each.map(|v| (v - centre).powi(2)).sum::<f64>() / n).sqrt();
        out.value.push(1000.0 * value);
        out.low.push(1000.0 * (value - 1.96 * sd));
        out.high.push(1000.0 * (value + 1.96 * sd));
    }
    out
}

fn sd_mm(shot: &Shot<'_>, i: usize) -> [f64; 3] {
    let draws = &shot.track.draws;
    let n = draws.len().max(1) as f64;
    let centre = draws
        .iter()
        .map(|draw| draw[i].coords)
        .sum::<Vector3<f64>>()
        / n;
    let squares = draws
        .iter()
        .map(|draw| (draw[i].coords - centre).map(|v| v * v))
        .sum::<Vector3<f64>>();
    (squares / n).map(|v| 1000.0 * v.sqrt()).into()
}

fn simple_mm(shot: &Shot<'_>, kept: &[usize]) -> Vec<Option<[f64; 3]>> {
    let Some(simple) = shot.context.simple else {
        return Vec::new();
    };
    kept.iter()
        .map(|&i| Some((simple.at(shot.track.time_s(i))?.coords * 1000.0).into()))
        .collect()
}
