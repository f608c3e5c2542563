//! By how much two rays of one instant miss each other, and what that depends on.

use crate::ray_track::{Between, Knot, RayTrack};
use drawarc_rig::{Camera, Rig, perturb};
use nalgebra::{DVector, Point3, Vector3, Vector6};

/// One comparison: a knot of one track with the other track at the same instant.
#[derive(Debug, Clone)]
pub(crate) struct Miss {
    /// Signed distance of the rays over its standard deviation from the pixels.
    pub(crate) value: f64,
    /// Its derivative by the range time assigned to the first camera (1/s); by that of the second it is the negative.
    pub(crate) by_time: f64,
    /// Camera times of both (s).
    pub(crate) camera_s: [f64; 2],
    /// Standard deviation of the distance (m), to turn derivatives into the value's units.
    sd_m: f64,
    first: Knot,
    second: Between,
    second_row_fraction: f64,
}

/// Signed distance of two rays (m): `b · (r × s) / |r × s|`; `None` where they are parallel to 1°.
fn distance_m(baseline: &Vector3<f64>, r: &Vector3<f64>, s: &Vector3<f64>) -> Option<f64> {
    let across = r.cross(s);
    let sine = across.norm();
    (sine > 0.017).then(|| baseline.dot(&across) / sine)
}

/// Compares knot `first` of one camera with another camera's track at `second_s` of the latter's clock.
pub(crate) fn miss(
    centres: (&Point3<f64>, &Point3<f64>),
    first: &Knot,
    track: &RayTrack,
    second_s: f64,
) -> Option<Miss> {
    let second = track.at(second_s)?;
    let baseline = centres.1 - centres.0;
    let value_m = distance_m(&baseline, &first.ray, &second.ray)?;
    let sine = first.ray.cross(&second.ray).norm();
    let by_first = second.ray.cross(&baseline) / sine;
    let by_second = baseline.cross(&first.ray) / sine;
    let other = &track.knots[second.nearest];
    let variance = |by: Vector3<f64>, knot: &Knot| {
        let by_pixel = knot.ray_by_pixel.transpose() * by;
        (by_pixel.transpose() * knot.covariance_px2 * by_pixel)[(0, 0)]
    };
    let sd_m = (variance(by_first, first) + variance(by_second, other)).sqrt();
    Some(Miss {
        value: value_m / sd_m,
        by_time: by_second.dot(&second.ray_speed) / sd_m,
        camera_s: [first.camera_s, second_s],
        sd_m,
        first: *first,
        second,
        second_row_fraction: other.row_fraction,
    })
}

impl Miss {
    /// Derivatives of the value by all of the rig's parameters (see `Rig::covariance`), numeric for poses and lenses.
    pub(crate) fn by_rig(&self, rig: &Rig, cameras: (usize, usize)) -> DVector<f64> {
        let mut all = DVector::zeros(rig.parameter_count());
        let ends = [
            (cameras.0, self.first.pixel),
            (cameras.1, self.second.pixel),
        ];
        for (end, &(index, pixel)) in ends.iter().enumerate() {
            let block = rig.block(index);
            let camera = &rig.cameras[index];
            let lens = camera.lens.parameters();
            let steps = block.len() - 1;
            for k in 0..steps {
                let size = if k < 6 {
                    1e-5
                } else {
                    1e-4 * lens[k - 6].abs().max(0.1)
                };
                let moved = |step: f64| {
                    let mut other = camera.clone();
                    if k < 6 {
                        let mut tangent = Vector6::zeros();
                        tangent[k] = step;
                        other.camera_from_range = perturb(&camera.camera_from_range, &tangent);
                    } else {
                        let mut parameters = lens.clone();
                        parameters[k - 6] += step;
                        other.lens = camera.lens.with_parameters(&parameters)?;
                    }
                    self.value_with(rig, cameras, (end, &other, &pixel))
                };
                if let (Some(ahead), Some(back)) = (moved(size), moved(-size)) {
                    all[block.start + k] = (ahead - back) / (2.0 * size);
                }
            }
            // Read-out: the row's instant moves by its fraction.
            let (sign, fraction) = if end == 0 {
                (1.0, self.first.row_fraction)
            } else {
                (-1.0, self.second_row_fraction)
            };
            all[block.end - 1] = sign * self.by_time * fraction;
        }
        all
    }

    fn value_with(
        &self,
        rig: &Rig,
        cameras: (usize, usize),
        (end, other, pixel): (usize, &Camera, &nalgebra::Point2<f64>),
    ) -> Option<f64> {
        let ray = other.ray_in_range(pixel)?.into_inner();
        let moved = other.centre_in_range();
        let (first, second) = (
            rig.cameras[cameras.0].centre_in_range(),
            rig.cameras[cameras.1].centre_in_range(),
        );
        let distance = if end == 0 {
            distance_m(&(second - moved), &ray, &self.second.ray)
        } else {
            distance_m(&(moved - first), &self.first.ray, &ray)
        };
        distance.map(|distance| distance / self.sd_m)
    }
}
