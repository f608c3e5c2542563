//! Clocks from rotations that were made up: found where they are told, refused where they are not.

use crate::board_clock::{Untold, hung, offset_between};
use crate::board_turning::{Turned, Turning};
use drawarc_rig::ClockModel;
use nalgebra::{UnitQuaternion, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

/// Interval of the looks (s).
const LOOKS_S: f64 = 0.12;

/// A board that is carried from pose to pose and held in every other one.
struct Waved {
    /// Begin and end of each stop (s), and the pose held.
    stops: Vec<(f64, f64, UnitQuaternion<f64>)>,
}

fn rotation(random: &mut ChaCha8Rng, size: f64) -> UnitQuaternion<f64> {
    UnitQuaternion::from_scaled_axis(Vector3::from_fn(|_, _| {
        size * (2.0 * random.random::<f64>() - 1.0)
    }))
}

impl Waved {
    /// From 2 s on for so long; leaning before, laid flat afterwards.
    fn new(seed: u64, length_s: f64) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut stops = vec![(f64::MIN, 2.0, rotation(&mut random, 0.2))];
        let mut at_s = 2.7;
        while at_s < 2.0 + length_s {
            let held_s = if stops.len().is_multiple_of(2) {
                0.4
            } else {
                0.0
            };
            stops.push((at_s, at_s + held_s, rotation(&mut random, 0.6)));
            at_s += held_s + random.random_range(0.6..0.95);
        }
        let flat = UnitQuaternion::from_scaled_axis(Vector3::new(1.4, 0.1, 0.0));
        stops.push((at_s + 0.3, f64::MAX, flat));
        Self { stops }
    }

    /// The same two poses over and over.
    fn to_and_fro(turns: u32) -> Self {
        let stop = |k: u32| {
            let at_s = 2.0 + f64::from(k);
            let angle = if k.is_multiple_of(2) { 0.5 } else { -0.5 };
            let pose = UnitQuaternion::from_scaled_axis(Vector3::new(angle, 0.2, 0.0));
            (at_s, at_s, pose)
        };
        Self {
            stops: (0..turns).map(stop).collect(),
        }
    }

    fn pose(&self, time_s: f64) -> UnitQuaternion<f64> {
        let after = self.stops.partition_point(|stop| stop.1 < time_s);
        let after = after.min(self.stops.len() - 1);
        let (from_s, _, pose) = self.stops[after];
        if time_s >= from_s || after == 0 {
            return pose;
        }
        let before = &self.stops[after - 1];
        let s = (time_s - before.1) / (from_s - before.1);
        let eased = s * s * s * (10.0 + s * (6.0 * s - 15.0));
        let way = (pose * before.2.inverse()).scaled_axis();
        UnitQuaternion::from_scaled_axis(way * eased) * before.2
    }

    /// As a camera sees it whose clock shows `offset_s` less, from and until so much of the board's time: looks with 0.3° of
    /// noise and an error of a degree that hangs on the pose, as a lens that is roughly known leaves it.
    fn seen(&self, seed: u64, offset_s: f64, (from_s, until_s): (f64, f64)) -> Turning {
        let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0x00c1_0c4b);
        let camera = rotation(&mut random, 1.5);
        let lean = rotation(&mut random, 1.0);
        let noise = Normal::new(0.0, 0.005).unwrap();
        let phase_s = random.random_range(0.0..LOOKS_S);
        let mut looks = Vec::new();
        let mut at_s = from_s + phase_s;
        while at_s < until_s {
            let exact = |time_s: f64| {
                let own = self.pose(time_s).scaled_axis();
                let error = (lean * own).component_mul(&Vector3::repeat(0.03));
                camera * UnitQuaternion::from_scaled_axis(error) * self.pose(time_s)
            };
            let mut noisy = |time_s: f64| {
                let error = Vector3::from_fn(|_, _| noise.sample(&mut random));
                UnitQuaternion::from_scaled_axis(error) * exact(time_s)
            };
            let (before, rotation, after) = (
                noisy(at_s - 1.0 / 60.0),
                noisy(at_s),
                noisy(at_s + 1.0 / 60.0),
            );
            looks.push(Turned {
                time_s: at_s - offset_s,
                rotation,
                turn: (after * before.inverse()).scaled_axis() * 30.0,
            });
            at_s += LOOKS_S;
        }
        Turning::new(looks)
    }
}

const ALL: (f64, f64) = (0.0, 15.0);

#[test]
fn offsets_are_found_and_their_intervals_hold_them() {
    let mut held = 0;
    for seed in 0..40 {
        let waved = Waved::new(seed, 8.0);
        let true_s = 500.0 - 25.3 * seed as f64;
        let (first, second) = (
            waved.seen(2 * seed, 0.0, ALL),
            waved.seen(2 * seed + 1, true_s, ALL),
        );
        let found = offset_between(&first, &second).unwrap();
        let off_s = (found.offset_s - true_s).abs();
        assert!(off_s < 0.005, "seed {seed}: {off_s} s off, {found:?}");
        assert!((3.0..12.0).contains(&(found.about_s + true_s)), "{found:?}");
        held += u32::from(off_s < 2.0 * found.variance_s2.sqrt());
    }
    // 95 % intervals: fewer than 33 of 40 by chance once in 700.
    assert!(held >= 33, "{held} of 40");
}

