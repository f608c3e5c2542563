//! Every kind of practice that a club or a centre may bring: footage, archers, faults, mishaps.

use crate::board_films::{upright, wide_lens};
use crate::practices::{Class, Practice, collapse, faulty, good, short, slow};
use drawarc_range_sim::{
    CollapsePhase, FaultPlan, FilmCamera, FilmCodec, Knock, MarkerLook, MarkerPlace, MarkerPlan,
    Scenario, ShotKind, elbow_ball,
};
use drawarc_rig::{Lens, Shutter};

/// Rate factor at which HEVC comes to about the bit rate of H.264 at 21.
const HEVC_CRF: u8 = 15;

fn phones(seed: u64) -> Scenario {
    Scenario::club_five_three(seed)
}

fn each(mut scenario: Scenario, change: impl Fn(&mut FilmCamera)) -> Scenario {
    scenario.cameras.iter_mut().for_each(change);
    scenario
}

/// Rate factor at which hardly anything is lost: 500 Mbit/s a camera, 8 GB of film at the centre.
const LOSSLESS_CRF: u8 = 1;

/// The first films once more, nearly without loss: what the coding costs. The same seeds, so people, errors and light are the same.
pub(crate) fn lossless() -> Vec<Practice> {
    let kept = |scenario| {
        each(scenario, |camera: &mut FilmCamera| {
            camera.crf = LOSSLESS_CRF;
        })
    };
    vec![
        Practice::new(
            "club-lossless",
            "two phones, 5 and 3 o'clock, nearly lossless: good, stall",
            Class::Other,
            short(kept(phones(101)), vec![good(), slow(0.0)]),
        ),
        Practice::new(
            "centre-lossless",
            "four genlocked cameras, nearly lossless: good, collapse of 3 mm",
            Class::Other,
            short(
                kept(Scenario::centre_four(103)),
                vec![good(), collapse(3.0)],
            ),
        ),
    ]
}

/// Codecs and bit rates.
pub(crate) fn codecs() -> Vec<Practice> {
    // At the rate factor of H.264's films HEVC comes to 2.8 Mbit/s, H.264 to 6.8: hardly more than a messenger leaves.
    let low_rate = each(phones(110), |camera| camera.codec = FilmCodec::Hevc8);
    let hevc8 = each(phones(110), |camera| {
        camera.codec = FilmCodec::Hevc8;
        camera.crf = HEVC_CRF;
    });
    let hevc10 = each(phones(111), |camera| {
        camera.codec = FilmCodec::Hevc10;
        camera.crf = HEVC_CRF;
    });
    vec![
        Practice::new(
            "club-hevc8",
            "HEVC, 8 bit: collapse of 6 mm",
            Class::Phones,
            short(hevc8, vec![collapse(6.0)]),
        ),
        Practice::new(
            "club-low-rate",
            "HEVC at 2.8 Mbit/s, far below what a phone writes: collapse of 6 mm",
            Class::Other,
            short(low_rate, vec![collapse(6.0)]),
        ),
        Practice::new(
            "club-hevc10",
            "HEVC, 10 bit: good",
            Class::Phones,
            short(hevc10, vec![good()]),
        ),
    ]
}

