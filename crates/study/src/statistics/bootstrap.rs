use super::{Interval, check_confidence};
use crate::StudyError;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Root mean square.
pub fn rms(values: &[f64]) -> f64 {
    let squares: f64 = values.iter().map(|value| value * value).sum();
    (squares / values.len() as f64).sqrt()
}

/// Percentile interval of a statistic by resampling groups, then members of the groups (Davison & Hinkley 1997,
/// Bootstrap Methods, section 3.8 \[from memory\]): shots of one archer are not independent of each other. With fewer
/// than two groups members alone are resampled. Seeded, so that the same numbers give the same interval.
///
/// # Errors
/// [`StudyError`] without any number, or a level outside (0, 1).
pub fn bootstrap_by_group(
    groups: &[Vec<f64>],
    statistic: impl Fn(&[f64]) -> f64,
    draws: usize,
    seed: u64,
    confidence: f64,
) -> Result<Interval, StudyError> {
    check_confidence(confidence)?;
    let filled: Vec<&Vec<f64>> = groups.iter().filter(|group| !group.is_empty()).collect();
    if filled.is_empty() || draws < 2 {
        return Err(StudyError::TooFew {
            what: "groups to resample",
            found: filled.len(),
            needed: 1,
        });
    }
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut results: Vec<f64> = (0..draws)
        .map(|_| {
            let mut sample = Vec::new();
            for index in 0..filled.len() {
                let chosen = if filled.len() > 1 {
                    random.random_range(0..filled.len())
                } else {
                    index
                };
                let group = filled[chosen];
                sample.extend((0..group.len()).map(|_| group[random.random_range(0..group.len())]));
            }
            statistic(&sample)
        })
        .collect();
    results.sort_by(f64::total_cmp);
    let tail = 0.5 * (1.0 - confidence);
    Ok(Interval {
        low: sorted_quantile(&results, tail),
        high: sorted_quantile(&results, 1.0 - tail),
    })
}

/// Quantile of sorted values, linear between neighbours (Hyndman & Fan 1996, type 7).
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the place is within 0 and the number of values"
)]
pub(crate) fn sorted_quantile(sorted: &[f64], p: f64) -> f64 {
    let place = p.clamp(0.0, 1.0) * (sorted.len() - 1) as f64;
    let below = place.floor() as usize;
    let above = (below + 1).min(sorted.len() - 1);
    let share = place - place.floor();
    sorted[below] + share * (sorted[above] - sorted[below])
}

#[cfg(test)]
mod tests {
    use super::super::mean;
    use super::*;

    #[test]
    fn covers_and_repeats() {
        let groups: Vec<Vec<f64>> = (0..6)
            .map(|g| (0..10).map(|k| f64::from(g) + f64::from(k) * 0.1).collect())
            .collect();
        let first = bootstrap_by_group(&groups, mean, 400, 7, 0.95).unwrap();
        let again = bootstrap_by_group(&groups, mean, 400, 7, 0.95).unwrap();
        assert_eq!(first, again);
        assert!(first.holds(mean(&groups.concat())));
        // Six archers whose means differ by 1: the interval must know that, ±(SD 1.87/√6 · 1.96 = 1.5).
        assert!((1.5..4.5).contains(&first.width()), "{first:?}");
    }
}
