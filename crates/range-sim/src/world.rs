//! Everything that moves, at any instant, exactly.

use crate::archer::{Archer, ArcherState, TARGET_GROUND_M};
use crate::board::BoardMotion;
use crate::body::Palette;
use crate::bow;
use crate::error::RangeSimError;
use crate::film_time::frame_ticks;
use crate::helper::Helper;
use crate::paint_shadow::Shadow;
use crate::scenario::{MarkerLook, MarkerPlace, Scenario};
use crate::shot::{POWER_STROKE_S, PhaseTimes};
use crate::solid::{Form, Paint, Solid, pass_cone};
use crate::view::View;
use nalgebra::{Isometry3, Point2, Point3, Vector3};

/// Something that is heard.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Noise {
    /// When it sounds at its source (range time, s).
    pub at_s: f64,
    /// Where (range frame, m).
    pub place_m: [f64; 3],
    /// What.
    pub kind: NoiseKind,
}

/// What is heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoiseKind {
    /// Two hands.
    Clap,
    /// The bow as the string stops.
    Shot,
    /// The neighbour's bow.
    NeighbourShot,
    /// An arrow in the butt.
    Impact,
}

/// A scenario, ready to be evaluated at any instant without rendering.
#[derive(Debug, Clone)]
pub struct World {
    /// What is filmed.
    pub scenario: Scenario,
    /// The cameras in their places.
    pub views: Vec<View>,
    archer: Archer,
    neighbour: Option<Archer>,
    pub(crate) board: Option<BoardMotion>,
    helper: Option<Helper>,
}

/// The neighbour stands this far down the line (m).
const LANE_M: Vector3<f64> = Vector3::new(0.12, 2.45, 0.0);

impl World {
    /// Builds everything that a scenario says.
    ///
    /// # Errors
    /// As [`Scenario::validate`].
    pub fn new(scenario: &Scenario) -> Result<Self, RangeSimError> {
        scenario.validate()?;
        let views: Vec<View> = scenario.cameras.iter().map(View::new).collect();
        let board = scenario
            .board
            .as_ref()
            .map(|plan| BoardMotion::new(plan, scenario));
        let centres: Vec<Point3<f64>> = views.iter().map(View::centre_in_range).collect();
        let helper = board
            .as_ref()
            .map(|board| Helper::new(board, &scenario.claps_s, &centres));
        Ok(Self {
            archer: Archer::new(scenario),
            neighbour: scenario
                .neighbour
                .then(|| Archer::new(&neighbour_of(scenario))),
            scenario: scenario.clone(),
            views,
            board,
            helper,
        })
    }

    /// Phase times of every shot (range time, s).
    pub fn phases(&self) -> Vec<PhaseTimes> {
        self.archer.phases()
    }

    /// The arrow line at full draw without sway: a point (range frame, m) and its unit vector toward the target.
    pub fn arrow_line(&self) -> (Point3<f64>, Vector3<f64>) {
        self.archer.arrow_line()
    }

    /// Centre of the elbow marker (range frame, m) at a range time (s).
    pub fn elbow(&self, range_s: f64) -> Point3<f64> {
        self.archer.at(range_s).elbow_marker
    }

    /// Where the fingers hold the string (range frame, m).
    pub fn hook(&self, range_s: f64) -> Point3<f64> {
        self.archer.at(range_s).hook
    }

    /// Centre of a marker (range frame, m); `None` while it does not exist.
    pub fn marker(&self, place: MarkerPlace, range_s: f64) -> Option<Point3<f64>> {
        if place == MarkerPlace::AtRest {
            return self.scenario.at_rest_m.map(Point3::from);
        }
        if matches!(place, MarkerPlace::WandFirst | MarkerPlace::WandSecond) {
            let ends = self.wand(range_s)?;
            return Some(ends[usize::from(place == MarkerPlace::WandSecond)]);
        }
        self.archer.at(range_s).marker(place)
    }

    /// Both ends of the wand while it is waved.
    fn wand(&self, range_s: f64) -> Option<[Point3<f64>; 2]> {
        let wand = self.scenario.wand?;
        if !(wand.from_s..=wand.until_s).contains(&range_s) {
            return None;
        }
        let t = range_s - wand.from_s;
        let middle = Point3::new(
            0.5 * (0.9 * t).sin(),
            -0.25 + 0.4 * (0.63 * t + 1.0).sin(),
            1.3 + 0.35 * (0.77 * t).cos(),
        );
        let way = Vector3::new(
            (1.3 * t).cos(),
            (0.9 * t + 0.4).sin(),
            0.8 * (0.7 * t).sin(),
        )
        .normalize();
        Some([
            middle - way * (0.5 * wand.length_m),
            middle + way * (0.5 * wand.length_m),
        ])
    }

