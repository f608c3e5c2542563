//! What the cameras of the presets see, in pictures as they are filmed.

use drawarc_footage::Picture;
use drawarc_range_sim::{
    CameraStage, FilmCamera, Knock, MarkerPlace, Scenario, TICKS_PER_SECOND, World, further_balls,
    project, slopes_from_pixel,
};
use nalgebra::{Point2, Point3};

const PRESETS: [&str; 3] = [
    "club-five-three-short",
    "club-side-overhead-short",
    "centre-four-short",
];

#[expect(clippy::cast_possible_truncation, reason = "ticks of a clip")]
fn ticks(camera_s: f64) -> i64 {
    (camera_s * f64::from(TICKS_PER_SECOND)).round() as i64
}

fn seconds(ticks: i64) -> f64 {
    ticks as f64 / f64::from(TICKS_PER_SECOND)
}

fn film(stage: &mut CameraStage<'_>, tick: i64) -> Picture {
    stage.pictures(&[(0, tick)]).remove(0)
}

/// The nearest sample, brightness 16 to 235.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "inside the picture"
)]
fn luma(picture: &Picture, pixel: &Point2<f64>) -> f64 {
    f64::from(
        picture
            .view()
            .luma
            .get(pixel.x.round() as usize, pixel.y.round() as usize),
    )
}

/// Red difference less blue difference of the nearest sample: above 90 for the orange marker only.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "inside the picture"
)]
fn orange(picture: &Picture, pixel: &Point2<f64>) -> i32 {
    let (x, y) = ((pixel.x / 2.0).round() as usize, (pixel.y / 2.0) as usize);
    let view = picture.view();
    i32::from(view.cr.get(x, y)) - i32::from(view.cb.get(x, y))
}

fn inside(camera: &FilmCamera, pixel: &Point2<f64>, margin: f64) -> bool {
    let (w, h) = (
        f64::from(camera.image_size.width_px),
        f64::from(camera.image_size.height_px),
    );
    (margin..w - margin).contains(&pixel.x) && (margin..h - margin).contains(&pixel.y)
}

#[test]
fn every_preset_shows_the_board_on_the_line_and_the_elbow() {
    for preset in PRESETS {
        let scenario = Scenario::preset(preset, 5).unwrap();
        let world = World::new(&scenario).unwrap();
        let plan = scenario.board.clone().unwrap();
        let phases = world.phases()[0];
        let lying_s = f64::midpoint(plan.on_line_from_s, plan.on_line_until_s);
        let (mut boards, mut elbows) = (0, 0);
        for (view, camera) in scenario.cameras.iter().enumerate() {
            let mut stage = CameraStage::new(&world, view, 1);
            let tick = ticks(world.views[view].camera_s(lying_s));
            let corners = world.board_pixels(view, seconds(tick)).unwrap();
            if corners.iter().all(|corner| inside(camera, corner, 4.0)) {
                let picture = film(&mut stage, tick);
                let mut good = 0;
                let mut all = 0;
                for row in 0..plan.rows - 1 {
                    for column in 0..plan.columns - 1 {
                        let corner = |c: usize, r: usize| corners[r * plan.columns + c].coords;
                        let middle = 0.25
                            * (corner(column, row)
                                + corner(column + 1, row)
                                + corner(column, row + 1)
                                + corner(column + 1, row + 1));
                        let black = (row + column) % 2 == 0;
                        all += 1;
                        good += usize::from((luma(&picture, &middle.into()) < 110.0) == black);
                    }
                }
                assert_eq!(good, all, "{} {}", scenario.name, camera.name);
                boards += 1;
            }
            let mut seen = 0;
            for k in 0..9 {
                let range_s =
                    phases.draw_s + (phases.release_s - phases.draw_s) * f64::from(k) / 8.0;
                let tick = ticks(world.views[view].camera_s(range_s));
                if world
                    .marker_visibility(view, seconds(tick), 0)
                    .is_some_and(|free| free > 0.99)
                {
                    let pixel = world
                        .marker_pixel(view, seconds(tick), MarkerPlace::Elbow)
                        .unwrap();
                    let picture = film(&mut stage, tick);
                    assert!(
                        orange(&picture, &pixel) > 60,
                        "{} {} {range_s}",
                        scenario.name,
                        camera.name
                    );
                    seen += 1;
                }
            }
            elbows += usize::from(seen >= 8);
        }
        assert!(
            boards >= 2 && elbows == scenario.cameras.len(),
            "{}: {boards} cameras see the board lying, {elbows} the whole ball on the elbow",
            scenario.name
        );
    }
}

