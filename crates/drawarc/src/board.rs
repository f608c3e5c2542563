//! `board`: a checkerboard sheet, or targets for the elbow, to print to scale.

use crate::args::BoardArguments;
use crate::failure::{Failure, Outcome};
use crate::store;
use crate::table;
use drawarc_calibration::{Board, Paper, Sheet};
use std::path::Path;

/// Draws the sheet.
pub(crate) fn draw(plan: &BoardArguments, json: bool) -> Outcome<()> {
    let paper = match plan.paper.to_lowercase().as_str() {
        "a4" => Paper::A4,
        "a3" => Paper::A3,
        other => {
            return Err(Failure::input(format!(
                "{other:?} is no paper; there are a4 and a3"
            )));
        }
    };
    if plan.into.exists() && !plan.replace {
        return Err(
            Failure::refused(format!("{} is there already", plan.into.display()))
                .help("choose another name with --into, or give --replace to write over it"),
        );
    }
    let (sheet, then) = match (&plan.board, plan.target) {
        (Some(path), _) => (
            of_board(path, paper)?,
            format!(
                "print at 100 %, glue it flat on something stiff, measure the pitch in both directions over the whole sheet and write it into {}",
                path.display()
            ),
        ),
        (None, Some(disc_mm)) => (
            Sheet::targets(disc_mm, paper).map_err(Failure::input)?,
            format!(
                "print at 100 % on matt paper, cut along the black's edge, stick one on the elbow, and write into the manifest's markers: - {{on: elbow, shape: dot, size_mm: {disc_mm}, colour: white}}"
            ),
        ),
        (None, None) => return Err(Failure::input("neither a board nor a target")),
    };
    let ending = plan
        .into
        .extension()
        .map(|ending| ending.to_string_lossy().to_lowercase());
    let bytes = match ending.as_deref() {
        Some("pdf") => sheet.to_pdf(),
        Some("svg") => sheet.to_svg().into_bytes(),
        _ => {
            return Err(Failure::input(format!(
                "{}: the ending says the format, .pdf or .svg",
                plan.into.display()
            )));
        }
    };
    store::write_whole(&plan.into, &bytes)?;
    if json {
        return table::json(&serde_json::json!({
            "file": plan.into,
            "pages": sheet.pages_mm().len(),
        }));
    }
    println!(
        "wrote {} ({} page(s)): {then}",
        plan.into.display(),
        sheet.pages_mm().len()
    );
    Ok(())
}

fn of_board(path: &Path, paper: Paper) -> Outcome<Sheet> {
    let board = Board::read(path).map_err(|source| {
        let path = path.display().to_string();
        let words = source.to_string();
        Failure::input(if words.starts_with(&path) {
            words
        } else {
            format!("{path}: {words}")
        })
    })?;
    Sheet::new(&board, paper).map_err(Failure::input)
}
