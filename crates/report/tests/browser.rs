//! The page in a real browser: headless Chromium opens it, the page's own script is driven, and what
//! became of it is read from the resulting document.

#![expect(
    clippy::unwrap_used,
    reason = "a test that cannot go on fails where it stands"
)]

#[path = "../examples/invented/mod.rs"]
#[allow(dead_code, reason = "each test and example uses its part")]
mod invented;

#[allow(dead_code, reason = "each test uses its part")]
mod chromium;

use drawarc_report::page::{Words, page};

/// The invented practice's page.
fn html() -> String {
    page(
        &invented::practice(1.0).unwrap(),
        &Words::english().unwrap(),
    )
    .unwrap()
}

/// Runs the page in a wide window.
fn run(name: &str, script: &str) -> serde_json::Value {
    chromium::drive(name, &html(), 1440, script)
}

/// What each view shows, as script.
const SNAPSHOT: &str = "const snap = () => ({ \
    path: document.querySelector('.range-view .path.strong').getAttribute('points'), \
    elbow: document.querySelector('.range-view .now').getAttribute('cx'), \
    picture: document.querySelector('.dot-now').getAttribute('cx'), \
    curves: [...document.querySelectorAll('.chart .cursor')].map((one) => one.getAttribute('d')), \
    words: document.querySelector('.where').textContent });";

#[test]
fn the_page_opens_without_a_complaint() {
    let report = run(
        "opens",
        "report.rows = document.querySelectorAll('.row').length; \
         report.charts = document.querySelectorAll('.chart').length; \
         report.stages = document.querySelectorAll('.stage').length; \
         report.requests = performance.getEntriesByType('resource').map((one) => one.name).filter((name) => !name.startsWith('data:')); \
         report.wide = document.documentElement.scrollWidth > innerWidth;",
    );
    assert_eq!(report["problems"], serde_json::json!([]));
    assert_eq!(report["requests"], serde_json::json!([]));
    assert_eq!(
        (&report["rows"], &report["charts"], &report["stages"]),
        (&6.into(), &4.into(), &2.into())
    );
    assert_eq!(report["wide"], false);
}

#[test]
fn one_cursor_moves_every_view() {
    let script = format!(
        "{SNAPSHOT} report.before = snap(); drawarcPage.set({{ time: -1.5 }}); await wait(); report.after = snap(); \
         document.querySelectorAll('.stage .frame')[2].click(); await wait(); report.clicked = snap(); \
         document.dispatchEvent(new KeyboardEvent('keydown', {{ key: 'ArrowRight', bubbles: true }}));"
    );
    let script = script.replace("document.dispatchEvent(", "document.body.dispatchEvent(")
        + " await wait(); report.key = snap();";
    let report = run("cursor", &script);
    for (one, other) in [
        ("before", "after"),
        ("after", "clicked"),
        ("clicked", "key"),
    ] {
        for view in ["elbow", "picture", "curves", "words"] {
            assert_ne!(
                report[one][view], report[other][view],
                "{view} from {one} to {other}"
            );
        }
        assert_eq!(
            report[one]["path"], report[other]["path"],
            "time does not turn the view"
        );
    }
    assert_eq!(report["problems"], serde_json::json!([]));
}

#[test]
fn the_dial_turns_the_path() {
    let script = format!(
        "{SNAPSHOT} drawarcPage.set({{ zoom: 'path' }}); await wait(); report.three = snap(); const dial = document.querySelector('.dial'); \
         for (let turn = 0; turn < 6; turn++) {{ dial.dispatchEvent(new KeyboardEvent('keydown', {{ key: 'ArrowRight', bubbles: true }})); await wait(); }} \
         report.six = snap(); report.said = dial.getAttribute('aria-valuetext'); \
         for (let turn = 0; turn < 6; turn++) {{ dial.dispatchEvent(new KeyboardEvent('keydown', {{ key: 'ArrowUp', bubbles: true }})); await wait(); }} \
         report.above = snap(); report.overhead = dial.getAttribute('aria-valuetext');"
    );
    let report = run("dial", &script);
    assert_eq!(report["said"], "6:00 o'clock");
    assert_eq!(report["overhead"], "overhead");
    assert_ne!(report["three"]["path"], report["six"]["path"]);
    assert_ne!(report["six"]["path"], report["above"]["path"]);
    let width = |view: &str| {
        let points = report[view]["path"].as_str().unwrap().to_owned();
        let columns: Vec<f64> = points
            .split(' ')
            .map(|point| point.split(',').next().unwrap().parse().unwrap())
            .collect();
        columns.iter().copied().fold(f64::MIN, f64::max)
            - columns.iter().copied().fold(f64::MAX, f64::min)
    };
    // The draw runs away from the target: wide from 3 o'clock, hardly to be seen from 6 o'clock.
    assert!(
        width("three") > 5.0 * width("six"),
        "{} and {}",
        width("three"),
        width("six")
    );
    assert_eq!(report["problems"], serde_json::json!([]));
}

