//! Draws everything that moves into a canvas: each row at its own instant, averaged over the exposure.

use crate::canvas::Canvas;
use crate::lamps::Lamps;
use crate::paint_board::draw_board;
use crate::paint_cone::draw_cone;
use crate::paint_marker::draw_marker;
use crate::paint_shadow::draw_shadow;
use crate::stage::Stage;
use crate::track::Track;
use crate::world::World;

/// Draws everything that moves in the frame presented at `camera_s`.
pub(crate) fn draw_frame(
    world: &World,
    view_index: usize,
    stage: &Stage,
    camera_s: f64,
    canvas: &mut Canvas,
) {
    let view = &world.views[view_index];
    let shutter = view.camera.shutter;
    let middle_s = view.row_instant_s(
        camera_s,
        0.5 * (f64::from(view.camera.image_size.height_px) - 1.0),
    );
    let half_s = 0.5 * (shutter.readout_s.abs() + shutter.exposure_s) * 1.001 + 1e-5;
    canvas.clear(&stage.background);
    let instants = [middle_s - half_s, middle_s, middle_s + half_s];
    let sets = instants.map(|instant| {
        let pose = view.camera_from_range_at(instant);
        let mut solids = world.solids(instant);
        for solid in &mut solids {
            *solid = solid.seen_from(&pose);
        }
        solids
    });
    let mut tracks: Vec<Track> = (0..sets[1].len())
        .filter(|&k| sets.iter().all(|set| set[k].visible))
        .map(|k| Track {
            at: [sets[0][k], sets[1][k], sets[2][k]],
            middle_s,
            half_s,
        })
        .collect();
    for track in &mut tracks {
        if track.at[1].marker.is_some() {
            track.sharpen(world, view, camera_s);
        }
    }
    // From far to near, by the nearest point.
    let nearest = |track: &Track| {
        0.5 * (track.at[1].a.z + track.at[1].b.z) - track.at[1].ra.max(track.at[1].rb)
    };
    let mut order: Vec<(f64, Option<usize>)> = tracks
        .iter()
        .enumerate()
        .map(|(k, track)| (nearest(track), Some(k)))
        .collect();
    if let Some(board) = &world.board {
        let at = view.camera_from_range_at(middle_s) * board.middle_at(middle_s);
        order.push((at.translation.z, None));
    }
    order.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let pose = view.camera_from_range_at(middle_s);
    let lamps = Lamps::seen_from(&pose, world.scenario.light.one_sided);
    for shadow in world.shadows(middle_s) {
        draw_shadow(view, stage, &shadow, &pose, canvas);
    }
    for (_, which) in order {
        match which.map(|k| &tracks[k]) {
            Some(track) if track.at[1].marker.is_some() => {
                draw_marker(view, stage, camera_s, track, &lamps, canvas);
            }
            Some(track) => draw_cone(view, stage, camera_s, track, &lamps, canvas),
            None => {
                if let Some(board) = &world.board {
                    draw_board(board, view, stage, camera_s, &lamps, canvas);
                }
            }
        }
    }
}