#[test]
fn movements_of_different_boards_are_never_taken_for_one() {
    for seed in 0..240u64 {
        // All of both; or only three seconds of one, which fit somewhere more easily.
        let from_s = 2.0 + (seed % 7) as f64;
        let part = if seed.is_multiple_of(4) {
            (0.0, 18.0)
        } else {
            (from_s, from_s + 3.0)
        };
        let one = Waved::new(1000 + seed, 12.0).seen(seed, 0.0, (0.0, 18.0));
        let other = Waved::new(5000 + seed, 12.0).seen(seed + 1, 30.0, part);
        let refused = offset_between(&one, &other).unwrap_err();
        assert!(
            matches!(refused, Untold::NeverAlike { .. }),
            "seed {seed}: {refused:?}"
        );
    }
}

#[test]
fn however_little_is_seen_by_both_it_is_right_or_refused() {
    let mut found = [0; 8];
    for seed in 0..20 {
        let waved = Waved::new(300 + seed, 10.0);
        for (seconds, found) in found.iter_mut().enumerate() {
            // The first camera was stopped, the second one started, within the waving.
            let until_s = 5.0 + seconds as f64;
            let first = waved.seen(seed, 0.0, (0.0, until_s));
            let second = waved.seen(seed + 1, -60.0, (5.0, 15.0));
            if let Ok(offset) = offset_between(&first, &second) {
                let off_s = (offset.offset_s + 60.0).abs();
                assert!(
                    off_s < 0.02,
                    "seed {seed}, {seconds} s in common: {off_s} s off"
                );
                *found += 1;
            }
        }
    }
    assert!(found[0] == 0 && found[7] == 20, "{found:?}");
}

#[test]
fn a_board_that_lies_still_tells_nothing() {
    let waved = Waved::new(7, 8.0);
    let (whole, lying) = (waved.seen(1, 0.0, ALL), waved.seen(2, 3.0, (12.0, 15.0)));
    let still = waved.seen(3, 0.0, (12.0, 40.0));
    for (first, second) in [(&still, &lying), (&whole, &lying), (&lying, &whole)] {
        let refused = offset_between(first, second).unwrap_err();
        assert!(
            matches!(refused, Untold::HardlyTurned { .. }),
            "{refused:?}"
        );
    }
}

#[test]
fn a_board_turned_to_and_fro_alike_is_ambiguous() {
    let waved = Waved::to_and_fro(12);
    let (first, second) = (waved.seen(1, 0.0, ALL), waved.seen(2, 40.0, ALL));
    let refused = offset_between(&first, &second).unwrap_err();
    let Untold::Ambiguous { apart_s, .. } = refused else {
        panic!("{refused:?}");
    };
    assert!((apart_s - 2.0).abs() < 0.1, "{apart_s}");
}

#[test]
fn cameras_are_hung_onto_those_that_saw_the_same() {
    let waved = Waved::new(11, 16.0);
    // The last camera saw what only the second one saw, too; the second one hears the first.
    let turnings = [
        waved.seen(1, 0.0, (0.0, 5.0)),
        waved.seen(2, 10.0, (0.0, 22.0)),
        waved.seen(3, 77.0, (9.0, 22.0)),
    ];
    let known = [
        Some(ClockModel::identity()),
        Some(ClockModel::constant(10.0, 1e-6)),
        None,
    ];
    let found = hung(&turnings, &known).unwrap();
    let [told] = &found[..] else {
        panic!("{found:?}");
    };
    assert_eq!((told.camera, told.against), (2, 1));
    assert!((told.clock.range_from_camera(-60.0) - 17.0).abs() < 0.005);
    assert!(
        told.clock
            .variance_at(told.clock.segments()[0].reference_camera_s)
            > 1e-6
    );
    // Without any sound the first camera's clock is the range's, and all hang on it in a chain.
    let first = waved.seen(1, 0.0, (0.0, 11.0));
    let found = hung(
        &[first, turnings[1].clone(), turnings[2].clone()],
        &[None, None, None],
    )
    .unwrap();
    let chain: Vec<(usize, usize)> = found
        .iter()
        .map(|told| (told.camera, told.against))
        .collect();
    assert_eq!(chain, [(1, 0), (2, 1)]);
    assert!((found[1].clock.range_from_camera(-60.0) - 17.0).abs() < 0.005);
    // One that saw nothing of it is named.
    let lying = waved.seen(4, 5.0, (20.0, 22.0));
    let (camera, why) = hung(&[lying, turnings[1].clone()], &[None, known[1].clone()]).unwrap_err();
    assert!(camera == 0 && matches!(why, Untold::HardlyTurned { .. }));
}
