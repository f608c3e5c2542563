//! Draws solids and the board into a canvas: each row at its own instant, averaged over the exposure.

use crate::canvas::{Canvas, Lamps};
use crate::hall::noise;
use crate::paint_board::{Footprint, Sheet, half_plane_share, look};
use crate::projection::project;
use crate::solid::{Form, Pass, Solid, pass_cone, pass_disc};
use crate::view::View;
use crate::world::World;
use nalgebra::{Point3, Vector3};

/// At most this many instants within one exposure.
const MOST_INSTANTS: usize = 8;

/// What a camera sees of the still world, and its rays.
#[derive(Debug)]
pub(crate) struct Stage {
    pub(crate) background: Vec<[f32; 3]>,
    /// `(x/z, y/z)` of every pixel's ray.
    pub(crate) slopes: Vec<[f32; 2]>,
}

/// A solid over the time of one frame: the same at three evenly spaced instants, in the camera's frame.
struct Track {
    at: [Solid; 3],
    middle_s: f64,
    half_s: f64,
}

impl Track {
    /// Place at an instant by the parabola through the three.
    fn solid(&self, instant_s: f64) -> Solid {
        let tau = ((instant_s - self.middle_s) / self.half_s).clamp(-1.05, 1.05);
        let weights = [
            0.5 * tau * (tau - 1.0),
            1.0 - tau * tau,
            0.5 * tau * (tau + 1.0),
        ];
        let mix = |pick: fn(&Solid) -> Point3<f64>| {
            Point3::from((0..3).fold(Vector3::zeros(), |sum, k| {
                sum + pick(&self.at[k]).coords * weights[k]
            }))
        };
        let mut solid = self.at[1];
        solid.a = mix(|s| s.a);
        solid.b = mix(|s| s.b);
        solid
    }
}

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
    // Markers again, at instants close around their own rows: exact through the jolt of release.
    for track in tracks
        .iter_mut()
        .filter(|track| track.at[1].marker.is_some())
    {
        sharpen(world, view, camera_s, track);
    }
    let middle = |track: &Track| {
        0.5 * (track.at[1].a.z + track.at[1].b.z) - track.at[1].ra.max(track.at[1].rb)
    };
    let mut order: Vec<(f64, Option<usize>)> = tracks
        .iter()
        .enumerate()
        .map(|(k, track)| (middle(track), Some(k)))
        .collect();
    if let Some(board) = &world.board {
        let at = view.camera_from_range_at(middle_s) * board.middle_at(middle_s);
        order.push((at.translation.z, None));
    }
    order.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let pose = view.camera_from_range_at(middle_s);
    let lamps = Lamps {
        up: pose.rotation * Vector3::z(),
        key: pose.rotation * Vector3::new(-0.35, -0.55, 0.75).normalize(),
        one_sided: f64::from(world.scenario.light.one_sided),
    };
    for shadow in world.shadows(middle_s) {
        draw_shadow(view, stage, &shadow, &pose, canvas);
    }
    for (_, which) in order {
        match which {
            Some(k) => draw_solid(view, stage, camera_s, &tracks[k], &lamps, canvas),
            None => draw_board(world, view, stage, camera_s, &lamps, canvas),
        }
    }
}

/// Replaces a marker's three instants by three around the rows on which it is seen.
fn sharpen(world: &World, view: &View, camera_s: f64, track: &mut Track) {
    let index = track.at[1].marker;
    let Some(pixel) = project(&view.camera.lens, &track.at[1].a) else {
        return;
    };
    let Some(radius) = reach_px(view, &track.at[1]) else {
        return;
    };
    let first = view.row_instant_s(camera_s, pixel.y - radius - 2.0);
    let last = view.row_instant_s(camera_s, pixel.y + radius + 2.0);
    track.middle_s = f64::midpoint(first, last);
    track.half_s = 0.5 * ((last - first).abs() + view.camera.shutter.exposure_s) + 1e-5;
    for k in 0..3 {
        let instant = track.middle_s + track.half_s * [-1.0, 0.0, 1.0][k];
        let pose = view.camera_from_range_at(instant);
        if let Some(solid) = world
            .marker_solids(instant)
            .into_iter()
            .find(|solid| solid.marker == index)
        {
            track.at[k] = solid.seen_from(&pose);
        }
    }
}

