//! Names are data: a practice whose title, cameras, archer and files are called what nobody expects, through the command
//! to page, tables, C3D and clips.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

mod support;

use drawarc_rig::Rig;
use serde_json::Value;
use std::fs;
use std::path::Path;
use support::{cut, demo, project, say};

const TITLE: &str = "</title></script><script>alert(1)</script> {mm} \"quoted\" 'too'";
const CAMERAS: [&str; 2] = [
    "<img src=x onerror=alert(2)> \"five\" {px}",
    "🏹 عربي \u{202e}eerht\u{202c}, ../../three",
];
const FILES: [&str; 2] = ["five <b>'&\" 🏹.mp4", "ثلاثة three.mp4"];

/// An archer of 300 characters.
fn archer() -> String {
    let start = "=cmd|' /C calc'!A0,\"</script><svg onload=alert(3)>\n' עברית \u{202e}🏹 {depth} ";
    start
        .chars()
        .chain("n".repeat(300).chars())
        .take(300)
        .collect()
}

/// Columns of a line of a CSV file (RFC 4180), over the lines of its quoted fields.
fn csv(text: &str) -> Vec<Vec<String>> {
    let (mut rows, mut row, mut cell, mut quoted) = (Vec::new(), Vec::new(), String::new(), false);
    let mut letters = text.chars().peekable();
    while let Some(letter) = letters.next() {
        match letter {
            '"' if quoted && letters.peek() == Some(&'"') => {
                cell.push('"');
                letters.next();
            }
            '"' => quoted = !quoted,
            ',' if !quoted => row.push(std::mem::take(&mut cell)),
            '\r' if !quoted => {}
            '\n' if !quoted => {
                row.push(std::mem::take(&mut cell));
                rows.push(std::mem::take(&mut row));
            }
            letter => cell.push(letter),
        }
    }
    rows
}

/// What the page's own script reads out of the page.
fn values(page: &str, id: &str) -> Value {
    let open = format!("id=\"{id}\">");
    let start = page.find(&open).unwrap() + open.len();
    let end = start + page[start..].find("</script>").unwrap();
    serde_json::from_str(&page[start..end]).unwrap()
}

/// Puts films, rig and manifest of such a practice into a folder.
fn practice(folder: &Path) {
    let demo = demo();
    // The third shot; the clocks differ by 0.41 s.
    for (name, (file, starts_s)) in ["five", "three"].iter().zip(FILES.iter().zip([0.0, 0.41])) {
        cut(
            &demo.join(format!("{name}.mp4")),
            &folder.join(file),
            (38.5, 10.0),
            starts_s,
        );
    }
    let mut rig = Rig::read(&demo.join("results/rig.yaml")).unwrap();
    for (camera, name) in rig.cameras.iter_mut().zip(CAMERAS) {
        name.clone_into(&mut camera.name);
    }
    fs::write(folder.join("rig.yaml"), rig.to_yaml().unwrap()).unwrap();
    fs::copy(demo.join("board.yaml"), folder.join("board.yaml")).unwrap();
    let cameras: Vec<Value> = CAMERAS
        .iter()
        .zip(FILES)
        .zip(["5:00", "3:00"])
        .map(|((name, file), stands)| {
            serde_json::json!({"name": name, "stands": stands, "files": [file], "readout_ms": 16, "genlocked": true})
        })
        .collect();
    let practice = serde_json::json!({
        "format": "drawarc-practice/1", "title": TITLE, "date": "2026-01-02", "board": "board.yaml", "rig": "rig.yaml",
        "cameras": cameras,
        "markers": [{"on": "elbow", "shape": "ball", "size_mm": 28, "colour": "orange"}],
        "turns": [{"archer": archer(), "handedness": "right"}],
    });
    // JSON is YAML.
    fs::write(folder.join("practice.yaml"), practice.to_string()).unwrap();
}

