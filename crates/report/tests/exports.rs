//! The exports, read back. C3D is read by an independent reader in the Python checks of the command's tests.

#![expect(
    clippy::unwrap_used,
    reason = "a test that cannot go on fails where it stands"
)]

#[path = "../examples/invented/mod.rs"]
#[allow(dead_code, reason = "each test and example uses its part")]
mod invented;

use std::{fs, path::PathBuf};

use drawarc_report::{
    BowStage, ShotSheet,
    export::{
        Provenance, SHEET_FORMAT, SHEET_SCHEMA, SheetFile, c3d_of_shot, csv, faults_table, methods,
        parquet, samples_table, shots_table,
    },
    page::Words,
};
use parquet::{
    file::reader::{FileReader, SerializedFileReader},
    record::RowAccessor,
};

fn sheet_file() -> SheetFile {
    SheetFile {
        format: SHEET_FORMAT.to_owned(),
        title: "Invented".to_owned(),
        date: "2026-05-14".to_owned(),
        provenance: Provenance::default(),
        shots: invented::sheets(1.0),
        series: Vec::new(),
    }
}

fn validator() -> jsonschema::Validator {
    jsonschema::validator_for(&serde_json::from_str(SHEET_SCHEMA).unwrap()).unwrap()
}

#[test]
fn json_satisfies_its_schema() {
    let json: serde_json::Value = serde_json::from_str(&sheet_file().to_json().unwrap()).unwrap();
    let problems: Vec<String> = validator()
        .iter_errors(&json)
        .map(|problem| format!("{}: {problem}", problem.instance_path))
        .collect();
    assert!(problems.is_empty(), "{problems:?}");
}

#[test]
fn the_schema_refuses_what_is_no_sheet() {
    let good: serde_json::Value = serde_json::from_str(&sheet_file().to_json().unwrap()).unwrap();
    let validator = validator();
    let mut unknown = good.clone();
    unknown["shots"][0]["colour"] = "red".into();
    assert!(!validator.is_valid(&unknown));
    let mut version = good.clone();
    version["format"] = "drawarc-sheet/2".into();
    assert!(!validator.is_valid(&version));
    let mut guess = good;
    guess["shots"][0]["measures"]["hold_s"] = serde_json::json!({"value": 2.0});
    assert!(!validator.is_valid(&guess));
}

#[test]
fn json_is_read_back_unchanged() {
    let file = sheet_file();
    let again: SheetFile = serde_json::from_str(&file.to_json().unwrap()).unwrap();
    assert!(again == file, "numbers changed on the way");
}

#[test]
fn csv_has_a_row_for_each_shot_and_instant() {
    let shots = invented::sheets(1.0);
    let text = csv(&shots_table(&shots));
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines.len(), 1 + shots.len());
    let columns: Vec<&str> = lines[0].split(',').collect();
    let place = columns.iter().position(|name| *name == "hold_s").unwrap();
    assert_eq!(
        columns[place + 1..place + 4],
        ["hold_s_low", "hold_s_high", "hold_s_cameras"]
    );
    let instants: usize = shots.iter().map(|shot| shot.curves.time_s.len()).sum();
    assert_eq!(csv(&samples_table(&shots)).lines().count(), 1 + instants);
    assert_eq!(faults_table(&shots).rows(), 3);
}

#[test]
fn csv_holds_velocity_and_acceleration_with_their_bands() {
    let shots = invented::sheets(1.0);
    let motion = shots[0].curves.motion.as_ref().unwrap();
    let text = csv(&samples_table(&shots));
    let mut lines = text.lines().map(|line| line.split(',').collect::<Vec<_>>());
    let columns = lines.next().unwrap();
    let rows: Vec<Vec<&str>> = lines.collect();
    let cell = |row: usize, name: &str| {
        let place = columns.iter().position(|column| *column == name).unwrap();
        rows[row][place].to_owned()
    };
    let number = |row: usize, name: &str| cell(row, name).parse::<f64>().unwrap();
    assert_eq!(cell(3, "vx_mm_s"), "", "no number in a gap");
    for (name, value) in [
        ("vx_mm_s", motion.velocity_mm_s[40].unwrap()[0]),
        ("vz_mm_s", motion.velocity_mm_s[40].unwrap()[2]),
        ("vy_sd_mm_s", 4.0),
        ("ax_m_s2", motion.acceleration_m_s2[40].unwrap()[0]),
        ("az_sd_m_s2", 0.5),
    ] {
        assert!((number(40, name) - value).abs() < 1e-6, "{name}");
    }
    let shots = csv(&shots_table(&shots));
    let names = shots.lines().next().unwrap();
    for name in ["position", "velocity", "acceleration"] {
        assert!(names.contains(&format!("{name}_band_factor")), "{names}");
    }
}

#[test]
fn tables_of_nothing_are_tables() {
    let none: [ShotSheet; 0] = [];
    assert_eq!(samples_table(&none).rows(), 0);
    assert!(parquet(&samples_table(&none)).is_ok());
    assert!(csv(&shots_table(&none)).starts_with("shot,archer"));
}

#[test]
fn parquet_is_read_back() {
    let mut shots = invented::sheets(1.0);
    shots[1].archer = "عربي, \"🏹\"".to_owned();
    shots[1].stage = BowStage::Band;
    shots[2].draw_weight_lb = None;
    let bytes = parquet(&shots_table(&shots)).unwrap();
    let file = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("shots.parquet");
    fs::write(&file, bytes).unwrap();
    let reader = SerializedFileReader::new(fs::File::open(&file).unwrap()).unwrap();
    let rows: Vec<_> = reader
        .get_row_iter(None)
        .unwrap()
        .map(Result::unwrap)
        .collect();
    assert_eq!(rows.len(), shots.len());
    assert_eq!(rows[1].get_string(1).unwrap(), &shots[1].archer);
    assert_eq!(rows[1].get_string(3).unwrap(), "band");
    assert!((rows[0].get_double(4).unwrap() - 38.0).abs() < 1e-12);
    assert!(
        rows[2].get_double(4).is_err(),
        "no draw weight is no number"
    );
}

#[test]
fn c3d_holds_gaps_as_gaps() {
    let shots = invented::sheets(1.0);
    let trial = c3d_of_shot(&shots[1], "0.1.0").unwrap();
    let samples = &trial.points[0].samples;
    assert_eq!(samples.len(), shots[1].curves.time_s.len());
    for (sample, gap) in samples.iter().zip(&shots[1].curves.in_gap) {
        assert_eq!(sample.is_none(), *gap);
    }
    assert!((trial.rate_hz - 60.0).abs() < 1e-6);
    assert!(
        trial
            .events
            .iter()
            .any(|event| event.label == "STALL START")
    );
    assert_eq!(trial.to_bytes().unwrap(), trial.to_bytes().unwrap());
}

#[test]
fn methods_name_version_settings_files_and_sources() {
    let mut provenance = Provenance {
        version: "1.2.3".to_owned(),
        cameras: 4,
        ..Provenance::default()
    };
    provenance
        .settings
        .insert("collapse floor".to_owned(), "2 mm".to_owned());
    let text = methods(&provenance, &Words::english().unwrap()).join("\n");
    for part in ["drawarc 1.2.3", "4 cameras", "collapse floor 2 mm"] {
        assert!(text.contains(part), "{part} in {text}");
    }
    assert!(!text.contains('{'), "{text}");
}
