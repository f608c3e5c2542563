//! A long path with several shots in it, and what must never be one. Properties of exact curves.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_possible_wrap,
    unreachable_pub,
    missing_debug_implementations,
    reason = "tests print their figures; the archer is shared by several test files"
)]

mod common;

use common::{Archer, Noise, path, samples, times};
use drawarc_report::{
    ArrowLineChoice, BowStage, ReportError, ReportSettings, Sentences, ShotContext, ShotKind,
    ShotSheet, ShotWindow, Side, find_shots, score_shot,
};
use drawarc_triangulation::PathSamples;
use nalgebra::Point3;
use proptest::prelude::*;

/// Three shots with a let-down among them, and walking to the side before.
fn evening(t: f64) -> Point3<f64> {
    let one = |start: f64, let_down: bool, seed: u64| {
        Archer {
            start,
            let_down,
            seed,
            ..Archer::default()
        }
        .curves()
        .elbow(t)
    };
    match t {
        t if t < 12.0 => one(1.5, false, 1),
        t if t < 24.0 => one(13.5, true, 2),
        t if t < 36.0 => one(25.5, false, 3),
        t => {
            // Talking and pointing: arm up, sweeping to the side and back, twice.
            let wave = (0.5 * (t - 36.0)).sin().powi(2);
            one(60.0, false, 4) + nalgebra::Vector3::new(-0.12 * wave, 0.25 * wave, 0.35 * wave)
        }
    }
}

#[test]
fn shots_are_found_by_themselves() {
    let t = times(0.0, 50.0, 120.0);
    let path = path(&t, evening, Noise::default(), 0, 3);
    let shots = find_shots(&path, &ReportSettings::default()).unwrap();
    assert_eq!(
        kinds(&shots),
        [ShotKind::Released, ShotKind::LetDown, ShotKind::Released],
        "{shots:#?}"
    );
}

/// The evening without what happened between two instants.
fn out_of_sight(from_s: f64, to_s: f64) -> PathSamples {
    let t = times(0.0, 50.0, 120.0);
    let mut path = path(&t, evening, Noise::default(), 0, 3);
    for (i, &time_s) in path.time_s.iter().enumerate() {
        if time_s > from_s && time_s < to_s {
            path.in_gap[i] = true;
            path.mean[i] = Point3::new(f64::NAN, f64::NAN, f64::NAN);
        }
    }
    path
}

fn kinds(shots: &[ShotWindow]) -> Vec<ShotKind> {
    shots.iter().map(|shot| shot.kind).collect()
}

/// From the hold of the first shot into the hold of the third: with the gap bridged it would be one shot of 26 seconds.
#[test]
fn a_shot_ends_where_nobody_films_any_longer() {
    let whole = find_shots(&out_of_sight(0.0, 0.0), &ReportSettings::default()).unwrap();
    let (from_s, to_s) = (whole[0].hold_end_s - 0.8, whole[2].hold_end_s - 0.8);
    let shots = find_shots(&out_of_sight(from_s, to_s), &ReportSettings::default()).unwrap();
    assert_eq!(kinds(&shots), [ShotKind::Unfinished], "{shots:#?}");
    assert!(shots[0].end_s <= from_s, "{shots:#?}");
}

/// Somebody walks through the picture during the hold.
#[test]
fn a_shot_goes_on_behind_who_passes_by() {
    let whole = find_shots(&out_of_sight(0.0, 0.0), &ReportSettings::default()).unwrap();
    let (anchor_s, release_s) = (whole[0].anchor_s(), whole[0].hold_end_s);
    let shots = find_shots(
        &out_of_sight(anchor_s + 0.3, release_s - 0.3),
        &ReportSettings::default(),
    )
    .unwrap();
    assert_eq!(kinds(&shots), kinds(&whole));
    assert!((shots[0].hold_end_s - release_s).abs() < 0.02, "{shots:#?}");
}

#[test]
fn a_board_the_wrong_way_round_is_refused() {
    let t = times(0.0, 40.0, 120.0);
    let turned = |t: f64| {
        let p = evening(t);
        Point3::new(-p.x, -p.y, p.z)
    };
    let path = path(&t, turned, Noise::default(), 0, 3);
    let refused = find_shots(&path, &ReportSettings::default()).unwrap_err();
    assert!(
        matches!(refused, ReportError::BoardReversed { .. }),
        "{refused}"
    );
    assert!(refused.to_string().contains("wrong way round"));
}

#[test]
fn a_marker_lying_still_for_a_minute_is_no_shot() {
    let t = times(0.0, 60.0, 120.0);
    let path = path(&t, |_| Point3::new(-0.4, 0.1, 1.5), Noise::default(), 0, 3);
    assert_eq!(find_shots(&path, &ReportSettings::default()).unwrap(), []);
}

fn judge(archer: &Archer, path: &PathSamples) -> ShotSheet {
    judge_with(archer, path, &ReportSettings::default())
}