#[test]
fn every_marker_of_a_left_hander_is_mirrored() {
    let mut right = Scenario::club_five_three(3);
    right.markers.extend(further_balls());
    let mut left = right.clone();
    left.archer.left_handed = true;
    let (a, b) = (World::new(&right).unwrap(), World::new(&left).unwrap());
    let drawn = a.phases()[0].expansion_s + 0.3;
    for place in [
        MarkerPlace::Elbow,
        MarkerPlace::BowHand,
        MarkerPlace::StringHand,
        MarkerPlace::DrawShoulder,
        MarkerPlace::Nock,
        MarkerPlace::ArrowRest,
    ] {
        let (p, q) = (
            a.marker(place, drawn).unwrap(),
            b.marker(place, drawn).unwrap(),
        );
        let miss = (p.x - q.x).abs() + (p.y + q.y).abs() + (p.z - q.z).abs();
        assert!(miss < 1e-12 && p.y.abs() > 1e-3, "{place:?} {p} {q}");
    }
}

#[test]
fn a_knocked_tripod_moves_the_background_too() {
    let mut scenario = Scenario::club_five_three(3).shortened();
    (scenario.board, scenario.neighbour) = (None, false);
    scenario.cameras.truncate(1);
    let camera = &mut scenario.cameras[0];
    (camera.read_noise, camera.shot_noise, camera.vignetting) = (0.0, 0.0, 0.0);
    camera.knocked = Some(Knock {
        at_s: 2.0,
        pan_deg: 1.3,
        ..Knock::default()
    });
    let world = World::new(&scenario).unwrap();
    let view = &world.views[0];
    let mut stage = CameraStage::new(&world, 0, 1);
    let before = film(&mut stage, ticks(1.9));
    let after = film(&mut stage, ticks(2.1));
    let turn =
        view.camera_from_range_at(2.1).rotation * view.camera_from_range_at(1.9).rotation.inverse();
    let (mut moved, mut unmoved, mut count, mut shift) = (0.0, 0.0, 0.0, 0.0);
    for y in (40..1040).step_by(7) {
        for x in (1100..1880).step_by(7) {
            let pixel = Point2::new(f64::from(x), f64::from(y));
            let slopes = slopes_from_pixel(&view.camera.lens, &pixel).unwrap();
            let ray = turn * Point3::new(slopes.x, slopes.y, 1.0);
            let there = project(&view.camera.lens, &ray).unwrap();
            if !inside(&view.camera, &there, 2.0) {
                continue;
            }
            let old = luma(&before, &pixel);
            moved += (luma(&after, &there) - old).abs();
            unmoved += (luma(&after, &pixel) - old).abs();
            shift += (there.x - pixel.x).abs();
            count += 1.0;
        }
    }
    // 1.3° at 1493 px focal length.
    assert!(shift / count > 30.0);
    assert!(
        moved < 0.5 * unmoved && moved / count < 4.0,
        "{} against {} steps",
        moved / count,
        unmoved / count
    );
    // And back again: the desk is laid anew.
    let again = film(&mut stage, ticks(1.9));
    assert_eq!(again.view().luma.to_gray8(), before.view().luma.to_gray8());
}