    /// Exact pixel of a marker in the frame that camera `view` presents at `camera_s`: at mid-exposure of the row
    /// on which its centre lands. Occlusion and borders are not tested.
    pub fn marker_pixel(
        &self,
        view: usize,
        camera_s: f64,
        place: MarkerPlace,
    ) -> Option<Point2<f64>> {
        self.views[view].pixel_in_frame(camera_s, &|instant| self.marker(place, instant))
    }

    /// Presentation times in ticks of [`crate::TICKS_PER_SECOND`] of every frame of a camera.
    pub fn frame_ticks(&self, view: usize) -> Vec<i64> {
        frame_ticks(
            &self.scenario.cameras[view],
            self.scenario.seed + view as u64,
            self.scenario.end_s,
        )
    }

    /// `point_in_range = range_from_board(t) * point_in_board`; the board's frame is that of the printed sheet.
    pub fn range_from_board(&self, range_s: f64) -> Option<Isometry3<f64>> {
        self.board
            .as_ref()
            .map(|board| board.range_from_board(range_s))
    }

    /// Exact pixels of the board's inner corners (row by row, columns fastest) in a frame; `None` where one lies
    /// behind the camera or there is no board. Occlusion and borders are not tested.
    pub fn board_pixels(&self, view: usize, camera_s: f64) -> Option<Vec<Point2<f64>>> {
        let board = self.board.as_ref()?;
        let mut pixels = Vec::with_capacity(board.plan.columns * board.plan.rows);
        for row in 0..board.plan.rows {
            for column in 0..board.plan.columns {
                let corner = board.corner_from_middle(column, row);
                let at = |instant: f64| Some(board.middle_at(instant) * corner);
                pixels.push(self.views[view].pixel_in_frame(camera_s, &at)?);
            }
        }
        Some(pixels)
    }

    /// Everything that is heard, in order of time.
    pub fn noises(&self) -> Vec<Noise> {
        let mut noises = Vec::new();
        for &clap in &self.scenario.claps_s {
            let place = self
                .helper
                .as_ref()
                .map_or(Point3::new(0.0, 0.0, 1.2), |helper| helper.clap_place(clap));
            noises.push(Noise {
                at_s: clap,
                place_m: place.coords.into(),
                kind: NoiseKind::Clap,
            });
        }
        let mut add = |archer: &Archer, shift: Vector3<f64>, kind: NoiseKind| {
            for shot in &archer.shots {
                if shot.plan.kind == crate::scenario::ShotKind::Shot {
                    let at_s = shot.times.release_s + POWER_STROKE_S;
                    let place = archer.at(at_s).grip + shift;
                    noises.push(Noise {
                        at_s,
                        place_m: place.coords.into(),
                        kind,
                    });
                    if kind == NoiseKind::Shot {
                        noises.push(Noise {
                            at_s: at_s + 0.31,
                            place_m: [18.0, 0.0, 1.3],
                            kind: NoiseKind::Impact,
                        });
                    }
                }
            }
        };
        add(&self.archer, Vector3::zeros(), NoiseKind::Shot);
        if let Some(neighbour) = &self.neighbour {
            add(neighbour, LANE_M, NoiseKind::NeighbourShot);
        }
        noises.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        noises
    }

    /// All solids at an instant: always the same number in the same order.
    pub(crate) fn solids(&self, range_s: f64) -> Vec<Solid> {
        let who = &self.scenario.archer;
        let state = self.archer.at(range_s);
        let palette = Palette {
            skin: who.skin_rgb,
            shirt: who.shirt_rgb,
            trousers: [0.028, 0.032, 0.05],
            shoes: [0.45, 0.45, 0.47],
            hair: [0.055, 0.03, 0.015],
            cap: Some([0.05, 0.06, 0.16]),
        };
        let fletching = if self.scenario.light.look_alikes {
            [0.80, 0.22, 0.04]
        } else {
            [0.1, 0.2, 0.6]
        };
        let mut solids = state.body_solids(&palette);
        solids.extend(bow::solids(&state, who.height_m / 1.75, fletching));
        self.markers_into(&mut solids, &state, range_s);
        if let Some(helper) = &self.helper {
            solids.extend(helper.solids(range_s));
        }
        if let Some(neighbour) = &self.neighbour {
            let state = neighbour.at(range_s);
            let shirt = if self.scenario.light.look_alikes {
                [0.50, 0.07, 0.04]
            } else {
                [0.25, 0.25, 0.3]
            };
            let palette = Palette {
                skin: [0.50, 0.31, 0.21],
                shirt,
                trousers: [0.10, 0.10, 0.11],
                shoes: [0.05, 0.05, 0.05],
                hair: [0.20, 0.11, 0.04],
                cap: None,
            };
            let beside = state.body_solids(&palette).into_iter().chain(bow::solids(
                &state,
                1.0,
                [0.8, 0.6, 0.05],
            ));
            solids.extend(beside.map(|mut solid| {
                solid.a += LANE_M;
                solid.b += LANE_M;
                solid
            }));
        }
        solids
    }

