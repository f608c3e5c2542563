//! The page in a real browser: headless Chromium opens it, the page's own script is driven, and what
//! became of it is read from the resulting document.

#![expect(
    clippy::unwrap_used,
    reason = "a test that cannot go on fails where it stands"
)]

#[path = "../examples/invented/mod.rs"]
#[allow(dead_code, reason = "each test and example uses its part")]
mod invented;

use std::{fs, path::PathBuf, process::Command};

use drawarc_report::page::{Words, page};

/// Names under which Chromium is installed.
const BROWSERS: [&str; 4] = ["chromium", "chromium-browser", "google-chrome", "chrome"];

/// Runs the page with a few lines of script after its own; returns what they reported.
fn run(name: &str, script: &str) -> serde_json::Value {
    let html = page(
        &invented::practice(1.0).unwrap(),
        &Words::english().unwrap(),
    )
    .unwrap();
    let guard = "<script>window.problems = []; addEventListener('error', (event) => problems.push(event.message)); \
         addEventListener('securitypolicyviolation', (event) => problems.push(event.blockedURI));</script>";
    let drive = format!(
        "<script>(async () => {{ const report = {{}}; const wait = async () => drawarcPage.draw();\
         await wait(); {script} report.problems = problems; document.title = 'done'; \
         const out = document.createElement('pre'); out.id = 'report'; out.textContent = JSON.stringify(report).replace(/[^ -~]|[<>&]/g, (one) => '\\\\u' + one.charCodeAt(0).toString(16).padStart(4, '0')); \
         document.body.append(out); }})();</script></body>"
    );
    let html = html
        .replacen("<style>", &format!("{guard}<style>"), 1)
        .replace("</body>", &drive);
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("browser-{name}"));
    fs::create_dir_all(&folder).unwrap();
    let file = folder.join("page.html");
    fs::write(&file, html).unwrap();
    let output = BROWSERS
        .into_iter()
        .find_map(|browser| {
            Command::new(browser)
                .args([
                    "--headless",
                    "--no-sandbox",
                    "--disable-gpu",
                    "--disable-background-networking",
                ])
                .args([
                    "--no-first-run",
                    "--virtual-time-budget=8000",
                    "--window-size=1440,1200",
                    "--dump-dom",
                ])
                .arg(format!(
                    "--user-data-dir={}",
                    folder.join("profile").display()
                ))
                .arg(format!("file://{}", file.display()))
                .output()
                .ok()
        })
        .expect("Chromium is needed to test the page; the project's test command installs it");
    let document = String::from_utf8_lossy(&output.stdout);
    let start = document
        .find("<pre id=\"report\">")
        .expect("the script did not reach its end")
        + 17;
    let json = &document[start..start + document[start..].find('<').unwrap()];
    serde_json::from_str(json).unwrap()
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
        "{SNAPSHOT} report.three = snap(); const dial = document.querySelector('.dial'); \
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
         report.moved = drawarcPage.state.time - first; report.marks = document.querySelectorAll('.range-view use').length;",
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
fn a_series_prints_on_two_pages() {
    let html = page(
        &invented::practice(1.0).unwrap(),
        &Words::english().unwrap(),
    )
    .unwrap();
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("browser-print");
    fs::create_dir_all(&folder).unwrap();
    let (file, pdf) = (folder.join("page.html"), folder.join("page.pdf"));
    fs::write(&file, html).unwrap();
    let printed = BROWSERS.into_iter().any(|browser| {
        Command::new(browser)
            .args([
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-background-networking",
            ])
            .args([
                "--no-first-run",
                "--virtual-time-budget=4000",
                "--no-pdf-header-footer",
            ])
            .arg(format!(
                "--user-data-dir={}",
                folder.join("profile").display()
            ))
            .arg(format!("--print-to-pdf={}", pdf.display()))
            .arg(format!("file://{}", file.display()))
            .output()
            .is_ok_and(|output| output.status.success())
    });
    assert!(
        printed,
        "Chromium is needed to test the page; the project's test command installs it"
    );
    let bytes = fs::read(&pdf).unwrap();
    let text = String::from_utf8_lossy(&bytes);
    let pages = text.matches("/Type /Page\n").count() + text.matches("/Type /Page/").count();
    assert_eq!(pages, 2);
}
