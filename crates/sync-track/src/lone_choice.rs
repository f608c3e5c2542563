//! A first choice of trails in each camera by itself, before any clock is known: enough to find the clocks by motion,
//! after which the views decide.

use crate::choice::Chosen;
use crate::trail::Trail;

/// Trails of one class in every camera, the most moving first, for `members` markers.
pub(crate) fn choose_alone(trails: &[Vec<Trail>], class: usize, members: usize) -> Vec<Chosen> {
    let ranked: Vec<Vec<usize>> = trails
        .iter()
        .map(|trails| {
            let mut ranked: Vec<usize> = (0..trails.len())
                .filter(|&k| trails[k].class == class && trails[k].fitted_share() > 0.5)
                .collect();
            ranked.sort_by(|&p, &q| {
                merit(&trails[q])
                    .total_cmp(&merit(&trails[p]))
                    .then(p.cmp(&q))
            });
            ranked
        })
        .collect();
    (0..members)
        .map(|member| Chosen {
            trails: ranked
                .iter()
                .map(|ranked| ranked.get(member).copied().into_iter().collect())
                .collect(),
            place_in_range: None,
            score: 0.0,
        })
        .filter(|chosen: &Chosen| chosen.trails.iter().any(|list| !list.is_empty()))
        .collect()
}

/// Movement in its own radii, clear outline and length count.
fn merit(trail: &Trail) -> f64 {
    let moved = (trail.roaming_px() / trail.radius_px()).min(30.0);
    moved * trail.fitted_share() * (trail.followed as f64).sqrt()
}
