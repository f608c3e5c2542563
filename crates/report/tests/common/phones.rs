//! Two phones that see an archer's markers: sightings with errors of stated size, and the path that the path fit makes
//! of them, with its own covariance. No pictures.

use super::common::{Curves, times};
use drawarc_rig::{
    BrownConrady, Camera, ClockFace, ClockModel, ImageSize, Lens, Level, RangeFrame, Rig, Shutter,
    SurveySummary, perturb,
};
use drawarc_sync_track::{MarkerRole, Sighting, SightingSeries, Verdict};
use drawarc_triangulation::{PathFit, PathInput, PathSamples, PathSettings, fit_path};
use nalgebra::{
    DMatrix, Isometry3, Matrix2, Point2, Point3, Translation3, UnitQuaternion, Vector2, Vector3,
    Vector6,
};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::sync::OnceLock;

/// Sightings less the true centre, frame by frame, of two phones 1080p60: rendered, encoded, tracked and compared by
/// `cargo xtask bench`, which writes this file (`sighting-errors.csv`; the lines of class `phones`).
const FILMED: &str = include_str!("../../../triangulation/tests/data/sighting-errors.csv");

/// Errors of a marker's centre in the picture, one coordinate.
#[derive(Debug, Clone, Copy)]
pub enum Errors {
    /// One camera's errors during one shot of some film, run forward and backward without end, from a random frame on,
    /// each coordinate with a random sign.
    Filmed,
    /// Of a stated law.
    Law(Law),
}

/// White noise and a drift.
#[derive(Debug, Clone, Copy)]
pub struct Law {
    /// New in every frame (px).
    pub white_px: f64,
    /// Lasting, drifting (px): light on one side of the ball, skin behind it.
    pub lasting_px: f64,
    /// Over which it drifts (s).
    pub drift_s: f64,
}

impl Law {
    /// Twice what film shows (0.04 px, 0.1 px, tenths of a second), and for longer: no film of the stated conditions is
    /// as bad.
    pub const HARSH: Self = Self {
        white_px: 0.1,
        lasting_px: 0.2,
        drift_s: 1.0,
    };
}

fn filmed() -> &'static [Vec<Vector2<f64>>] {
    static FILMS: OnceLock<Vec<Vec<Vector2<f64>>>> = OnceLock::new();
    FILMS.get_or_init(|| {
        let number = |text: &str| text.parse::<f64>().unwrap() / 1000.0;
        FILMED
            .lines()
            .filter(|line| !line.starts_with('#'))
            .map(|line| {
                line.split(';')
                    .skip(1)
                    .map(|pair| pair.split_once(' ').unwrap())
                    .map(|(x, y)| Vector2::new(number(x), number(y)))
                    .collect()
            })
            .collect()
    })
}

impl Errors {
    /// Of so many frames (px), and the white noise that the tracker states (px).
    fn draw(self, frames: usize, rng: &mut ChaCha8Rng) -> (Vec<Vector2<f64>>, f64) {
        match self {
            Self::Filmed => {
                let film = &filmed()[rng.random_range(0..filmed().len())];
                let n = film.len();
                let from = rng.random_range(0..2 * n);
                let sign = Vector2::from_fn(|_, _| if rng.random_bool(0.5) { 1.0 } else { -1.0 });
                let at = |i: usize| {
                    let at = (from + i) % (2 * n);
                    film[if at < n { at } else { 2 * n - 1 - at }].component_mul(&sign)
                };
                ((0..frames).map(at).collect(), 0.04)
            }
            Self::Law(law) => {
                let keep = (-1.0 / (law.drift_s * RATE_HZ)).exp();
                let mut pair =
                    || -> Vector2<f64> { Vector2::from_fn(|_, _| StandardNormal.sample(rng)) };
                let mut lasting = pair();
                let errors = (0..frames)
                    .map(|_| {
                        lasting = lasting * keep + pair() * (1.0 - keep * keep).sqrt();
                        lasting * law.lasting_px + pair() * law.white_px
                    })
                    .collect();
                (errors, law.white_px)
            }
        }
    }
}

