//! One shot, looked at closely.

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

use common::{Archer, Noise, path, times};
use drawarc_report::{
    ArrowLineChoice, Felt, Finding, Phase, ReportSettings, Sentences, ShotContext, ShotCorrection,
    ShotKind, ShotSheet, Side, SoundAt, Verdict, find_shots, score_shot,
};
use nalgebra::{Point3, Vector3};

fn context<'a>(archer: &Archer) -> ShotContext<'a> {
    let side = if archer.side > 0.0 {
        Side::Right
    } else {
        Side::Left
    };
    let mut context = ShotContext::new("shot-01", "A", side);
    context.forearm_m = Some((archer.forearm, 0.004));
    context.arrow_line = ArrowLineChoice::StatedAnchor {
        anchor_in_range: Point3::from(archer.stand),
        sd_m: 0.003,
    };
    context
}

fn score(archer: &Archer, noise: Noise) -> ShotSheet {
    let curves = archer.curves();
    let t = times(0.0, curves.release + 3.5, 240.0);
    let path = path(&t, |t| curves.elbow(t), noise, 200, archer.seed + 100);
    let settings = ReportSettings::default();
    let shots = find_shots(&path, &settings).unwrap();
    assert_eq!(shots.len(), 1, "{shots:#?}");
    println!("{:?}", shots[0]);
    let words = Sentences::english().unwrap();
    let hand = common::path(&t, |t| curves.bow_hand(t), noise, 200, archer.seed + 900);
    let mut context = context(archer);
    context.markers.bow_hand = Some(&hand);
    score_shot(&path, &shots[0], &context, &settings, &words).unwrap()
}

/// Out of sight in the draw: for too long, nothing is said of stops; shorter, only stops that must show beside the gap are
/// ruled out.
#[test]
fn what_was_out_of_sight_is_not_said_to_have_kept_moving() {
    let archer = Archer::default();
    let curves = archer.curves();
    let whole = score(&archer, Noise::default());
    let draw = whole.phase(Phase::Draw).unwrap();
    let middle_s = 0.5 * (draw.start_s + draw.end_s);
    let shortest = |sheet: &ShotSheet| sheet.checks[0].shortest_s;
    for (gap_s, hidden) in [(0.12, false), (0.3, true)] {
        let t = times(0.0, curves.release + 3.5, 240.0);
        let mut path = path(
            &t,
            |t| curves.elbow(t),
            Noise::default(),
            200,
            archer.seed + 100,
        );
        path.in_gap = t
            .iter()
            .map(|t| (t - middle_s).abs() < 0.5 * gap_s)
            .collect();
        let settings = ReportSettings::default();
        let shots = find_shots(&path, &settings).unwrap();
        let words = Sentences::english().unwrap();
        let sheet = score_shot(&path, &shots[0], &context(&archer), &settings, &words).unwrap();
        let stall = &sheet.checks[0];
        println!(
            "{gap_s} s: {stall:?} {:?} {}",
            sheet.verdict, sheet.sentence
        );
        if hidden {
            assert_eq!(stall.finding, Finding::NotMeasurable);
            assert_eq!(sheet.verdict, Verdict::NotMeasurable);
            assert!(sheet.sentence.contains("hidden"), "{}", sheet.sentence);
        } else if let Some(s) = shortest(&sheet) {
            // Less what the sheet's own grid cuts off the gap.
            let grid_s = 1.0 / settings.grid_hz;
            let least_s = gap_s - 2.0 * grid_s + 2.0 * shortest(&whole).unwrap();
            assert!(s >= least_s, "{s} s");
        }
    }
}

#[test]
fn a_good_shot_is_good_and_its_phases_stand_where_they_are() {
    let archer = Archer::default();
    let curves = archer.curves();
    let sheet = score(&archer, Noise::default());
    println!(
        "{}\n{}\n{:#?}",
        sheet.sentence, sheet.how_sure, sheet.remarks
    );
    for phase in &sheet.phases {
        println!(
            "{:?}: {:.3} ± {:.4} to {:.3}",
            phase.phase, phase.start_s, phase.start_sd_s, phase.end_s
        );
    }
    println!("{:#?}", sheet.checks);
    println!("{:#?}", sheet.measures);
    println!("{:#?}", sheet.raw_reversal);
    println!(
        "truth: draw {:.3} anchor {:.3} expansion {:.3} release {:.3}",
        curves.draw_start, curves.anchor_start, curves.expansion_start, curves.release
    );
    assert_eq!(sheet.verdict, Verdict::Good, "{:#?}", sheet.faults);
    assert_eq!(sheet.kind, ShotKind::Released);
    let release = sheet.release.as_ref().unwrap();
    assert!((release.time_s.value - curves.release).abs() < 0.008);
    let anchor = sheet.phase(Phase::Anchor).unwrap();
    assert!((anchor.start_s - curves.anchor_start).abs() < 0.05);
    let expansion = sheet.phase(Phase::Expansion).unwrap();
    assert!((expansion.start_s - curves.expansion_start).abs() < 0.15);
}