    /// Soft shadows on the floor at an instant.
    pub(crate) fn shadows(&self, range_s: f64) -> Vec<Shadow> {
        let shadow = |middle, half_m, dark| Shadow {
            middle,
            half_m,
            dark,
        };
        let mut feet = vec![self.archer.at(range_s).body.ankles];
        if let Some(helper) = &self.helper {
            feet.push(helper.body(range_s).ankles);
        }
        if let Some(neighbour) = &self.neighbour {
            feet.push(
                neighbour
                    .at(range_s)
                    .body
                    .ankles
                    .map(|ankle| ankle + LANE_M),
            );
        }
        let mut shadows = Vec::with_capacity(3 * feet.len() + 1);
        for [first, second] in feet {
            let on_floor = |p: Point3<f64>| Point3::new(p.x, p.y, 0.001);
            let middle = on_floor(nalgebra::center(&first, &second));
            shadows.push(shadow(middle, [0.55, 0.45], 0.30));
            for foot in [first, second] {
                shadows.push(shadow(
                    on_floor(foot) + Vector3::new(0.0, -0.05, 0.0),
                    [0.11, 0.17],
                    0.42,
                ));
            }
        }
        if let Some(board) = &self.board {
            let at = board.middle_at(range_s).translation.vector;
            let near = (1.0 - at.z / 0.7).max(0.0);
            if near > 0.02 {
                let middle = Point3::new(at.x, at.y, 0.001);
                shadows.push(shadow(middle, [0.33, 0.27], 0.35 * near));
            }
        }
        shadows
    }

    /// The markers' own solids at an instant.
    pub(crate) fn marker_solids(&self, range_s: f64) -> Vec<Solid> {
        let mut solids = Vec::new();
        self.markers_into(&mut solids, &self.archer.at(range_s), range_s);
        solids
    }

    fn markers_into(&self, solids: &mut Vec<Solid>, state: &ArcherState, range_s: f64) {
        let bone = (state.elbow_marker - state.hook).normalize();
        for (index, plan) in self.scenario.markers.iter().enumerate() {
            let worn_by_nobody = matches!(
                plan.place,
                MarkerPlace::WandFirst | MarkerPlace::WandSecond | MarkerPlace::AtRest
            );
            let found = if worn_by_nobody {
                self.marker(plan.place, range_s)
            } else {
                state.marker(plan.place)
            };
            let centre = found.unwrap_or_else(Point3::origin);
            let paint = Paint {
                rgb: plan.rgb,
                grain: 0.0,
                gloss: 0.12,
                marker: true,
            };
            let mut solid = match plan.look {
                MarkerLook::Ball { diameter_m } => Solid::ball(centre, 0.5 * diameter_m, paint),
                MarkerLook::Band { width_m } => {
                    let radius = 0.047 * self.scenario.archer.height_m / 1.75;
                    // Rings pulled over the limb: short flat-ended in truth, rounded little here.
                    let half = bone * (0.5 * width_m);
                    Solid::cone(centre - half, centre + half, radius, radius, paint)
                }
                MarkerLook::Dot { diameter_m } | MarkerLook::Target { diameter_m, .. } => {
                    let mut dot = Solid::cone(centre, centre + bone, 0.5 * diameter_m, 0.0, paint);
                    dot.form = Form::Disc;
                    dot
                }
            };
            solid.marker = Some(index);
            solids.push(solid.shown(found.is_some()));
            if let MarkerLook::Target { ground_m, .. } = plan.look {
                // Printer's black; its front lies just under the dot.
                let black = Paint::matt([0.02, 0.02, 0.02]);
                let radius = 0.5 * ground_m;
                let ground = Solid::ball(centre - bone * (0.6 * TARGET_GROUND_M), radius, black)
                    .flattened(bone, 0.5 * TARGET_GROUND_M / radius);
                solids.push(ground.shown(found.is_some()));
            }
            // The elastic that carries a ball on the elbow.
            if plan.place == MarkerPlace::Elbow {
                let arm = state.body.wrists[1] - state.elbow_joint;
                let at = state.elbow_joint + arm * 0.10;
                let strap = Paint::cloth([0.03, 0.03, 0.035]);
                let ball = matches!(plan.look, MarkerLook::Ball { .. });
                solids.push(Solid::cone(at, at + arm * 0.07, 0.036, 0.039, strap).shown(ball));
            }
        }
        if self.scenario.wand.is_some() {
            let ends = self.wand(range_s);
            let [a, b] = ends.unwrap_or([Point3::origin(); 2]);
            solids.push(
                Solid::cone(a, b, 0.003, 0.003, Paint::matt([0.02, 0.02, 0.02]))
                    .shown(ends.is_some()),
            );
        }
    }