/// Paths of the markers.
pub struct Seen {
    /// What the paths come from, to date the release with.
    pub fit: PathFit,
    pub rig: Rig,
    pub elbow: PathSamples,
    pub hand: Option<PathSamples>,
    pub string_hand: Option<PathSamples>,
    pub nock: Option<PathSamples>,
}

/// The elbow alone.
pub const ELBOW: &[MarkerRole] = &[MarkerRole::Elbow];
/// With the bow hand, which tells sway.
pub const BOW_HAND: &[MarkerRole] = &[MarkerRole::Elbow, MarkerRole::BowHand];
/// With what tells a slip of the string.
pub const GRIP: &[MarkerRole] = &[
    MarkerRole::Elbow,
    MarkerRole::BowHand,
    MarkerRole::StringHand,
    MarkerRole::Nock,
];

const RATE_HZ: f64 = 60.0;
const READOUT_S: f64 = 0.012;
const CLOCK_SD_S: f64 = 0.0003;

fn camera(hour: f64, height_m: f64) -> Camera {
    let target = Point3::new(-0.2, 0.05, 1.45);
    let out = ClockFace::from_hours(hour).direction().into_inner();
    let eye = Point3::new(target.x + 3.4 * out.x, target.y + 3.4 * out.y, height_m);
    let look = UnitQuaternion::face_towards(&(target - eye), &-Vector3::z());
    Camera {
        name: format!("{hour}"),
        image_size: ImageSize {
            width_px: 1920,
            height_px: 1080,
        },
        rotation_deg: 0,
        lens: Lens::BrownConrady(BrownConrady::pinhole(1500.0, 959.5, 539.5)),
        shutter: Shutter::rolling(READOUT_S, 0.002),
        camera_from_range: Isometry3::from_parts(Translation3::from(eye.coords), look).inverse(),
    }
}

/// What errs of the survey: pose alone, 0.1 mrad and 0.2 mm, on each axis.
fn surveyed(truth: &[Camera], rng: &mut ChaCha8Rng) -> Rig {
    let n: usize = truth.iter().map(Camera::parameter_count).sum();
    let mut covariance = DMatrix::zeros(n, n);
    let mut cameras = Vec::new();
    let mut at = 0;
    for camera in truth {
        let sd = |k: usize| -> f64 { if k < 3 { 1e-4 } else { 2e-4 } };
        for k in 0..6 {
            covariance[(at + k, at + k)] = sd(k).powi(2);
        }
        let step = Vector6::from_fn(|k, _| {
            let z: f64 = StandardNormal.sample(rng);
            sd(k) * z
        });
        let mut moved = camera.clone();
        moved.camera_from_range = perturb(&camera.camera_from_range, &step);
        cameras.push(moved);
        at += camera.parameter_count();
    }
    Rig {
        survey: SurveySummary {
            residual_px: vec![0.1; cameras.len()],
            views: vec![100; cameras.len()],
            corner_sd_px: vec![0.1; cameras.len()],
            ended: "simulated".to_owned(),
            scale_sd_percent: 0.05,
            remarks: Vec::new(),
        },
        cameras,
        range_frame: RangeFrame::SurveyedPoints,
        level: Level::Plumb,
        covariance,
    }
}

fn pixel(
    camera: &Camera,
    clock: &ClockModel,
    point: &dyn Fn(f64) -> Point3<f64>,
    camera_s: f64,
) -> Option<Point2<f64>> {
    let mut y_px = 540.0;
    let mut found = None;
    for _ in 0..4 {
        let t = clock.range_from_camera(camera_s + camera.shutter.row_delay_s(y_px, 1080));
        let at = camera.pixel_from_range(&point(t))?;
        y_px = at.y;
        found = Some(at);
    }
    found.filter(|p| camera.is_in_picture(p))
}

/// What the path fit is given.
pub struct Footage {
    rig: Rig,
    clocks: [ClockModel; 2],
    series: Vec<SightingSeries>,
}