#[test]
fn a_collapse_is_found_with_its_depth() {
    let archer = Archer {
        collapse: Some((0.8, 0.3, 0.006)),
        ..Archer::default()
    };
    let sheet = score(&archer, Noise::default());
    println!("{} {:#?}", sheet.sentence, sheet.faults);
    assert_eq!(sheet.verdict, Verdict::Collapse);
    let fault = sheet.main_fault().unwrap();
    assert!((fault.depth_mm.value - 6.0).abs() < 0.6);
    assert!(fault.depth_mm.low < 6.0 && fault.depth_mm.high > 6.0);
    let start = archer.curves().expansion_start + 0.8;
    assert!(
        (fault.start_s - start).abs() < 0.08,
        "{} {start}",
        fault.start_s
    );
}

#[test]
fn giving_way_for_longer_than_a_second_is_creep() {
    let archer = Archer {
        collapse: Some((0.3, 1.3, 0.016)),
        ..Archer::default()
    };
    let sheet = score(&archer, Noise::default());
    assert_eq!(sheet.verdict, Verdict::Creep, "{:#?}", sheet.faults);
}

#[test]
fn a_stall_is_found_with_its_start_and_length() {
    let archer = Archer {
        stall: Some((0.45, 0.3, 0.008)),
        ..Archer::default()
    };
    let sheet = score(&archer, Noise::default());
    println!("{} {:#?}", sheet.sentence, sheet.faults);
    assert_eq!(sheet.verdict, Verdict::Stall);
    let fault = sheet.main_fault().unwrap();
    let start = archer.curves().draw_start + 0.45;
    assert!(
        (fault.start_s - start).abs() < 0.017,
        "{} {start}",
        fault.start_s
    );
    assert!(
        (fault.length_s.value - 0.3).abs() < 0.017,
        "{}",
        fault.length_s.value
    );
}

#[test]
fn giving_way_around_is_found() {
    let archer = Archer {
        gives_way: Some((0.8, 0.4, 0.008)),
        around: 0.03,
        ..Archer::default()
    };
    let sheet = score(&archer, Noise::default());
    println!("{} {:#?}", sheet.sentence, sheet.faults);
    assert_eq!(sheet.verdict, Verdict::GaveWayAround);
}

#[test]
fn sound_confirms_the_release_and_another_archers_does_not() {
    let archer = Archer::default();
    let curves = archer.curves();
    let t = times(0.0, curves.release + 3.0, 240.0);
    let path = path(&t, |t| curves.elbow(t), Noise::default(), 100, 5);
    let settings = ReportSettings::default();
    let words = Sentences::english().unwrap();
    let shots = find_shots(&path, &settings).unwrap();
    let mut context = context(&archer);
    let sounds = [curves.release - 1.3, curves.release + 0.015];
    context.sounds = sounds
        .map(|time_s| SoundAt {
            time_s,
            sd_s: 0.001,
        })
        .to_vec();
    let sheet = score_shot(&path, &shots[0], &context, &settings, &words).unwrap();
    let release = sheet.release.unwrap();
    println!("{release:#?}, truth {}", curves.release);
    assert!((release.time_s.value - curves.release).abs() < 0.003);
    context.sounds = vec![SoundAt {
        time_s: curves.release + 0.06,
        sd_s: 0.001,
    }];
    let sheet = score_shot(&path, &shots[0], &context, &settings, &words).unwrap();
    assert!(sheet.release.unwrap().words.contains("not used"));
}

#[test]
fn a_left_hander_gets_the_mirrored_sheet() {
    let right = Archer {
        collapse: Some((0.8, 0.3, 0.006)),
        stand: Vector3::new(-0.05, 0.0, 1.52),
        ..Archer::default()
    };
    let curves = right.curves();
    let t = times(0.0, curves.release + 3.0, 240.0);
    let path = path(&t, |t| curves.elbow(t), Noise::default(), 100, 5);
    let mut mirrored = path.clone();
    for point in mirrored
        .mean
        .iter_mut()
        .chain(mirrored.draws.iter_mut().flatten())
    {
        point.y = -point.y;
    }
    let settings = ReportSettings::default();
    let words = Sentences::english().unwrap();
    let sheet = |path, side| {
        let shots = find_shots(path, &settings).unwrap();
        assert_eq!(shots[0].side_seen, Some(side));
        let mut context = context(&right);
        context.side = side;
        score_shot(path, &shots[0], &context, &settings, &words).unwrap()
    };
    let (a, b) = (sheet(&path, Side::Right), sheet(&mirrored, Side::Left));
    assert_eq!(a.sentence, b.sentence);
    assert_eq!(a.faults.len(), b.faults.len());
    let depth = |s: &ShotSheet| s.faults[0].depth_mm.value;
    assert!(
        (depth(&a) - depth(&b)).abs() < 0.1,
        "{} {}",
        depth(&a),
        depth(&b)
    );
    assert_eq!(a.angles.views[a.angles.best].name, "3:00");
    assert_eq!(b.angles.views[b.angles.best].name, "9:00");
    let behind = |s: &ShotSheet| s.measures.behind_at_release_mm.value().unwrap();
    assert!((behind(&a) - behind(&b)).abs() < 1e-6);
}

