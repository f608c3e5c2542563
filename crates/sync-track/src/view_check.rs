//! The last check of sightings, frame by frame: do the views still meet?

use crate::view::{meet, px_per_rad};
use crate::{AmbiguousReason, ChoiceSettings, Sighting, SightingSeries, Verdict};
use drawarc_rig::{ClockModel, Rig};
use nalgebra::Point2;

/// Views may miss each other by so many tolerances before a sample is doubted.
const DOUBT: f64 = 4.0;
/// Samples further apart than this are not interpolated (s).
const BRIDGE_S: f64 = 0.1;

/// Marks samples whose rays miss those of the other cameras. With three views or more the one that misses most
/// others is doubted; with two nobody can say which, and both are.
pub(crate) fn mark_disagreeing(
    rig: &Rig,
    clocks: &[ClockModel],
    series: &mut [SightingSeries],
    settings: &ChoiceSettings,
) {
    let before = series.to_vec();
    for one in series.iter_mut() {
        let camera = one.camera;
        for sample in one
            .samples
            .iter_mut()
            .filter(|sample| sample.verdict.is_seen())
        {
            let views: Vec<bool> = before
                .iter()
                .filter(|other| other.camera != camera)
                .filter_map(|other| misses(rig, clocks, (camera, sample), other, settings))
                .collect();
            let missed = views.iter().filter(|&&misses| misses).count();
            if missed > 0 && 2 * missed >= views.len() {
                sample.verdict = Verdict::Ambiguous(AmbiguousReason::ViewsDisagree);
            }
        }
    }
}

/// Does the sample's ray miss the other camera's track? `None` where that camera saw nothing then.
fn misses(
    rig: &Rig,
    clocks: &[ClockModel],
    (camera, sample): (usize, &Sighting),
    other: &SightingSeries,
    settings: &ChoiceSettings,
) -> Option<bool> {
    let (first, second) = (&rig.cameras[camera], &rig.cameras[other.camera]);
    let delay = |camera: &drawarc_rig::Camera, y: f64| {
        camera.shutter.row_delay_s(y, camera.image_size.height_px)
    };
    let range_s =
        clocks[camera].range_from_camera(sample.camera_s + delay(first, sample.centre_px.y));
    let wanted_s = clocks[other.camera].camera_from_range(range_s);
    let after = other.samples.partition_point(|s| s.camera_s < wanted_s);
    // Row time is small beside a frame: it only shifts within the pair of samples.
    let (p, q) = (
        other.samples.get(after.checked_sub(1)?)?,
        other.samples.get(after)?,
    );
    if !(p.verdict.is_seen() && q.verdict.is_seen()) {
        return None;
    }
    let step_s = q.camera_s - p.camera_s;
    if !(step_s > 0.0 && step_s < BRIDGE_S) {
        return None;
    }
    let row_s = delay(second, p.centre_px.y);
    let share = (wanted_s - row_s - p.camera_s) / step_s;
    let there: Point2<f64> = p.centre_px + (q.centre_px - p.centre_px) * share;
    let rays = (
        first.ray_in_range(&sample.centre_px)?,
        second.ray_in_range(&there)?,
    );
    let meeting = meet(
        (&first.centre_in_range(), &rays.0),
        (&second.centre_in_range(), &rays.1),
    )?;
    let scale = (px_per_rad(first, &sample.centre_px)? / meeting.distance_m[0])
        .max(px_per_rad(second, &there)? / meeting.distance_m[1]);
    let speed = sample
        .velocity_px_s
        .norm()
        .max(((q.centre_px - p.centre_px) / step_s).norm());
    let clock_s = (clocks[camera].variance_at(sample.camera_s)
        + clocks[other.camera].variance_at(wanted_s))
    .sqrt();
    let tolerance = settings.view_tolerance_px + clock_s.min(0.05) * speed + 0.002 * speed;
    Some(meeting.apart_m * scale > DOUBT * tolerance)
}
