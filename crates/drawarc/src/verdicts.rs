//! What a run says at its end: a line for each shot, and where the page is.

use crate::failure::{Failure, Outcome};
use crate::run::Made;

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
            "shots": shots,
            "remarks": made.remarks,
        });
        println!(
            "{}",
            serde_json::to_string_pretty(&all).map_err(Failure::output)?
        );
        return Ok(());
    }
    for remark in &made.remarks {
        println!("  note: {remark}");
    }
    for shot in made.sheets.iter().flat_map(|sheets| &sheets.shots) {
        println!("{}  {:<12} {}", shot.id, shot.archer, shot.sentence);
    }
    if let Some(page) = &made.page {
        println!("page: {}", page.display());
    }
    Ok(())
}
