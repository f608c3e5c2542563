//! The values that the page's own script reads, as JSON that is safe inside a script element.

use std::fmt::Write as _;

use serde::Serialize;

use super::{
    card::{BandCurve, Mark, PhaseKey, ShotCard},
    error::PageError,
    figure::{FigureLines, figure_of},
    practice::{CameraStrip, PracticePage},
    words::Words,
};

#[derive(Serialize)]
struct ScriptData<'a> {
    words: &'a std::collections::BTreeMap<String, String>,
    marks: std::collections::BTreeMap<&'a str, &'a str>,
    phases: &'a std::collections::BTreeMap<String, String>,
    curves: &'a super::words::CurveWords,
    shots: Vec<ScriptShot<'a>>,
}

/// A shot for the script. Times are seconds from the shot's own zero: release, else anchor, else end.
#[derive(Serialize)]
struct ScriptShot<'a> {
    number: usize,
    archer: &'a str,
    side: f64,
    mark: Mark,
    sentence: &'a str,
    events: Events,
    time: Vec<f64>,
    position: Vec<[f64; 3]>,
    away: ScriptCurve,
    behind: ScriptCurve,
    height: ScriptCurve,
    speed: ScriptCurve,
    gap: Vec<u8>,
    line_known: bool,
    line: Option<([f64; 3], [f64; 3])>,
    phases: Vec<(PhaseKey, f64, f64)>,
    faults: Vec<(Mark, f64, f64, &'a str)>,
    angles: Vec<ScriptAngle>,
    angle_words: &'a str,
    figure: FigureLines,
    cameras: Vec<ScriptCamera<'a>>,
}

/// Hours on the dial (none: overhead), shares of giving way, way around and V.
type ScriptAngle = (Option<f64>, Option<f64>, Option<f64>, Option<f64>);

#[derive(Serialize)]
struct Events {
    release: Option<f64>,
    anchor: Option<f64>,
    set_up: Option<f64>,
    end: Option<f64>,
}

#[derive(Serialize)]
struct ScriptCurve {
    value: Vec<f64>,
    half: Vec<f64>,
}

#[derive(Serialize)]
struct ScriptCamera<'a> {
    name: &'a str,
    hours: Option<f64>,
    elevation: f64,
    size: (u32, u32),
    trace: Vec<(f64, f64, f64)>,
    pictures: Vec<(f64, &'a str, Option<Mark>)>,
}

/// Writes the values of a practice for the script of its page.
///
/// # Errors
/// A number is not finite (JSON cannot hold it) or serialisation failed.
pub(super) fn script_json(practice: &PracticePage, words: &Words) -> Result<String, PageError> {
    let data = ScriptData {
        words: &words.script,
        marks: words
            .marks
            .iter()
            .map(|(key, mark)| (key.as_str(), mark.name.as_str()))
            .collect(),
        phases: &words.phases,
        curves: &words.curves,
        shots: practice
            .shots
            .iter()
            .map(|shot| script_shot(&shot.card, &shot.strips))
            .collect(),
    };
    Ok(safe_in_script(&serde_json::to_string(&data)?))
}

fn script_shot<'a>(card: &'a ShotCard, strips: &'a [CameraStrip]) -> ScriptShot<'a> {
    let zero_s = zero_of(card);
    let since = |time_s: f64| round_to(time_s - zero_s, 4);
    let curves = &card.curves;
    ScriptShot {
        number: card.number,
        archer: &card.archer,
        side: card.side,
        mark: card.mark,
        sentence: &card.sentence,
        events: Events {
            release: card.release_s.map(since),
            anchor: card.anchor_s.map(since),
            set_up: card.set_up_s.map(since),
            end: curves.time_s.last().copied().map(since),
        },
        time: curves.time_s.iter().copied().map(since).collect(),
        position: curves
            .position_in_range_mm
            .iter()
            .map(|place| place.map(|value| round_to(value, 2)))
            .collect(),
        away: script_curve(&curves.away_mm),
        behind: script_curve(&curves.behind_mm),
        height: script_curve(&curves.height_mm),
        speed: script_curve(&curves.speed_mm_s),
        gap: curves.in_gap.iter().map(|&gap| u8::from(gap)).collect(),
        line_known: card.arrow_line_known,
        line: card
            .arrow_line
            .map(|line| (line.point_in_range_mm, line.toward_target)),
        phases: card
            .phases
            .iter()
            .map(|bar| (bar.phase, since(bar.start_s), since(bar.end_s)))
            .collect(),
        faults: card
            .faults
            .iter()
            .map(|bar| {
                let (start, end) = (since(bar.start_s), since(bar.end_s));
                (bar.mark, start, end, bar.text.as_str())
            })
            .collect(),
        angles: card
            .angles
            .iter()
            .map(|share| (share.hours, share.giving_way, share.around, share.v))
            .collect(),
        angle_words: &card.angle_words,
        figure: figure_of(card),
        cameras: strips
            .iter()
            .map(|strip| script_camera(strip, &since))
            .collect(),
    }
}

fn script_camera<'a>(strip: &'a CameraStrip, since: &dyn Fn(f64) -> f64) -> ScriptCamera<'a> {
    ScriptCamera {
        name: &strip.camera,
        hours: strip.clock_hours,
        elevation: strip.elevation_deg,
        size: strip.picture_size_px,
        trace: strip
            .trace
            .iter()
            .map(|point| {
                let (x, y) = (round_to(point.x_px, 1), round_to(point.y_px, 1));
                (since(point.time_s), x, y)
            })
            .collect(),
        pictures: strip
            .pictures
            .iter()
            .map(|picture| {
                let time = since(picture.time_s);
                (time, picture.caption.as_str(), picture.mark)
            })
            .collect(),
    }
}

fn script_curve(curve: &BandCurve) -> ScriptCurve {
    let rounded = |values: &[f64]| values.iter().map(|&value| round_to(value, 2)).collect();
    ScriptCurve {
        value: rounded(&curve.value),
        half: rounded(&curve.half_width),
    }
}

/// The instant that a shot's own time counts from: release, else anchor, else the end (range time, s).
pub(super) fn zero_of(card: &ShotCard) -> f64 {
    card.release_s
        .or(card.anchor_s)
        .or(card.curves.time_s.last().copied())
        .unwrap_or(0.0)
}

/// Rounded to some decimals; −0 becomes 0.
fn round_to(value: f64, decimals: i32) -> f64 {
    let scale = 10_f64.powi(decimals);
    (value * scale).round() / scale + 0.0
}

/// JSON that cannot end the script element it stands in, nor open a comment in it. Inside JSON these
/// characters occur in strings only, where the escapes mean the same.
pub(super) fn safe_in_script(json: &str) -> String {
    let mut safe = String::with_capacity(json.len());
    for character in json.chars() {
        match character {
            '<' | '>' | '&' | '\'' | '\u{2028}' | '\u{2029}' => {
                let _ = write!(safe, "\\u{:04x}", u32::from(character));
            }
            _ => safe.push(character),
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    use super::safe_in_script;

    #[test]
    fn a_script_element_cannot_be_closed_from_inside() {
        let hostile = "</script><!-- <script>\u{2028}&";
        let json = serde_json::to_string(hostile).unwrap();
        let safe = safe_in_script(&json);
        assert!(!safe.contains('<') && !safe.contains('&') && !safe.contains('\u{2028}'));
        assert_eq!(serde_json::from_str::<String>(&safe).unwrap(), hostile);
    }
}
