//! How often giving way around, creep, a slip of the string and a fall in the draw itself are found, and whether their
//! intervals hold the truth: sightings of two phones as in `rates_filmed.rs`. Heavy: `--ignored`; the number of shots a row
//! is 200 or `DRAWARC_RATE_SHOTS`.

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

use common::{Archer, times};
use drawarc_report::{Fault, FaultKind, Phase, ShotSheet};
use drawarc_sync_track::MarkerRole;
use filmed::{sheets, shots, smallest};
use people::{exact, say, somebody};
use phones::{BOW_HAND, ELBOW, GRIP};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// What truly happened: start (s, range time), length (s), depth (m).
type Truth = (f64, f64, f64);

struct Row<'a> {
    what: String,
    kind: FaultKind,
    phase: Option<Phase>,
    archer: &'a (dyn Fn(u64) -> Archer + Sync),
    truth: &'a dyn Fn(&Archer) -> Truth,
    roles: &'a [MarkerRole],
}

impl Row<'_> {
    /// Films and judges the row's shots, and prints what came of them; asks that faults of 12 mm be found.
    fn print(&self, size_mm: f64) {
        let all = sheets(shots(), self.archer, self.roles);
        let found: Vec<(&Archer, &Fault)> = all
            .iter()
            .filter_map(|(archer, sheet)| Some((archer, self.deepest(sheet)?)))
            .collect();
        say(&format!("{}: found", self.what), found.len(), all.len());
        let other = all.iter().filter(|(_, sheet)| {
            let mut kinds = sheet.faults.iter().map(|fault| fault.kind);
            kinds.any(|kind| kind != self.kind)
        });
        say(
            "    called something else as well",
            other.count(),
            all.len(),
        );
        println!(
            "    smallest detectable {:.2} mm",
            smallest(&all, self.kind)
        );
        for (name, scale, which) in [
            ("depth (mm)", 1.0, 2),
            ("start (ms)", 1e3, 0),
            ("length (ms)", 1e3, 1),
        ] {
            let rows: Vec<[f64; 4]> = found
                .iter()
                .map(|(archer, fault)| {
                    let truth = (self.truth)(archer);
                    match which {
                        0 => {
                            let [low, high] = fault.start_between();
                            [low, fault.start_s, high, truth.0]
                        }
                        1 => {
                            let length = &fault.length_s;
                            [length.low, length.value, length.high, truth.1]
                        }
                        _ => {
                            let depth = &fault.depth_mm;
                            [depth.low, depth.value, depth.high, 1e3 * truth.2]
                        }
                    }
                })
                .collect();
            let held = rows.iter().filter(|r| (r[0]..=r[2]).contains(&r[3]));
            say(
                &format!("    {name}: interval holds the truth"),
                held.count(),
                rows.len(),
            );
            let n = rows.len().max(1) as f64;
            let mean = |of: &dyn Fn(&[f64; 4]) -> f64| rows.iter().map(of).sum::<f64>() / n;
            println!(
                "        bias {:.2}, rms {:.2}, half width {:.2}",
                scale * mean(&|r| r[1] - r[3]),
                scale * mean(&|r| (r[1] - r[3]).powi(2)).sqrt(),
                scale * mean(&|r| 0.5 * (r[2] - r[0]))
            );
        }
        // Below it is as the shot itself says: no goal is stated for these faults.
        assert!(size_mm < 12.0 || exact(found.len(), all.len()).1 >= 0.95);
    }

    fn deepest<'s>(&self, sheet: &'s ShotSheet) -> Option<&'s Fault> {
        sheet
            .faults
            .iter()
            .filter(|fault| fault.kind == self.kind)
            .filter(|fault| self.phase.is_none_or(|phase| fault.phase == phase))
            .max_by(|a, b| a.depth_mm.value.total_cmp(&b.depth_mm.value))
    }
}

/// Somebody's expansion with a lobe: after 0.45 to 0.75 s, of 0.15 to 0.4 s, like the collapses of `rates_filmed.rs`.
fn lobe(seed: u64, depth_m: f64) -> (f64, f64, f64) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let length = 0.15 + 0.25 * rng.random::<f64>();
    (0.45 + 0.3 * rng.random::<f64>(), length, depth_m)
}

fn in_expansion(archer: &Archer, lobe: Option<(f64, f64, f64)>) -> Truth {
    let (after, length, depth) = lobe.unwrap();
    (archer.curves().expansion_start + after, length, depth)
}

