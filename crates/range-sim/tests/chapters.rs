//! A recording that the camera split into chapters: joined again, every frame and every sound has its instant.

use drawarc_footage::{Limits, Recording};
use drawarc_range_sim::{Scenario, TICKS_PER_SECOND, World, render};
use drawarc_rig::{BrownConrady, ImageSize, Lens};

/// A small picture and no jitter, so that the end of a chapter is exact.
fn small() -> Scenario {
    let mut scenario = Scenario::club_five_three(3);
    scenario.board = None;
    scenario.neighbour = false;
    scenario = scenario.shortened();
    scenario.end_s = 2.5;
    scenario.cameras.truncate(1);
    let camera = &mut scenario.cameras[0];
    camera.image_size = ImageSize {
        width_px: 128,
        height_px: 72,
    };
    camera.lens = Lens::BrownConrady(BrownConrady {
        fx_px: 100.0,
        fy_px: 100.0,
        cx_px: 63.5,
        cy_px: 35.5,
        k1: 0.0,
        k2: 0.0,
        k3: 0.0,
        p1: 0.0,
        p2: 0.0,
    });
    camera.clock.jitter_s = 0.0;
    camera.chapters_at_s = vec![0.8, 1.7];
    scenario
}

#[test]
fn chapters_join_to_one_clock() {
    let scenario = small();
    let folder = tempfile::tempdir().unwrap();
    let rendered = render(&scenario, folder.path(), &mut |_| {}).unwrap();
    assert_eq!(rendered.videos[0].len(), 3);
    let recording = Recording::open(&rendered.videos[0], &Limits::default()).unwrap();
    let mut frames = recording.frames(1).unwrap();
    let mut times = Vec::new();
    while let Some(frame) = frames.next_frame().unwrap() {
        times.push(frame.time_s);
    }
    let world = World::new(&scenario).unwrap();
    let truth: Vec<f64> = world
        .frame_ticks(0)
        .iter()
        .map(|&tick| tick as f64 / f64::from(TICKS_PER_SECOND))
        .collect();
    assert_eq!(times.len(), truth.len());
    for (time, true_s) in times.iter().zip(&truth) {
        assert!((time - true_s).abs() < 1e-4, "{time} {true_s}");
    }
    // The clap stands at 1.0 s, in the second chapter, as late as the sound's way makes it.
    let heard = recording.sound(48_000).unwrap().unwrap();
    let (loudest, _) = heard
        .samples
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
        .unwrap();
    let heard_s = heard.start_s + loudest as f64 / 48_000.0;
    let noise = &world.noises()[0];
    let arrival_s = drawarc_range_sim::arrival_s(
        noise,
        &world.views[0].centre_in_range(),
        scenario.air_temperature_c,
    );
    assert!((heard_s - arrival_s).abs() < 0.003, "{heard_s} {arrival_s}");
}

#[test]
fn chapters_out_of_order_are_refused() {
    let mut scenario = small();
    scenario.cameras[0].chapters_at_s = vec![1.7, 0.8];
    assert!(World::new(&scenario).is_err());
}
