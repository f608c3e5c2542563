//! All words of the report come from one file: a report in a made-up language holds no letter of English.

#![expect(
    clippy::unwrap_used,
    reason = "a test that cannot go on fails where it stands"
)]

#[path = "../examples/invented/mod.rs"]
#[allow(dead_code, reason = "each test and example uses its part")]
mod invented;

#[allow(dead_code, reason = "each test uses its part")]
mod chromium;
mod common;

use common::{Archer, Noise, path, times};
use drawarc_report::export::{Provenance, methods};
use drawarc_report::page::{
    ArcherLine, Fitness, PageShot, PracticePage, RigLine, SeriesPart, Words, page,
};
use drawarc_report::{
    Advice, Felt, ReportSettings, ShotContext, ShotSheet, Side, find_shots, score_series,
    score_shot,
};

const ENGLISH: &str = include_str!("../words/en.yaml");
const TEMPLATE: &str = include_str!("../templates/page.html");

/// A text in the made-up language: every Latin letter outside `{places}` becomes a Greek one.
fn foreign(text: &str) -> String {
    let mut inside = false;
    text.chars()
        .map(|letter| {
            inside = letter == '{' || inside && letter != '}';
            let place = u32::from(letter.to_ascii_lowercase()).wrapping_sub(u32::from('a')) % 24;
            if letter.is_ascii_alphabetic() && !inside {
                char::from_u32(u32::from('α') + place).unwrap()
            } else {
                letter
            }
        })
        .collect()
}

fn translated(value: &mut serde_json::Value) {
    match value {
        serde_json::Value::String(text) => *text = foreign(text),
        serde_json::Value::Array(items) => items.iter_mut().for_each(translated),
        serde_json::Value::Object(fields) => fields.values_mut().for_each(translated),
        _ => {}
    }
}

fn words() -> Words {
    let mut tree: serde_json::Value = serde_yaml::from_str(ENGLISH).unwrap();
    let fields = tree.as_object_mut().unwrap();
    for (key, value) in fields.iter_mut() {
        if !["format", "language", "direction"].contains(&key.as_str()) {
            translated(value);
        }
    }
    Words::from_yaml(&tree.to_string()).unwrap()
}

fn scored(archer: &Archer, id: &str, felt: Felt, words: &Words) -> ShotSheet {
    let curves = archer.curves();
    let t = times(0.0, curves.release + 3.5, 240.0);
    let samples = path(&t, |t| curves.elbow(t), Noise::default(), 120, archer.seed);
    let hand = path(
        &t,
        |t| curves.bow_hand(t),
        Noise::default(),
        120,
        archer.seed + 900,
    );
    let settings = ReportSettings::default();
    let shots = find_shots(&samples, &settings).unwrap();
    let mut context = ShotContext::new(id, "7", Side::Right);
    context.felt = Some(felt);
    context.draw_weight_lb = Some(38.0);
    if archer.collapse.is_some() {
        context.markers.bow_hand = Some(&hand);
    }
    score_shot(&samples, &shots[0], &context, &settings, &words.sentences()).unwrap()
}

/// Three shots, scored, with pictures, in the made-up language; names and titles are numbers.
fn practice(words: &Words) -> PracticePage {
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
    let sheets = [
        scored(&Archer::default(), "shot-01", Felt::Moved, words),
        scored(&collapse, "shot-02", Felt::Moved, words),
        scored(&stall, "shot-03", Felt::Unsure, words),
    ];
    let advice = ENGLISH_ADVICE.replace("{text}", "7");
    let all: Vec<&ShotSheet> = sheets.iter().collect();
    let series = score_series(
        "1",
        &all,
        &Advice::from_yaml(&advice).unwrap(),
        &ReportSettings::default(),
        &words.sentences(),
    );
    let strips = invented::practice(1.0).unwrap().shots[0].strips.clone();
    let shots = sheets.iter().enumerate().map(|(index, sheet)| {
        let mut strips = strips.clone();
        for (number, strip) in strips.iter_mut().enumerate() {
            strip.camera = number.to_string();
            for picture in &mut strip.pictures {
                picture.caption.clone_from(&sheet.key_instants[0].words);
            }
        }
        PageShot::from_sheet(index + 1, sheet, Some(1.7), strips, words)
    });
    PracticePage {
        title: "12".to_owned(),
        date: "2026-05-14".to_owned(),
        invented: true,
        archers: vec![ArcherLine {
            alias: "7".to_owned(),
            side: -1.0,
            detail: words.few("height", &[("value", "172")]),
        }],
        warnings: vec!["1".to_owned()],
        shots: shots.collect(),
        series: SeriesPart::from_sheet(&series, &sheets, words),
        rig: [Fitness::Good, Fitness::Watch, Fitness::Bad]
            .into_iter()
            .map(|fitness| RigLine {
                fitness,
                sentence: words.health(
                    "camera",
                    &[("camera", "1"), ("views", "2"), ("px", "0.1"), ("ms", "1")],
                ),
                costs_mm: Some(1.0),
            })
            .collect(),
        certainty: vec![words.health("lasting", &[("px", "0.1")])],
        methods: methods(
            &Provenance {
                version: "0.1.0".to_owned(),
                cameras: 2,
                ..Provenance::default()
            },
            words,
        ),
        version: "0.1.0".to_owned(),
    }
}