fn reach_px(view: &View, solid: &Solid) -> Option<f64> {
    let near = solid.a.z.min(solid.b.z) - solid.ra.max(solid.rb);
    (near > 0.1).then(|| solid.ra.max(solid.rb) * focal_px(view) * 1.25 / near + 2.0)
}

fn focal_px(view: &View) -> f64 {
    match view.camera.lens {
        drawarc_rig::Lens::BrownConrady(m) => m.fx_px,
        drawarc_rig::Lens::KannalaBrandt(m) => m.fx_px,
    }
}

/// Instants within the exposure for something that moves this many pixels a second.
fn exposure_instants(exposure_s: f64, speed_px_s: f64) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped"
    )]
    let wanted = (exposure_s * speed_px_s * 2.0)
        .ceil()
        .clamp(1.0, MOST_INSTANTS as f64) as usize;
    wanted
}

fn draw_solid(
    view: &View,
    stage: &Stage,
    camera_s: f64,
    track: &Track,
    lamps: &Lamps,
    canvas: &mut Canvas,
) {
    let ends = |solid: &Solid| {
        let a = project(&view.camera.lens, &solid.a)?;
        let b = project(&view.camera.lens, &solid.b)?;
        Some((a, b, reach_px(view, solid)?))
    };
    let (Some(begin), Some(end)) = (ends(&track.at[0]), ends(&track.at[2])) else {
        return;
    };
    let moved = (end.0 - begin.0).norm().max((end.1 - begin.1).norm());
    let exposure = view.camera.shutter.exposure_s;
    let count = exposure_instants(exposure, moved / (2.0 * track.half_s));
    let reach = begin.2.max(end.2);
    let ys = [begin.0.y, begin.1.y, end.0.y, end.1.y];
    let xs = [begin.0.x, begin.1.x, end.0.x, end.1.x];
    let Some((y0, y1)) = rows(&ys, reach, canvas.height) else {
        return;
    };
    let Some((x0, x1)) = rows(&xs, reach, canvas.width) else {
        return;
    };
    let is_marker = track.at[1].marker.is_some();
    let mut solids = Vec::with_capacity(MOST_INSTANTS);
    for y in y0..y1 {
        solids.clear();
        for k in 0..count {
            let share = (k as f64 + 0.5) / count as f64 - 0.5;
            let instant = view.row_instant_s(camera_s, y as f64) + exposure * share;
            solids.push(track.solid(instant));
        }
        let Some((from, to)) = span(view, &solids, y as f64, reach, (x0, x1)) else {
            continue;
        };
        canvas.touch(y, from, to);
        for x in from..to {
            let at = y * canvas.width + x;
            let slope = stage.slopes[at];
            let direction = Vector3::new(f64::from(slope[0]), f64::from(slope[1]), 1.0);
            let (mut cover, mut depth, mut light) = (0.0, 0.0, [0.0_f32; 3]);
            for solid in &solids {
                let Some(pass) = pass_by(solid, &direction) else {
                    continue;
                };
                let scale = focal_px(view) / pass.entry.max(0.1);
                let part = if is_marker {
                    marker_cover(solid, stage, at, canvas.width, &direction, &pass)
                } else {
                    let centre = (pass.outside_m + pass.half_width_m) * scale;
                    let half = pass.half_width_m * scale;
                    ((centre + 0.5).min(half) - (centre - 0.5).max(-half)).clamp(0.0, 1.0)
                };
                if part > 0.0 {
                    let rgb = shade(solid, &pass, lamps);
                    for k in 0..3 {
                        #[expect(
                            clippy::cast_possible_truncation,
                            reason = "colours are single precision"
                        )]
                        let weight = part as f32;
                        light[k] += rgb[k] * weight;
                    }
                    depth += part * pass.entry;
                    cover += part;
                }
            }
            if cover > 1e-4 {
                #[expect(
                    clippy::cast_possible_truncation,
                    reason = "colours are single precision"
                )]
                let rgb = light.map(|c| c / cover as f32);
                canvas.lay(at, depth / cover, cover / count as f64, rgb);
            }
        }
    }
}

fn pass_by(solid: &Solid, direction: &Vector3<f64>) -> Option<Pass> {
    match solid.form {
        Form::RoundCone => Some(pass_cone(solid, direction)),
        Form::Disc => pass_disc(solid, direction).map(|(outside_m, entry)| Pass {
            outside_m,
            half_width_m: solid.ra,
            entry,
            normal: (solid.b - solid.a).normalize(),
            along: 0.0,
        }),
    }
}

