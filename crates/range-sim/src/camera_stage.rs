//! One camera, set up to film.

use crate::canvas::Canvas;
use crate::film_time::TICKS_PER_SECOND;
use crate::paint::draw_frame;
use crate::picture::{Developer, Planes};
use crate::stage::Stage;
use crate::world::World;
use drawarc_footage::Picture;
use rayon::prelude::*;

/// One camera, set up to film: still background drawn, noise mixed.
#[derive(Debug)]
pub struct CameraStage<'a> {
    world: &'a World,
    view: usize,
    /// As the tripod was set up, and as it stands after somebody knocked it.
    stands: Vec<Stand>,
    desks: Vec<Desk>,
}

/// A camera in one pose.
#[derive(Debug)]
struct Stand {
    /// From this range time on (s).
    from_s: f64,
    stage: Stage,
    developer: Developer,
}

/// Where one frame at a time is drawn, upon the background of a stand.
#[derive(Debug)]
struct Desk {
    stand: usize,
    canvas: Canvas,
    planes: Planes,
}

impl Desk {
    fn new(stands: &[Stand], stand: usize, width: usize, height: usize) -> Self {
        let Stand {
            stage, developer, ..
        } = &stands[stand];
        Self {
            stand,
            canvas: Canvas::new(width, height, &stage.background),
            planes: developer.planes(),
        }
    }
}

impl<'a> CameraStage<'a> {
    /// Draws what stands still. `desks` frames can then be drawn at the same time.
    pub fn new(world: &'a World, view: usize, desks: usize) -> Self {
        let place = &world.views[view];
        let camera = &place.camera;
        let seed = world
            .scenario
            .seed
            .wrapping_mul(31)
            .wrapping_add(view as u64);
        let knocked_s = camera.knocked.map(|knock| knock.at_s);
        let stands: Vec<Stand> = std::iter::once(f64::NEG_INFINITY)
            .chain(knocked_s)
            .map(|from_s| {
                let stage = Stage::new(world, place, &place.camera_from_range_at(from_s));
                let developer = Developer::new(camera, world.scenario.light.exposure, &stage, seed);
                Stand {
                    from_s,
                    stage,
                    developer,
                }
            })
            .collect();
        let size = camera.image_size;
        let desk = || Desk::new(&stands, 0, size.width_px as usize, size.height_px as usize);
        let desks = (0..desks.max(1)).map(|_| desk()).collect();
        Self {
            world,
            view,
            stands,
            desks,
        }
    }

    /// Pictures of frames `(index, ticks)`, at most as many as there are desks.
    pub fn pictures(&mut self, frames: &[(usize, i64)]) -> Vec<Picture> {
        let (world, view, stands) = (self.world, self.view, &self.stands);
        let place = &world.views[view];
        let centre_row = 0.5 * (f64::from(place.camera.image_size.height_px) - 1.0);
        self.desks
            .par_iter_mut()
            .zip(frames)
            .filter_map(|(desk, &(index, ticks))| {
                let camera_s = ticks as f64 / f64::from(TICKS_PER_SECOND);
                let middle_s = place.row_instant_s(camera_s, centre_row);
                let stand = stands
                    .iter()
                    .rposition(|stand| middle_s >= stand.from_s)
                    .unwrap_or(0);
                if stand != desk.stand {
                    *desk = Desk::new(stands, stand, desk.canvas.width, desk.canvas.height);
                }
                let Stand {
                    stage, developer, ..
                } = &stands[stand];
                draw_frame(world, view, stage, camera_s, &mut desk.canvas);
                developer.develop(&desk.canvas, &mut desk.planes, index as u64)
            })
            .collect()
    }
}