/// Films the archer and fits the path, sampled at 200 instants a second.
pub fn film(
    curves: &Curves,
    roles: &[MarkerRole],
    errors: Errors,
    draws: usize,
    seed: u64,
) -> Seen {
    footage(curves, roles, errors, seed).seen(draws)
}

/// Films the archer.
pub fn footage(curves: &Curves, roles: &[MarkerRole], errors: Errors, seed: u64) -> Footage {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let truth = [camera(5.0, 1.5), camera(3.0, 1.4)];
    let rig = surveyed(&truth, &mut rng);
    let z: f64 = StandardNormal.sample(&mut rng);
    let offset_s = 3.0 + rng.random::<f64>();
    let clock =
        |offset_s: f64, variance: f64| ClockModel::linear(0.0, offset_s, 1.0, [variance, 0.0, 0.0]);
    let true_clocks = [clock(0.0, 0.0), clock(offset_s, 0.0)];
    let clocks = [
        clock(0.0, 0.0),
        clock(offset_s + CLOCK_SD_S * z, CLOCK_SD_S.powi(2)),
    ];
    let (from_s, to_s) = (0.9, curves.release + 0.9);
    let mut series = Vec::new();
    for &role in roles {
        let point = |t: f64| match role {
            MarkerRole::Elbow => curves.elbow(t),
            MarkerRole::StringHand => curves.string_hand(t),
            MarkerRole::Nock => curves.nock(t),
            _ => curves.bow_hand(t),
        };
        for (index, (camera, clock)) in truth.iter().zip(&true_clocks).enumerate() {
            let mut phase = ChaCha8Rng::seed_from_u64(seed.wrapping_mul(31) + index as u64);
            let phase_s = phase.random::<f64>() / RATE_HZ;
            let frames = ((to_s - from_s) * RATE_HZ) as usize;
            let (off_px, stated_px) = errors.draw(frames, &mut rng);
            let samples = off_px
                .into_iter()
                .enumerate()
                .map(|(i, off)| {
                    let range_s = from_s + phase_s + i as f64 / RATE_HZ;
                    let camera_s = clock.camera_from_range(range_s);
                    match pixel(camera, clock, &point, camera_s) {
                        None => Sighting::missing(i as u64, camera_s, Verdict::OutOfPicture),
                        Some(centre) => Sighting {
                            centre_px: centre + off,
                            covariance_px2: Matrix2::identity() * stated_px.powi(2),
                            radius_px: 6.0,
                            ..Sighting::missing(i as u64, camera_s, Verdict::Seen)
                        },
                    }
                })
                .collect();
            series.push(SightingSeries {
                camera: index,
                role,
                samples,
            });
        }
    }
    Footage {
        rig,
        clocks,
        series,
    }
}

impl Footage {
    /// The same with the second camera first.
    pub fn other_way_round(mut self) -> Self {
        let n = self.rig.covariance.nrows();
        let half = n / 2;
        let old = self.rig.covariance.clone();
        self.rig.covariance = DMatrix::from_fn(n, n, |i, j| old[((i + half) % n, (j + half) % n)]);
        self.rig.cameras.reverse();
        self.clocks.reverse();
        self.series.reverse();
        for series in &mut self.series {
            series.camera = 1 - series.camera;
        }
        self
    }

    /// Fits the path, sampled at 200 instants a second.
    pub fn seen(self, draws: usize) -> Seen {
        let Self {
            rig,
            clocks,
            series,
        } = self;
        let fit = fit_path(&PathInput {
            rig: &rig,
            clocks: &clocks,
            series: &series,
            release_hint_s: None,
            settings: PathSettings::default(),
        })
        .unwrap();
        let (start, end) = fit.path.span();
        let instants = times(start, end, 200.0);
        let of = |role| {
            fit.path_of(role)
                .map(|path| path.sample(&instants, draws, 1))
        };
        Seen {
            elbow: fit.path.sample(&instants, draws, 1),
            hand: of(MarkerRole::BowHand),
            string_hand: of(MarkerRole::StringHand),
            nock: of(MarkerRole::Nock),
            fit,
            rig,
        }
    }
}
