//! Fills the page's template.

use askama::Template;

use super::{
    base64::base64,
    card::{FaultBar, Figure, Mark, ShotCard},
    error::PageError,
    practice::{ArcherLine, CameraStrip, Fitness, PageShot, PracticePage, RigLine, StripPicture},
    script_json::{script_json, zero_of},
    sketch::{series_sketch, shot_sketch},
    words::Words,
};

const STYLE: &str = concat!(
    include_str!("../../templates/style/paper.css"),
    include_str!("../../templates/style/shot.css"),
    include_str!("../../templates/style/print.css"),
);

const SCRIPT: &str = concat!(
    include_str!("../../templates/script/state.js"),
    include_str!("../../templates/script/curves.js"),
    include_str!("../../templates/script/range_view.js"),
    include_str!("../../templates/script/dial.js"),
    include_str!("../../templates/script/pictures.js"),
    include_str!("../../templates/script/scrub.js"),
    include_str!("../../templates/script/page.js"),
);

#[derive(Template)]
#[template(path = "page.html")]
struct PageTemplate<'a> {
    practice: &'a PracticePage,
    words: &'a Words,
    rows: Vec<Row<'a>>,
    strips: Vec<Strip<'a>>,
    series: Vec<SeriesLine<'a>>,
    legend: Vec<Mark>,
    style: &'static str,
    script: &'static str,
    data: String,
    holds_pictures: bool,
    bows_differ: bool,
}

struct Row<'a> {
    index: usize,
    card: &'a ShotCard,
    sketch: String,
    felt: Option<&'a str>,
    /// The figures in two tables that stand side by side.
    halves: [&'a [Figure]; 2],
}

struct Strip<'a> {
    shot: usize,
    camera: usize,
    number: usize,
    seen: &'a CameraStrip,
    pictures: Vec<Picture<'a>>,
    trace: String,
    /// Where faults were.
    faults: Vec<Fault>,
}

/// A fault in a camera's picture.
struct Fault {
    /// The part of the trace where it was.
    points: String,
    key: &'static str,
    /// Upper left corner of its mark, px; clear of the trace.
    corner: (f64, f64),
    /// Side of its mark, px.
    side_px: f64,
}

struct Picture<'a> {
    instant: &'a StripPicture,
    jpeg: String,
    since_release: String,
    dot: Option<(f64, f64)>,
}

struct SeriesLine<'a> {
    row: &'a super::practice::SeriesRow,
    sketch: String,
}

/// Writes one practice as a single HTML file that opens offline and asks nothing of any network.
///
/// Everything that comes from outside (names, titles, sentences) is escaped. The file allows itself no
/// request by its own content security policy.
///
/// # Errors
/// Curves of different lengths or with numbers that are not finite, or a failing template.
pub fn page(practice: &PracticePage, words: &Words) -> Result<String, PageError> {
    for shot in &practice.shots {
        check(&shot.card)?;
    }
    let numbers: Vec<usize> = practice.shots.iter().map(|shot| shot.card.number).collect();
    let template = PageTemplate {
        practice,
        words,
        rows: practice
            .shots
            .iter()
            .enumerate()
            .map(|(index, shot)| row(index, shot, words))
            .collect(),
        strips: practice
            .shots
            .iter()
            .enumerate()
            .flat_map(|(index, shot)| strips(index, shot, words))
            .collect(),
        series: practice
            .series
            .rows
            .iter()
            .map(|row| SeriesLine {
                row,
                sketch: series_sketch(row, &numbers),
            })
            .collect(),
        legend: Mark::ALL.to_vec(),
        style: STYLE,
        script: SCRIPT,
        data: script_json(practice, words)?,
        holds_pictures: practice
            .shots
            .iter()
            .any(|shot| shot.strips.iter().any(|strip| !strip.pictures.is_empty())),
        bows_differ: practice
            .shots
            .windows(2)
            .any(|pair| pair[0].card.bow != pair[1].card.bow),
    };
    Ok(template.render()?)
}

/// Refuses curves that cannot be drawn.
fn check(card: &ShotCard) -> Result<(), PageError> {
    let curves = &card.curves;
    let count = curves.time_s.len();
    let bands = [
        &curves.away_mm,
        &curves.behind_mm,
        &curves.height_mm,
        &curves.speed_mm_s,
    ];
    let lengths_agree = curves.position_in_range_mm.len() == count
        && curves.in_gap.len() == count
        && bands
            .iter()
            .all(|band| band.value.len() == count && band.half_width.len() == count);
    let refuse = |problem: &str| PageError::Shot {
        shot: card.number,
        problem: problem.to_owned(),
    };
    if !lengths_agree {
        return Err(refuse("its curves do not have one value for each instant"));
    }
    let finite = curves.time_s.iter().all(|value| value.is_finite())
        && curves
            .position_in_range_mm
            .iter()
            .flatten()
            .all(|value| value.is_finite())
        && bands.iter().all(|band| {
            band.value
                .iter()
                .chain(&band.half_width)
                .all(|value| value.is_finite())
        });
    if !finite {
        return Err(refuse("its curves hold a number that is not finite"));
    }
    Ok(())
}

