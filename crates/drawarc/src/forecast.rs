//! `forecast`: what a rig will be able to measure, before anybody is filmed.

use crate::args::ForecastArguments;
use crate::ask;
use crate::failure::{Failure, Outcome};
use crate::store::write_whole;
use crate::table;
use drawarc_rig::{RangeFrame, Rig};
use drawarc_study::forecast::{
    Advice, AxisErrors, CameraForecast, Forecast, ForecastInput, ForecastSettings, Hand,
    ImproveSettings, MarkerKind, NominalArcher, NominalPhase, PlanView, RigSketch, SKETCH_FORMAT,
    Sync, UsedAs, forecast, forecast_sketch, improve, nominal_rig, plan_svg, sketch_of, timing_of,
};
use drawarc_study::{StudyError, StudyWords};
use serde::{Deserialize, Serialize};
use std::io::{BufReader, stdin};
use std::path::Path;

/// The word with which the forecast's JSON begins.
const FORMAT: &str = "drawarc-forecast/1";

/// What a rig is known by.
#[derive(Debug)]
enum Source {
    /// Tape measure.
    Sketch(Box<RigSketch>),
    /// Survey, and the same as a sketch, with what a rig file does not say.
    Surveyed {
        rig: Box<Rig>,
        sketch: Box<RigSketch>,
    },
}

#[derive(Debug, Serialize)]
struct Told<'a> {
    format: &'static str,
    /// A nominal archer stands for people.
    statement: &'static str,
    #[serde(flatten)]
    forecast: &'a Forecast,
    sentences: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    advice: Option<&'a Advice>,
}

#[derive(Deserialize)]
struct FormatOnly {
    format: String,
}

/// What every forecast must say of itself.
const STATEMENT: &str = "A forecast for a nominal archer who stands alone: a bound that good footage reaches, no measurement.";

/// A camera that is moved must be surveyed anew, so before and after are held against each other with a survey not yet made.
const NOT_YOUR_SURVEY: &str = "Before and after are for a survey still to be made, with a lens that does not bend: not for the survey in this file.";

/// Forecasts and tells.
pub(crate) fn obey(plan: &ForecastArguments, json: bool) -> Outcome<()> {
    let source = source(plan)?;
    let settings = ForecastSettings::default();
    let made = match &source {
        Source::Sketch(sketch) => forecast_sketch(sketch, &settings),
        Source::Surveyed { rig, sketch } => forecast(
            &ForecastInput {
                rig,
                timing: &timing_of(sketch),
                archer: sketch.archer,
                marker: sketch.marker,
                surroundings: &sketch.surroundings,
            },
            &settings,
        ),
    }
    .map_err(cannot)?;
    let (Source::Sketch(sketch) | Source::Surveyed { sketch, .. }) = &source;
    let advice = if plan.improve {
        Some(advise(plan, sketch, &settings)?)
    } else {
        None
    };
    if let Some(folder) = &plan.into {
        let words = crate::agree::words(plan.words.as_deref())?;
        pictures(folder, &source, (&made, advice.as_ref()), &words)?;
    }
    let sentences = sentences(&made);
    if json {
        let told = Told {
            format: FORMAT,
            statement: STATEMENT,
            forecast: &made,
            sentences,
            advice: advice.as_ref(),
        };
        println!(
            "{}",
            serde_json::to_string_pretty(&told).map_err(Failure::output)?
        );
        return Ok(());
    }
    tell(&made, &sentences);
    if let Some(advice) = &advice {
        tell_advice(advice);
        if matches!(source, Source::Surveyed { .. }) {
            println!("  {NOT_YOUR_SURVEY}");
        }
    }
    println!("\n{STATEMENT}");
    Ok(())
}

/// A rig that cannot be is wrong input; one that cannot be surveyed or used is not measurable.
fn cannot(source: StudyError) -> Failure {
    if matches!(source, StudyError::Rig { .. }) {
        Failure::not_measurable(source).help(
            "a right-handed archer's draw elbow is seen from 2 to 7 o'clock, a left-handed one's from 5 to 10; every camera must see the board on the line, or share many views of it with one that does",
        )
    } else {
        Failure::input(source)
    }
}