    /// Fraction of a marker's disc that the camera can see in a frame: rays to points on its disc against
    /// everything that moves (0 hidden, 1 free). `None` where it does not exist or lies outside the picture.
    pub fn marker_visibility(&self, view: usize, camera_s: f64, marker: usize) -> Option<f64> {
        let plan = self.scenario.markers.get(marker)?;
        let pixel = self.marker_pixel(view, camera_s, plan.place)?;
        let camera = &self.views[view];
        if !camera.is_in_picture(&pixel) {
            return None;
        }
        let instant = camera.row_instant_s(camera_s, pixel.y);
        let camera_from_range = camera.camera_from_range_at(instant);
        let solids: Vec<Solid> = self
            .solids(instant)
            .into_iter()
            .filter(|solid| solid.visible)
            .map(|solid| solid.seen_from(&camera_from_range))
            .collect();
        let own = *solids.iter().find(|solid| solid.marker == Some(marker))?;
        let board = self
            .board
            .as_ref()
            .map(|board| (board, camera_from_range * board.middle_at(instant)));
        let own_entry = |direction: &Vector3<f64>| match own.form {
            Form::RoundCone => {
                let pass = pass_cone(&own, direction);
                (pass.outside_m < 0.0).then_some(pass.entry)
            }
            Form::Disc => crate::solid::pass_disc(&own, direction)
                .and_then(|(outside, t)| (outside < 0.0).then_some(t)),
        };
        let centre = Point3::from(own.a.coords.lerp(
            &own.b.coords,
            if own.form == Form::Disc { 0.0 } else { 0.5 },
        ));
        let (mut free, mut count) = (0, 0);
        for k in 0..19 {
            let (ring, turn) = match k {
                0 => (0.0, 0.0),
                1..=6 => (0.5, f64::from(k) * std::f64::consts::FRAC_PI_3),
                _ => (0.88, f64::from(k) * std::f64::consts::FRAC_PI_6),
            };
            let aside = Vector3::new(turn.cos(), turn.sin(), 0.0) * (own.ra * ring);
            let target = centre.coords + aside;
            let direction = target / target.z;
            let Some(entry) = own_entry(&direction) else {
                continue;
            };
            count += 1;
            let covered = solids.iter().any(|solid| {
                if solid.marker == Some(marker) || solid.form == Form::Disc {
                    return false;
                }
                let pass = pass_cone(solid, &direction);
                pass.outside_m < 0.0 && pass.entry < entry - 1e-4 && pass.entry > 0.0
            });
            let behind_board = board.as_ref().is_some_and(|(board, camera_from_middle)| {
                crate::paint_board::hit(board, camera_from_middle, &direction)
                    .is_some_and(|hit| hit.t < entry)
            });
            if !covered && !behind_board {
                free += 1;
            }
        }
        Some(if count == 0 {
            0.0
        } else {
            f64::from(free) / f64::from(count)
        })
    }
}

/// The archer in the next lane: another body, another rhythm.
fn neighbour_of(scenario: &Scenario) -> Scenario {
    let mut other = scenario.clone();
    other.seed = scenario.seed.wrapping_add(1);
    other.board = None;
    other.markers.clear();
    other.archer.height_m = 1.68;
    other.archer.forearm_m = None;
    other.archer.left_handed = false;
    let mut template = crate::presets::good_shot(0.0);
    template.expansion_s = 2.4;
    other.shots = (0..200)
        .map(|k| crate::ShotPlan {
            start_s: 3.4 + 11.3 * f64::from(k),
            ..template.clone()
        })
        .take_while(|shot| shot.start_s < scenario.end_s)
        .collect();
    other
}