#[test]
fn a_person_names_the_archer_moves_a_boundary_and_rejects() {
    let archer = Archer::default();
    let curves = archer.curves();
    let t = times(0.0, curves.release + 3.0, 240.0);
    let path = path(&t, |t| curves.elbow(t), Noise::default(), 100, 5);
    let settings = ReportSettings::default();
    let words = Sentences::english().unwrap();
    let shots = find_shots(&path, &settings).unwrap();
    let mut context = context(&archer);
    let before = score_shot(&path, &shots[0], &context, &settings, &words).unwrap();
    let anchor = before.phase(Phase::Anchor).unwrap();
    let moved_s = anchor.start_s + 0.05;
    let mut correction = ShotCorrection {
        shot: "shot-01".to_owned(),
        reject: true,
        archer: Some("Merlin".to_owned()),
        felt: Some(Felt::Moved),
        starts_s: [(Phase::Anchor, moved_s)].into(),
        note: Some("string touched the sleeve".to_owned()),
        ..ShotCorrection::default()
    };
    context.correction = Some(correction.clone());
    let after = score_shot(&path, &shots[0], &context, &settings, &words).unwrap();
    assert!(after.rejected && !before.rejected);
    assert_eq!(after.archer, "Merlin");
    assert_eq!(after.felt_sentence.as_deref(), Some("You felt it right."));
    let start_s = after.phase(Phase::Anchor).unwrap().start_s;
    assert!((start_s - moved_s).abs() < 1e-12);
    let said = after.corrections.join("\n");
    for word in [
        &format!("{:.3}", anchor.start_s),
        &format!("{moved_s:.3}"),
        "A until then",
        "Rejected",
        "sleeve",
    ] {
        assert!(said.contains(word), "{word}: {said}");
    }
    // Out of order, and a phase that the shot does not have.
    correction.starts_s = [(Phase::Anchor, before.start_s - 1.0)].into();
    context.correction = Some(correction.clone());
    let refused = score_shot(&path, &shots[0], &context, &settings, &words).unwrap_err();
    assert!(refused.to_string().contains("anchor"), "{refused}");
    // Neighbours move together.
    let expansion_s = before.phase(Phase::Expansion).unwrap().start_s;
    correction.starts_s = [
        (Phase::Anchor, expansion_s + 0.1),
        (Phase::Expansion, expansion_s + 0.3),
    ]
    .into();
    context.correction = Some(correction);
    assert!(score_shot(&path, &shots[0], &context, &settings, &words).is_ok());
}

#[test]
fn a_noisy_film_says_what_it_does_not_rule_out() {
    let archer = Archer::default();
    let noise = Noise {
        sd: 0.0012,
        length: 0.05,
        offset_sd: 0.0005,
    };
    let sheet = score(&archer, noise);
    println!("{} {} {:#?}", sheet.sentence, sheet.how_sure, sheet.checks);
    assert_eq!(sheet.verdict, Verdict::Good, "{:#?}", sheet.faults);
    assert!(
        sheet
            .sentence
            .starts_with("Your elbow kept moving: no stop of"),
        "{}",
        sheet.sentence
    );
    let quiet = score(&archer, Noise::default());
    for (noisy, quiet) in sheet.checks.iter().zip(&quiet.checks) {
        if noisy.finding == Finding::NotFound && noisy.unit == "mm" {
            assert!(noisy.smallest_detectable > quiet.smallest_detectable);
        }
        assert!(noisy.shortest_s >= quiet.shortest_s);
    }
}

/// Shares that a view shows, by hand: from 3 o'clock all of a movement toward the target and none of one toward the
/// chest; from 12 and 6 the other way round; from 1:30 both times sin 45°; overhead no V.
#[test]
fn every_angle_shows_what_geometry_says() {
    let archer = Archer {
        collapse: Some((0.8, 0.3, 0.012)),
        ..Archer::default()
    };
    let sheet = score(&archer, Noise::default());
    assert_eq!(sheet.angles.views.len(), 25);
    for view in &sheet.angles.views {
        let (collapse, around, v) = match view.clock_hours {
            None => (1.0, 1.0, 0.0),
            Some(hours) => {
                let turn = (hours * 30.0_f64).to_radians();
                (turn.sin().abs(), turn.cos().abs(), 1.0)
            }
        };
        for (found, by_hand) in [
            (view.collapse_share, collapse),
            (view.around_share, around),
            (view.v_share, v),
        ] {
            assert!((found - by_hand).abs() < 1e-9, "{view:#?}");
        }
        // A person sees a collapse of 12 mm wherever more than the eye's 3 mm of it show; 12 and 6 o'clock are blind.
        if collapse > 0.5 {
            assert!(view.reversal_seen_mm > 3.0 && !view.misleads, "{view:#?}");
        }
    }
    let name = |i: &usize| sheet.angles.views[*i].name.clone();
    assert_eq!(
        sheet.angles.blind.iter().map(name).collect::<Vec<_>>(),
        ["12:00", "6:00"]
    );
}