fn source(plan: &ForecastArguments) -> Outcome<Source> {
    if plan.ask {
        if plan.sketch.exists() && !plan.replace {
            return Err(
                Failure::refused(format!("{} is there already", plan.sketch.display()))
                    .help("name another file with --sketch FILE, or give --replace"),
            );
        }
        let sketch = ask::ask(&mut BufReader::new(stdin()), &mut std::io::stderr())?;
        let text = sketch.to_yaml().map_err(Failure::input)?;
        write_whole(&plan.sketch, text.as_bytes())?;
        eprintln!("wrote {}", plan.sketch.display());
        return Ok(Source::Sketch(Box::new(sketch)));
    }
    let Some(path) = &plan.rig else {
        return Err(Failure::input("no rig file").help(
            "give a rig.yaml or a sketch, start from one of sample-rigs/, or answer questions with --ask",
        ));
    };
    let wrong = |words: String| Failure::input(format!("{}: {words}", path.display()));
    let text = std::fs::read_to_string(path).map_err(|source| wrong(source.to_string()))?;
    let head: FormatOnly =
        serde_yaml::from_str(&text).map_err(|source| wrong(source.to_string()))?;
    if head.format == SKETCH_FORMAT || head.format.starts_with("drawarc-rig-sketch/") {
        let sketch = RigSketch::from_yaml(&text).map_err(|source| wrong(source.to_string()))?;
        return Ok(Source::Sketch(Box::new(sketch)));
    }
    if !head.format.starts_with("drawarc-rig/") {
        return Err(wrong(format!(
            "this file says format {:?}; a forecast is made from a sketch ({SKETCH_FORMAT:?}) or a surveyed rig (\"drawarc-rig/1\")",
            head.format
        )));
    }
    let rig = Rig::from_yaml(&text).map_err(|source| wrong(source.to_string()))?;
    surveyed(plan, path, rig)
}

fn surveyed(plan: &ForecastArguments, path: &Path, rig: Rig) -> Outcome<Source> {
    let wrong = |words: &str| Failure::input(format!("{}: {words}", path.display()));
    if rig.range_frame == RangeFrame::FirstCamera {
        return Err(wrong("this rig knows no shooting line")
            .help("survey it again with the board laid on the line, its arrow toward the target"));
    }
    if rig.cameras.len() < 2 {
        return Err(wrong("a rig of one camera; two must see the elbow")
            .help("survey two cameras or more together"));
    }
    let size_m = plan.marker_mm / 1000.0;
    let positive = [
        ("--rate-hz", plan.rate_hz, 1.0, 5000.0),
        ("--height-cm", plan.height_cm, 80.0, 240.0),
        ("--marker-mm", plan.marker_mm, 1.0, 300.0),
    ];
    for (name, value, low, high) in positive {
        if !(value >= low && value <= high) {
            return Err(Failure::input(format!(
                "{name} is {value}; it lies between {low} and {high}"
            )));
        }
    }
    let used = UsedAs {
        rate_hz: plan.rate_hz,
        sync: if plan.genlocked {
            Sync::Genlock
        } else {
            Sync::Sound
        },
        archer: NominalArcher {
            height_m: plan.height_cm / 100.0,
            hand: if plan.left_handed {
                Hand::Left
            } else {
                Hand::Right
            },
        },
        marker: MarkerKind::Ball { diameter_m: size_m },
    };
    Ok(Source::Surveyed {
        sketch: Box::new(sketch_of(&rig, used)),
        rig: Box::new(rig),
    })
}

fn advise(
    plan: &ForecastArguments,
    sketch: &RigSketch,
    settings: &ForecastSettings,
) -> Outcome<Advice> {
    for name in &plan.fixed {
        if !sketch.cameras.iter().any(|camera| camera.name == *name) {
            return Err(Failure::input(format!(
                "--fixed {name}: the rig has no such camera"
            )));
        }
    }
    let limits = ImproveSettings {
        fixed: plan.fixed.clone(),
        moves: plan.moves,
        ..ImproveSettings::default()
    };
    improve(sketch, settings, &limits).map_err(cannot)
}

/// Plan pictures and, with advice, the sketch after all moves with pictures of its own.
fn pictures(
    folder: &Path,
    source: &Source,
    (made, advice): (&Forecast, Option<&Advice>),
    words: &StudyWords,
) -> Outcome<()> {
    std::fs::create_dir_all(folder)
        .map_err(|source| Failure::output(format!("{}: {source}", folder.display())))?;
    let draw = |name: &str, rig: &Rig, archer: NominalArcher, forecast: &Forecast| {
        for (view, word) in [(PlanView::Above, "above"), (PlanView::Side, "side")] {
            let svg = plan_svg(rig, archer, forecast, view, words);
            write_whole(&folder.join(format!("{name}-{word}.svg")), svg.as_bytes())?;
        }
        Ok(())
    };
    match source {
        Source::Sketch(sketch) => {
            let rig = nominal_rig(sketch).map_err(cannot)?;
            draw("plan", &rig, sketch.archer, made)?;
        }
        Source::Surveyed { rig, sketch } => draw("plan", rig, sketch.archer, made)?,
    }
    if let Some(advice) = advice.filter(|advice| !advice.moves.is_empty()) {
        let rig = nominal_rig(&advice.sketch).map_err(cannot)?;
        draw("improved", &rig, advice.sketch.archer, &advice.after)?;
        let text = advice.sketch.to_yaml().map_err(Failure::output)?;
        write_whole(&folder.join("improved.yaml"), text.as_bytes())?;
    }
    Ok(())
}

/// Head of a table of errors.
const ERRORS: [&str; 5] = ["expected error (mm, 1 SD)", "away", "behind", "up", "space"];

