//! What a run says at its end: a line for each shot, and where the page is.

use crate::failure::{Failure, Outcome};
use crate::run::Made;
use crate::table::{self, Cell, Tone};
use drawarc_report::ShotSheet;
use drawarc_report::page::{Mark, Words};

/// Prints the verdicts.
pub(crate) fn tell(made: &Made, json: bool) -> Outcome<()> {
    if json {
        let shots: Vec<_> = made
            .sheets
            .iter()
            .flat_map(|sheets| &sheets.shots)
            .map(|shot| {
                serde_json::json!({
                    "shot": shot.id,
                    "archer": shot.archer,
                    "verdict": shot.verdict,
                    "sentence": shot.sentence,
                    "release_s": shot.release.as_ref().map(|release| release.time_s.value),
                })
            })
            .collect();
        let all = serde_json::json!({
            "page": made.page,
            "clips": made.clips,
            "shots": shots,
            "remarks": made.remarks,
            "cameras": made.standing,
        });
        println!(
            "{}",
            serde_json::to_string_pretty(&all).map_err(Failure::output)?
        );
        return Ok(());
    }
    // Results go to standard output, everything else beside it: a pipe gets the table alone.
    for remark in &made.remarks {
        eprintln!("  note: {remark}");
    }
    let rows: Vec<Vec<Cell>> = made
        .sheets
        .iter()
        .flat_map(|sheets| &sheets.shots)
        .map(|shot| row(shot, &made.words))
        .collect();
    print!("{}", table::aligned(&rows, table::coloured()));
    if let Some(page) = &made.page {
        println!("page: {}", page.display());
    }
    for clip in &made.clips {
        println!("clip: {}", clip.display());
    }
    Ok(())
}

/// Shot, archer, verdict in a word, verdict in a sentence.
fn row(shot: &ShotSheet, words: &Words) -> Vec<Cell> {
    let mark = Mark::from(shot.verdict);
    let tone = match mark {
        Mark::Good => Tone::Good,
        mark if mark.is_fault() => Tone::Fault,
        _ => Tone::Plain,
    };
    vec![
        (shot.id.clone(), Tone::Soft),
        (table::name(&shot.archer), Tone::Plain),
        (words.mark_name(mark.key()).to_owned(), tone),
        (shot.sentence.clone(), Tone::Plain),
    ]
}