#[test]
#[ignore = "heavy: several minutes; cargo xtask bench --rates runs it"]
fn giving_way_around() {
    for (roles, hand) in [(BOW_HAND, "tracked"), (ELBOW, "not tracked")] {
        for depth_mm in [3.0, 6.0, 12.0] {
            let archer = |seed: u64| Archer {
                gives_way: Some(lobe(seed, depth_mm / 1000.0)),
                ..somebody(5000 + seed)
            };
            Row {
                what: format!("gave way around by {depth_mm} mm, bow hand {hand}"),
                kind: FaultKind::GaveWayAround,
                phase: None,
                archer: &archer,
                truth: &|archer| in_expansion(archer, archer.gives_way),
                roles,
            }
            .print(depth_mm);
        }
    }
}

#[test]
#[ignore = "heavy: several minutes; cargo xtask bench --rates runs it"]
fn creep() {
    for (roles, hand) in [(BOW_HAND, "tracked"), (ELBOW, "not tracked")] {
        for depth_mm in [3.0, 6.0, 12.0] {
            let archer = |seed: u64| {
                let (_, length, depth) = lobe(seed, depth_mm / 1000.0);
                Archer {
                    expansion: 2.6,
                    // 1.2 to 1.7 s: seconds, where a collapse takes tenths of one.
                    collapse: Some((0.5, 0.9 + 2.0 * length, depth)),
                    ..somebody(6000 + seed)
                }
            };
            Row {
                what: format!("crept by {depth_mm} mm, bow hand {hand}"),
                kind: FaultKind::Creep,
                phase: None,
                archer: &archer,
                truth: &|archer| in_expansion(archer, archer.collapse),
                roles,
            }
            .print(depth_mm);
        }
    }
}

#[test]
#[ignore = "heavy: several minutes; cargo xtask bench --rates runs it"]
fn slips_of_the_string() {
    let good = sheets(shots(), &|seed| somebody(7500 + seed), GRIP);
    let marked = good.iter().filter(|(_, s)| !s.faults.is_empty()).count();
    say(
        "good shots marked, four markers tracked",
        marked,
        good.len(),
    );
    assert!(exact(marked, good.len()).0 <= 0.05);
    for way_mm in [3.0, 6.0, 12.0] {
        let archer = |seed: u64| Archer {
            slip: Some(lobe(seed, way_mm / 1000.0)),
            ..somebody(7000 + seed)
        };
        Row {
            what: format!("the string slipped by {way_mm} mm"),
            kind: FaultKind::HookSlip,
            phase: None,
            archer: &archer,
            truth: &|archer| in_expansion(archer, archer.slip),
            roles: GRIP,
        }
        .print(way_mm);
    }
}

/// The elbow's way back in the draw: from the furthest place to the nearest one after it, sway and tremor left out.
fn way_back(archer: &Archer) -> Truth {
    let still = Archer {
        sway: 0.0,
        tremor: 0.0,
        ..archer.clone()
    };
    let curves = still.curves();
    let span = times(curves.draw_start, curves.anchor_start, 2000.0);
    let away = |t: f64| -curves.elbow(t).x;
    let (mut furthest, mut deepest) = (span[0], (span[0], 0.0, 0.0));
    for &t in &span {
        if away(t) > away(furthest) {
            furthest = t;
        }
        let depth = away(furthest) - away(t);
        if depth > deepest.2 {
            deepest = (furthest, t - furthest, depth);
        }
    }
    deepest
}

#[test]
#[ignore = "heavy: several minutes; cargo xtask bench --rates runs it"]
fn falls_in_the_draw() {
    for (roles, hand) in [(BOW_HAND, "tracked"), (ELBOW, "not tracked")] {
        for depth_mm in [3.0, 6.0, 12.0] {
            let archer = |seed: u64| {
                let (_, length, depth) = lobe(seed, depth_mm / 1000.0);
                let going_back_at = |speed: f64| Archer {
                    draw: 1.3 + length,
                    stall: Some((0.6, length, -speed)),
                    ..somebody(8000 + seed)
                };
                let (mut slow, mut fast) = (0.0, 0.3);
                for _ in 0..24 {
                    let middle = 0.5 * (slow + fast);
                    if way_back(&going_back_at(middle)).2 < depth {
                        slow = middle;
                    } else {
                        fast = middle;
                    }
                }
                going_back_at(fast)
            };
            Row {
                what: format!("fell by {depth_mm} mm in the draw, bow hand {hand}"),
                kind: FaultKind::Collapse,
                phase: Some(Phase::Draw),
                archer: &archer,
                truth: &way_back,
                roles,
            }
            .print(depth_mm);
        }
    }
}
