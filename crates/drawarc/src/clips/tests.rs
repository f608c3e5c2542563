//! Whole clips from films that are drawn here: a dark disc goes where the elbow is, and a bar above it tells the time.

#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "pixels and levels of small pictures"
)]

use super::*;
use crate::clips::canvas::{ACCENT, LIGHT, PAPER};
use drawarc_footage::{ClipSettings, ClipWriter, Footage, Limits, Picture};
use drawarc_rig::{BrownConrady, ImageSize, Lens, Level, RangeFrame, Shutter, SurveySummary};
use nalgebra::{DMatrix, Isometry3, Matrix3, Point2, Point3, Rotation3, UnitQuaternion};

const RATE_HZ: f64 = 60.0;
/// The second camera's clock runs so much behind range time (s).
const LAG_S: f64 = 0.3;
const DISC_PX: f64 = 14.0;
const DISC_LUMA: u8 = 60;
/// The bar's speed (px/s) and half its width (px).
const BAR_PX_S: f64 = 100.0;
const BAR_PX: f64 = 4.0;

/// A camera 3 m away at 3 o'clock, 1.4 m high; `turned` stores its picture on its side.
fn camera(name: &str, turned: bool) -> Camera {
    let upright = Matrix3::new(1.0, 0.0, 0.0, 0.0, 0.0, -1.0, 0.0, 1.0, 0.0);
    // Shown turned clockwise by 90°, the stored picture's x runs up: stored x = upright y, stored y = −upright x.
    let stored = Matrix3::new(0.0, 1.0, 0.0, -1.0, 0.0, 0.0, 0.0, 0.0, 1.0);
    let rotation = if turned { stored * upright } else { upright };
    let rotation =
        UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(rotation));
    let centre = Point3::new(0.0, -3.0, 1.4);
    Camera {
        name: name.to_owned(),
        image_size: ImageSize {
            width_px: 720,
            height_px: 640,
        },
        rotation_deg: if turned { 90 } else { 0 },
        lens: Lens::BrownConrady(BrownConrady::pinhole(700.0, 359.5, 319.5)),
        shutter: Shutter::rolling(if turned { 0.016 } else { 0.0 }, 0.002),
        camera_from_range: Isometry3::from_parts(
            nalgebra::Translation3::from(-(rotation * centre.coords)),
            rotation,
        ),
    }
}

/// Where the elbow is at a range time: as in [`shot::tests::shot`].
fn elbow(time_s: f64) -> Point3<f64> {
    Point3::new(-0.2 * (time_s - 1.5), 0.0, 1.4)
}

/// Column of the bar in the upright picture at a range time (px).
fn bar_px(time_s: f64) -> f64 {
    260.0 + BAR_PX_S * time_s
}

/// The time that the bar in a clip's picture tells, in which columns begin at `left` and show the film's from `from_px`
/// on.
fn told_s(picture: &Picture, (left, width): (usize, usize), from_px: f64) -> f64 {
    let dark = |x: usize| (110.0 - luma(picture, (left + x) as f64, 4.0)).max(0.0);
    let (sum, moment) = (0..width).fold((0.0, 0.0), |(sum, moment), x| {
        (sum + dark(x), moment + dark(x) * x as f64)
    });
    (moment / sum + from_px - 260.0) / BAR_PX_S
}

/// Films the disc for 3.5 s; the camera's clock reads range time less `lag_s`. The background is so bright: `background`.
fn film(path: &Path, camera: &Camera, lag_s: f64, background: u8) {
    let size = camera.image_size;
    let settings = ClipSettings {
        width_px: size.width_px,
        height_px: size.height_px,
        rotation_deg: camera.rotation_deg,
        preset: "ultrafast".to_owned(),
        crf: 8,
        nominal_rate_hz: RATE_HZ,
        ..ClipSettings::default()
    };
    let mut writer = ClipWriter::create(path, &settings).unwrap();
    for frame in 0..210_i64 {
        let time_s = frame as f64 / RATE_HZ + lag_s;
        let mut picture = Picture::new(size.width_px, size.height_px, 8);
        let mut at = camera.pixel_from_range(&elbow(time_s)).unwrap();
        // Each row at its own instant: the disc is small, so its middle row's will do.
        for _ in 0..3 {
            let delay_s = camera.shutter.row_delay_s(at.y, size.height_px);
            at = camera.pixel_from_range(&elbow(time_s + delay_s)).unwrap();
        }
        let luma = picture.luma.as_u8_mut().unwrap();
        for (index, sample) in luma.iter_mut().enumerate() {
            let (x, y) = (
                index % size.width_px as usize,
                index / size.width_px as usize,
            );
            let pixel = Point2::new(x as f64, y as f64);
            let shown = crate::cut::upright(camera, &pixel);
            let high = shown.y < 240.0 + f64::from(camera.rotation_deg) / 3.0;
            *sample = if (pixel - at).norm() < DISC_PX {
                DISC_LUMA
            } else if high && (shown.x - bar_px(time_s)).abs() < BAR_PX {
                20
            } else {
                background
            };
        }
        writer.push_frame(frame * 1500, &picture).unwrap();
    }
    writer.finish().unwrap();
}

