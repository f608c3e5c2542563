//! Every parser of the house, fed with bytes. Each function panics where something is wrong, and only then.

use crate::pipeline::Pipeline;
use crate::practice::Practice;
use drawarc_calibration::Board;
use drawarc_range_sim::Scenario;
use drawarc_report::Corrections;
use drawarc_report::export::{C3dEvent, C3dPoint, C3dSample, C3dTrial, SheetFile};
use drawarc_rig::{ClockModel, Rig};
use drawarc_study::agreement::StudyFile;
use drawarc_study::forecast::RigSketch;
use drawarc_sync_track::SightingSeries;
use nalgebra::{Point2, Point3};

/// A target: reads bytes, panics where something is wrong.
pub type Target = fn(&[u8]);

/// Every target with its name, for whoever runs the corpus.
#[allow(dead_code, reason = "the fuzzing programs name theirs")]
pub const ALL: [(&str, Target); 10] = [
    ("rig", rig),
    ("board", board),
    ("practice", practice),
    ("pipeline", pipeline),
    ("corrections", corrections),
    ("sketch", sketch),
    ("study", study),
    ("scenario", scenario),
    ("results", results),
    ("c3d", c3d),
];

/// A rig file: comes back as it was written, and its cameras project.
pub fn rig(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    let Ok(rig) = Rig::from_yaml(text) else {
        return;
    };
    let written = rig.to_yaml().expect("what was read can be written");
    let again = Rig::from_yaml(&written).expect("what was written can be read");
    assert_eq!(again.to_yaml().expect("again"), written);
    for camera in &rig.cameras {
        let size = camera.image_size;
        let middle = Point2::new(f64::from(size.width_px), f64::from(size.height_px)) / 2.0;
        let _ = camera.ray_in_range(&middle);
        let _ = camera.pixel_from_range(&Point3::new(0.1, -0.2, 1.3));
        assert!(
            camera
                .centre_in_range()
                .iter()
                .all(|value| value.is_finite())
        );
    }
}

/// A board.
pub fn board(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    if let Ok(board) = Board::from_yaml(text) {
        let written = board.to_yaml().expect("what was read can be written");
        let again = Board::from_yaml(&written).expect("what was written can be read");
        assert_eq!(again.to_yaml().expect("again"), written);
    }
}

/// A practice manifest.
pub fn practice(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    if let Ok(practice) = Practice::parse(text) {
        let written = practice.to_yaml().expect("what was read can be written");
        let again = Practice::parse(&written).expect("what was written can be read");
        assert_eq!(again.to_yaml().expect("again"), written);
    }
}

/// A pipeline.
pub fn pipeline(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    if let Ok(pipeline) = Pipeline::parse(text) {
        let written = serde_yaml::to_string(&pipeline).expect("what was read can be written");
        let again = Pipeline::parse(&written).expect("what was written can be read");
        assert_eq!(serde_yaml::to_string(&again).expect("again"), written);
    }
}

/// Corrections.
pub fn corrections(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    if let Ok(corrections) = Corrections::from_yaml(text) {
        let written = serde_yaml::to_string(&corrections).expect("what was read can be written");
        let again = Corrections::from_yaml(&written).expect("what was written can be read");
        assert_eq!(again, corrections);
    }
}

/// A sketch of a rig; its cameras can be made.
pub fn sketch(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    let Ok(sketch) = RigSketch::from_yaml(text) else {
        return;
    };
    let written = sketch.to_yaml().expect("what was read can be written");
    let again = RigSketch::from_yaml(&written).expect("what was written can be read");
    assert_eq!(again.to_yaml().expect("again"), written);
    for camera in sketch.cameras() {
        assert!(camera.validate().is_ok(), "{text}");
    }
}

/// A study of agreement.
pub fn study(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    if let Ok(study) = StudyFile::from_yaml(text) {
        let written = study.to_yaml().expect("what was read can be written");
        let again = StudyFile::from_yaml(&written).expect("what was written can be read");
        assert_eq!(again.to_yaml().expect("again"), written);
        let _ = (study.estimates_in_force(), study.measures_in_force());
    }
}

/// A simulated practice.
pub fn scenario(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    if let Ok(scenario) = Scenario::from_yaml(text) {
        let written = scenario.to_yaml().expect("what was read can be written");
        assert_eq!(
            Scenario::from_yaml(&written).expect("what was written can be read"),
            scenario
        );
    }
}

