//! Headless Chromium: opens a page, drives it by script, takes its picture, prints it.

use std::{fs, path::PathBuf, process::Command};

/// Names under which Chromium is installed.
const BROWSERS: [&str; 4] = ["chromium", "chromium-browser", "google-chrome", "chrome"];

const WANTED: &str = "Chromium is needed to test the page; the project's test command installs it";

/// A folder of a test's own.
fn folder(name: &str) -> PathBuf {
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("chromium-{name}"));
    fs::create_dir_all(&folder).unwrap();
    folder
}

/// Opens a file; what Chromium printed comes back.
fn chromium(name: &str, html: &str, words: &[String]) -> Vec<u8> {
    let folder = folder(name);
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
                    "--no-first-run",
                ])
                .args(["--disable-background-networking", "--hide-scrollbars"])
                .arg("--virtual-time-budget=8000")
                .arg(format!(
                    "--user-data-dir={}",
                    folder.join("profile").display()
                ))
                .args(words)
                .arg(format!("file://{}", file.display()))
                .output()
                .ok()
        })
        .expect(WANTED);
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    output.stdout
}

/// Runs a page with a few lines of script after its own, in a window of a width (px); returns what they reported in
/// `report`. The page stands in a frame of that width: a window itself is never narrower than 500 px.
pub(crate) fn drive(name: &str, html: &str, width_px: u32, script: &str) -> serde_json::Value {
    let guard = "<script>window.problems = []; addEventListener('error', (event) => problems.push(event.message)); \
         addEventListener('securitypolicyviolation', (event) => problems.push(event.blockedURI));</script>";
    let drive = format!(
        "<script>(async () => {{ const report = {{}}; const wait = async () => drawarcPage.draw();\
         try {{ await wait(); {script} }} catch (error) {{ problems.push(String(error)); }} report.problems = problems; \
         parent.postMessage(JSON.stringify(report), '*'); }})();</script></body>"
    );
    let html = html
        .replacen("<style>", &format!("{guard}<style>"), 1)
        .replace("</body>", &drive);
    let escaped = html.replace('&', "&amp;").replace('"', "&quot;");
    let frame = format!(
        "<!DOCTYPE html><meta charset=\"utf-8\"><style>body {{ margin: 0 }} iframe {{ border: 0 }}</style><script>\
         addEventListener('message', (event) => {{ const out = document.createElement('pre'); out.id = 'report'; \
         out.textContent = event.data.replace(/[^ -~]|[<>&]/g, (one) => '\\\\u' + one.charCodeAt(0).toString(16).padStart(4, '0')); \
         document.body.replaceChildren(out); }});</script><body><iframe width=\"{width_px}\" height=\"1000\" srcdoc=\"{escaped}\"></iframe></body>"
    );
    let words = [
        format!("--window-size={},1100", width_px.max(600)),
        "--dump-dom".to_owned(),
    ];
    let document = String::from_utf8_lossy(&chromium(name, &frame, &words)).into_owned();
    let start = document
        .find("<pre id=\"report\">")
        .expect("the script did not reach its end")
        + 17;
    let json = &document[start..start + document[start..].find('<').unwrap()];
    serde_json::from_str(json).unwrap()
}

/// A picture (PNG) of a page after a few lines of script.
pub(crate) fn picture(name: &str, html: &str, size_px: (u32, u32), script: &str) -> Vec<u8> {
    let html = html.replace(
        "</body>",
        &format!("<script>{script} drawarcPage.draw();</script></body>"),
    );
    let png = folder(name).join("page.png");
    let words = [
        format!("--window-size={},{}", size_px.0, size_px.1),
        "--run-all-compositor-stages-before-draw".to_owned(),
        format!("--screenshot={}", png.display()),
    ];
    chromium(name, &html, &words);
    fs::read(png).unwrap()
}

/// A page as it comes out of a printer (PDF).
pub(crate) fn printed(name: &str, html: &str) -> Vec<u8> {
    let pdf = folder(name).join("page.pdf");
    let words = [
        "--no-pdf-header-footer".to_owned(),
        format!("--print-to-pdf={}", pdf.display()),
    ];
    chromium(name, html, &words);
    fs::read(pdf).unwrap()
}