#[test]
fn two_shots_lie_on_top_of_each_other_or_side_by_side() {
    let report = run(
        "compare",
        "drawarcPage.set({ other: 0 }); await wait(); \
         report.over = [document.querySelectorAll('.chart').length, document.querySelectorAll('.chart .curve.other').length]; \
         drawarcPage.set({ layout: 'beside' }); await wait(); \
         report.beside = [document.querySelectorAll('.chart').length, document.querySelectorAll('.chart .curve.other').length]; \
         const first = drawarcPage.state.time; document.querySelectorAll('.tools select')[1].value = 'anchor'; \
         document.querySelectorAll('.tools select')[1].dispatchEvent(new Event('change')); await wait(); \
         report.moved = drawarcPage.state.time - first; report.marks = document.querySelectorAll('.range-view > use').length;",
    );
    assert_eq!(report["over"], serde_json::json!([4, 4]));
    assert_eq!(report["beside"], serde_json::json!([8, 0]));
    assert!(
        (report["moved"].as_f64().unwrap() - 2.4).abs() < 0.01,
        "{}",
        report["moved"]
    );
    assert_eq!(report["marks"], 1);
    assert_eq!(report["problems"], serde_json::json!([]));
}

#[test]
fn a_fault_is_marked_the_same_way_in_every_view() {
    let report = run(
        "marks",
        "const shots = JSON.parse(document.getElementById('practice').textContent).shots; \
         const uses = (where) => [...document.querySelectorAll(where + ' use')].map((one) => one.getAttribute('href')); \
         const seen = []; \
         for (let shot = 0; shot < shots.length; shot++) { \
           if (!shots[shot].faults.length) continue; \
           drawarcPage.show(shot); drawarcPage.set({ span: 'whole' }); await wait(); \
           seen.push({ key: '#mark-' + shots[shot].faults[0][0], row: uses(`.row[data-shot='${shot}'] .verdict`), \
             view: uses('.range-view'), curves: [...document.querySelectorAll('.chart')].map((one) => one.querySelector('use')?.getAttribute('href')), \
             bars: uses('.bars'), line: document.querySelectorAll('.range-view .fault').length, \
             spans: document.querySelectorAll('.bars .wash').length, dial: uses('.dial'), bigs: uses('.stage .big'), frames: uses('.stage .frame .picture'), \
             every: [...document.querySelectorAll('.stage .frame .picture')].every((one) => one.querySelector('use')), \
             pictures: document.querySelectorAll('.stage .big .trace-fault').length, strip: document.querySelectorAll('.stage .frame .trace-fault').length }); \
         } report.seen = seen;",
    );
    let seen = report["seen"].as_array().unwrap();
    assert!(!seen.is_empty());
    for shot in seen {
        let key = &shot["key"];
        assert_eq!(shot["every"], true, "every picture of the strip: {shot}");
        for view in ["row", "view", "curves", "bars", "dial", "bigs", "frames"] {
            let marks = shot[view].as_array().unwrap();
            assert!(
                !marks.is_empty() && marks.iter().all(|mark| mark == key),
                "{view}: {shot}"
            );
        }
        for view in ["line", "pictures", "strip", "spans"] {
            assert!(shot[view].as_u64().unwrap() > 0, "{view}: {shot}");
        }
    }
    assert_eq!(report["problems"], serde_json::json!([]));
}

#[test]
fn scrubbing_moves_both_columns() {
    let report = run(
        "columns",
        "drawarcPage.set({ other: 0, layout: 'beside', zoom: 'path' }); await wait(); \
         const snap = () => ({ elbows: [...document.querySelectorAll('.range-view .now')].map((one) => one.getAttribute('cx') + one.getAttribute('cy')), \
           dots: [...document.querySelectorAll('.dot-now')].map((one) => one.getAttribute('cx')), \
           curves: [...document.querySelectorAll('.chart .cursor')].map((one) => one.getAttribute('d')) }); \
         report.before = snap(); drawarcPage.set({ time: -2.2 }); await wait(); report.after = snap();",
    );
    for (view, count) in [("elbows", 2), ("curves", 8), ("dots", 4)] {
        let (before, after) = (&report["before"][view], &report["after"][view]);
        let (before, after) = (before.as_array().unwrap(), after.as_array().unwrap());
        assert_eq!(before.len(), count, "{view}");
        for (one, other) in before.iter().zip(after) {
            assert_ne!(one, other, "{view}");
        }
    }
    assert_eq!(report["problems"], serde_json::json!([]));
}

/// A picture of the page (PNG) after a few lines of script.
fn picture(name: &str, script: &str) -> Vec<u8> {
    chromium::picture(name, &html(), (900, 2600), script)
}

#[test]
fn the_dial_changes_the_pixels() {
    let from = |hours: u8| format!("drawarcPage.set({{ hours: {hours}, zoom: 'path' }});");
    let three = picture("three", &from(3));
    // The same page is the same picture: what differs below is the turn's doing.
    assert!(three == picture("three-again", &from(3)));
    assert!(three != picture("six", &from(6)));
}

#[test]
fn a_series_prints_on_two_pages() {
    let bytes = chromium::printed("print", &html());
    let text = String::from_utf8_lossy(&bytes);
    let pages = text.matches("/Type /Page\n").count() + text.matches("/Type /Page/").count();
    assert_eq!(pages, 2);
}
