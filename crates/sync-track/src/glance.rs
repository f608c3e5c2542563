//! The edge where key frames become glances.

use crate::blob::{Blob, BlobFinder};
use crate::colour::ColourModel;
use crate::first_look::Glance;
use crate::follower::{classes_of, largest_half, look_step};
use crate::{MarkerRole, MarkerShape, MarkerSpec, SyncTrackError, TrackSettings};
use drawarc_footage::Recording;
use drawarc_rig::Camera;
use nalgebra::Point2;

/// A marker at rest has about the size that it should have: its patch is at least this share of the smallest and at most that of the
/// largest radius. Rendered balls have 1.0 of what is expected at their place, to 10 %.
const SIZES: (f64, f64) = (0.8, 1.2);
/// A ball's patch is at most this much longer than wide (second moments); balls on rendered film stay below 1.7, blurred ones included.
const LONGEST: f64 = 2.5;

/// Looks at a camera's key frames for patches that may be the elbow's marker. `progress` gets the share done.
///
/// # Errors
/// Markers that cannot be ([`SyncTrackError::Colourless`] and others), unreadable footage. A recording that breaks off gives what came
/// before.
pub fn glances(
    (index, recording): (usize, &Recording),
    camera: &Camera,
    markers: &[MarkerSpec],
    (settings, threads): (&TrackSettings, usize),
    progress: &mut dyn FnMut(f64),
) -> Result<Vec<Glance>, SyncTrackError> {
    let mut classes = classes_of(markers)?;
    classes.retain(|class| {
        let is_elbow = |member: &usize| markers[*member].role == MarkerRole::Elbow;
        class.members.iter().any(is_elbow)
    });
    let mut found = Vec::new();
    let Some(class) = classes.first() else {
        return Ok(found);
    };
    let model = ColourModel::of(&markers[class.members[0]])?;
    let range = settings.follower(camera, &classes).radius_px[0];
    let mut finder = BlobFinder::new(vec![model], look_step(range.0));
    let largest = [largest_half(range.1)];
    let wrong = |source| SyncTrackError::Footage {
        camera: index,
        source,
    };
    let whole_s = recording.probe().duration_s.max(1e-9);
    let mut reader = recording.key_frames(threads).map_err(wrong)?;
    loop {
        let frame = match reader.next_frame() {
            Ok(Some(frame)) => frame,
            Ok(None) => return Ok(found),
            Err(source) if found.is_empty() => return Err(wrong(source)),
            Err(_breaks_off) => return Ok(found),
        };
        let blobs = finder.find(&frame.picture, &largest);
        let patches_px = blobs[0]
            .iter()
            .filter(|blob| is_like(blob, range, class.shape))
            .map(|blob| Point2::from(2.0 * blob.centre_half.coords))
            .collect();
        found.push(Glance {
            camera_s: frame.time_s,
            patches_px,
        });
        progress((frame.time_s / whole_s).clamp(0.0, 1.0));
    }
}

/// Has a patch about the size of the marker, and a ball's about its shape?
fn is_like(blob: &Blob, range: (f64, f64), shape: MarkerShape) -> bool {
    let radius_px = 2.0 * (blob.area_half / std::f64::consts::PI).sqrt();
    let sized = radius_px > SIZES.0 * range.0 && radius_px < SIZES.1 * range.1;
    let moments = blob.moments_half.symmetric_eigenvalues();
    let round = moments.max() < LONGEST * moments.min();
    sized && (round || !matches!(shape, MarkerShape::Ball { .. }))
}