/// A results folder of two films, and the practice. `pictures`: whether the run allowed them.
struct Evening {
    folder: tempfile::TempDir,
    practice: Practice,
}

impl Evening {
    fn new(pictures: bool, background: u8) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let cameras = [camera("five", false), camera("<script>", true)];
        film(&folder.path().join("a.mp4"), &cameras[0], 0.0, background);
        film(&folder.path().join("b.mp4"), &cameras[1], LAG_S, background);
        let practice: Practice = serde_yaml::from_str(&format!(
            "{{format: drawarc-practice/1, title: t, date: 2026-05-14, board: b.yaml, \
             cameras: [{{name: five, files: [{0}/a.mp4]}}, {{name: '<script>', files: [{0}/b.mp4]}}], \
             turns: [{{archer: Kestrel, handedness: right, height_cm: 170}}]}}",
            folder.path().display()
        ))
        .unwrap();
        let recordings = Recordings::open(&practice).unwrap();
        let results = folder.path().join("results");
        std::fs::create_dir(&results).unwrap();
        let parameters: usize = cameras.iter().map(Camera::parameter_count).sum();
        let rig = Rig {
            cameras: cameras.to_vec(),
            range_frame: RangeFrame::BoardOnLine { views: 12 },
            level: Level::AssumedFromBoard,
            survey: SurveySummary {
                residual_px: vec![0.1; 2],
                views: vec![30; 2],
                corner_sd_px: vec![0.1; 2],
                ended: String::new(),
                scale_sd_percent: 0.05,
                remarks: vec![],
            },
            covariance: DMatrix::identity(parameters, parameters) * 1e-9,
        };
        std::fs::write(results.join("rig.yaml"), rig.to_yaml().unwrap()).unwrap();
        let clocks = [ClockModel::identity(), ClockModel::constant(LAG_S, 1e-9)];
        std::fs::write(
            results.join("clocks.json"),
            serde_json::to_vec(&clocks).unwrap(),
        )
        .unwrap();
        let inputs: Vec<_> = recordings
            .files
            .iter()
            .map(|(name, key)| serde_json::json!({"name": name, "sha256": key.text()}))
            .collect();
        // The second shot is the first, told 0.25 s later.
        let first = shot::tests::json("It gave way 9 mm toward the target.");
        let mut second = first.clone();
        second["id"] = "shot-03".into();
        second["release"]["time_s"]["value"] = 2.15.into();
        let sheets = serde_json::json!({
            "format": "drawarc-sheet/1",
            "provenance": {
                "settings": {"pipeline.sheet.pictures": pictures.to_string()},
                "inputs": inputs,
            },
            "shots": [first, second],
        });
        std::fs::write(results.join("sheet.json"), sheets.to_string()).unwrap();
        std::fs::write(results.join(forget::INDEX), "{\"archers\": []}").unwrap();
        Self { folder, practice }
    }

    fn results(&self) -> PathBuf {
        self.folder.path().join("results")
    }

    fn make(&self, choice: &Choice) -> Vec<PathBuf> {
        let store = Store::open(&self.results(), "t", true).unwrap();
        let recordings = Recordings::open(&self.practice).unwrap();
        make(&store, &self.practice, &recordings, choice).unwrap()
    }
}

/// All frames of a clip.
fn frames(path: &Path) -> Vec<(f64, Picture)> {
    let clip = Footage::open(path, &Limits::default()).unwrap();
    let mut reader = clip.frames(1).unwrap();
    let mut all = Vec::new();
    while let Some(frame) = reader.next_frame().unwrap() {
        all.push((frame.time_s, frame.picture.to_picture()));
    }
    all
}

fn luma(picture: &Picture, x: f64, y: f64) -> f64 {
    f64::from(
        picture
            .luma
            .view()
            .get(x.round() as usize, y.round() as usize),
    )
}

/// Is the place near the colour of an ink, in brightness?
fn near(seen: f64, ink: u8) -> bool {
    (seen - f64::from(ink)).abs() < 45.0
}

