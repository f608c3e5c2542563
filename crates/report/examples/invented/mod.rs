//! An invented practice of six shots: for looking at the page and for its tests.

mod motion;
mod picture;

use std::error::Error;

use drawarc_report::page::{
    AngleShare, ArcherLine, CameraStrip, FaultBar, Figure, Fitness, Mark, PageShot, PracticePage,
    RigLine, SeriesPart, SeriesRow, ShotCard, StripPicture, TracePoint,
};

use motion::{Motion, Plan};
use picture::View;

const SENTENCES: [(&str, Mark, &str, Plan); 6] = [
    ("The elbow kept moving all the way and never gave way.", Mark::Good, "moved", Plan::GOOD),
    ("The elbow stopped for 0.31 s in the middle of the draw, then went on.", Mark::Stall, "moved", Plan::STALL),
    ("The elbow kept moving all the way and never gave way.", Mark::Good, "moved", Plan::QUICK),
    ("The elbow gave way 6.2 mm toward the target just before release.", Mark::Collapse, "unsure", Plan::COLLAPSE),
    ("The elbow slowed in the draw, but never stopped.", Mark::Slowed, "stopped", Plan::SLOWED),
    ("The elbow stopped for 0.42 s late in the draw, then went on.", Mark::Stall, "gave-way", Plan::LATE),
];

/// The practice, for a right-handed (`+1`) or left-handed (`-1`) archer.
pub(crate) fn practice(side: f64) -> Result<PracticePage, Box<dyn Error>> {
    let mut shots = Vec::new();
    for (index, (sentence, mark, felt, plan)) in SENTENCES.into_iter().enumerate() {
        shots.push(shot(index, sentence, mark, felt, plan, side)?);
    }
    let row = |name: &str, unit: &str, values: [f64; 6], half: f64, spread: &str, trend: &str| SeriesRow {
        name: name.to_owned(),
        unit: unit.to_owned(),
        values: values.into_iter().map(|value| Some((value, half))).collect(),
        spread: spread.to_owned(),
        trend: trend.to_owned(),
    };
    Ok(PracticePage {
        title: "Thursday evening, lane 3".to_owned(),
        date: "2026-05-14".to_owned(),
        invented: true,
        archers: vec![ArcherLine {
            alias: "Wren".to_owned(),
            side,
            detail: "1.72 m, own bow, 38 lb".to_owned(),
        }],
        warnings: vec!["The camera \"side\" was knocked by 0.04° before shot 6. It was put back in its place by the still background; shot 6 carries 0.6 mm more uncertainty.".to_owned()],
        shots,
        series: SeriesPart {
            sentences: vec![
                "Two of six shots stopped in the draw and one gave way; in the others the elbow kept moving.".to_owned(),
                "Six shots are few: a difference between first and last cannot be told from chance here.".to_owned(),
            ],
            rows: vec![
                row("Lowest speed in the draw", "mm/s", [62.0, 4.0, 88.0, 71.0, 27.0, 3.0], 6.0, "35 mm/s, 22 to 86", "cannot tell (−34, −91 to 23 mm/s)"),
                row("Behind the line at release", "mm", [31.0, 27.0, 33.0, 22.0, 29.0, 26.0], 2.5, "3.9 mm, 2.4 to 9.6", "cannot tell (−5, −13 to 3 mm)"),
                row("Anchor to release", "s", [2.2, 2.4, 2.1, 3.1, 2.3, 2.6], 0.03, "0.36 s, 0.22 to 0.88", "cannot tell (0.4, −0.4 to 1.2 s)"),
            ],
            next: vec!["Three slow draws with the band, eyes shut: the elbow keeps going while the hand comes to the face.".to_owned()],
        },
        rig: vec![
            RigLine { fitness: Fitness::Good, sentence: "Both cameras stand where the survey left them until shot 5.".to_owned(), costs_mm: Some(0.2) },
            RigLine { fitness: Fitness::Watch, sentence: "From shot 6 on, \"side\" was turned by 0.04° and put back by the background.".to_owned(), costs_mm: Some(0.6) },
            RigLine { fitness: Fitness::Good, sentence: "Clocks agree to 0.3 ms: clap and movement say the same.".to_owned(), costs_mm: Some(0.1) },
        ],
        certainty: vec![
            "Between one moment of a shot and the next, the elbow's place is sure to 0.4 mm (95 %); its absolute place to 1.3 mm.".to_owned(),
            "A stop shorter than 0.15 s or a giving way under 2 mm is never marked. In these shots a giving way of 2.8 mm would have been found in four cases of five.".to_owned(),
        ],
        methods: vec!["Invented: this page shows what the page looks like. A real page says here how the path was computed, with which settings, from which files (with their hashes) and after which sources.".to_owned()],
        version: "0.1.0".to_owned(),
    })
}

