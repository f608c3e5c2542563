//! Where full work is worth doing, by glances projected from a known path and by sounds.

#![expect(clippy::unwrap_used, reason = "test data of known size")]

mod common;

use common::rig;
use drawarc_rig::{Camera, ClockModel, Rig};
use drawarc_sync_track::{
    FirstLookSettings, Glance, Moves, SoundEvent, SoundKind, around_sounds, merged, moving,
};
use nalgebra::{Point2, Point3, Vector3};

/// Two phones at 5 and 3 o'clock.
fn club() -> Rig {
    let places = [
        Point3::new(-2.95, -1.75, 1.75),
        Point3::new(0.15, -3.45, 1.05),
    ];
    rig(&places, (0.0, 0.0))
}

/// The arm hangs, but for shots that begin at these instants: raise, draw, hold of this length, lowering in 6 s and the hold.
fn elbow(t: f64, shots: &[f64], hold_s: f64) -> Point3<f64> {
    let sway = 0.004 * (0.7 * t).sin();
    let ease = |from: f64, to: f64| ((t - from) / (to - from)).clamp(0.0, 1.0);
    shots
        .iter()
        .fold(Point3::new(-0.07 + sway, -0.18, 0.93), |place, &start| {
            let up = ease(start, start + 1.5) - ease(start + 4.5 + hold_s, start + 6.0 + hold_s);
            let drawn =
                ease(start + 2.0, start + 4.0) - ease(start + 4.5 + hold_s, start + 6.0 + hold_s);
            place + Vector3::new(-0.35 * drawn, 0.1 * up, 0.6 * up)
        })
}

/// What a camera glances at every so often: the elbow, where there is one, and a leaf of its colour that comes and goes.
fn glances(
    camera: &Camera,
    clock: &ClockModel,
    (every_s, until_s): (f64, f64),
    place: impl Fn(f64) -> Option<Point3<f64>>,
) -> Vec<Glance> {
    (0..1000_u32)
        .take_while(|k| f64::from(*k) * every_s < until_s)
        .map(|k| {
            let camera_s = f64::from(k) * every_s + 0.02;
            let at = place(clock.range_from_camera(camera_s));
            let pixel = at.and_then(|p| camera.pixel_from_range(&p));
            // Neither camera's leaf is near the other's line of sight, as leaves are.
            let leaf = (k % 3 != 0).then(|| Point2::new(200.0 + f64::from(k % 7), 60.0));
            Glance {
                camera_s,
                patches_px: pixel.into_iter().chain(leaf).collect(),
            }
        })
        .collect()
}

/// Both cameras' glances through five minutes; the second began 7.3 s later.
fn looked_at(every_s: f64, place: impl Fn(f64) -> Option<Point3<f64>> + Copy) -> Vec<(f64, f64)> {
    moves(every_s, place).stretches
}

fn moves(every_s: f64, place: impl Fn(f64) -> Option<Point3<f64>> + Copy) -> Moves {
    let rig = club();
    let clocks = [ClockModel::identity(), ClockModel::constant(7.3, 1e-6)];
    let seen: Vec<Option<Vec<Glance>>> = (0..2)
        .map(|k| {
            Some(glances(
                &rig.cameras[k],
                &clocks[k],
                (every_s, 300.0),
                place,
            ))
        })
        .collect();
    let spans = [(0.0, 300.0), (7.3, 307.3)];
    moving(&rig, &seen, &clocks, &spans, &FirstLookSettings::default()).unwrap()
}

#[test]
fn shots_are_looked_at_and_waiting_is_not() {
    for every_s in [0.5, 1.0, 2.0] {
        let shots = [40.0, 160.0, 172.0];
        let found = looked_at(every_s, |t| Some(elbow(t, &shots, 3.0)));
        assert_eq!(found.len(), 2, "{found:?}");
        for (window, (from, to)) in found.iter().zip([(40.0, 49.0), (160.0, 181.0)]) {
            assert!(window.0 < from - 0.5 && window.0 > from - 7.0, "{found:?}");
            assert!(window.1 > to + 0.5 && window.1 < to + 7.0, "{found:?}");
        }
    }
}

#[test]
fn a_long_hold_is_not_cut() {
    let found = looked_at(1.0, |t| Some(elbow(t, &[100.0], 14.0)));
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].0 < 99.5 && found[0].1 > 120.5, "{found:?}");
}

#[test]
fn whoever_comes_and_goes_is_looked_at_then() {
    let there = |t: f64| (100.0..200.0).contains(&t).then(|| elbow(t, &[], 0.0));
    let found = looked_at(1.0, there);
    assert_eq!(found.len(), 2, "{found:?}");
    assert!(found[0].0 < 100.0 && found[0].1 > 100.0 && found[0].1 < 106.0);
    assert!(found[1].0 < 200.0 && found[1].1 > 200.0 && found[1].1 < 206.0);
    assert!(looked_at(1.0, |_| None).is_empty());
}

#[test]
fn too_few_looks_leave_nothing_out() {
    // A key frame every eight seconds.
    let found = looked_at(8.0, |t| Some(elbow(t, &[], 0.0)));
    assert_eq!(found, vec![(7.3, 300.0)]);
    let rig = club();
    let clocks = [ClockModel::identity(), ClockModel::identity()];
    let one = [Some(Vec::new()), None];
    let spans = [(0.0, 300.0); 2];
    assert!(moving(&rig, &one, &clocks, &spans, &FirstLookSettings::default()).is_none());
}

#[test]
fn sounds_are_looked_at_in_range_time() {
    let event = |camera_s| SoundEvent {
        camera_s,
        sd_s: 5e-4,
        kind: SoundKind::Shot,
        strength_db: 30.0,
    };
    let (first, second) = (ClockModel::identity(), ClockModel::constant(5.0, 0.0));
    let events = [
        (event(60.0), &first),
        (event(60.0), &second),
        (event(200.0), &first),
    ];
    let found = around_sounds(&events, &FirstLookSettings::default());
    assert_eq!(found, vec![(52.0, 62.5), (57.0, 67.5), (192.0, 202.5)]);
    assert_eq!(
        merged(vec![(5.0, 6.0), (1.0, 2.0), (2.5, 3.0), (4.0, 4.0)], 0.6),
        vec![(1.0, 3.0), (5.0, 6.0)]
    );
}

#[test]
fn a_sound_through_which_the_marker_rested_was_somebody_elses() {
    let own = moves(1.0, |t| Some(elbow(t, &[100.0], 3.0)));
    let sounds = [(101.0, 111.5), (200.0, 210.5)];
    let found = own.with_sounds(&sounds);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].1 >= 111.5);
    // Whose marker is not seen may have shot.
    let unseen = moves(1.0, |_| None).with_sounds(&sounds);
    assert_eq!(unseen, sounds);
}
