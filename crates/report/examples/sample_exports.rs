//! Writes every export of an invented practice into a folder, for tests that read them back:
//! `cargo run -p drawarc-report --example sample_exports -- folder`.

#[path = "invented/mod.rs"]
#[allow(dead_code, reason = "each test and example uses its part")]
mod invented;

use std::{collections::BTreeMap, env, error::Error, fs, path::PathBuf};

use drawarc_report::{
    export::{
        InputFile, Provenance, SHEET_FORMAT, SheetFile, Source, c3d_of_shot, csv, faults_table,
        methods, parquet, samples_table, shots_table,
    },
    page::Words,
};

fn main() -> Result<(), Box<dyn Error>> {
    let folder = PathBuf::from(env::args().nth(1).ok_or("name the folder to write into")?);
    let shots = invented::sheets(1.0);
    let provenance = Provenance {
        version: "0.1.0".to_owned(),
        libraries: BTreeMap::from([("invented".to_owned(), "0".to_owned())]),
        settings: BTreeMap::from([("collapse floor".to_owned(), "2 mm".to_owned())]),
        inputs: vec![InputFile {
            name: "side.mp4".to_owned(),
            sha256: "0".repeat(64),
        }],
        cameras: 2,
        sources: vec![Source {
            of: "the format of the points".to_owned(),
            citation: "The C3D file format user guide".to_owned(),
        }],
    };
    fs::write(
        folder.join("methods.txt"),
        methods(&provenance, &Words::english()?).join("\n\n"),
    )?;
    for (name, table) in [
        ("shots", shots_table(&shots)),
        ("faults", faults_table(&shots)),
        ("samples", samples_table(&shots)),
    ] {
        fs::write(folder.join(format!("{name}.csv")), csv(&table))?;
        fs::write(folder.join(format!("{name}.parquet")), parquet(&table)?)?;
    }
    for shot in &shots {
        let trial = c3d_of_shot(shot, &provenance.version)?;
        fs::write(folder.join(format!("{}.c3d", shot.id)), trial.to_bytes()?)?;
    }
    let sheet = SheetFile {
        format: SHEET_FORMAT.to_owned(),
        title: "Invented".to_owned(),
        date: "2026-05-14".to_owned(),
        provenance,
        shots,
        series: Vec::new(),
    };
    fs::write(folder.join("sheet.json"), sheet.to_json()?)?;
    Ok(())
}
