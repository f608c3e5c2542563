//! The page and the exports of a practice: sheets, pictures and the state of the rig, put together.

use crate::failure::{Failure, Outcome};
use crate::pipeline::Pipeline;
use crate::practice::Practice;
use crate::recordings::Recordings;
use crate::sheets::{Sheets, settings_of};
use crate::store::{Key, Store};
use drawarc_report::BowStage;
use drawarc_report::export::{
    InputFile, Provenance, SHEET_FORMAT, SheetFile, c3d_of_shot, csv, faults_table, methods,
    parquet, samples_table, shots_table,
};
use drawarc_report::page::{
    ArcherLine, Fitness, PageShot, PracticePage, RigLine, SeriesPart, Words, page,
};
use std::path::PathBuf;

/// What page and exports stand on besides the sheets.
#[derive(Debug)]
pub(crate) struct Ground<'a> {
    pub(crate) practice: &'a Practice,
    pub(crate) pipeline: &'a Pipeline,
    pub(crate) recordings: &'a Recordings,
    /// State of the rig, in plain words.
    pub(crate) health: Vec<RigLine>,
    /// How sure the page is, a sentence each.
    pub(crate) certainty: Vec<String>,
    /// What must be read first.
    pub(crate) warnings: Vec<String>,
    /// Is this a simulated practice?
    pub(crate) invented: bool,
    /// The words of the report.
    pub(crate) words: &'a Words,
    /// Files of texts that a pipeline names.
    pub(crate) texts: Vec<PathBuf>,
}

