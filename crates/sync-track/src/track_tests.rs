//! From encoded video to sightings: a ball, a neighbour's ball, a flag and a spot of the marker's colour.
#![expect(
    clippy::print_stdout,
    reason = "measured figures are shown beside their limits"
)]

use crate::drawn::{Drawn, ball};
use crate::test_cameras::{camera, exact_rig};
use crate::{
    MarkerColour, MarkerRole, MarkerShape, MarkerSpec, NamedColour, TrackInput, TrackSettings,
    track,
};
use drawarc_footage::{ClipSettings, ClipWriter, Limits, Recording, TimeBase, VideoCodec};
use drawarc_rig::{BrownConrady, Camera, ClockModel, ImageSize, Lens, Shutter};
use nalgebra::{Point3, Vector2, Vector3};

const FRAMES: u32 = 100;
const RADIUS_M: f64 = 0.045;

fn small_camera(place: Point3<f64>) -> Camera {
    Camera {
        image_size: ImageSize {
            width_px: 384,
            height_px: 288,
        },
        lens: Lens::BrownConrady(BrownConrady::pinhole(400.0, 191.5, 143.5)),
        shutter: Shutter::global(0.002),
        ..camera(place, Point3::new(-0.2, 0.0, 1.4))
    }
}

fn elbow(t: f64) -> Point3<f64> {
    Point3::new(
        -0.1 - 0.25 * t,
        0.05 + 0.1 * t * t,
        1.2 + 0.3 * (1.5 * t).sin(),
    )
}

/// The next lane's archer does the same, a little later.
fn neighbour(t: f64) -> Point3<f64> {
    elbow(t - 0.2) + Vector3::new(0.1, 1.9, 0.0)
}

fn film(camera: &Camera, offset_s: f64, folder: &std::path::Path, index: usize) -> Recording {
    let path = folder.join(format!("{index}.mp4"));
    let settings = ClipSettings {
        width_px: 384,
        height_px: 288,
        codec: VideoCodec::H264,
        time_base: TimeBase::new(1, 6000).unwrap(),
        crf: 20,
        ..ClipSettings::default()
    };
    let mut writer = ClipWriter::create(&path, &settings).unwrap();
    for frame in 0..FRAMES {
        let t = f64::from(frame) / 60.0 + offset_s;
        let mut balls = Vec::new();
        // Nearest first: what is drawn first hides what follows.
        for point in [elbow(t), neighbour(t)] {
            let pixel = camera.pixel_from_range(&point).unwrap();
            let depth = (camera.camera_from_range * point).z;
            balls.push(ball(pixel.x, pixel.y, 400.0 * RADIUS_M / depth));
        }
        // A spot of the marker's size (another in each picture: one thing in both would be a marker's place), a fletching's small
        // one, and a flag.
        balls.push(ball(300.0, 60.0 + 50.0 * index as f64, 6.0));
        balls.push(ball(60.0, 200.0, 2.0));
        let mut flag = ball(70.0, 50.0, 1.0);
        flag.half_axes_px = Vector2::new(30.0, 22.0);
        balls.push(flag);
        if (40..50).contains(&frame) {
            // Something passes in front of the marker.
            let mut arm = ball(balls[0].centre_px.x, balls[0].centre_px.y, 14.0);
            arm.paint = [0.25, 0.25, 0.27];
            balls.insert(0, arm);
        }
        let drawn = Drawn {
            width: 384,
            height: 288,
            balls,
            seed: u64::from(frame),
            ..Drawn::default()
        };
        writer
            .push_frame(i64::from(frame) * 100, &drawn.picture())
            .unwrap();
    }
    writer.finish().unwrap();
    Recording::open(&[path], &Limits::default()).unwrap()
}

#[test]
#[expect(clippy::too_many_lines, reason = "one practice from film to sightings")]
fn the_marker_and_nothing_like_it_is_followed_through_encoded_video() {
    let folder = tempfile::tempdir().unwrap();
    let cameras = vec![
        small_camera(Point3::new(-2.4, -1.6, 1.5)),
        small_camera(Point3::new(0.3, -3.0, 1.9)),
    ];
    let offsets_s = [0.0, 0.007];
    let recordings: Vec<Recording> = cameras
        .iter()
        .enumerate()
        .map(|(index, camera)| film(camera, offsets_s[index], folder.path(), index))
        .collect();
    let rig = exact_rig(cameras);
    let markers = [MarkerSpec {
        role: MarkerRole::Elbow,
        shape: MarkerShape::Ball {
            diameter_m: 2.0 * RADIUS_M,
        },
        colour: MarkerColour::Named(NamedColour::Orange),
    }];
    let clocks = [ClockModel::identity(), ClockModel::constant(0.007, 1e-8)];
    let input = TrackInput {
        recordings: &recordings,
        rig: &rig,
        markers: &markers,
        windows: &[vec![], vec![]],
    };
    let mut told = Vec::new();
    let settings = TrackSettings::default();
    let series = track(&input, Some(&clocks), &settings, &mut |share| {
        told.push(share);
    })
    .unwrap();
    assert_eq!(told.last(), Some(&1.0));
    assert_eq!(series.len(), 2);
    for one in &series {
        assert_eq!(one.samples.len(), FRAMES as usize);
        let errors: Vec<Vector2<f64>> = one
            .seen()
            .map(|sample| {
                let t = sample.camera_s + offsets_s[one.camera];
                let truth = rig.cameras[one.camera].pixel_from_range(&elbow(t)).unwrap();
                sample.centre_px - truth
            })
            .collect();
        let mean = errors.iter().sum::<Vector2<f64>>() / errors.len().max(1) as f64;
        let rms =
            (errors.iter().map(Vector2::norm_squared).sum::<f64>() / errors.len() as f64 / 2.0)
                .sqrt();
        let worst = errors.iter().map(Vector2::norm).fold(0.0, f64::max);
        let said: Vec<String> = one
            .samples
            .iter()
            .filter(|s| !s.verdict.is_seen())
            .map(|s| format!("{}: {}", s.frame_index, s.verdict))
            .collect();
        println!(
            "camera {}: {} seen, rms {rms:.3} px an axis, bias ({:.3}, {:.3}) px, worst {worst:.3} px; {said:?}",
            one.camera,
            errors.len(),
            mean.x,
            mean.y
        );
        assert!(errors.len() >= 84, "{}", errors.len());
        assert!(rms < 0.2 && worst < 1.0);
        // Ten frames behind something: gaps are gaps.
        assert!((41..49).all(|frame| !one.samples[frame].verdict.is_seen()));
    }
    // The same without threads of its own.
    let again = track(
        &input,
        Some(&clocks),
        &TrackSettings {
            decode_threads: 1,
            ..settings
        },
        &mut |_| {},
    )
    .unwrap();
    assert_eq!(format!("{series:?}"), format!("{again:?}"));
    // A smaller marker of the same colour that nobody wears is not made out of the elbow's.
    let both = [
        markers[0],
        MarkerSpec {
            role: MarkerRole::Nock,
            shape: MarkerShape::Ball {
                diameter_m: 1.5 * RADIUS_M,
            },
            ..markers[0]
        },
    ];
    let input = TrackInput {
        markers: &both,
        ..input
    };
    let with_nock = track(&input, Some(&clocks), &settings, &mut |_| {}).unwrap();
    assert_eq!(with_nock.len(), 4);
    for one in with_nock {
        let seen = one.seen().count();
        assert_eq!(seen > 0, one.role == MarkerRole::Elbow, "{:?}", one.role);
    }
}
