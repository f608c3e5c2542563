//! An invented practice of six shots: for looking at the page and for its tests.

mod motion;
mod picture;
mod sheet;

use std::error::Error;

use drawarc_report::{
    Felt, ShotSheet, Verdict,
    export::{Provenance, methods},
    page::{
        ArcherLine, CameraStrip, Fitness, PageShot, PracticePage, RigLine, SeriesPart, SeriesRow,
        StripPicture, TracePoint, Words,
    },
};

use motion::{Motion, Plan};
use picture::View;
use sheet::{Told, sheet};

const KEPT_MOVING: &str = "The elbow kept moving all the way and never gave way.";

const SHOTS: [(Told, Plan); 6] = [
    (told(KEPT_MOVING, Verdict::Good, Felt::Moved), Plan::GOOD),
    (
        told(
            "The elbow stopped for 0.31 s in the middle of the draw, then went on.",
            Verdict::Stall,
            Felt::Moved,
        ),
        Plan::STALL,
    ),
    (told(KEPT_MOVING, Verdict::Good, Felt::Moved), Plan::QUICK),
    (
        told(
            "The elbow gave way 6.2 mm toward the target just before release.",
            Verdict::Collapse,
            Felt::Unsure,
        ),
        Plan::COLLAPSE,
    ),
    (
        told(
            "The elbow slowed in the draw, but never stopped.",
            Verdict::Slowed,
            Felt::Stopped,
        ),
        Plan::SLOWED,
    ),
    (
        told(
            "The elbow stopped for 0.42 s late in the draw, then went on.",
            Verdict::Stall,
            Felt::GaveWay,
        ),
        Plan::LATE,
    ),
];

const fn told(sentence: &'static str, verdict: Verdict, felt: Felt) -> Told {
    Told {
        sentence,
        verdict,
        felt,
    }
}

/// The range time of a shot's release, s.
fn release_s(index: usize) -> f64 {
    40.0 * (index as f64 + 1.0)
}

/// The sheets of the shots.
pub(crate) fn sheets(side: f64) -> Vec<ShotSheet> {
    let numbered = SHOTS.iter().enumerate();
    numbered
        .map(|(index, (told, plan))| {
            sheet(index + 1, &Motion::new(*plan, side), told, release_s(index))
        })
        .collect()
}

/// The practice, for a right-handed (`+1`) or left-handed (`-1`) archer.
pub(crate) fn practice(side: f64) -> Result<PracticePage, Box<dyn Error>> {
    let words = Words::english()?;
    let mut shots = Vec::new();
    for (index, sheet) in sheets(side).iter().enumerate() {
        let strips = strips(index, sheet, side)?;
        shots.push(PageShot::from_sheet(
            index + 1,
            sheet,
            Some(1.72),
            strips,
            &words,
        ));
    }
    let row = |name: &str, unit: &str, values: [f64; 6], half: f64, spread: &str, trend: &str| {
        SeriesRow {
            name: name.to_owned(),
            unit: unit.to_owned(),
            values: values
                .into_iter()
                .map(|value| Some((value, half)))
                .collect(),
            spread: spread.to_owned(),
            trend: trend.to_owned(),
        }
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
                row("Depth of the V at anchor", "mm", [7.9, 7.2, 8.1, 7.7, 8.4, 7.5], 0.5, "0.4 mm, 0.3 to 1.0", "cannot tell (0.0, −0.9 to 0.9 mm)"),
                row("Behind the line at anchor", "mm", [14.0, 14.4, 13.9, 14.0, 14.2, 14.1], 2.5, "0.2 mm, 0.0 to 1.2", "cannot tell (0, −3 to 3 mm)"),
                row("Way around in expansion", "mm", [21.6, 17.8, 21.5, 13.0, 19.7, 16.8], 0.5, "3.2 mm, 2.0 to 7.9", "cannot tell (−3, −11 to 4 mm)"),
                row("Away from the target in expansion", "mm", [4.8, 4.7, 4.8, -1.3, 4.8, 4.7], 0.5, "2.4 mm, 1.5 to 6.0", "cannot tell (−1, −6 to 5 mm)"),
                row("Forearm against arrow from overhead", "°", [3.1, 2.4, 3.3, 1.8, 2.9, 2.3], 0.4, "0.5°, 0.3 to 1.3", "cannot tell (−0.5, −1.7 to 0.8°)"),
                row("Drawing up", "s", [1.5, 1.81, 1.3, 1.5, 1.8, 1.92], 0.03, "0.23 s, 0.14 to 0.56", "cannot tell (0.3, −0.2 to 0.8 s)"),
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
        methods: methods(
            &Provenance { version: "0.1.0".to_owned(), cameras: 2, ..Provenance::default() },
            &words,
        ),
        version: "0.1.0".to_owned(),
    })
}

fn strips(index: usize, sheet: &ShotSheet, side: f64) -> Result<Vec<CameraStrip>, Box<dyn Error>> {
    let motion = Motion::new(SHOTS[index].1, side);
    let zero_s = release_s(index);
    let mut strips = Vec::new();
    for view in [View::side(side), View::five(side)] {
        let mut pictures = Vec::new();
        for instant in &sheet.key_instants {
            let mark = sheet.faults.iter().find(|fault| {
                (fault.start_s..fault.start_s + fault.length_s.value).contains(&instant.time_s)
            });
            pictures.push(StripPicture {
                time_s: instant.time_s,
                caption: instant.words.clone(),
                mark: mark.map(|fault| fault.kind.into()),
                jpeg: view.jpeg(&motion, instant.time_s - zero_s)?,
            });
        }
        let trace = (0..240).map(|step| {
            let time = motion.start() + f64::from(step) / 240.0 * (0.5 - motion.start());
            let (x_px, y_px) = view.pixel(motion.elbow_mm(time));
            TracePoint {
                time_s: zero_s + time,
                x_px,
                y_px,
            }
        });
        strips.push(CameraStrip {
            camera: view.name.to_owned(),
            clock_hours: Some(view.hours),
            elevation_deg: 0.0,
            picture_size_px: (u32::from(View::WIDTH), u32::from(View::HEIGHT)),
            trace: trace.collect(),
            pictures,
        });
    }
    Ok(strips)
}