/// Writes page and exports; the page's path comes back.
pub(crate) fn write(store: &Store, ground: &Ground<'_>, sheets: &mut Sheets) -> Outcome<PathBuf> {
    let words = ground.words;
    let provenance = provenance(ground)?;
    // Who shot stands in the sheets, which `forget` deletes, and not in what may go into a thesis.
    let mut told = provenance.clone();
    told.settings
        .retain(|name, _| !name.starts_with("practice.turns"));
    let paragraphs = methods(&told, words);
    let mut strips = std::mem::take(&mut sheets.strips).into_iter();
    let shots = sheets
        .shots
        .iter()
        .enumerate()
        .map(|(index, sheet)| {
            let of_shot = strips.next().unwrap_or_default();
            PageShot::from_sheet(index + 1, sheet, sheets.heights_m[index], of_shot, words)
        })
        .collect();
    let series = sheets
        .series
        .first()
        .filter(|_| sheets.series.len() == 1)
        .map(|series| SeriesPart::from_sheet(series, &sheets.shots, words))
        .unwrap_or_default();
    let practice = PracticePage {
        title: ground.practice.title.clone(),
        date: ground.practice.date.clone(),
        invented: ground.invented,
        archers: archers(ground.practice, words),
        warnings: ground.warnings.clone(),
        shots,
        series,
        rig: worst_first(&ground.health),
        certainty: ground.certainty.clone(),
        methods: paragraphs.clone(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
    };
    let html = page(&practice, words).map_err(Failure::output)?;
    exports(store, ground, sheets, &provenance)?;
    store.write("methods.txt", (paragraphs.join("\n\n") + "\n").as_bytes())?;
    store.write("page.html", html.as_bytes())
}

/// What must not be overlooked stands first.
fn worst_first(health: &[RigLine]) -> Vec<RigLine> {
    let mut lines = health.to_vec();
    lines.sort_by_key(|line| match line.fitness {
        Fitness::Bad => 0,
        Fitness::Watch => 1,
        Fitness::Good => 2,
    });
    lines
}

fn archers(practice: &Practice, words: &Words) -> Vec<ArcherLine> {
    practice
        .turns
        .iter()
        .map(|turn| {
            let mut detail = Vec::new();
            if let Some(height_cm) = turn.height_cm {
                let value = format!("{height_cm:.0}");
                detail.push(words.few("height", &[("value", &value)]));
            }
            if let Some(stage) = turn.stage {
                detail.push(stage_word(words, stage));
            }
            if let Some(weight_lb) = turn.draw_weight_lb {
                let value = format!("{weight_lb:.0}");
                detail.push(words.few("weight", &[("value", &value)]));
            }
            ArcherLine {
                alias: turn.archer.clone(),
                side: turn.handedness.sign(),
                detail: detail.join(", "),
            }
        })
        .collect()
}

fn provenance(ground: &Ground<'_>) -> Outcome<Provenance> {
    let mut inputs: Vec<InputFile> = ground
        .recordings
        .files
        .iter()
        .map(|(name, key)| InputFile {
            name: name.clone(),
            sha256: key.text().to_owned(),
        })
        .collect();
    let practice = ground.practice;
    let given = [
        Some(&practice.board),
        practice.rig.as_ref(),
        practice.corrections.as_ref(),
    ];
    for path in given.into_iter().flatten().chain(&ground.texts) {
        let name = path.file_name().unwrap_or_default();
        inputs.push(InputFile {
            name: name.to_string_lossy().into_owned(),
            sha256: Key::of_file(path)?.text().to_owned(),
        });
    }
    let settings = serde_json::to_value(ground.pipeline).map_err(Failure::output)?;
    let mut flat = std::collections::BTreeMap::new();
    flatten("pipeline", &settings, &mut flat);
    let rules = serde_json::to_value(settings_of(ground.pipeline)).map_err(Failure::output)?;
    flatten("rules", &rules, &mut flat);
    let given = serde_json::to_value(practice).map_err(Failure::output)?;
    flatten("practice", &given, &mut flat);
    Ok(Provenance {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        settings: flat,
        inputs,
        libraries: drawarc_footage::libraries()
            .into_iter()
            .chain(drawarc_calibration::libraries())
            .map(|(name, version)| (name.to_owned(), version))
            .collect(),
        cameras: ground.recordings.len(),
        sources: ground.words.methods.citations.clone(),
    })
}

fn flatten(
    name: &str,
    value: &serde_json::Value,
    into: &mut std::collections::BTreeMap<String, String>,
) {
    match value {
        serde_json::Value::Object(fields) => {
            for (field, value) in fields {
                flatten(&format!("{name}.{field}"), value, into);
            }
        }
        serde_json::Value::Array(items) if items.iter().any(serde_json::Value::is_object) => {
            for (index, value) in items.iter().enumerate() {
                flatten(&format!("{name}.{}", index + 1), value, into);
            }
        }
        value => {
            into.insert(name.to_owned(), value.to_string());
        }
    }
}

fn exports(
    store: &Store,
    ground: &Ground<'_>,
    sheets: &Sheets,
    provenance: &Provenance,
) -> Outcome<()> {
    let file = SheetFile {
        format: SHEET_FORMAT.to_owned(),
        title: ground.practice.title.clone(),
        date: ground.practice.date.clone(),
        provenance: provenance.clone(),
        shots: sheets.shots.clone(),
        series: sheets.series.clone(),
    };
    store.write(
        "sheet.json",
        file.to_json().map_err(Failure::output)?.as_bytes(),
    )?;
    store.write("shots.csv", csv(&shots_table(&sheets.shots)).as_bytes())?;
    store.write("faults.csv", csv(&faults_table(&sheets.shots)).as_bytes())?;
    let samples = samples_table(&sheets.shots);
    store.write("path.csv", csv(&samples).as_bytes())?;
    store.write("path.parquet", &parquet(&samples).map_err(Failure::output)?)?;
    for sheet in &sheets.shots {
        let trial = c3d_of_shot(sheet, env!("CARGO_PKG_VERSION")).map_err(Failure::output)?;
        let bytes = trial.to_bytes().map_err(Failure::output)?;
        store.write(&format!("{}.c3d", sheet.id), &bytes)?;
    }
    Ok(())
}

fn stage_word(words: &Words, stage: BowStage) -> String {
    let key = match stage {
        BowStage::Band => "band",
        BowStage::LightBow => "light-bow",
        BowStage::OwnBow => "own-bow",
        BowStage::Compound => "compound",
    };
    words
        .stages
        .get(key)
        .cloned()
        .unwrap_or_else(|| key.to_owned())
}