fn shot(
    index: usize,
    sentence: &str,
    mark: Mark,
    felt: &str,
    plan: Plan,
    side: f64,
) -> Result<PageShot, Box<dyn Error>> {
    let motion = Motion::new(plan, side);
    let fault = motion.fault();
    let views = [View::side(side), View::five(side)];
    let release_s = 100.0 * (index as f64 + 1.0);
    let mut strips = Vec::new();
    for view in &views {
        let mut pictures = Vec::new();
        let mut moments = motion.moments();
        if let Some((start, end)) = fault {
            moments.push(((start + end) / 2.0, "the mark", Some(mark)));
            moments.sort_by(|a, b| a.0.total_cmp(&b.0));
        }
        for (time, caption, mark) in moments {
            pictures.push(StripPicture {
                time_s: release_s + time,
                caption: caption.to_owned(),
                mark,
                jpeg: view.jpeg(&motion, time)?,
            });
        }
        strips.push(CameraStrip {
            camera: view.name.to_owned(),
            clock_hours: Some(view.hours),
            elevation_deg: 0.0,
            picture_size_px: (u32::from(View::WIDTH), u32::from(View::HEIGHT)),
            trace: (0..240)
                .map(|step| {
                    let time = motion.start() + f64::from(step) / 240.0 * (0.5 - motion.start());
                    let (x_px, y_px) = view.pixel(motion.elbow_mm(time));
                    TracePoint { time_s: release_s + time, x_px, y_px }
                })
                .collect(),
            pictures,
        });
    }
    let behind = motion.behind_mm(0.0);
    let faults = fault.into_iter().map(|(start, end)| FaultBar {
        mark,
        start_s: release_s + start,
        end_s: release_s + end,
        text: sentence.to_owned(),
    });
    let figure = |name: &str, value: &str, interval: &str| Figure {
        name: name.to_owned(),
        value: Some(value.to_owned()),
        interval: interval.to_owned(),
        cameras: Some(2),
    };
    Ok(PageShot {
        card: ShotCard {
            number: index + 1,
            archer: "Wren".to_owned(),
            side,
            bow: "own bow, 38 lb".to_owned(),
            body_height_m: Some(1.72),
            mark,
            sentence: sentence.to_owned(),
            felt: Some(felt.to_owned()),
            release_s: Some(release_s),
            set_up_s: Some(release_s + motion.set_up()),
            anchor_s: Some(release_s + motion.anchor()),
            phases: motion.phases(release_s),
            faults: faults.collect(),
            curves: motion.curves(release_s),
            arrow_line_known: true,
            arrow_line: Some(motion.arrow_line()),
            headline: vec![
                ("lowest speed in the draw".to_owned(), format!("{:.0} ± 6 mm/s", motion.slowest_mm_s())),
                ("behind the line at release".to_owned(), format!("{behind:.0} ± 3 mm")),
                ("anchor to release".to_owned(), format!("{:.2} ± 0.03 s", -motion.anchor())),
            ],
            figures: vec![
                figure("Lowest speed in the draw", &format!("{:.0} mm/s", motion.slowest_mm_s()), "± 6 mm/s"),
                figure("Behind the line at release", &format!("{behind:.0} mm"), "± 3 mm"),
                figure("Anchor to release", &format!("{:.2} s", -motion.anchor()), "± 0.03 s"),
                Figure {
                    name: "Travel of the hook in expansion".to_owned(),
                    value: None,
                    interval: "no marker at the string hand".to_owned(),
                    cameras: None,
                },
            ],
            angles: angles(),
            angle_words: "Best seen from 3 o'clock; from 6 o'clock a giving way cannot be seen.".to_owned(),
            smallest: Some("a stop of 0.15 s below 11 mm/s, a giving way of 2.8 mm".to_owned()),
            remarks: Vec::new(),
        },
        strips,
    })
}

/// What each angle shows of movements along x, y and z.
fn angles() -> Vec<AngleShare> {
    let share = |hours: f64| AngleShare {
        hours: Some(hours),
        giving_way: Some((hours * std::f64::consts::PI / 6.0).sin().abs()),
        around: Some((hours * std::f64::consts::PI / 6.0).cos().abs()),
        v: Some(1.0),
    };
    let overhead = AngleShare { hours: None, giving_way: Some(1.0), around: Some(1.0), v: Some(0.0) };
    (0..24).map(|half| share(f64::from(half) / 2.0)).chain([overhead]).collect()
}