fn row<'a>(index: usize, shot: &'a PageShot, words: &'a Words) -> Row<'a> {
    let felt = shot
        .card
        .felt
        .as_deref()
        .map(|felt| words.felt.get(felt).map_or(felt, String::as_str));
    let figures = shot
        .card
        .figures
        .split_at(shot.card.figures.len().div_ceil(2));
    Row {
        index,
        card: &shot.card,
        sketch: shot_sketch(&shot.card),
        felt,
        halves: figures.into(),
    }
}

fn strips<'a>(shot_index: usize, shot: &'a PageShot, words: &Words) -> Vec<Strip<'a>> {
    let zero_s = zero_of(&shot.card);
    shot.strips
        .iter()
        .enumerate()
        .map(|(camera, strip)| Strip {
            shot: shot_index,
            camera,
            number: shot.card.number,
            seen: strip,
            pictures: strip
                .pictures
                .iter()
                .map(|picture| Picture {
                    instant: picture,
                    jpeg: base64(&picture.jpeg),
                    since_release: signed_seconds(picture.time_s - zero_s, words),
                    dot: place_at(strip, picture.time_s),
                })
                .collect(),
            trace: points(strip, f64::MIN, f64::MAX),
            faults: shot
                .card
                .faults
                .iter()
                .filter_map(|fault| in_picture(strip, fault))
                .collect(),
        })
        .collect()
}

/// A mark in a picture is so large a part of its width: a thumb's width on a phone shows its shape.
const MARK_SHARE: f64 = 0.16;

/// A fault where a camera saw it; none where its trace has no such part.
fn in_picture(strip: &CameraStrip, fault: &FaultBar) -> Option<Fault> {
    let points = points(strip, fault.start_s, fault.end_s);
    let (x, y) = place_at(strip, fault.start_s.midpoint(fault.end_s))?;
    let (width, height) = strip.picture_size_px;
    let side_px = MARK_SHARE * f64::from(width);
    let inside = |at: f64, room: u32| at.clamp(0.0, (f64::from(room) - side_px).max(0.0)).round();
    // Above it, as in the view from anywhere; below it, where there is no room above.
    let above = y - 1.35 * side_px;
    let top = if above < 0.0 {
        y + 0.35 * side_px
    } else {
        above
    };
    points.contains(' ').then(|| Fault {
        points,
        key: fault.mark.key(),
        corner: (inside(x - side_px / 2.0, width), inside(top, height)),
        side_px: side_px.round(),
    })
}

/// The trace between two instants, as the points of a line.
fn points(strip: &CameraStrip, from_s: f64, to_s: f64) -> String {
    strip
        .trace
        .iter()
        .filter(|point| (from_s..=to_s).contains(&point.time_s))
        .map(|point| format!("{:.1},{:.1}", point.x_px, point.y_px))
        .collect::<Vec<_>>()
        .join(" ")
}

/// Where the trace is at an instant, linear between its points.
fn place_at(strip: &CameraStrip, time_s: f64) -> Option<(f64, f64)> {
    let after = strip
        .trace
        .iter()
        .position(|point| point.time_s >= time_s)?;
    let end = strip.trace[after];
    let Some(before) = after.checked_sub(1) else {
        return (end.time_s - time_s < 0.05).then_some((end.x_px, end.y_px));
    };
    let start = strip.trace[before];
    let share = (time_s - start.time_s) / (end.time_s - start.time_s).max(1e-9);
    Some((
        start.x_px + share * (end.x_px - start.x_px),
        start.y_px + share * (end.y_px - start.y_px),
    ))
}

fn signed_seconds(seconds: f64, words: &Words) -> String {
    let unit = words.few("s", &[]);
    if seconds.abs() < 0.005 {
        format!("0 {unit}")
    } else if seconds < 0.0 {
        format!("−{:.2} {unit}", -seconds)
    } else {
        format!("+{seconds:.2} {unit}")
    }
}

impl PageTemplate<'_> {
    fn hand(&self, archer: &ArcherLine) -> &str {
        if archer.side < 0.0 {
            &self.words.page.left_handed
        } else {
            &self.words.page.right_handed
        }
    }

    fn fitness(&self, line: &RigLine) -> &str {
        match line.fitness {
            Fitness::Good => &self.words.page.rig_good,
            Fitness::Watch => &self.words.page.rig_watch,
            Fitness::Bad => &self.words.page.rig_bad,
        }
    }

    #[expect(
        clippy::trivially_copy_pass_by_ref,
        reason = "the template hands out references"
    )]
    fn costs(&self, mm: &f64) -> String {
        if *mm < 0.05 {
            return self.words.few("costs_little", &[("value", "0.1")]);
        }
        let value = format!("{mm:.1}");
        let words = [
            ("words", self.words.page.costs_mm.as_str()),
            ("value", &value),
        ];
        self.words.few("costs", &words)
    }

    /// The mark whose shape stands for a state of the rig.
    fn fitness_mark(line: &RigLine) -> &'static str {
        match line.fitness {
            Fitness::Good => "good",
            Fitness::Watch => "unclear",
            Fitness::Bad => "let-down",
        }
    }

    fn value<'a>(&'a self, figure: &'a Figure) -> &'a str {
        figure
            .value
            .as_deref()
            .unwrap_or(&self.words.page.not_measurable)
    }
}