const ENGLISH_ADVICE: &str = "format: drawarc-advice/1
rows:
  - verdict: collapse
    stages: [own-bow]
    advice: '{text}'
  - verdict: stall
    stages: [own-bow]
    advice: '{text}'
";

/// What is left when tags and places of a template are taken out.
fn own_text(template: &str) -> String {
    let mut text = String::new();
    let mut rest = template;
    while let Some(open) = rest.find(['<', '{']) {
        text.push_str(&rest[..open]);
        text.push('\n');
        let from = &rest[open..];
        let end = if from.starts_with("{{") {
            "}}"
        } else if from.starts_with("{%") {
            "%}"
        } else {
            ">"
        };
        rest = &from[from.find(end).unwrap() + end.len()..];
    }
    text + rest
}

#[test]
fn the_template_has_no_words_of_its_own() {
    // A tag may hold places with `>` in them: places go first.
    let mut text = TEMPLATE.to_owned();
    for (open, close) in [("{{", "}}"), ("{%", "%}")] {
        while let Some(start) = text.find(open) {
            let end = start + text[start..].find(close).unwrap() + close.len();
            text.replace_range(start..end, "");
        }
    }
    let own = own_text(&text);
    assert!(
        !own.contains(|letter: char| letter.is_alphabetic()),
        "{own}"
    );
    for attribute in [
        "alt=\"",
        "title=\"",
        "aria-label=\"",
        "placeholder=\"",
        "aria-valuetext=\"",
    ] {
        for (place, _) in text.match_indices(attribute) {
            let value = text[place + attribute.len()..].split('"').next().unwrap();
            assert!(!value.contains(char::is_alphabetic), "{attribute}{value}");
        }
    }
}

/// Script that gathers every text that a person reads or hears, each once.
const GATHER: &str = "const heard = new Set(); \
    const gather = () => { \
      const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT | NodeFilter.SHOW_ELEMENT); \
      while (walk.nextNode()) { const node = walk.currentNode; \
        if (node.nodeType === 3) { if (!node.parentElement.closest('script, style, noscript')) heard.add(node.textContent.trim()); } \
        else for (const name of ['alt', 'title', 'aria-label', 'aria-valuetext', 'placeholder', 'label']) \
          if (node.hasAttribute(name)) heard.add(node.getAttribute(name)); } };";

#[test]
fn a_page_in_another_language_holds_no_english() {
    let words = words();
    let html = page(&practice(&words), &words).unwrap();
    let script = format!(
        "{GATHER} const count = document.querySelectorAll('.row').length; \
         for (let shot = 0; shot < count; shot++) {{ \
           drawarcPage.show(shot); \
           for (const span of ['whole', 'draw', 'last']) for (const zoom of ['archer', 'path', 'close']) {{ drawarcPage.set({{ span, zoom }}); await wait(); gather(); }} \
           for (const hours of [3, 6, 9]) {{ drawarcPage.set({{ hours, time: -0.4 }}); await wait(); gather(); }} \
           document.querySelector('.dial').dispatchEvent(new KeyboardEvent('keydown', {{ key: 'ArrowUp', bubbles: true }})); await wait(); gather(); \
         }} \
         for (const layout of ['over', 'beside']) {{ drawarcPage.set({{ shot: 1, other: 0, layout, playing: false, time: 0.1 }}); await wait(); gather(); }} \
         for (const align of ['anchor', 'set_up']) {{ drawarcPage.set({{ align, time: -0.1 }}); await wait(); gather(); }} \
         report.english = [...heard].filter((text) => /[A-Za-z]/.test(text)); report.heard = heard.size;"
    );
    let report = chromium::drive("words", &html, 1440, &script);
    assert_eq!(report["problems"], serde_json::json!([]));
    assert!(
        report["heard"].as_u64().unwrap() > 150,
        "{}",
        report["heard"]
    );
    assert_eq!(report["english"], serde_json::json!([]));
}
