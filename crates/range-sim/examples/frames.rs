//! Single frames as pictures: `frames <preset> <camera> <folder> <range second>...`.

use drawarc_footage::write_png;
use drawarc_range_sim::{CameraStage, Scenario, TICKS_PER_SECOND, World};
use std::path::Path;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [preset, camera, folder, times @ ..] = arguments.as_slice() else {
        return Err("frames <preset> <camera> <folder> <range second>...".into());
    };
    let world = World::new(&Scenario::preset(preset, 1)?)?;
    let view: usize = camera.parse()?;
    let mut stage = CameraStage::new(&world, view, 1);
    for time in times {
        let range_s: f64 = time.parse()?;
        let camera_s = world.views[view].camera_s(range_s);
        #[expect(clippy::cast_possible_truncation, reason = "ticks of a clip")]
        let ticks = (camera_s * f64::from(TICKS_PER_SECOND)).round() as i64;
        for picture in stage.pictures(&[(0, ticks)]) {
            let path = Path::new(folder).join(format!("{preset}-{camera}-{time}.png"));
            write_png(&path, &picture.to_rgb(0))?;
        }
    }
    Ok(())
}
