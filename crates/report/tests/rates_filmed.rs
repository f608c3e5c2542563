//! How often good shots are marked and faults are found on paths that the path fit made from the sightings of two phones
//! (1080p60, unsynchronised, rolling shutters). Errors of the sightings are those that were measured on rendered, encoded
//! film; `DRAWARC_RATE_ERRORS=harsh` takes white noise of 0.1 px and a drifting bias of 0.2 px instead, twice as much.
//! Sightings are simulated, pictures are not. Heavy: `--ignored`; the number of shots a row is 200 or
//! `DRAWARC_RATE_SHOTS`.

#![allow(
    dead_code,
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
#[path = "common/filmed.rs"]
mod filmed;
#[path = "common/people.rs"]
mod people;
#[path = "common/phones.rs"]
mod phones;

use common::Archer;
use drawarc_report::{Fault, FaultKind, ShotSheet};
use drawarc_sync_track::MarkerRole;
use filmed::{sheets, shots, smallest};
use people::{exact, judge_with, say, somebody};
use phones::{BOW_HAND, ELBOW, Errors, footage};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

#[test]
fn the_order_of_the_cameras_changes_nothing() {
    let mut archer = somebody(1004);
    archer.collapse = Some((0.6, 0.3, 0.006));
    let curves = archer.curves();
    let shot = || footage(&curves, BOW_HAND, Errors::Filmed, 21);
    let [(a, one), (b, other)] =
        [shot().seen(200), shot().other_way_round().seen(200)].map(|seen| {
            let onset = |near_s| seen.fit.onset(&seen.rig, near_s);
            let paths = (&seen.elbow, seen.hand.as_ref());
            let sheet = judge_with(&archer, &curves, paths, (&onset, &[]));
            (seen.elbow.mean, sheet)
        });
    let apart = a.iter().zip(&b).map(|(a, b)| (a - b).norm());
    let apart = apart.fold(0.0_f64, f64::max);
    println!("paths {:.5} mm apart at most", 1000.0 * apart);
    // The paths are the same to what the solver leaves; the joint samples are other samples of the same law.
    assert!(a.len() == b.len() && apart < 2e-5, "{apart} m");
    assert_eq!((one.faults.len(), other.faults.len()), (1, 1));
    let (one, other) = (&one.faults[0], &other.faults[0]);
    println!("{:?} {:?}", one.depth_mm, other.depth_mm);
    println!("{} s, {} s", one.start_s, other.start_s);
    assert_eq!((one.kind, one.phase), (other.kind, other.phase));
    assert!((one.depth_mm.value - other.depth_mm.value).abs() < 0.1 * one.depth_mm.width());
    let wide_s = one.start_between()[1] - one.start_between()[0];
    assert!((one.start_s - other.start_s).abs() < 0.1 * wide_s);
}

fn roles_of(tracked: bool) -> &'static [MarkerRole] {
    if tracked { BOW_HAND } else { ELBOW }
}

fn deepest(sheet: &ShotSheet) -> Option<&Fault> {
    sheet
        .faults
        .iter()
        .filter(|f| matches!(f.kind, FaultKind::Collapse | FaultKind::Creep))
        .max_by(|a, b| a.depth_mm.value.total_cmp(&b.depth_mm.value))
}

#[test]
#[ignore = "heavy: several minutes; cargo xtask bench --rates runs it"]
fn good_shots() {
    for tracked in [true, false] {
        let hand = if tracked { "tracked" } else { "not tracked" };
        let all = sheets(shots(), &somebody, roles_of(tracked));
        let marked = all.iter().filter(|(_, s)| !s.faults.is_empty()).count();
        say(
            &format!("good shots marked, bow hand {hand}"),
            marked,
            all.len(),
        );
        println!(
            "  median smallest detectable: collapse {:.2} mm, around {:.2} mm",
            smallest(&all, FaultKind::Collapse),
            smallest(&all, FaultKind::GaveWayAround)
        );
        for (archer, sheet) in &all {
            for f in &sheet.faults {
                println!(
                    "    seed {}: {:?} in {:?}, {:.2} s, {:.2} mm, p {:.3}, travel {:.1} mm around {:.0} mm",
                    archer.seed,
                    f.kind,
                    f.phase,
                    f.length_s.value,
                    f.depth_mm.value,
                    f.probability,
                    1000.0 * archer.hook_travel,
                    1000.0 * archer.around
                );
            }
        }
        assert!(exact(marked, all.len()).0 <= 0.05);
    }
}

/// Do the intervals of start and length hold the truth, how wide are they, and how far off are the estimates?
fn say_places(found: &[(&Archer, &Fault)]) {
    let rows = |of: &dyn Fn(&Archer, &Fault) -> [f64; 4]| -> Vec<[f64; 4]> {
        found.iter().map(|(a, f)| of(a, f)).collect()
    };
    let start = rows(&|a, f| {
        let [low, high] = f.start_between();
        let truth = a.curves().expansion_start + a.collapse.unwrap().0;
        [low, f.start_s, high, truth]
    });
    let length = rows(&|a, f| {
        let length = &f.length_s;
        [length.low, length.value, length.high, a.collapse.unwrap().1]
    });
    for (name, rows) in [("start", start), ("length", length)] {
        let held = rows
            .iter()
            .filter(|[low, _, high, truth]| (low..=high).contains(&truth))
            .count();
        say(
            &format!("    {name} interval holds the truth"),
            held,
            rows.len(),
        );
        let n = rows.len().max(1) as f64;
        let late = rows.iter().map(|[_, value, _, truth]| value - truth);
        let mut half: Vec<f64> = rows.iter().map(|r| 0.5 * (r[2] - r[0])).collect();
        half.sort_by(f64::total_cmp);
        println!(
            "    {name}: {:.0} ms too much on average, rms {:.0} ms; half width {:.0} ms, median {:.0} ms",
            1000.0 * late.clone().sum::<f64>() / n,
            1000.0 * (late.map(|l| l * l).sum::<f64>() / n).sqrt(),
            1000.0 * half.iter().sum::<f64>() / n,
            1000.0 * half.get(half.len() / 2).copied().unwrap_or(f64::NAN)
        );
    }
}

