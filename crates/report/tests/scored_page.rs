//! Scored shots on the page and in the exports: what the scoring says must fit both.

#![expect(
    clippy::unwrap_used,
    reason = "a test that cannot go on fails where it stands"
)]

mod common;

use std::{fs, path::PathBuf};

use common::{Archer, Noise, path, times};
use drawarc_report::{
    Advice, ArrowLineChoice, ReportSettings, Sentences, ShotContext, ShotSheet, Side, Verdict,
    export::{
        Provenance, SHEET_FORMAT, SHEET_SCHEMA, SheetFile, c3d_of_shot, parquet, shots_table,
    },
    find_shots,
    page::{Mark, PageShot, PracticePage, SeriesPart, Words, page},
    score_series, score_shot,
};
use nalgebra::Point3;

fn scored(archer: &Archer, id: &str) -> ShotSheet {
    let curves = archer.curves();
    let t = times(0.0, curves.release + 3.5, 240.0);
    let samples = path(
        &t,
        |t| curves.elbow(t),
        Noise::default(),
        120,
        archer.seed + 100,
    );
    let hand = path(
        &t,
        |t| curves.bow_hand(t),
        Noise::default(),
        120,
        archer.seed + 900,
    );
    let settings = ReportSettings::default();
    let shots = find_shots(&samples, &settings).unwrap();
    let mut context = ShotContext::new(id, "Wren", Side::Right);
    context.arrow_line = ArrowLineChoice::StatedAnchor {
        anchor_in_range: Point3::from(archer.stand),
        sd_m: 0.003,
    };
    context.markers.bow_hand = Some(&hand);
    score_shot(
        &samples,
        &shots[0],
        &context,
        &settings,
        &Sentences::english().unwrap(),
    )
    .unwrap()
}

fn three_shots() -> Vec<ShotSheet> {
    let collapse = Archer {
        collapse: Some((1.0, 0.3, 0.008)),
        seed: 2,
        ..Archer::default()
    };
    let stall = Archer {
        stall: Some((0.4, 0.3, 0.004)),
        seed: 3,
        ..Archer::default()
    };
    vec![
        scored(&Archer::default(), "shot-01"),
        scored(&collapse, "shot-02"),
        scored(&stall, "shot-03"),
    ]
}

#[test]
fn scored_shots_fit_the_page_and_the_exports() {
    let shots = three_shots();
    assert_eq!(shots[1].verdict, Verdict::Collapse, "{}", shots[1].sentence);
    assert_eq!(shots[2].verdict, Verdict::Stall, "{}", shots[2].sentence);
    let settings = ReportSettings::default();
    let all: Vec<&ShotSheet> = shots.iter().collect();
    let advice = Advice::ours().unwrap();
    let series = score_series(
        "evening",
        &all,
        &advice,
        &settings,
        &Sentences::english().unwrap(),
    );

    let words = Words::english().unwrap();
    let pages: Vec<PageShot> = shots
        .iter()
        .enumerate()
        .map(|(index, sheet)| PageShot::from_sheet(index + 1, sheet, Some(1.7), Vec::new(), &words))
        .collect();
    assert_eq!(pages[1].card.mark, Mark::Collapse);
    let practice = PracticePage {
        title: "Exact curves with errors".to_owned(),
        date: "2026-05-14".to_owned(),
        invented: true,
        archers: Vec::new(),
        warnings: Vec::new(),
        shots: pages,
        series: SeriesPart::from_sheet(&series, &shots, &words),
        rig: Vec::new(),
        certainty: Vec::new(),
        methods: Vec::new(),
        version: "0.1.0".to_owned(),
    };
    let html = page(&practice, &words).unwrap();
    assert!(html.contains("#mark-collapse") && html.contains("#mark-stall"));
    fs::write(
        PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("scored.html"),
        &html,
    )
    .unwrap();

    for shot in &shots {
        c3d_of_shot(shot, "0.1.0").unwrap().to_bytes().unwrap();
    }
    parquet(&shots_table(&shots)).unwrap();
    let file = SheetFile {
        format: SHEET_FORMAT.to_owned(),
        title: practice.title,
        date: practice.date,
        provenance: Provenance::default(),
        shots,
        series: vec![series],
    };
    let json: serde_json::Value = serde_json::from_str(&file.to_json().unwrap()).unwrap();
    let validator =
        jsonschema::validator_for(&serde_json::from_str(SHEET_SCHEMA).unwrap()).unwrap();
    let problems: Vec<String> = validator
        .iter_errors(&json)
        .map(|problem| {
            format!("{}: {problem}", problem.instance_path)
                .chars()
                .take(300)
                .collect()
        })
        .collect();
    assert!(problems.is_empty(), "{problems:#?}");
}
