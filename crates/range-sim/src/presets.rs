//! Practices ready to film.

use crate::error::RangeSimError;
use crate::film_camera::{ClockPlan, FilmCamera, FilmCodec};
use crate::scenario::{
    Archer, BoardPlan, CollapsePhase, FaultPlan, LightPlan, MarkerLook, MarkerPlace, MarkerPlan,
    SCENARIO_FORMAT, Scenario, ShotKind, ShotPlan,
};
use drawarc_rig::{BrownConrady, ImageSize, Lens, Shutter};

/// A shot without a fault that begins at a range time (s). Durations and sizes: common practice, no source.
pub fn good_shot(start_s: f64) -> ShotPlan {
    ShotPlan {
        start_s,
        kind: ShotKind::Shot,
        raise_s: 1.0,
        set_up_s: 0.45,
        draw_s: 1.15,
        anchor_s: 0.45,
        expansion_s: 1.5,
        set_up_speed_m_s: 0.055,
        v_depth_m: 0.010,
        behind_at_anchor_m: 0.012,
        around_m: 0.026,
        hook_travel_m: 0.003,
        elbow_over_line_m: 0.030,
        faults: Vec::new(),
    }
}

fn archer() -> Archer {
    Archer {
        height_m: 1.75,
        left_handed: false,
        forearm_m: None,
        // Tremor of the raised arm: a few tenths of a millimetre (from memory). Sway: 1 to 2 mm rms (common practice, no source).
        tremor_m: 0.000_15,
        sway_m: 0.001_2,
        breathing_m: 0.002,
        arrow_elevation_deg: 1.0,
        shirt_rgb: [0.62, 0.63, 0.62],
        skin_rgb: [0.60, 0.36, 0.25],
    }
}

/// An orange ball of 28 mm on the elbow.
pub fn elbow_ball() -> MarkerPlan {
    MarkerPlan {
        place: MarkerPlace::Elbow,
        look: MarkerLook::Ball { diameter_m: 0.028 },
        rgb: [0.93, 0.24, 0.02],
    }
}

/// Green balls of 20 mm on both hands and the draw shoulder.
pub fn further_balls() -> Vec<MarkerPlan> {
    [
        MarkerPlace::BowHand,
        MarkerPlace::StringHand,
        MarkerPlace::DrawShoulder,
    ]
    .map(|place| MarkerPlan {
        place,
        look: MarkerLook::Ball { diameter_m: 0.020 },
        rgb: [0.03, 0.75, 0.10],
    })
    .to_vec()
}

/// A3 board, 10 × 7 squares of 40 mm.
fn board(waved_from_s: f64, waved_until_s: f64) -> BoardPlan {
    BoardPlan {
        columns: 9,
        rows: 6,
        pitch_x_m: 0.040,
        pitch_y_m: 0.040,
        rim_m: 0.012,
        bend_m: 0.0,
        waved_from_s,
        waved_until_s,
        on_line_from_s: waved_until_s + 1.3,
        on_line_until_s: waved_until_s + 3.5,
        middle_m: [-0.05, -0.15, 1.25],
        reach_m: [0.55, 0.45, 0.45],
        wrong_way_round: false,
    }
}

fn phone(name: &str, focal_px: f64, position_m: [f64; 3], look_at_m: [f64; 3]) -> FilmCamera {
    FilmCamera {
        name: name.to_owned(),
        image_size: ImageSize {
            width_px: 1920,
            height_px: 1080,
        },
        rotation_deg: 0,
        lens: Lens::BrownConrady(BrownConrady {
            fx_px: focal_px,
            fy_px: focal_px * 1.000_6,
            cx_px: 962.3,
            cy_px: 537.1,
            k1: 0.062,
            k2: -0.11,
            k3: 0.0,
            p1: 0.000_35,
            p2: -0.000_5,
        }),
        shutter: Shutter::rolling(0.0145, 1.0 / 500.0),
        rate_hz: 60.0,
        clock: ClockPlan {
            offset_s: 0.0,
            drift: 0.0,
            jitter_s: 0.000_08,
            dropped: 0.0,
            sound_lag_s: 0.0,
        },
        position_m,
        look_at_m,
        roll_deg: 0.0,
        codec: FilmCodec::H264,
        // About 20 Mbit/s as it is encoded here: phones write 20 to 24 Mbit/s at this size and rate (175 MB a minute; makers'
        // figure, from memory). Below that, what moves slowly is not coded anew in every picture and its place lags.
        crf: 16,
        read_noise: 0.7,
        shot_noise: 1.3,
        vignetting: 0.22,
        sound: true,
        knocked: None,
        chapters_at_s: Vec::new(),
    }
}