fn row(words: &str, errors: &AxisErrors) -> Vec<String> {
    let figures = [
        errors.away_mm,
        errors.behind_mm,
        errors.up_mm,
        errors.space_mm,
    ];
    let figures = figures.iter().map(|mm| format!("{mm:.2}"));
    std::iter::once(words.to_owned()).chain(figures).collect()
}

fn tell(made: &Forecast, sentences: &[String]) {
    let mut rows = vec![
        row("end of set-up to release, absolute", &made.absolute),
        row("  its shape, one offset taken off", &made.shape),
    ];
    for phase in &made.phases {
        let name = format!("  {}", phase.phase.word());
        rows.push(if let Some(errors) = &phase.errors {
            row(&name, errors)
        } else {
            let mut unknown = vec![format!("{name}: not measurable here")];
            unknown.resize(ERRORS.len(), "–".to_owned());
            unknown
        });
    }
    println!("{}", table::figures(&ERRORS, &rows));
    let rows: Vec<Vec<String>> = made
        .cameras
        .iter()
        .map(|camera| {
            vec![
                table::name(&camera.name),
                camera.place.clone(),
                format!("{:.2}", camera.range_m),
                format!("{:.1}", camera.marker_px),
                format!("{:.3}", camera.centre_sd_px),
                camera.px_per_mm.map(|px| format!("{px:.2}")).join("/"),
                format!("{:.2}", camera.clock_ms),
            ]
        })
        .collect();
    let head = [
        "camera",
        "place",
        "away m",
        "ball px",
        "centre px",
        "px per mm a/b/up",
        "clock ms",
    ];
    print!("{}", table::figures(&head, &rows));
    println!();
    for sentence in sentences {
        println!("{sentence}");
    }
}

/// The forecast in short sentences, danger spots last.
fn sentences(made: &Forecast) -> Vec<String> {
    let faults = &made.faults;
    let mut list = vec![format!(
        "Collapse: {:.1} mm or more is found in 4 of 5 shots where the bow hand or shoulder is tracked too, {:.1} mm where it is not.",
        faults.collapse_mm, faults.collapse_with_sway_mm
    )];
    list.push(match (faults.stall_speed_mm_s, faults.shortest_stop_s) {
        (Some(speed), _) => format!(
            "Stall: a stretch of 0.15 s slower than {speed:.0} mm/s is found in 4 of 5 shots."
        ),
        (None, Some(length_s)) => format!(
            "Stall: only a stop of {length_s:.2} s or longer is found; 0.15 s is too short for this rig."
        ),
        (None, None) => "Stall: not measurable with this rig.".to_owned(),
    });
    list.extend(made.cameras.iter().map(seen));
    if made.dangers.is_empty() {
        list.push("No danger spots found.".to_owned());
    }
    list.extend(
        made.dangers
            .iter()
            .map(|danger| format!("! {}", danger.words())),
    );
    list
}

/// Is the marker seen from raise to follow-through, and do a small and a tall archer stay in the picture?
fn seen(camera: &CameraForecast) -> String {
    let partly: Vec<String> = camera
        .phases
        .iter()
        .filter(|sight| sight.seen_share < 0.995)
        .map(|sight| format!("{} {:.0} %", sight.phase.word(), 100.0 * sight.seen_share))
        .collect();
    let sight = if partly.is_empty() {
        "sees the marker from raise to follow-through".to_owned()
    } else {
        format!("sees the marker all the time except {}", partly.join(", "))
    };
    let leaving = |phases: &[NominalPhase]| {
        let words: Vec<&str> = phases.iter().map(|phase| phase.word()).collect();
        words.join(", ")
    };
    let pictures: Vec<String> = camera
        .pictures
        .iter()
        .map(|fit| {
            if fit.leaves_in.is_empty() {
                format!(
                    "{:.2} m stays in the picture ({:.0} px to spare)",
                    fit.archer_height_m, fit.margin_px
                )
            } else {
                format!(
                    "{:.2} m leaves it in {}",
                    fit.archer_height_m,
                    leaving(&fit.leaves_in)
                )
            }
        })
        .collect();
    format!(
        "{} {sight}; an archer of {}.",
        camera.name,
        pictures.join(", of ")
    )
}

fn tell_advice(advice: &Advice) {
    println!("\nWhat would be better:");
    if advice.moves.is_empty() {
        println!("  no move within the limits of the room gains 3 per cent.");
    }
    for step in &advice.moves {
        let gain = if step.clears_line {
            "no longer in front of the line".to_owned()
        } else {
            let share = 1.0 - step.merit_after / step.merit_before;
            format!("{:.0} % better", 100.0 * share)
        };
        println!("  move {} {} ({gain})", step.camera, step.words);
    }
    if !advice.moves.is_empty() {
        let rows = [
            row("before, shape", &advice.before.shape),
            row("after, shape", &advice.after.shape),
            row("before, absolute", &advice.before.absolute),
            row("after, absolute", &advice.after.absolute),
        ];
        print!("{}", table::figures(&ERRORS, &rows));
    }
    for purchase in &advice.purchases {
        println!("  {purchase}");
    }
}