/// Cover of a pixel by a marker, exact for a straight edge: the distance to the outline and its direction in the
/// picture come from the neighbouring rays.
fn marker_cover(
    solid: &Solid,
    stage: &Stage,
    at: usize,
    width: usize,
    direction: &Vector3<f64>,
    pass: &Pass,
) -> f64 {
    let beside = |to: usize, sign: f64| {
        let slope = stage.slopes.get(to).copied().unwrap_or(stage.slopes[at]);
        let other = Vector3::new(f64::from(slope[0]), f64::from(slope[1]), 1.0);
        // A step of half a pixel keeps the slope of the outline local.
        let half = direction + (other - direction) * 0.5;
        pass_by(solid, &half).map_or(0.0, |other| sign * 2.0 * (other.outside_m - pass.outside_m))
    };
    let last_column = at % width == width - 1;
    let along = if last_column {
        beside(at - 1, -1.0)
    } else {
        beside(at + 1, 1.0)
    };
    let down = if at + width < stage.slopes.len() {
        beside(at + width, 1.0)
    } else {
        beside(at - width, -1.0)
    };
    let size = along.hypot(down).max(1e-12);
    half_plane_share(-pass.outside_m / size, along / size, down / size)
}

fn shade(solid: &Solid, pass: &Pass, lamps: &Lamps) -> [f32; 3] {
    let paint = &solid.paint;
    #[expect(
        clippy::cast_possible_truncation,
        reason = "colours are single precision"
    )]
    let mut light = lamps.on(&pass.normal, paint.marker) as f32;
    if paint.grain > 0.0 {
        let u = pass.along * (solid.b - solid.a).norm() * 24.0 + solid.ra * 400.0;
        let v = pass.normal.x * 2.2 + pass.normal.y * 1.1;
        light *= 1.0 + paint.grain * 0.8 * noise(u * 0.6 + v, v * 1.7, 5);
    }
    let mut rgb = paint.rgb.map(|c| c * light);
    if paint.gloss > 0.0 && !(paint.marker && lamps.one_sided < 0.0) {
        let half = (lamps.key - Vector3::z()).normalize();
        #[expect(
            clippy::cast_possible_truncation,
            reason = "colours are single precision"
        )]
        let spot = pass.normal.dot(&half).max(0.0).powi(24) as f32 * paint.gloss;
        rgb = rgb.map(|c| c + spot);
    }
    rgb
}

/// Rows (or columns) that something with these ends and this reach may touch.
fn rows(ends: &[f64], reach: f64, size: usize) -> Option<(usize, usize)> {
    let low = ends.iter().copied().fold(f64::INFINITY, f64::min) - reach - 1.0;
    let high = ends.iter().copied().fold(f64::NEG_INFINITY, f64::max) + reach + 2.0;
    if !(low.is_finite() && high.is_finite()) || high <= 0.0 || low >= size as f64 {
        return None;
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the picture"
    )]
    let bounds = (
        low.max(0.0) as usize,
        (high.min(size as f64)).ceil() as usize,
    );
    (bounds.0 < bounds.1).then_some(bounds)
}

/// Columns of row `y` that the swept outline may touch.
fn span(
    view: &View,
    solids: &[Solid],
    y: f64,
    reach: f64,
    (x0, x1): (usize, usize),
) -> Option<(usize, usize)> {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for solid in [solids.first()?, solids.last()?] {
        let a = project(&view.camera.lens, &solid.a)?;
        let b = project(&view.camera.lens, &solid.b)?;
        // Part of the axis whose rows come within reach of this row.
        let dy = b.y - a.y;
        let (s0, s1) = if dy.abs() < 1e-6 {
            (0.0, 1.0)
        } else {
            let (p, q) = ((y - reach - a.y) / dy, (y + reach - a.y) / dy);
            (p.min(q).clamp(0.0, 1.0), p.max(q).clamp(0.0, 1.0))
        };
        for s in [s0, s1] {
            let x = a.x + (b.x - a.x) * s;
            low = low.min(x - reach);
            high = high.max(x + reach);
        }
    }
    let low = low.max(x0 as f64);
    let high = (high + 1.0).min(x1 as f64);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the picture"
    )]
    let bounds = (low as usize, high.max(0.0).ceil() as usize);
    (low < high && bounds.0 < bounds.1).then_some(bounds)
}

