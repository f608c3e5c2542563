//! The shot in the archer's own coordinates: away, behind, height, and where the hook must be.

use crate::ReportSettings;
use crate::arrow_line::{ArrowLine, Line};
use crate::context::ShotContext;
use crate::motion::Motion;
use nalgebra::Point3;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Best estimate and joint draws of one coordinate (m).
#[derive(Debug, Clone)]
pub(crate) struct Coordinate {
    pub(crate) mean: Vec<f64>,
    pub(crate) draws: Vec<Vec<f64>>,
}

impl Coordinate {
    /// Draw `k` moved so that the draws scatter about the best estimate instead of their own mean.
    pub(crate) fn centred(&self) -> Self {
        let n = self.draws.len().max(1) as f64;
        let shift: Vec<f64> = (0..self.mean.len())
            .map(|i| self.mean[i] - self.draws.iter().map(|draw| draw[i]).sum::<f64>() / n)
            .collect();
        Self {
            mean: self.mean.clone(),
            draws: self
                .draws
                .iter()
                .map(|draw| draw.iter().zip(&shift).map(|(v, s)| v + s).collect())
                .collect(),
        }
    }
}

/// Hook to elbow (m).
#[derive(Debug, Clone)]
pub(crate) struct Forearm {
    pub(crate) mean: f64,
    pub(crate) draws: Vec<f64>,
    pub(crate) estimated: bool,
}

/// Length from a tape, from body height, or from the usual proportion of an unknown body.
pub(crate) fn forearm(
    context: &ShotContext<'_>,
    draws: usize,
    settings: &ReportSettings,
) -> Forearm {
    // An archer of unknown height: 1.70 m ± 0.14 m holds most adults and older juniors. Common practice, no source.
    let (mean, sd, estimated) = match (context.forearm_m, context.body_height_m) {
        (Some((mean, sd)), _) => (mean, sd, false),
        (None, Some(height)) => {
            let mean = settings.forearm_share * height;
            (mean, settings.forearm_sd * mean, true)
        }
        (None, None) => {
            let mean = settings.forearm_share * 1.70;
            (mean, mean * settings.forearm_sd.hypot(0.14 / 1.70), true)
        }
    };
    let mut rng = ChaCha8Rng::seed_from_u64(settings.seed ^ 0xf0_4ea4);
    Forearm {
        mean,
        draws: (0..draws)
            .map(|_| {
                let z: f64 = StandardNormal.sample(&mut rng);
                (mean + sd * z).max(0.5 * mean)
            })
            .collect(),
        estimated,
    }
}

/// All coordinates of a shot.
#[derive(Debug, Clone)]
pub(crate) struct Coordinates {
    pub(crate) away: Coordinate,
    pub(crate) behind: Coordinate,
    pub(crate) height: Coordinate,
    /// `u(t) = away − √(d² − r²)`: where a rigid forearm says that the hook is, along the line. Means something from
    /// anchor to release.
    pub(crate) hook: Coordinate,
    /// `√(d² − r²)` alone (best estimate): how far the elbow stands behind the hook.
    pub(crate) reach: Vec<f64>,
}

impl Coordinates {
    pub(crate) fn new(
        mean: &Motion,
        draws: &[Motion],
        line: &ArrowLine,
        forearm: &Forearm,
        side: f64,
    ) -> Self {
        let own = columns(&mean.point, &line.mean, forearm.mean, side);
        let each: Vec<[Vec<f64>; 4]> = draws
            .iter()
            .enumerate()
            .map(|(k, motion)| columns(&motion.point, &line.draws[k], forearm.draws[k], side))
            .collect();
        let mut mean_columns = own.into_iter();
        let mut next = |which: usize| Coordinate {
            mean: mean_columns.next().unwrap_or_default(),
            draws: each.iter().map(|columns| columns[which].clone()).collect(),
        };
        let (away, behind, height, reach) = (next(0), next(1), next(2), next(3));
        let minus =
            |a: &[f64], b: &[f64]| -> Vec<f64> { a.iter().zip(b).map(|(a, b)| a - b).collect() };
        let hook = Coordinate {
            mean: minus(&away.mean, &reach.mean),
            draws: away
                .draws
                .iter()
                .zip(&reach.draws)
                .map(|(a, b)| minus(a, b))
                .collect(),
        };
        Self {
            away,
            behind,
            height,
            hook,
            reach: reach.mean,
        }
    }
}

fn columns(points: &[Point3<f64>], line: &Line, forearm: f64, side: f64) -> [Vec<f64>; 4] {
    let mut all: [Vec<f64>; 4] = std::array::from_fn(|_| Vec::with_capacity(points.len()));
    for point in points {
        let (away, behind, r) = line.coordinates(point, side);
        all[0].push(away);
        all[1].push(behind);
        all[2].push(point.z);
        // Far from anchor the elbow may stand further from the line than the forearm is long.
        all[3].push((forearm * forearm - r * r).max(0.0).sqrt());
    }
    all
}
