//! The archer's drawn figure: a few lines that say which way is which. Nothing of it is measured.
//!
//! Body segments as fractions of body height: shoulder 0.818, hip 0.530, half shoulder width 0.129
//! (Drillis & Contini 1966 as tabulated by Winter; values from memory, used for drawing only). The
//! stance is square across the shooting line, the chest toward 3 o'clock for a right-handed archer.

use serde::Serialize;

use super::card::ShotCard;

/// Body height for the drawing where none is stated, m.
const DRAWN_HEIGHT_M: f64 = 1.70;
const SHOULDER_OF_HEIGHT: f64 = 0.818;
const HIP_OF_HEIGHT: f64 = 0.530;
const HALF_SHOULDERS_OF_HEIGHT: f64 = 0.129;
const HALF_HIPS_OF_HEIGHT: f64 = 0.080;
/// Fingertip reach of the bow arm from the middle of the body, as a fraction of height: half the
/// shoulders and the arm to the grip.
const GRIP_OF_HEIGHT: f64 = 0.129 + 0.42;
/// Head's centre and radius as fractions of height.
const HEAD_OF_HEIGHT: f64 = 0.93;
const HEAD_RADIUS_OF_HEIGHT: f64 = 0.062;
/// Half the stance, m (common practice, no source).
const HALF_STANCE_M: f64 = 0.20;
/// Half the length of the drawn bow, m.
const HALF_BOW_M: f64 = 0.80;

/// Polylines in the range frame, mm.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FigureLines {
    /// Body and legs, bow arm, bow.
    pub lines: Vec<Vec<[f64; 3]>>,
    /// Shoulder of the draw arm, where the drawn upper arm begins.
    pub draw_shoulder: [f64; 3],
    /// Middle of the head and its radius.
    pub head: ([f64; 3], f64),
}

/// The figure of a shot's archer, at the height of their arrow line where that is known.
pub(super) fn figure_of(card: &ShotCard) -> FigureLines {
    let line_point_mm = card.arrow_line.map(|line| line.point_in_range_mm);
    figure_lines(card.side, card.body_height_m, line_point_mm)
}

/// The drawn figure of an archer; nothing of it is measured. `side` is `+1` for a right-handed archer and `-1` for a
/// left-handed one, `line_point_mm` a point of the arrow line in the range frame.
pub fn figure_lines(
    side: f64,
    body_height_m: Option<f64>,
    line_point_mm: Option<[f64; 3]>,
) -> FigureLines {
    let height_mm = body_height_m.unwrap_or(DRAWN_HEIGHT_M) * 1000.0;
    let shoulder_z = SHOULDER_OF_HEIGHT * height_mm;
    let hip_z = HIP_OF_HEIGHT * height_mm;
    let half_shoulders = HALF_SHOULDERS_OF_HEIGHT * height_mm;
    let half_hips = HALF_HIPS_OF_HEIGHT * height_mm;
    let stance = HALF_STANCE_M * 1000.0;
    // The shoulders stand a little on the back side of the arrow line: the head looks over the bow
    // shoulder. `line_y` is where the arrow line passes the body.
    let line_y = line_point_mm.map_or(0.0, |point| point[1]);
    let body_y = line_y + side * 60.0;
    let grip_z = line_point_mm.map_or(shoulder_z, |point| point[2]);
    let grip = [GRIP_OF_HEIGHT * height_mm, line_y, grip_z - 20.0];
    let bow_shoulder = [half_shoulders, body_y, shoulder_z];
    let draw_shoulder = [-half_shoulders, body_y, shoulder_z];
    let bow_hip = [half_hips, body_y, hip_z];
    let draw_hip = [-half_hips, body_y, hip_z];
    let half_bow = HALF_BOW_M * 1000.0;
    // Limbs bend away from the archer in the middle, tips toward the archer.
    let bow = (-8..=8)
        .map(|step| {
            let share = f64::from(step) / 8.0;
            let bend = 170.0 * share * share;
            [grip[0] - bend, line_y, grip[2] + share * half_bow]
        })
        .collect();
    FigureLines {
        lines: rounded(vec![
            vec![
                draw_shoulder,
                bow_shoulder,
                bow_hip,
                draw_hip,
                draw_shoulder,
            ],
            vec![bow_hip, [stance, body_y, 0.0]],
            vec![draw_hip, [-stance, body_y, 0.0]],
            vec![bow_shoulder, grip],
            bow,
        ]),
        draw_shoulder: draw_shoulder.map(f64::round),
        head: (
            [25.0, body_y - side * 15.0, HEAD_OF_HEIGHT * height_mm].map(f64::round),
            (HEAD_RADIUS_OF_HEIGHT * height_mm).round(),
        ),
    }
}

fn rounded(lines: Vec<Vec<[f64; 3]>>) -> Vec<Vec<[f64; 3]>> {
    lines
        .into_iter()
        .map(|line| {
            line.into_iter()
                .map(|point| point.map(f64::round))
                .collect()
        })
        .collect()
}