/// Orientation, lenses, sizes, chapters.
pub(crate) fn footage() -> Vec<Practice> {
    let portrait = each(phones(112), upright);
    let mut wide = phones(113);
    wide_lens(&mut wide.cameras[0]);
    let mut chapters = short(phones(114), vec![good(), collapse(9.0)]);
    // In the middle of the first shot's draw.
    chapters.cameras[0].chapters_at_s = vec![16.7];
    let uhd = each(phones(115), |camera| {
        camera.image_size.width_px *= 2;
        camera.image_size.height_px *= 2;
        camera.rate_hz = 30.0;
        camera.shutter = Shutter::rolling(0.021, 1.0 / 500.0);
        if let Lens::BrownConrady(lens) = &mut camera.lens {
            lens.fx_px *= 2.0;
            lens.fy_px *= 2.0;
            lens.cx_px = 2.0 * lens.cx_px + 0.5;
            lens.cy_px = 2.0 * lens.cy_px + 0.5;
        }
    });
    vec![
        Practice::new(
            "club-portrait",
            "phones upright, rotation 90 in the container: collapse of 9 mm",
            Class::Phones,
            short(portrait, vec![collapse(9.0)]),
        ),
        Practice::new(
            "club-wide",
            "a wide lens (Kannala-Brandt) at 5 o'clock: good",
            Class::Other,
            short(wide, vec![good()]),
        ),
        Practice::new(
            "club-chapters",
            "one recording in two files, cut within a draw: good, collapse of 9 mm",
            Class::Phones,
            chapters,
        ),
        Practice::new(
            "club-4k",
            "two phones at 4K, 30 frames a second: collapse of 9 mm",
            Class::Other,
            short(uhd, vec![collapse(9.0)]),
        ),
    ]
}

/// Bodies, hands, markers.
pub(crate) fn archers() -> Vec<Practice> {
    let mut left = phones(120);
    left.archer.left_handed = true;
    // The next lane lies on the side of its cameras.
    left.neighbour = false;
    for (camera, name) in left.cameras.iter_mut().zip(["seven", "nine"]) {
        name.clone_into(&mut camera.name);
        camera.position_m[1] = -camera.position_m[1];
        camera.look_at_m[1] = -camera.look_at_m[1];
    }
    let mut draw_collapse = good();
    draw_collapse.draw_s = 1.6;
    draw_collapse.faults = vec![FaultPlan::Collapse {
        phase: CollapsePhase::Draw,
        after_s: 0.7,
        length_s: 0.3,
        depth_m: 0.009,
    }];
    let mut tall = phones(121);
    tall.archer.height_m = 1.97;
    let mut small = phones(122);
    small.archer.height_m = 1.32;
    let mut band = phones(123);
    band.markers[0].look = MarkerLook::Band { width_m: 0.04 };
    let mut dot = phones(124);
    dot.markers[0].look = MarkerLook::Dot { diameter_m: 0.03 };
    dot.neighbour = false;
    "seven".clone_into(&mut dot.cameras[1].name);
    dot.cameras[1].position_m = [-2.9, 1.75, 1.6];
    dot.cameras[1].look_at_m = [-0.1, 0.0, 1.0];
    let mut target = dot.clone();
    target.seed = 125;
    target.light.exposure = 0.3;
    target.markers[0].look = MarkerLook::Target {
        diameter_m: 0.04,
        ground_m: 0.07,
    };
    target.markers[0].rgb = [0.85, 0.85, 0.85];
    vec![
        Practice::new(
            "club-dim-target",
            "a printed target of 40 mm in poor light (a third of the exposure), cameras at 5 and 7 o'clock: good, collapse of 9 mm",
            Class::Other,
            short(target, vec![good(), collapse(9.0)]),
        ),
        Practice::new(
            "club-left-handed",
            "left-handed, cameras at 7 and 9 o'clock: collapse of 9 mm in the draw",
            Class::Phones,
            short(left, vec![draw_collapse]),
        ),
        Practice::new(
            "club-tall",
            "an archer of 1.97 m: good",
            Class::Phones,
            short(tall, vec![good()]),
        ),
        Practice::new(
            "club-small",
            "an archer of 1.32 m: good",
            Class::Phones,
            short(small, vec![good()]),
        ),
        Practice::new(
            "club-band-marker",
            "a band of 40 mm around the elbow: good, collapse of 9 mm",
            Class::Other,
            short(band, vec![good(), collapse(9.0)]),
        ),
        Practice::new(
            "club-dot-marker",
            "a flat dot of 30 mm, cameras at 5 and 7 o'clock: good, collapse of 9 mm",
            Class::Other,
            short(dot, vec![good(), collapse(9.0)]),
        ),
    ]
}

