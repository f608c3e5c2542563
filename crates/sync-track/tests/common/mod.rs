//! A rig for tests.

mod cameras;

use cameras::{camera, exact_rig};
use drawarc_rig::Rig;
use nalgebra::Point3;

/// Cameras at these places that look at the archer, their poses known to so much (rad, m).
pub(crate) fn rig(places: &[Point3<f64>], pose_sd: (f64, f64)) -> Rig {
    let toward = Point3::new(-0.4, 0.0, 1.4);
    let cameras = places.iter().map(|place| camera(*place, toward)).collect();
    let mut rig = exact_rig(cameras);
    for index in 0..places.len() {
        let start = rig.block(index).start;
        for k in 0..6 {
            let sd = if k < 3 { pose_sd.0 } else { pose_sd.1 };
            rig.covariance[(start + k, start + k)] = sd * sd;
        }
    }
    rig
}
