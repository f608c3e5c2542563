//! A simulated range: two phones with rolling shutters and clocks that differ, and a board that is waved about and laid down.
#![allow(dead_code, reason = "each test file uses its own part")]
#![allow(clippy::print_stdout, reason = "it prints what was drawn on")]

use drawarc_calibration::{
    Board, BoardSighting, FrameChoice, LensChoice, SurveyCamera, SurveyInput, SurveySettings,
};
use drawarc_rig::{BrownConrady, Camera, ClockModel, ImageSize, Lens, Shutter};
use nalgebra::{
    Isometry3, Matrix2x3, Point2, Point3, Rotation3, Translation3, UnitQuaternion, Vector2, Vector3,
};
use rand::{Rng as _, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use std::collections::BTreeSet;

pub(crate) const SIZE: ImageSize = ImageSize {
    width_px: 1920,
    height_px: 1080,
};
pub(crate) const RATE_HZ: f64 = 60.0;
/// The board is laid on the line at this range time (s).
pub(crate) const LAID_S: f64 = 24.0;
pub(crate) const END_S: f64 = 28.0;

pub(crate) fn board() -> Board {
    Board {
        pitch_sd: 0.0,
        ..Board::new("A3", 9, 6, 0.04).unwrap()
    }
}

/// A camera at `eye` that looks at `target`, upright.
pub(crate) fn looking(name: &str, eye: Point3<f64>, target: Point3<f64>, readout_s: f64) -> Camera {
    let forward = (target - eye).normalize();
    let right = forward.cross(&Vector3::z()).normalize();
    let down = forward.cross(&right);
    let range_from_camera = Rotation3::from_basis_unchecked(&[right, down, forward]);
    let rotation = UnitQuaternion::from_rotation_matrix(&range_from_camera).inverse();
    let camera_from_range =
        Isometry3::from_parts(Translation3::from(-(rotation * eye.coords)), rotation);
    Camera {
        name: name.to_owned(),
        image_size: SIZE,
        rotation_deg: 0,
        lens: Lens::BrownConrady(BrownConrady {
            fy_px: 1492.0,
            k1: 0.09,
            k2: -0.2,
            p1: 0.0004,
            p2: -0.0006,
            ..BrownConrady::pinhole(1490.0, 968.0, 533.0)
        }),
        shutter: Shutter::rolling(readout_s, 0.002),
        camera_from_range,
    }
}

pub(crate) fn phones(readout_s: f64) -> Vec<Camera> {
    let target = Point3::new(0.0, 0.0, 1.1);
    vec![
        looking("three", Point3::new(0.1, -3.2, 1.35), target, readout_s),
        looking(
            "five",
            Point3::new(-2.6, -1.7, 1.7),
            target,
            readout_s * 0.8,
        ),
    ]
}

/// `range_from_board` at a range time: waved about, then flat on the ground with its middle at the origin.
pub(crate) fn held(time_s: f64, speed: f64) -> Isometry3<f64> {
    let middle = board().centre();
    if time_s >= LAID_S {
        return Isometry3::translation(-middle.x, -middle.y, 0.0);
    }
    let t = time_s * speed;
    let at = Vector3::new(
        0.75 * (0.9 * t).sin(),
        0.9 * (0.37 * t + 1.0).sin(),
        1.15 + 0.62 * (0.61 * t + 0.3).sin(),
    );
    // Upright, printed side toward the cameras' side (−y and −x), then tilted about.
    let facing = Rotation3::from_euler_angles(std::f64::consts::FRAC_PI_2, 0.0, -0.45);
    let tilt = Rotation3::from_euler_angles(
        0.55 * (1.3 * t).sin(),
        0.55 * (1.07 * t + 0.5).sin(),
        0.9 * (0.5 * t).sin(),
    );
    let rotation = UnitQuaternion::from_rotation_matrix(&(facing * tilt));
    Isometry3::from_parts(Translation3::from(at), rotation)
        * Isometry3::translation(-middle.x, -middle.y, 0.0)
}

/// Corner errors of one burst as measured on film: three frames, corner by corner (px).
pub(crate) type FilmedBurst = [Vec<Vector2<f64>>; 3];

/// Errors of whole bursts, measured on rendered film against where the corners truly were: `cargo xtask bench --survey` writes
/// them, a line each.
#[derive(Debug, Default)]
pub(crate) struct FilmedErrors {
    moving: Vec<FilmedBurst>,
    resting: Vec<FilmedBurst>,
}

/// A board that is held moves by more than this (px a frame); one that lies moves by nothing. A slow board is none that lies:
/// an encoder leaves out what hardly changes, so that all corners trail together by up to 0.02 px.
const HELD_PX: f64 = 0.005;
/// A burst whose corners err by more (px) is none of the board: the survey leaves such views out by another rule.
const WRONG_PX: f64 = 1.0;

impl FilmedErrors {
    /// Reads the bench's file; films of these names' beginnings only. Of a film's board that lies one burst a camera counts:
    /// its errors last.
    pub(crate) fn read(text: &str, films: &[&str]) -> Self {
        let mut found = Self::default();
        let mut lying = BTreeSet::new();
        let wanted = |line: &&str| films.iter().any(|film| line.starts_with(film));
        for line in text.lines().filter(wanted) {
            let mut parts = line.split(';');
            let head = parts.next().unwrap();
            let speed: f64 = head.rsplit(',').next().unwrap().parse().unwrap();
            let frames: Vec<Vec<Vector2<f64>>> = parts
                .map(|frame| {
                    let numbers: Vec<f64> = frame
                        .split_whitespace()
                        .map(|number| number.parse::<f64>().unwrap() / 1000.0)
                        .collect();
                    numbers
                        .chunks(2)
                        .map(|c| Vector2::new(c[0], c[1]))
                        .collect()
                })
                .collect();
            let worst = frames
                .iter()
                .flatten()
                .map(Vector2::norm)
                .fold(0.0, f64::max);
            if worst > WRONG_PX {
                continue;
            }
            let burst: FilmedBurst = frames.try_into().unwrap();
            if speed > HELD_PX {
                found.moving.push(burst);
            } else {
                let (film_and_camera, _) = head.rsplit_once(',').unwrap();
                if lying.insert(film_and_camera) {
                    found.resting.push(burst);
                }
            }
        }
        println!(
            "{} bursts, {} lying boards",
            found.moving.len(),
            found.resting.len()
        );
        assert!(found.moving.len() > 40 && found.resting.len() >= 8);
        found
    }

    /// Errors of the frame at a range time: one burst's while it lasts, one burst's for the whole of the last rest.
    fn at(&self, range_s: f64, seed: u64) -> &[Vector2<f64>] {
        let resting = range_s >= LAID_S;
        let burst = (range_s * 8.0).round();
        let number = if resting { 0 } else { burst.to_bits() };
        let choice = ChaCha8Rng::seed_from_u64(seed ^ number.rotate_left(9)).random::<u64>();
        let since = (range_s - burst / 8.0) * RATE_HZ;
        let frame = if resting || since.abs() < 0.5 {
            1
        } else if since < 0.0 {
            0
        } else {
            2
        };
        self.of(!resting, choice, frame)
    }

    /// A frame's errors: of bursts drawn by `choice`, moving or at rest.
    fn of(&self, moving: bool, choice: u64, frame: usize) -> &[Vector2<f64>] {
        let all = if moving { &self.moving } else { &self.resting };
        let count = all.len() as u64;
        let at = usize::try_from(choice % count).unwrap();
        &all[at][frame]
    }
}

/// What a camera with a clock `offset_s` behind range time sees, frame by frame near each tenth of a second.
pub(crate) fn film(camera: &Camera, offset_s: f64, case: &Case, seed: u64) -> Vec<BoardSighting> {
    let Case {
        speed,
        sd_px,
        shared_px,
        rests_repeat,
        kept,
        filmed,
        ..
    } = *case;
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let noise = Normal::new(0.0, sd_px).unwrap();
    let corners = board().corners();
    let mut seen = Vec::new();
    let mut frame = 0u32;
    loop {
        let camera_s = f64::from(frame) / RATE_HZ + 0.003;
        let range_s = camera_s + offset_s;
        if range_s > END_S {
            return seen;
        }
        frame += 1;
        if (range_s * 8.0 - (range_s * 8.0).round()).abs() / 8.0 > 1.5 / RATE_HZ {
            continue;
        }
        if rests_repeat && range_s >= LAID_S {
            random = ChaCha8Rng::seed_from_u64(!seed);
        }
        let mut pixels = Vec::new();
        // What one burst keeps comes from its number alone.
        let burst = (range_s * 8.0).round().to_bits();
        let mut same = ChaCha8Rng::seed_from_u64(seed ^ burst.rotate_left(20));
        let mut error = |size: f64| {
            let (own, common) = (noise.sample(&mut random), noise.sample(&mut same));
            ((1.0 - kept).sqrt() * own + kept.sqrt() * common) / sd_px * size
        };
        let shared = Matrix2x3::from_fn(|_, _| error(shared_px));
        let (middle, reach_m) = (board().centre(), 0.16);
        let drawn = filmed.map(|all| all.at(range_s, seed));
        for (index, corner) in corners.iter().enumerate() {
            // The row decides the instant, the instant the row.
            let mut y = 540.0;
            let mut pixel = None;
            for _ in 0..7 {
                let instant_s = range_s + camera.shutter.row_delay_s(y, SIZE.height_px);
                pixel = camera.pixel_from_range(&(held(instant_s, speed) * corner));
                y = pixel.map_or(y, |p| p.y);
            }
            if let Some(pixel) =
                pixel.filter(|p| p.x > 5.0 && p.y > 5.0 && p.x < 1914.0 && p.y < 1074.0)
            {
                let stretched = shared * ((corner - middle).xy() / reach_m).push(1.0);
                pixels.push(match drawn {
                    Some(errors) => pixel + errors[index],
                    None => Point2::new(
                        pixel.x + stretched.x + error(sd_px),
                        pixel.y + stretched.y + error(sd_px),
                    ),
                });
            }
        }
        // Seen from its printed side only, and not too flat.
        let board_in_range = held(range_s, speed);
        let sight = camera.centre_in_range() - board_in_range * board().centre();
        let facing = (board_in_range * Vector3::z()).dot(&sight.normalize());
        if pixels.len() == corners.len() && facing > 0.25 {
            seen.push(BoardSighting {
                camera: 0,
                frame_index: u64::from(frame),
                time_s: camera_s,
                corners_px: pixels,
                corner_sd_px: sd_px,
                edge_width_px: 2.0,
            });
        }
    }
}

pub(crate) struct Case {
    pub(crate) readout_s: f64,
    pub(crate) told_readout_s: Option<f64>,
    pub(crate) offset_s: f64,
    pub(crate) speed: f64,
    pub(crate) sd_px: f64,
    /// Errors that the corners of one view share: a shift, a stretch and a shear of this size at the board's ends (px).
    pub(crate) shared_px: f64,
    /// Frames of a board at rest repeat each other's errors, as on film (0.003 of 0.05 px differed there).
    pub(crate) rests_repeat: bool,
    /// Correlation of a corner's error from frame to frame of one burst.
    pub(crate) kept: f64,
    /// Errors of bursts on film, drawn at random, instead of all of these.
    pub(crate) filmed: Option<&'static FilmedErrors>,
    pub(crate) lens: LensChoice,
    pub(crate) most_moments: usize,
}

pub(crate) const CLUB: Case = Case {
    readout_s: 0.018,
    told_readout_s: None,
    offset_s: 0.004_3,
    speed: 1.0,
    sd_px: 0.12,
    shared_px: 0.0,
    rests_repeat: false,
    kept: 0.0,
    filmed: None,
    lens: LensChoice::BrownConrady {
        radial: 2,
        tangential: true,
    },
    most_moments: 100,
};

pub(crate) fn input(case: &Case, seed: u64) -> (Vec<Camera>, SurveyInput) {
    let truth = phones(case.readout_s);
    let cameras = truth
        .iter()
        .enumerate()
        .map(|(index, camera)| {
            let offset_s = if index == 0 { 0.0 } else { case.offset_s };
            SurveyCamera {
                name: camera.name.clone(),
                image_size: SIZE,
                rotation_deg: 0,
                shutter: Shutter {
                    readout_s: case.told_readout_s.unwrap_or(0.015),
                    readout_sd_s: if case.told_readout_s.is_some() {
                        0.0
                    } else {
                        0.01
                    },
                    exposure_s: 0.002,
                },
                // Told nothing but that the clocks agree to 5 ms.
                clock: if index == 0 {
                    ClockModel::identity()
                } else {
                    ClockModel::constant(0.0, 0.005f64.powi(2))
                },
                sightings: film(camera, offset_s, case, seed * 16 + index as u64),
                lens: case.lens,
                stills: false,
            }
        })
        .collect();
    let input = SurveyInput {
        cameras,
        board: board(),
        frame: FrameChoice::default(),
        plumb: None,
        settings: SurveySettings {
            most_moments: case.most_moments,
            ..SurveySettings::default()
        },
    };
    (truth, input)
}