#[test]
#[ignore = "heavy: several minutes; cargo xtask bench --rates runs it"]
fn collapses() {
    for tracked in [true, false] {
        let hand = if tracked { "tracked" } else { "not tracked" };
        for depth_mm in [3.0, 6.0, 12.0] {
            let faulty = |seed: u64| {
                let mut archer = somebody(1000 + seed);
                let mut rng = ChaCha8Rng::seed_from_u64(seed);
                let length = 0.15 + 0.25 * rng.random::<f64>();
                let after = 0.45 + 0.3 * rng.random::<f64>();
                archer.collapse = Some((after, length, depth_mm / 1000.0));
                archer
            };
            let all = sheets(shots(), &faulty, roles_of(tracked));
            let found: Vec<(&Archer, &Fault)> = all
                .iter()
                .filter_map(|(a, s)| Some((a, deepest(s)?)))
                .collect();
            say(
                &format!("collapse {depth_mm} mm, bow hand {hand}: found"),
                found.len(),
                all.len(),
            );
            let n = found.len().max(1) as f64;
            let errors = found.iter().map(|(_, f)| f.depth_mm.value - depth_mm);
            let bias = errors.clone().sum::<f64>() / n;
            let rms = (errors.map(|e| e * e).sum::<f64>() / n).sqrt();
            println!(
                "    depth: bias {bias:.2} mm, rms {rms:.2} mm; half width {:.2} mm; smallest detectable {:.2} mm",
                found
                    .iter()
                    .map(|(_, f)| 0.5 * f.depth_mm.width())
                    .sum::<f64>()
                    / n,
                smallest(&all, FaultKind::Collapse)
            );
            let held = found
                .iter()
                .filter(|(_, f)| (f.depth_mm.low..=f.depth_mm.high).contains(&depth_mm))
                .count();
            say("    depth interval holds the truth", held, found.len());
            say_places(&found);
            let creep = found
                .iter()
                .filter(|(_, f)| f.kind == FaultKind::Creep)
                .count();
            if creep > 0 {
                println!("    of them called creep: {creep}");
            }
        }
    }
}

/// Speed (m/s) of the elbow as it truly was, sway and tremor in it: slope over the stall.
fn true_speed(archer: &Archer) -> f64 {
    let (after, length, _) = archer.stall.unwrap();
    let curves = archer.curves();
    let from = curves.draw_start + after;
    let n = 60;
    let (mut sum, mut square) = (nalgebra::Vector3::zeros(), 0.0);
    let origin = curves.elbow(from);
    for i in 0..=n {
        let lag = length * (f64::from(i) / f64::from(n) - 0.5);
        sum += (curves.elbow(from + 0.5 * length + lag) - origin) * lag;
        square += lag * lag;
    }
    (sum / square).norm()
}

#[test]
#[ignore = "heavy: several minutes; cargo xtask bench --rates runs it"]
fn stalls() {
    for length_s in [0.15, 0.3, 0.6] {
        let mut all = Vec::new();
        for (index, speed_mm_s) in [0.0, 8.0, 12.0, 18.0, 25.0, 40.0].into_iter().enumerate() {
            let faulty = |seed: u64| {
                let mut archer = somebody(3000 + 500 * index as u64 + seed);
                archer.draw = 1.3 + length_s;
                archer.stall = Some((0.6, length_s, speed_mm_s / 1000.0));
                archer
            };
            all.extend(sheets(shots(), &faulty, ELBOW));
        }
        // Sway of 1.5 mm moves the elbow at 4 mm/s: shots are sorted by the speed that the elbow truly had.
        for (low, high) in [
            (0.0, 5.0),
            (5.0, 10.0),
            (10.0, 15.0),
            (15.0, 20.0),
            (20.0, 30.0),
            (30.0, 99.0),
        ] {
            let class: Vec<&(Archer, ShotSheet)> = all
                .iter()
                .filter(|(a, _)| (low..high).contains(&(1000.0 * true_speed(a))))
                .collect();
            let found: Vec<(&Archer, &Fault)> = class
                .iter()
                .filter_map(|(a, s)| {
                    Some((a, s.faults.iter().find(|f| f.kind == FaultKind::Stall)?))
                })
                .collect();
            say(
                &format!("called a stall at {low} to {high} mm/s for {length_s} s"),
                found.len(),
                class.len(),
            );
            let error = |which: &dyn Fn(&Archer, &Fault) -> f64| {
                let mut all: Vec<f64> = found
                    .iter()
                    .map(|(a, f)| 1000.0 * which(a, f).abs())
                    .collect();
                all.sort_by(f64::total_cmp);
                let at = |share: f64| {
                    all.get((share * all.len() as f64) as usize)
                        .copied()
                        .unwrap_or(f64::NAN)
                };
                (
                    at(0.5),
                    at(0.95),
                    all.iter().filter(|e| **e <= 16.7).count(),
                )
            };
            if !found.is_empty() {
                let start = error(&|a, f| f.start_s - a.curves().draw_start - 0.6);
                let length = error(&|_, f| f.length_s.value - length_s);
                println!(
                    "    start: median {:.0} ms, 95 % within {:.0} ms, {} within a frame; length: {:.0}, {:.0}, {}",
                    start.0, start.1, start.2, length.0, length.1, length.2
                );
            }
        }
    }
}