/// Files of a results folder: clocks, sightings, sheets.
pub fn results(bytes: &[u8]) {
    if let Ok(clocks) = serde_json::from_slice::<Vec<ClockModel>>(bytes) {
        for clock in clocks {
            let _ = (clock.range_from_camera(1.0), clock.camera_from_range(1.0));
            let _ = (clock.rate_at(1.0), clock.variance_at(1.0));
        }
    }
    if let Ok(series) = serde_json::from_slice::<Vec<SightingSeries>>(bytes) {
        let written = serde_json::to_vec(&series).expect("what was read can be written");
        let again: Vec<SightingSeries> =
            serde_json::from_slice(&written).expect("what was written can be read");
        let written_again = serde_json::to_vec(&again).expect("again");
        assert_eq!(written_again, written);
    }
    if let Ok(sheets) = serde_json::from_slice::<SheetFile>(bytes) {
        let written = sheets.to_json().expect("what was read can be written");
        let again: SheetFile =
            serde_json::from_str(&written).expect("what was written can be read");
        assert!(again == sheets);
    }
}

/// C3D there and back: a recording is made from the bytes, written, and read by the file's own words.
pub fn c3d(bytes: &[u8]) {
    let mut from = bytes.iter().copied();
    let mut byte = || from.next().unwrap_or(0);
    let point_count = usize::from(byte() % 6);
    let frames = usize::from(byte());
    let mut text = |longest: u8| -> String {
        let length = byte() % longest;
        (0..length).map(|_| char::from(byte())).collect()
    };
    let names: Vec<[String; 2]> = (0..point_count).map(|_| [text(40), text(200)]).collect();
    let events: Vec<[String; 2]> = (0..text(30).len()).map(|_| [text(30), text(30)]).collect();
    let (subject, version) = (text(100), text(20));
    let mut number = || f64::from(f32::from_le_bytes([byte(), byte(), byte(), byte()]));
    let trial = C3dTrial {
        rate_hz: number(),
        start_s: number(),
        subject,
        version,
        points: names
            .into_iter()
            .map(|[label, description]| C3dPoint {
                label,
                description,
                samples: (0..frames)
                    .map(|frame| {
                        (frame % 3 != 2).then(|| C3dSample {
                            position_mm: [number(), number(), number()],
                            residual_mm: number(),
                            cameras: frame.to_le_bytes()[0],
                        })
                    })
                    .collect(),
            })
            .collect(),
        events: events
            .into_iter()
            .map(|[label, context]| C3dEvent {
                label,
                context,
                time_s: number(),
            })
            .collect(),
    };
    let Ok(file) = trial.to_bytes() else { return };
    let word = |place: usize| u16::from_le_bytes([file[2 * place - 2], file[2 * place - 1]]);
    let real = |at: usize| {
        f32::from_le_bytes(
            file[at..at + 4]
                .try_into()
                .expect("four bytes of a real number"),
        )
    };
    assert_eq!((file[0], file[1]), (2, 80));
    assert_eq!(usize::from(word(2)), trial.points.len());
    assert_eq!(usize::from(word(5)), frames);
    let data = 512 * (usize::from(word(9)) - 1);
    let section = parameters(&file[512..data]);
    assert!(section >= 20, "{section} parameters");
    for frame in 0..frames {
        for (index, point) in trial.points.iter().enumerate() {
            let at = data + 16 * (frame * trial.points.len() + index);
            let measured =
                point.samples[frame].filter(|s| s.position_mm.iter().all(|v| v.is_finite()));
            match measured {
                None => assert!((real(at + 12) + 1.0).abs() < f32::EPSILON),
                Some(sample) => {
                    assert!(real(at + 12) >= 0.0, "{sample:?}");
                    for (axis, expected) in sample.position_mm.iter().enumerate() {
                        assert_eq!(f64::from(real(at + 4 * axis)).to_bits(), expected.to_bits());
                    }
                }
            }
        }
    }
}

/// Walks through a parameter section by its own lengths; how many parameters there are.
fn parameters(section: &[u8]) -> usize {
    let (mut at, mut count) = (4, 0);
    loop {
        let name = usize::from(section[at].cast_signed().unsigned_abs());
        if name == 0 {
            return count;
        }
        let id = section[at + 1].cast_signed();
        let letters = &section[at + 2..at + 2 + name];
        assert!(letters.iter().all(u8::is_ascii), "{letters:?}");
        let link = at + 2 + name;
        let next = usize::from(u16::from_le_bytes([section[link], section[link + 1]]));
        count += usize::from(id > 0);
        if next == 0 {
            return count;
        }
        if id > 0 {
            let (kind, dimensions) = (
                section[link + 2].cast_signed(),
                usize::from(section[link + 3]),
            );
            let sizes = &section[link + 4..link + 4 + dimensions];
            let items: usize = sizes.iter().map(|&size| usize::from(size)).product();
            let data = items * usize::from(kind.unsigned_abs());
            let text = link + 4 + dimensions + data;
            let end = text + 1 + usize::from(section[text]);
            assert_eq!(link + next, end, "the length of a parameter");
        }
        at = link + next;
    }
}