/// A soft dark patch on the floor: `(middle, half axes along x and y, darkness)`.
fn draw_shadow(
    view: &View,
    stage: &Stage,
    (middle, half, dark): &(Point3<f64>, [f64; 2], f64),
    pose: &nalgebra::Isometry3<f64>,
    canvas: &mut Canvas,
) {
    let mut xs = Vec::with_capacity(4);
    let mut ys = Vec::with_capacity(4);
    for (sx, sy) in [(-1.0, -1.0), (1.0, -1.0), (-1.0, 1.0), (1.0, 1.0)] {
        let corner = middle + Vector3::new(sx * half[0], sy * half[1], 0.0);
        let Some(pixel) = project(&view.camera.lens, &(pose * corner)) else {
            return;
        };
        xs.push(pixel.x);
        ys.push(pixel.y);
    }
    let (Some((y0, y1)), Some((x0, x1))) =
        (rows(&ys, 1.0, canvas.height), rows(&xs, 1.0, canvas.width))
    else {
        return;
    };
    let back = pose.rotation.inverse();
    let eye = pose.inverse() * Point3::origin();
    for y in y0..y1 {
        canvas.touch(y, x0, x1);
        for x in x0..x1 {
            let at = y * canvas.width + x;
            let slope = stage.slopes[at];
            let ray = back * Vector3::new(f64::from(slope[0]), f64::from(slope[1]), 1.0);
            let t = (middle.z - eye.z) / ray.z;
            let u = (eye.x + t * ray.x - middle.x) / half[0];
            let v = (eye.y + t * ray.y - middle.y) / half[1];
            let inside = (1.0 - u * u - v * v).max(0.0);
            if t > 0.0 && inside > 0.0 {
                canvas.darken(at, dark * inside * (2.0 - inside));
            }
        }
    }
}