#[test]
fn the_trace_lies_on_the_elbow_in_every_frame_and_camera() {
    let evening = Evening::new(true, 120);
    let files = evening.make(&Choice {
        shots: vec![2],
        ..Choice::default()
    });
    let names: Vec<_> = files.iter().map(|file| file.file_name().unwrap()).collect();
    assert_eq!(names, ["shot-02-five.mp4", "shot-02-script.mp4"]);
    let sheets = Sheets::read(&evening.results()).unwrap();
    let way = sheets.shots[0].way();
    for (file, camera) in files.iter().zip([camera("five", false), camera("x", true)]) {
        let framing = Framing::around(&camera, &[&way], LONGEST_PX);
        let all = frames(file);
        // 2.5 s at 60 a second, and the edges.
        assert!((149..=152).contains(&all.len()), "{} frames", all.len());
        let from_px = f64::from(framing.from_px.0);
        let height_px = camera.image_size.height_px;
        let (mut followed, mut traced) = (0, 0);
        for (_, picture) in &all {
            let frame_s = told_s(picture, (0, framing.to_px.0 as usize), from_px);
            let row_px = camera.pixel_from_range(&elbow(frame_s)).unwrap().y;
            let time_s = frame_s + camera.shutter.row_delay_s(row_px, height_px);
            let (spot, _) = framing.place(&camera, &elbow(time_s)).unwrap();
            let seen = |x: f64, y: f64| luma(picture, spot.0 + x, spot.1 + y);
            // The disc is there, below the ring (above stands the mark), and the background beyond it.
            assert!(seen(0.0, 10.5) < 80.0, "{time_s}: {}", seen(0.0, 10.5));
            assert!(
                (seen(0.0, 19.0) - 120.0).abs() < 12.0,
                "{time_s}: {}",
                seen(0.0, 19.0)
            );
            if !(0.7..2.6).contains(&time_s) {
                continue;
            }
            let ring = 4.0 * (f64::from(framing.to_px.0) / 480.0).clamp(1.0, 3.0);
            let light = [
                (0.0, ring),
                (0.7 * ring, 0.7 * ring),
                (-0.7 * ring, 0.7 * ring),
            ]
            .into_iter()
            .filter(|(x, y)| seen(*x, *y) > 135.0)
            .count();
            followed += usize::from(light == 3);
            // Where the elbow was 0.2 s ago the line is light, or in the fault's colour.
            let before = framing.place(&camera, &elbow(time_s - 0.2)).unwrap().0;
            let colour = if (1.92..2.08).contains(&(time_s - 0.2)) {
                ACCENT
            } else {
                LIGHT
            };
            traced += usize::from(near(luma(picture, before.0, before.1), colour.luma()));
        }
        // 1.9 s are 114 frames; at the ends of the fault the line is between the two colours.
        assert!(followed >= 110, "the ring is there in {followed} frames");
        assert!(traced >= 104, "the line is there in {traced} frames");
    }
}

#[test]
fn a_clip_plays_on_a_phone() {
    let evening = Evening::new(true, 120);
    let files = evening.make(&Choice {
        shots: vec![2],
        cameras: vec!["five".to_owned()],
        ..Choice::default()
    });
    let probed = std::process::Command::new("ffprobe")
        .args(["-v", "error", "-count_frames", "-select_streams", "v:0"])
        .args([
            "-show_entries",
            "stream=codec_name,pix_fmt,nb_read_frames,width,height",
        ])
        .args(["-of", "json"])
        .arg(&files[0])
        .output()
        .unwrap();
    let probed: serde_json::Value = serde_json::from_slice(&probed.stdout).unwrap();
    let stream = &probed["streams"][0];
    assert_eq!(
        (&stream["codec_name"], &stream["pix_fmt"]),
        (&"h264".into(), &"yuv420p".into())
    );
    let number = |key: &str| -> u64 {
        let value = &stream[key];
        value
            .as_u64()
            .or_else(|| value.as_str()?.parse().ok())
            .unwrap()
    };
    assert_eq!(number("nb_read_frames"), frames(&files[0]).len() as u64);
    assert!(number("width") % 2 == 0 && number("height") % 2 == 0);
    // The index stands before the pictures: the clip plays before it is loaded.
    let bytes = std::fs::read(&files[0]).unwrap();
    let place = |name: &[u8]| bytes.windows(4).position(|four| four == name).unwrap();
    assert!(place(b"moov") < place(b"mdat"));
}