#[test]
fn names_are_data_from_manifest_to_clip() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    practice(folder);
    let said = say(folder, &["run", "practice.yaml", "--clips"]);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(!said.out.contains(['\u{1b}', '\u{202e}']), "{:?}", said.out);
    assert!(
        said.out.lines().next().unwrap().starts_with("shot-01"),
        "{}",
        said.out
    );
    let results = folder.join("results");
    let read = |name: &str| fs::read_to_string(results.join(name)).unwrap();

    let page = read("page.html");
    for tag in ["<img src=x", "<svg onload", "<script>alert", "<b>'"] {
        assert!(!page.contains(tag), "{tag}");
    }
    // Two lists of values and the page's own script.
    assert_eq!(page.matches("<script").count(), 3);
    assert_eq!(page.matches("</script>").count(), 3);
    let data = values(&page, "practice");
    assert_eq!(data["shots"][0]["archer"], archer().as_str());
    let shown: Vec<&str> = data["shots"][0]["cameras"]
        .as_array()
        .unwrap()
        .iter()
        .map(|camera| camera["name"].as_str().unwrap())
        .collect();
    assert_eq!(shown, CAMERAS);

    let sheet: Value = serde_json::from_str(&read("sheet.json")).unwrap();
    assert_eq!(
        (&sheet["title"], &sheet["shots"][0]["archer"]),
        (&TITLE.into(), &archer().into())
    );
    let rows = csv(&read("shots.csv"));
    assert_eq!(rows.len(), 2);
    assert_eq!(rows[0].len(), rows[1].len());
    let column = rows[0].iter().position(|name| name == "archer").unwrap();
    // A spreadsheet must not take a name for a formula: it may stand behind an apostrophe.
    assert_eq!(rows[1][column].trim_start_matches('\''), archer());
    let c3d = fs::read(results.join("shot-01.c3d")).unwrap();
    assert_eq!((c3d[1], c3d.len() % 512), (0x50, 0));

    let clips = values(&page, "clips");
    let clips = clips.as_array().unwrap();
    assert_eq!(clips.len(), 2);
    for (clip, camera) in clips.iter().zip(CAMERAS) {
        assert_eq!(
            (&clip["camera"], &clip["shots"]),
            (&camera.into(), &serde_json::json!([1]))
        );
        let file = clip["file"].as_str().unwrap();
        assert!(file.starts_with("clips/") && !file.contains(".."), "{file}");
        assert!(
            results.join(file).metadata().unwrap().len() > 10_000,
            "{file}"
        );
    }

    another_language(folder);
    // Machines are told the same; then nothing of the archer is left.
    let said = say(
        folder,
        &["--json", "forget", "results", "--archer", &archer()],
    );
    assert_eq!(said.code, 0, "{}", said.err);
    let told: Value = serde_json::from_str(&said.out).unwrap();
    assert_eq!(told["archer"], archer().as_str());
    assert!(!results.join("page.html").exists());
}

/// The same practice in another language, without pictures; the measured steps are there already.
fn another_language(folder: &Path) {
    let read = |name: &str| fs::read_to_string(folder.join("results").join(name)).unwrap();
    let words = fs::read_to_string(project().join("crates/report/words/en.yaml")).unwrap();
    let words = words.replacen("language: en", "language: de", 1);
    let words = words.replacen(
        "at_a_glance: At a glance",
        "at_a_glance: Auf einen Blick",
        1,
    );
    fs::write(folder.join("deutsch.yaml"), words).unwrap();
    fs::write(
        folder.join("pipeline.yaml"),
        "format: drawarc-pipeline/1\nsteps: [survey, clocks, sightings, path, sheet]\nsheet:\n  words: deutsch.yaml\n  pictures: false\n",
    )
    .unwrap();
    let said = say(
        folder,
        &["run", "practice.yaml", "--pipeline", "pipeline.yaml"],
    );
    assert_eq!(said.code, 0, "{}", said.err);
    let page = read("page.html");
    assert!(page.contains("<html lang=\"de\"") && page.contains("Auf einen Blick"));
    assert!(!page.contains("data:image/jpeg"));
    assert!(read("sheet.json").contains("deutsch.yaml"));
}