/// Faults, and what looks like one and is none.
pub(crate) fn faults() -> Vec<Practice> {
    let creep = faulty(FaultPlan::Creep {
        after_s: 0.3,
        length_s: 1.4,
        depth_m: 0.020,
    });
    let around = faulty(FaultPlan::GivesWayAround {
        after_s: 0.8,
        length_s: 0.35,
        depth_m: 0.012,
    });
    let mut little = good();
    little.around_m = 0.003;
    let mut perfect = good();
    perfect.around_m = 0.060;
    perfect.hook_travel_m = 0.0;
    perfect.expansion_s = 1.8;
    let slip = faulty(FaultPlan::HookSlip {
        after_s: 0.9,
        length_s: 0.15,
        slip_m: 0.010,
        drag_m: 0.006,
    });
    let mut slipping = Scenario::centre_four(134);
    slipping.markers.push(MarkerPlan {
        place: MarkerPlace::Nock,
        look: MarkerLook::Ball { diameter_m: 0.014 },
        ..elbow_ball()
    });
    slipping.markers[4].rgb = [0.03, 0.75, 0.10];
    let mut let_down = good();
    let_down.kind = ShotKind::LetDown;
    let mut band_work = good();
    band_work.kind = ShotKind::Band;
    vec![
        Practice::new(
            "club-slowed",
            "slows to 25 mm/s in the draw, never stops",
            Class::Phones,
            short(phones(130), vec![slow(25.0)]),
        ),
        Practice::new(
            "club-creep",
            "the hook creeps 20 mm forward in expansion; gives way around by 12 mm",
            Class::Phones,
            short(phones(131), vec![creep, around]),
        ),
        Practice::new(
            "club-around",
            "hardly any way around (3 mm); 60 mm of it with the hook at perfect rest: both good",
            Class::Phones,
            short(phones(132), vec![little, perfect]),
        ),
        Practice::new(
            "club-let-down",
            "let down before release, then a good shot",
            Class::Phones,
            short(phones(133), vec![let_down, good()]),
        ),
        Practice::new(
            "club-band-work",
            "exercise band, no bow, no sound but the clap",
            Class::Phones,
            short(phones(135), vec![band_work]),
        ),
        Practice::new(
            "centre-hook-slip",
            "the string slips 10 mm in the fingers, six markers",
            Class::Centre,
            short(slipping, vec![slip]),
        ),
    ]
}

/// What goes wrong on an evening.
pub(crate) fn mishaps() -> Vec<Practice> {
    let mut knocked = short(phones(140), vec![good()]);
    let lying_until_s = knocked
        .board
        .as_ref()
        .map_or(12.0, |board| board.on_line_until_s);
    knocked.cameras[1].knocked = Some(Knock {
        at_s: lying_until_s + 0.8,
        pan_deg: 0.3,
        ..Knock::default()
    });
    let uneven = each(phones(141), |camera| {
        camera.clock.dropped = 0.04;
        camera.clock.jitter_s = 0.002;
    });
    let mut silent = phones(142);
    silent.cameras[1].sound = false;
    let mut unturned = short(silent.clone(), vec![good()]);
    if let Some(board) = &mut unturned.board {
        board.waved_until_s = board.waved_from_s + 0.1;
    }
    vec![
        Practice::new(
            "club-knocked",
            "the tripod at 3 o'clock knocked by 0.3 degrees between board and shot",
            Class::Other,
            knocked,
        )
        .warned(&["three", "was turned by 0.3", "since the survey"]),
        Practice::new(
            "club-uneven",
            "4 % of the frames dropped, frame times jittered by 2 ms: collapse of 9 mm",
            Class::Other,
            short(uneven, vec![collapse(9.0)]),
        ),
        Practice::new(
            "club-silent",
            "one phone records no sound, the board tells its clock: good",
            Class::Other,
            short(silent, vec![good()]),
        ),
        Practice::new(
            "club-unturned",
            "one phone records no sound, and the board only lies on the line",
            Class::Other,
            unturned,
        )
        .refused(&["three", "board hardly turned"]),
    ]
}
