//! Many shots of somebody, filmed and judged.

use super::common::Archer;
use super::people::judge_all;
use super::phones::{Errors, Law, film};
use drawarc_report::{FaultKind, Markers, ShotSheet};
use drawarc_sync_track::MarkerRole;

#[expect(
    clippy::disallowed_methods,
    reason = "a heavy test asks how heavy it may be"
)]
/// Shots a row.
pub fn shots() -> u64 {
    std::env::var("DRAWARC_RATE_SHOTS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(200)
}

#[expect(
    clippy::disallowed_methods,
    reason = "a heavy test asks under which errors"
)]
/// How the sightings err.
pub fn errors() -> Errors {
    match std::env::var("DRAWARC_RATE_ERRORS").as_deref() {
        Ok("harsh") => Errors::Law(Law::HARSH),
        _ => Errors::Filmed,
    }
}

/// Two shots at a time; results in order of their seeds.
pub fn sheets(
    n: u64,
    archer: &(dyn Fn(u64) -> Archer + Sync),
    roles: &[MarkerRole],
) -> Vec<(Archer, ShotSheet)> {
    let one = |seed: u64| {
        let archer = archer(seed);
        let curves = archer.curves();
        let seen = film(&curves, roles, errors(), 200, 5 * seed + 1);
        let onset = |near_s| seen.fit.onset(&seen.rig, near_s);
        let markers = Markers {
            bow_hand: seen.hand.as_ref(),
            string_hand: seen.string_hand.as_ref(),
            nock: seen.nock.as_ref(),
            ..Markers::default()
        };
        let sheet = judge_all(&archer, &curves, (&seen.elbow, markers), (&onset, &[]));
        (archer, sheet)
    };
    std::thread::scope(|scope| {
        let odd = scope.spawn(|| (1..n).step_by(2).map(one).collect::<Vec<_>>());
        let even: Vec<_> = (0..n).step_by(2).map(one).collect();
        let mut odd = odd.join().unwrap().into_iter();
        even.into_iter()
            .flat_map(|sheet| std::iter::once(sheet).chain(odd.next()))
            .collect()
    })
}

/// The middle of the smallest faults that the shots could have shown.
pub fn smallest(sheets: &[(Archer, ShotSheet)], kind: FaultKind) -> f64 {
    let mut all: Vec<f64> = sheets
        .iter()
        .filter_map(|(_, s)| {
            s.checks
                .iter()
                .find(|c| c.kind == kind)?
                .smallest_detectable
        })
        .collect();
    all.sort_by(f64::total_cmp);
    all.get(all.len() / 2).copied().unwrap_or(f64::NAN)
}