fn judge_with(archer: &Archer, path: &PathSamples, settings: &ReportSettings) -> ShotSheet {
    let shots = find_shots(path, settings).unwrap();
    let words = Sentences::english().unwrap();
    let mut context = ShotContext::new("shot-01", "A", Side::Right);
    context.forearm_m = Some((archer.forearm, 0.0));
    context.stage = BowStage::OwnBow;
    context.arrow_line = ArrowLineChoice::StatedAnchor {
        anchor_in_range: Point3::from(archer.stand),
        sd_m: 0.0,
    };
    score_shot(path, &shots[0], &context, settings, &words).unwrap()
}

/// An exact path whose draws are the path itself, moved by errors scaled by `scale`.
fn scaled(archer: &Archer, hz: f64, shift_s: f64, scale: f64) -> PathSamples {
    let curves = archer.curves();
    let t = times(0.9, curves.release + 1.2, 120.0);
    let noisy = path(&t, |_| Point3::origin(), Noise::default(), 60, 11);
    let mean: Vec<Point3<f64>> = t.iter().map(|&t| curves.elbow(t)).collect();
    let draws = noisy
        .draws
        .iter()
        .map(|draw| {
            draw.iter()
                .zip(&noisy.mean)
                .zip(&mean)
                .map(|((d, own), m)| m + (d - own) * scale)
                .collect()
        })
        .collect();
    let mut made = samples(&t, mean, draws);
    if (hz - 120.0).abs() > 1e-9 {
        let finer = times(0.9, curves.release + 1.2, hz);
        made = samples(
            &finer,
            finer.iter().map(|&t| curves.elbow(t)).collect(),
            vec![finer.iter().map(|&t| curves.elbow(t)).collect(); 60],
        );
    }
    for t in &mut made.time_s {
        *t += shift_s;
    }
    made
}

#[test]
fn shifted_in_time_or_sampled_otherwise_it_is_the_same_sheet() {
    let archer = Archer {
        collapse: Some((0.8, 0.3, 0.006)),
        ..Archer::default()
    };
    let first = judge(&archer, &scaled(&archer, 240.0, 0.0, 0.0));
    for (hz, shift_s) in [(240.0, 1234.5), (200.0, 0.0), (300.0, -7.25)] {
        let other = judge(&archer, &scaled(&archer, hz, shift_s, 0.0));
        assert_eq!(first.sentence, other.sentence);
        assert_eq!(first.faults.len(), other.faults.len());
        for (a, b) in first.phases.iter().zip(&other.phases) {
            assert!(
                (a.start_s + shift_s - b.start_s).abs() < 0.01,
                "{a:?} {b:?}"
            );
        }
        let depth = |sheet: &ShotSheet| sheet.faults[0].depth_mm.value;
        assert!((depth(&first) - depth(&other)).abs() < 0.1);
    }
}

#[test]
fn more_noise_never_makes_a_narrower_interval() {
    let archer = Archer {
        collapse: Some((0.8, 0.3, 0.012)),
        ..Archer::default()
    };
    // All that is uncertain is scaled: a fixed share (sway, direction of the line) would meet the scaled one in a finite
    // number of draws with a chance correlation.
    let settings = ReportSettings {
        sway_sd_m: 0.0,
        assumed_direction_sd_rad: 0.0,
        ..ReportSettings::default()
    };
    let mut before: Option<ShotSheet> = None;
    for scale in [0.25, 0.5, 1.0, 1.5, 2.0] {
        let sheet = judge_with(&archer, &scaled(&archer, 120.0, 0.0, scale), &settings);
        if let Some(before) = before {
            let depth = |s: &ShotSheet| s.main_fault().unwrap().depth_mm.width();
            println!(
                "depth interval {:.3} after {:.3} mm",
                depth(&sheet),
                depth(&before)
            );
            assert!(depth(&sheet) >= depth(&before) - 1e-9);
            let around = |s: &ShotSheet| s.measures.expansion_behind_mm.measure().unwrap().width();
            assert!(around(&sheet) >= around(&before) - 1e-9);
            for (a, b) in before.checks.iter().zip(&sheet.checks) {
                if let (Some(a), Some(b), true) =
                    (a.smallest_detectable, b.smallest_detectable, a.unit == "mm")
                {
                    assert!(b >= a - 1e-9);
                }
            }
        }
        before = Some(sheet);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    /// The one geometry that a naive rule gets wrong.
    #[test]
    fn a_rigid_forearm_around_a_resting_hook_never_collapses(
        around in 0.0f64..0.06, behind in 0.0f64..0.02, forearm in 0.30f64..0.42, expansion in 1.2f64..3.0,
    ) {
        let archer = Archer {
            around, behind_at_anchor: behind, forearm, expansion, hook_travel: 0.0, ..Archer::default()
        };
        let sheet = judge(&archer, &scaled(&archer, 120.0, 0.0, 0.2));
        prop_assert!(sheet.faults.is_empty(), "{:#?}", sheet.faults);
        let raw = sheet.raw_reversal.depth_mm.value().unwrap();
        let expected = 1000.0 * ((behind + around).powi(2) - behind.powi(2)) / (2.0 * forearm);
        // The naive rule sees at least nine tenths of what going around explains, from the moment the hook rests.
        prop_assert!(raw >= 0.9 * expected - 0.3, "{raw} {expected}");
    }
}
