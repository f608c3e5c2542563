//! The forearm is rigid; faults have the size dialled in.

use drawarc_range_sim::{CollapsePhase, FaultPlan, Scenario, World, good_shot};
use nalgebra::Point3;

fn still_scene() -> Scenario {
    let mut scenario = Scenario::club_five_three(7).shortened();
    scenario.board = None;
    scenario.neighbour = false;
    scenario.shots = vec![good_shot(1.0)];
    scenario.cameras.truncate(1);
    let camera = &mut scenario.cameras[0];
    (camera.read_noise, camera.shot_noise, camera.vignetting) = (0.0, 0.0, 0.0);
    scenario.light.one_sided = -1.0;
    scenario.light.look_alikes = false;
    scenario
}

#[test]
fn the_forearm_is_rigid_and_a_resting_hook_rests() {
    let mut scenario = still_scene();
    (
        scenario.archer.tremor_m,
        scenario.archer.sway_m,
        scenario.archer.breathing_m,
    ) = (0.0, 0.0, 0.0);
    scenario.shots[0].hook_travel_m = 0.0;
    let world = World::new(&scenario).unwrap();
    let phases = world.phases()[0];
    let d = scenario.archer.forearm_m();
    let mut t = phases.raise_s;
    while t < phases.still_s {
        assert!(((world.elbow(t) - world.hook(t)).norm() - d).abs() < 1e-12);
        t += 0.01;
    }
    let hook = world.hook(phases.expansion_s);
    assert!((world.hook(phases.release_s) - hook).norm() < 1e-9);
    // A rigid forearm about a resting hook moves the elbow toward the target by (r1² − r0²)/2d.
    let (point, line) = world.arrow_line();
    let away = |p: Point3<f64>| -(p - point).dot(&line);
    let r = |p: Point3<f64>| (p - point).cross(&line).norm();
    let (e0, e1) = (
        world.elbow(phases.expansion_s),
        world.elbow(phases.release_s),
    );
    let expected = (r(e1).powi(2) - r(e0).powi(2)) / (2.0 * d);
    assert!(((away(e0) - away(e1)) - expected).abs() < 2e-5);
}

#[test]
fn a_collapse_has_its_depth_and_a_stall_stands() {
    let mut scenario = still_scene();
    (
        scenario.archer.tremor_m,
        scenario.archer.sway_m,
        scenario.archer.breathing_m,
    ) = (0.0, 0.0, 0.0);
    let mut shot = good_shot(1.0);
    shot.draw_s = 1.6;
    shot.faults = vec![
        FaultPlan::Slow {
            after_s: 0.6,
            length_s: 0.3,
            speed_m_s: 0.0,
            push_m: 0.0,
        },
        FaultPlan::Collapse {
            phase: CollapsePhase::Expansion,
            after_s: 0.6,
            length_s: 0.35,
            depth_m: 0.009,
        },
    ];
    scenario.shots = vec![shot];
    let world = World::new(&scenario).unwrap();
    let phases = world.phases()[0];
    let (point, line) = world.arrow_line();
    let away = |t: f64| -(world.hook(t) - point).dot(&line);
    let (mut highest, mut depth) = (f64::NEG_INFINITY, 0.0_f64);
    for k in 0..1500 {
        let t =
            phases.expansion_s + (phases.release_s - phases.expansion_s) * f64::from(k) / 1500.0;
        highest = highest.max(away(t));
        depth = depth.max(highest - away(t));
    }
    assert!((depth - 0.009).abs() < 1e-5, "{depth}");
    let start = phases.draw_s + 0.6;
    assert!((world.elbow(start + 0.3) - world.elbow(start)).norm() < 1e-4);
    assert!((world.elbow(start + 0.6) - world.elbow(start + 0.3)).norm() > 0.02);
}

#[test]
fn a_left_hander_is_the_mirror_image_and_yaml_comes_back() {
    let right = Scenario::club_five_three(3);
    let mut left = right.clone();
    left.archer.left_handed = true;
    let (a, b) = (World::new(&right).unwrap(), World::new(&left).unwrap());
    for t in [1.0, 22.5, 24.0, 27.0] {
        let (p, q) = (a.elbow(t), b.elbow(t));
        assert!((p.x - q.x).abs() + (p.y + q.y).abs() + (p.z - q.z).abs() < 1e-12);
    }
    assert_eq!(
        Scenario::from_yaml(&right.to_yaml().unwrap()).unwrap(),
        right
    );
    let wrong = right.to_yaml().unwrap().replace("seed:", "sead:");
    assert!(Scenario::from_yaml(&wrong).is_err());
}
