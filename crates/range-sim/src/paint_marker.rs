//! Draws markers: in double precision, each row at its own instant, the outline to a few thousandths of a pixel.

use crate::canvas::Canvas;
use crate::lamps::Lamps;
use crate::paint_board::half_plane_share;
use crate::solid::{Form, Pass, Solid, pass_cone, pass_disc};
use crate::stage::Stage;
use crate::track::{MOST_INSTANTS, Track, exposure_instants};
use crate::view::View;
use nalgebra::Vector3;

/// Draws a marker over its frame.
pub(crate) fn draw_marker(
    view: &View,
    stage: &Stage,
    camera_s: f64,
    track: &Track,
    lamps: &Lamps,
    canvas: &mut Canvas,
) {
    let Some(sweep) = track.sweep(view) else {
        return;
    };
    let (Some((y0, y1)), Some(columns)) = (sweep.rows(canvas.height), sweep.columns(canvas.width))
    else {
        return;
    };
    let exposure = view.camera.shutter.exposure_s;
    let count = exposure_instants(exposure, sweep.speed_px_s, 0.5);
    let mut solids = Vec::with_capacity(MOST_INSTANTS);
    for y in y0..y1 {
        let Some((from, to)) = sweep.span(y as f64, columns) else {
            continue;
        };
        solids.clear();
        solids.extend((0..count).map(|k| {
            let share = (k as f64 + 0.5) / count as f64 - 0.5;
            track.solid(view.row_instant_s(camera_s, y as f64) + exposure * share)
        }));
        for x in from..to {
            let at = y * canvas.width + x;
            let direction = stage.direction(at);
            let (mut cover, mut depth, mut light) = (0.0, 0.0, [0.0_f32; 3]);
            for solid in &solids {
                let Some(pass) = pass_by(solid, &direction) else {
                    continue;
                };
                let part = cover_of(solid, stage, at, &direction, &pass);
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
                canvas.lay((x, y), depth / cover, cover / count as f64, rgb);
            }
        }
    }
}

fn pass_by(solid: &Solid, direction: &Vector3<f64>) -> Option<Pass> {
    match solid.form {
        Form::RoundCone => Some(pass_cone(solid, direction)),
        Form::Disc => pass_disc(solid, direction).map(|(outside_m, entry)| Pass {
            outside_m,
            entry,
            normal: (solid.b - solid.a).normalize(),
        }),
    }
}

/// Cover of a pixel by a marker, exact for a straight edge: the distance to the outline and its direction in the
/// picture come from the neighbouring rays.
fn cover_of(solid: &Solid, stage: &Stage, at: usize, direction: &Vector3<f64>, pass: &Pass) -> f64 {
    let beside = |to: usize, sign: f64| {
        // A step of half a pixel keeps the slope of the outline local.
        let half = direction + (stage.direction(to) - direction) * 0.5;
        pass_by(solid, &half).map_or(0.0, |other| sign * 2.0 * (other.outside_m - pass.outside_m))
    };
    let width = stage.width;
    let along = if at % width == width - 1 {
        beside(at - 1, -1.0)
    } else {
        beside(at + 1, 1.0)
    };
    let down = if at + width < stage.slopes[0].len() {
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
    let light = lamps.on(&pass.normal, true) as f32;
    let rgb = paint.rgb.map(|c| c * light);
    if paint.gloss <= 0.0 || lamps.one_sided < 0.0 {
        return rgb;
    }
    #[expect(
        clippy::cast_possible_truncation,
        reason = "colours are single precision"
    )]
    let spot = pass.normal.dot(&lamps.highlight()).max(0.0).powi(24) as f32 * paint.gloss;
    rgb.map(|c| c + spot)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::world::World;
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
        let mut stage = Stage::new(&world, view, &view.camera_from_range);
        for plane in &mut stage.background {
            plane.fill(0.0);
        }
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
            track.sharpen(&world, view, camera_s);
            canvas.clear(&stage.background);
            draw_marker(view, &stage, camera_s, &track, &lamps, &mut canvas);
            let (mut w, mut x, mut y) = (0.0, 0.0, 0.0);
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "inside the picture"
            )]
            let (left, top) = (exact.x as usize - 20, exact.y as usize - 20);
            for py in top..top + 41 {
                for px in left..left + 41 {
                    let cover = f64::from(canvas.light[0][py * 1920 + px]);
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
        // Of this, up to 0.01 px is no error of drawing: the outline's middle is not the image of the middle
        // (perspective), and the exposure averages over a curved way.
        assert!(
            count > 30.0 && rms < 0.01 && worst < 0.02,
            "{count} {rms} {worst}"
        );
    }
}