impl Scenario {
    fn base(name: &str, seed: u64, cameras: Vec<FilmCamera>) -> Self {
        let mut stall = good_shot(31.0);
        stall.draw_s = 1.75;
        stall.faults = vec![FaultPlan::Slow {
            after_s: 0.62,
            length_s: 0.5,
            speed_m_s: 0.0,
            push_m: 0.008,
        }];
        let mut collapse = good_shot(40.5);
        collapse.expansion_s = 1.8;
        collapse.faults = vec![FaultPlan::Collapse {
            phase: CollapsePhase::Expansion,
            after_s: 0.85,
            length_s: 0.35,
            depth_m: 0.009,
        }];
        Self {
            format: SCENARIO_FORMAT.to_owned(),
            name: name.to_owned(),
            seed,
            end_s: 49.5,
            air_temperature_c: 19.0,
            archer: archer(),
            markers: vec![elbow_ball()],
            neighbour: true,
            claps_s: vec![1.0],
            board: Some(board(1.6, 15.5)),
            wand: None,
            at_rest_m: None,
            shots: vec![good_shot(22.0), stall, collapse],
            cameras,
            light: LightPlan {
                one_sided: 0.2,
                exposure: 1.0,
                look_alikes: true,
            },
        }
    }

    /// A club's two phones at 5 and 3 o'clock, started by hand; three shots: good, with a stall, with a collapse
    /// of 9 mm in expansion.
    pub fn club_five_three(seed: u64) -> Self {
        let first = phone("five", 1493.0, [-2.95, -1.75, 1.75], [-0.05, 0.0, 1.02]);
        let mut second = phone("three", 1521.0, [0.15, -3.45, 1.05], [-0.08, 0.0, 0.98]);
        second.clock.offset_s = 0.4137;
        second.clock.drift = 12e-6;
        second.clock.sound_lag_s = 0.004;
        second.shutter = Shutter::rolling(0.0182, 1.0 / 500.0);
        second.roll_deg = 0.8;
        Self::base("club: 5 and 3 o'clock", seed, vec![first, second])
    }

    /// A club's two phones, side view and overhead.
    pub fn club_side_overhead(seed: u64) -> Self {
        let first = phone("side", 1502.0, [-0.20, -3.55, 1.35], [-0.05, 0.0, 1.00]);
        let mut second = phone(
            "overhead",
            1180.0,
            [-0.15, -0.25, 4.35],
            [-0.08, -0.10, 0.0],
        );
        second.clock.offset_s = -0.2716;
        second.clock.drift = -9e-6;
        second.clock.sound_lag_s = -0.003;
        second.roll_deg = 90.0;
        let mut scenario = Self::base("club: side and overhead", seed, vec![first, second]);
        if let Some(board) = &mut scenario.board {
            board.middle_m[2] = 1.15;
        }
        scenario
    }

    /// A centre's four fixed cameras, 720p at 120/s, global shutter, genlocked; nobody in the next lane, five
    /// markers.
    pub fn centre_four(seed: u64) -> Self {
        let place = |name: &str, position: [f64; 3]| {
            let mut camera = phone(name, 1010.0, position, [-0.08, 0.0, 1.02]);
            camera.image_size = ImageSize {
                width_px: 1280,
                height_px: 720,
            };
            if let Lens::BrownConrady(lens) = &mut camera.lens {
                (lens.cx_px, lens.cy_px) = (641.7, 358.2);
                (lens.k1, lens.k2) = (-0.092, 0.061);
            }
            camera.shutter = Shutter::global(0.001);
            camera.rate_hz = 120.0;
            camera.clock.jitter_s = 0.0;
            camera.crf = 16;
            camera
        };
        let cameras = vec![
            place("five", [-2.9, -1.7, 2.1]),
            place("three", [0.0, -3.5, 1.3]),
            place("six", [-3.5, 0.15, 2.5]),
            place("eight", [-2.6, 2.3, 2.2]),
        ];
        let mut scenario = Self::base("centre: four cameras", seed, cameras);
        scenario.neighbour = false;
        scenario.markers.extend(further_balls());
        scenario
    }

    /// A short variant for tests: the board for 7 s (14 s where there are more than two cameras to show it to), then
    /// one shot.
    #[must_use]
    pub fn shortened(mut self) -> Self {
        self.shots.truncate(1);
        let mut start_s = 1.6;
        if self.board.is_some() {
            let shown_s = if self.cameras.len() > 2 { 14.0 } else { 7.0 };
            let mut short = board(1.6, 1.6 + shown_s);
            if let Some(long) = &self.board {
                short.middle_m = long.middle_m;
                short.reach_m = long.reach_m;
            }
            start_s = short.on_line_until_s + 2.5;
            self.board = Some(short);
        }
        for shot in &mut self.shots {
            shot.start_s = start_s;
            let length =
                shot.raise_s + shot.set_up_s + shot.draw_s + shot.anchor_s + shot.expansion_s;
            self.end_s = start_s + length + 2.0;
        }
        self
    }

    /// A preset by its name: `club-five-three`, `club-side-overhead`, `centre-four`, each also with `-short`.
    ///
    /// # Errors
    /// [`RangeSimError::Preset`] for any other name.
    pub fn preset(name: &str, seed: u64) -> Result<Self, RangeSimError> {
        let (long, short) = name
            .strip_suffix("-short")
            .map_or((name, false), |long| (long, true));
        let scenario = match long {
            "club-five-three" => Self::club_five_three(seed),
            "club-side-overhead" => Self::club_side_overhead(seed),
            "centre-four" => Self::centre_four(seed),
            _ => return Err(RangeSimError::Preset(name.to_owned())),
        };
        Ok(if short {
            scenario.shortened()
        } else {
            scenario
        })
    }
}
