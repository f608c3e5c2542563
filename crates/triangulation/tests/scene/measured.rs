//! Errors of sightings as they were on film.

use nalgebra::Vector2;
use rand::Rng as _;
use rand_chacha::ChaCha8Rng;
use std::sync::OnceLock;

/// Sightings of the elbow less its true centre, frame by frame, from end of set-up to 20 ms before release, two phones
/// 1080p60: rendered, encoded, tracked and compared by `cargo xtask bench`, which writes this file
/// (`sighting-errors.csv`; the lines of class `phones`).
const FILMED: &str = include_str!("../data/sighting-errors.csv");

fn courses() -> &'static [Vec<Vector2<f64>>] {
    static COURSES: OnceLock<Vec<Vec<Vector2<f64>>>> = OnceLock::new();
    COURSES.get_or_init(|| {
        FILMED
            .lines()
            .filter(|line| !line.starts_with('#'))
            .map(|line| {
                line.split(';')
                    .skip(1)
                    .map(|pair| {
                        let (x, y) = pair.split_once(' ').unwrap();
                        Vector2::new(x.parse::<f64>().unwrap(), y.parse::<f64>().unwrap()) / 1000.0
                    })
                    .collect()
            })
            .filter(|course: &Vec<_>| course.len() > 60)
            .collect()
    })
}

/// One camera's errors during one shot of some film, run forward and backward without end, from a random frame on, each
/// coordinate with a random sign.
pub struct Course {
    errors: &'static [Vector2<f64>],
    from: u64,
    sign: Vector2<f64>,
}

impl Course {
    pub fn pick(random: &mut ChaCha8Rng) -> Self {
        let all = courses();
        let errors = &all[random.random_range(0..all.len())];
        Self {
            errors,
            from: random.random_range(0..2 * errors.len() as u64),
            sign: Vector2::from_fn(|_, _| if random.random_bool(0.5) { 1.0 } else { -1.0 }),
        }
    }

    pub fn at(&self, frame: u64) -> Vector2<f64> {
        let n = self.errors.len();
        let at = (self.from + frame) as usize % (2 * n);
        let error = self.errors[if at < n { at } else { 2 * n - 1 - at }];
        error.component_mul(&self.sign)
    }
}
