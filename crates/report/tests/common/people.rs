//! Somebody who shoots, how a shot is judged, and how rates are said.

use super::common::{Archer, Curves};
use drawarc_report::{
    ArrowLineChoice, Markers, ReportSettings, Sentences, ShotContext, ShotSheet, Side, SoundAt,
    find_shots, score_shot,
};
use drawarc_triangulation::{Onset, PathSamples};
use nalgebra::{Point3, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use statrs::distribution::{Beta, ContinuousCDF};

/// Clopper-Pearson interval of `hits` in `n`.
pub fn exact(hits: usize, n: usize) -> (f64, f64) {
    let (h, m) = (hits as f64, n as f64);
    let low = if hits == 0 {
        0.0
    } else {
        Beta::new(h, m - h + 1.0).unwrap().inverse_cdf(0.025)
    };
    let high = if hits == n {
        1.0
    } else {
        Beta::new(h + 1.0, m - h).unwrap().inverse_cdf(0.975)
    };
    (low, high)
}

pub fn say(what: &str, hits: usize, n: usize) {
    let (low, high) = exact(hits, n);
    println!(
        "{what}: {hits} of {n} = {:.1} % ({:.1} to {:.1} %)",
        100.0 * hits as f64 / n as f64,
        100.0 * low,
        100.0 * high
    );
}

/// Somebody: sizes, timing and little habits drawn at random; hooks at perfect rest and 60 mm of going around among
/// them.
pub fn somebody(seed: u64) -> Archer {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut between = |low: f64, high: f64| low + (high - low) * rng.random::<f64>();
    Archer {
        forearm: between(0.31, 0.42),
        raise: between(0.7, 1.1),
        set_up: between(0.4, 0.7),
        draw: between(0.9, 1.4),
        anchor: between(0.4, 0.6),
        expansion: between(1.4, 2.6),
        set_up_speed: between(0.035, 0.06),
        around: between(0.0, 0.06),
        behind_at_anchor: between(-0.005, 0.02),
        hook_travel: if seed.is_multiple_of(2) {
            0.0
        } else {
            between(0.0, 0.006)
        },
        v_depth: between(0.002, 0.008),
        sway: 0.0015,
        tremor: 0.0003,
        stand: Vector3::new(between(-0.1, 0.1), between(-0.1, 0.1), between(1.3, 1.6)),
        seed,
        ..Archer::default()
    }
}

/// The sheet of one shot; body height known, a stated anchor, nothing else.
pub fn judge(
    archer: &Archer,
    curves: &Curves,
    paths: (&PathSamples, Option<&PathSamples>),
) -> ShotSheet {
    judge_with(archer, curves, paths, (&|_| None, &[]))
}

/// As [`judge`], with what dates the release: an onset near the instant given, and sounds.
pub fn judge_with(
    archer: &Archer,
    curves: &Curves,
    (elbow, hand): (&PathSamples, Option<&PathSamples>),
    release: (&dyn Fn(f64) -> Option<Onset>, &[SoundAt]),
) -> ShotSheet {
    let markers = Markers {
        bow_hand: hand,
        ..Markers::default()
    };
    judge_all(archer, curves, (elbow, markers), release)
}

/// As [`judge_with`], with any markers.
pub fn judge_all(
    archer: &Archer,
    curves: &Curves,
    (elbow, markers): (&PathSamples, Markers<'_>),
    (onset, sounds): (&dyn Fn(f64) -> Option<Onset>, &[SoundAt]),
) -> ShotSheet {
    let settings = ReportSettings::default();
    let words = Sentences::english().unwrap();
    let shots = find_shots(elbow, &settings).unwrap();
    assert_eq!(shots.len(), 1, "{archer:#?}");
    let side = if archer.side > 0.0 {
        Side::Right
    } else {
        Side::Left
    };
    let mut context = ShotContext::new("shot-01", "A", side);
    context.body_height_m = Some(archer.forearm / 0.217);
    context.arrow_line = ArrowLineChoice::StatedAnchor {
        anchor_in_range: Point3::from(archer.stand + curves.sway(curves.release)),
        sd_m: 0.003,
    };
    context.markers = markers;
    context.onset = onset(shots[0].hold_end_s);
    context.sounds = sounds.to_vec();
    score_shot(elbow, &shots[0], &context, &settings, &words).unwrap()
}