fn draw_board(
    world: &World,
    view: &View,
    stage: &Stage,
    camera_s: f64,
    lamps: &Lamps,
    canvas: &mut Canvas,
) {
    let Some(board) = &world.board else { return };
    let exposure = view.camera.shutter.exposure_s;
    let readout = view.camera.shutter.readout_s.abs();
    let (half_x, half_y) = board.half_sheet();
    let centre_row = 0.5 * (canvas.height as f64 - 1.0);
    let pose_at = |instant: f64| view.camera_from_range_at(instant) * board.middle_at(instant);
    let mut corners = Vec::new();
    for delay in [-0.5, 0.5] {
        let instant = view.row_instant_s(camera_s, centre_row) + delay * (readout + exposure);
        for (sx, sy) in [(-1.0, -1.0), (1.0, -1.0), (-1.0, 1.0), (1.0, 1.0)] {
            let point = pose_at(instant) * Point3::new(sx * half_x, sy * half_y, 0.0);
            let Some(pixel) = project(&view.camera.lens, &point) else {
                return;
            };
            corners.push(pixel);
        }
    }
    let moved = (0..4)
        .map(|k| (corners[k] - corners[k + 4]).norm())
        .fold(0.0, f64::max);
    let count = exposure_instants(exposure, moved / (readout + exposure).max(1e-6));
    let xs: Vec<f64> = corners.iter().map(|p| p.x).collect();
    let ys: Vec<f64> = corners.iter().map(|p| p.y).collect();
    let slack = 4.0 + 60.0 * (board.plan.bend_m / 0.01).min(1.0);
    let (Some((y0, y1)), Some((x0, x1))) = (
        rows(&ys, slack, canvas.height),
        rows(&xs, slack, canvas.width),
    ) else {
        return;
    };
    let mut poses = Vec::with_capacity(MOST_INSTANTS);
    for y in y0..y1 {
        poses.clear();
        for k in 0..count {
            let share = (k as f64 + 0.5) / count as f64 - 0.5;
            let pose = pose_at(view.row_instant_s(camera_s, y as f64) + exposure * share);
            poses.push((Sheet::of(&pose), pose.rotation * Vector3::z()));
        }
        for x in x0..x1 {
            let at = y * canvas.width + x;
            let ray = |to: usize| {
                let slope = stage.slopes.get(to).copied().unwrap_or(stage.slopes[at]);
                Vector3::new(f64::from(slope[0]), f64::from(slope[1]), 1.0)
            };
            let (here, right, below) = (ray(at), ray(at + 1), ray(at + canvas.width));
            let (mut cover, mut white, mut depth, mut light) = (0.0, 0.0, 0.0, 0.0);
            let mut footprint = None;
            for (sheet, facing) in &poses {
                let Some(hit) = sheet.meet(board, &here) else {
                    continue;
                };
                if hit.x_m.abs() > half_x + 0.02 || hit.y_m.abs() > half_y + 0.02 {
                    continue;
                }
                if footprint.is_none() {
                    // One footprint serves the whole exposure: it changes far less than the place does.
                    let (Some(beside), Some(under)) =
                        (sheet.meet(board, &right), sheet.meet(board, &below))
                    else {
                        continue;
                    };
                    footprint = Some(Footprint::of(&hit, &beside, &under));
                }
                let Some(footprint) = &footprint else {
                    continue;
                };
                let (part, tone) = look(board, &hit, footprint);
                let normal = if hit.printed { *facing } else { -facing };
                cover += part;
                white += part * tone;
                depth += part * hit.t;
                light += part * (0.35 + 0.65 * lamps.on(&normal, false));
            }
            if cover > 1e-4 {
                canvas.touch(y, x, x + 1);
                let tone = 0.035 + 0.745 * white / cover;
                #[expect(
                    clippy::cast_possible_truncation,
                    reason = "colours are single precision"
                )]
                let value = (tone * light / cover) as f32;
                canvas.lay(
                    at,
                    depth / cover - 0.004,
                    cover / count as f64,
                    [value, value, value * 0.97],
                );
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{MarkerLook, MarkerPlace, MarkerPlan, Scenario, WandPlan};

    /// A free ball alone before a black ground: in linear light the cover of each pixel is its brightness, so that
    /// the outline's centroid is measured without any look of its own.
    #[test]
    fn a_free_ball_is_drawn_where_its_exact_pixel_is() {
        let mut scenario = Scenario::club_five_three(7).shortened();
        (scenario.board, scenario.neighbour) = (None, false);
        scenario.wand = Some(WandPlan {
            length_m: 0.5,
            from_s: 0.0,
            until_s: 60.0,
        });
        scenario.markers = vec![MarkerPlan {
            place: MarkerPlace::WandFirst,
            look: MarkerLook::Ball { diameter_m: 0.028 },
            rgb: [1.0, 1.0, 1.0],
        }];
        let world = World::new(&scenario).unwrap();
        let view = &world.views[0];
        let mut stage = crate::film::still(&world, 0);
        stage.background.fill([0.0; 3]);
        let mut canvas = Canvas::new(1920, 1080, &stage.background);
        let lamps = Lamps {
            up: Vector3::z(),
            key: Vector3::z(),
            one_sided: -1.0,
        };
        let (mut count, mut square, mut worst) = (0.0, 0.0, 0.0_f64);
        for frame in 0..60 {
            let camera_s = 0.2 + 0.09 * f64::from(frame);
            let exact = world
                .marker_pixel(0, camera_s, MarkerPlace::WandFirst)
                .unwrap();
            if !(30.0..1890.0).contains(&exact.x) || !(30.0..1050.0).contains(&exact.y) {
                continue;
            }
            let instant = view.row_instant_s(camera_s, exact.y);
            let ball = world.marker_solids(instant)[0].seen_from(&view.camera_from_range);
            let mut track = Track {
                at: [ball; 3],
                middle_s: instant,
                half_s: 1e-3,
            };
            sharpen(&world, view, camera_s, &mut track);
            canvas.clear(&stage.background);
            draw_solid(view, &stage, camera_s, &track, &lamps, &mut canvas);
            let (mut w, mut x, mut y) = (0.0, 0.0, 0.0);
            for py in exact.y as usize - 20..exact.y as usize + 21 {
                for px in exact.x as usize - 20..exact.x as usize + 21 {
                    let cover = f64::from(canvas.rgb[py * 1920 + px][0]);
                    w += cover;
                    x += cover * px as f64;
                    y += cover * py as f64;
                }
            }
            let miss = (x / w - exact.x).hypot(y / w - exact.y);
            count += 1.0;
            square += miss * miss;
            worst = worst.max(miss);
        }
        let rms = f64::sqrt(square / count);
        println!("{count} balls: {rms:.4} px rms, worst {worst:.4} px");
        // Of this, up to 0.01 px is no error of drawing: the outline's middle is not the image of the middle
        // (perspective), and the exposure averages over a curved way.
        assert!(
            count > 30.0 && rms < 0.01 && worst < 0.02,
            "{count} {rms} {worst}"
        );
    }
}