#[test]
fn the_fault_is_shown_in_slow_motion() {
    let evening = Evening::new(true, 120);
    let files = evening.make(&Choice {
        shots: vec![2],
        cameras: vec!["five".to_owned()],
        ..Choice::default()
    });
    let all = frames(&files[0]);
    let way = Sheets::read(&evening.results()).unwrap().shots[0].way();
    let framing = Framing::around(&camera("five", false), &[&way], LONGEST_PX);
    let told = |picture: &Picture| {
        let columns = (0, framing.to_px.0 as usize);
        told_s(picture, columns, f64::from(framing.from_px.0))
    };
    let steps: Vec<(f64, f64)> = all
        .windows(2)
        .map(|pair| (told(&pair[0].1), pair[1].0 - pair[0].0))
        .collect();
    let mean = |from: f64, to: f64| {
        let some: Vec<f64> = steps
            .iter()
            .filter(|(time_s, _)| (from..to).contains(time_s))
            .map(|step| step.1)
            .collect();
        some.iter().sum::<f64>() / some.len() as f64 * RATE_HZ
    };
    assert!((mean(0.5, 1.4) - 1.0).abs() < 0.01, "{}", mean(0.5, 1.4));
    assert!(
        (mean(1.95, 2.05) - 4.0).abs() < 0.05,
        "{}",
        mean(1.95, 2.05)
    );
}

#[test]
fn two_shots_stand_beside_each_other_at_the_same_moment() {
    let evening = Evening::new(true, 120);
    let files = evening.make(&Choice {
        beside: Some((2, 3, Moment::Release)),
        cameras: vec!["five".to_owned()],
        ..Choice::default()
    });
    assert!(files[0].ends_with("clips/shot-02-and-shot-03-five.mp4"));
    let all = frames(&files[0]);
    let width = all[0].1.width();
    let one = (width - BETWEEN_PX) / 2;
    let mut apart = Vec::new();
    for (_, picture) in &all {
        let told = |left: usize| told_s(picture, (left, one), 0.0);
        apart.push(told(0) - told(one + BETWEEN_PX));
    }
    // Release 2.4 s and 2.15 s: the left film is 0.25 s ahead in every frame, by half a frame (8 ms) at most more or less.
    assert!(apart.len() > 150);
    assert!(
        apart.iter().all(|apart| (apart - 0.25).abs() < 0.0125),
        "{apart:.3?}"
    );
}

/// The largest difference in brightness between two clips (levels), frame by frame. Bytes are no measure: from the same
/// pictures the encoder made files that differ by up to 10 levels in single samples at edges.
fn apart(one: &[(f64, Picture)], other: &[(f64, Picture)]) -> u8 {
    assert_eq!(one.len(), other.len());
    one.iter()
        .zip(other)
        .flat_map(|(a, b)| {
            let (a, b) = (a.1.luma.as_u8().unwrap(), b.1.luma.as_u8().unwrap());
            a.iter().zip(b).map(|(a, b)| a.abs_diff(*b))
        })
        .max()
        .unwrap()
}

#[test]
fn without_faces_nothing_of_the_film_is_in_the_clip() {
    let choice = Choice {
        shots: vec![2],
        cameras: vec!["five".to_owned()],
        no_faces: true,
        ..Choice::default()
    };
    let drawn: Vec<_> = [120, 160]
        .into_iter()
        .map(|background| frames(&Evening::new(true, background).make(&choice)[0]))
        .collect();
    assert!(drawn[0].len() > 140, "{} frames", drawn[0].len());
    assert!((luma(&drawn[0][20].1, 4.0, 4.0) - f64::from(PAPER.luma())).abs() < 4.0);
    // The films stand 40 levels apart; half of that would be a trace of them.
    let films = apart(&drawn[0], &drawn[1]);
    assert!(films < 20, "two films, one drawing: {films} levels apart");
    // A run without faces is enough: its folder never gets pictures of people again.
    let evening = Evening::new(false, 120);
    let files = evening.make(&Choice {
        no_faces: false,
        ..choice.clone()
    });
    assert!(apart(&drawn[0], &frames(&files[0])) < 20);
    // And the test can tell: with pictures the films are all over the clip.
    let filmed = frames(
        &Evening::new(true, 120).make(&Choice {
            no_faces: false,
            ..choice
        })[0],
    );
    assert!((luma(&filmed[20].1, 4.0, 4.0) - 120.0).abs() < 12.0);
}

#[test]
fn clips_are_listed_for_whom_they_show_and_films_of_another_evening_are_refused() {
    let evening = Evening::new(true, 120);
    evening.make(&Choice {
        shots: vec![2],
        cameras: vec!["five".to_owned()],
        ..Choice::default()
    });
    let index = std::fs::read_to_string(evening.results().join(forget::INDEX)).unwrap();
    assert!(
        index.contains("Kestrel") && index.contains("clips/shot-02-five.mp4"),
        "{index}"
    );
    film(
        &evening.folder.path().join("a.mp4"),
        &camera("five", false),
        0.0,
        125,
    );
    let store = Store::open(&evening.results(), "t", true).unwrap();
    let recordings = Recordings::open(&evening.practice).unwrap();
    let problem = make(&store, &evening.practice, &recordings, &Choice::default()).unwrap_err();
    assert!(problem.to_string().contains("a.mp4"), "{problem}");
}
