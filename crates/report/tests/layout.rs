//! How the page is laid out at the widths of a laptop, a tablet and a phone: nothing wider than the window, no text over
//! another, no control over another; and what the keyboard alone can do.

#![expect(
    clippy::unwrap_used,
    reason = "a test that cannot go on fails where it stands"
)]

#[path = "../examples/invented/mod.rs"]
#[allow(dead_code, reason = "each test and example uses its part")]
mod invented;

#[allow(dead_code, reason = "each test uses its part")]
mod chromium;

use drawarc_report::page::{PracticePage, Words, page};

const WIDTHS_PX: [u32; 3] = [1440, 768, 390];

/// Script that measures: what is wider than the window, and which texts or controls lie over each other. A box that
/// scrolls by itself may hold something wider; the time slider sticks to the window's edge and lies over what passes.
const MEASURE: &str = "
const named = (node) => node.tagName.toLowerCase() + '.' + (node.getAttribute('class') ?? '') + ' ' + (node.textContent ?? '').trim().slice(0, 40);
const shown = (node) => { const box = node.getBoundingClientRect(); const style = getComputedStyle(node); return box.width > 0 && box.height > 0 && style.visibility !== 'hidden' && !node.closest('.unseen, script, style, [hidden], .symbols, defs, clipPath'); };
const measure = () => {
  const wide = [], over = [];
  for (const node of document.body.querySelectorAll('*')) {
    if (!shown(node) || node.closest('.scroll, svg') && !node.matches('.scroll, svg')) continue;
    const box = node.getBoundingClientRect();
    if (box.right > innerWidth + 1 || box.left < -1) wide.push(named(node) + ' ' + box.left.toFixed(0) + '..' + box.right.toFixed(0));
  }
  const boxes = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const text = walk.currentNode, node = text.parentElement;
    if (!text.textContent.trim() || !shown(node) || node.closest('option')) continue;
    const range = document.createRange();
    range.selectNodeContents(text);
    // The letters themselves are lower than their line.
    for (const box of range.getClientRects()) {
      const trim = box.height * .2;
      const clip = node.closest('.scroll')?.getBoundingClientRect();
      if (clip && (box.left > clip.right || box.right < clip.left)) continue;
      boxes.push({ node, stuck: !!node.closest('.scrub'), left: box.left + 1, right: box.right - 1, top: box.top + trim, bottom: box.bottom - trim });
    }
  }
  for (const node of document.body.querySelectorAll('button, input, select, a, .picture, .chart, .range-view, .chart use, .range-view use, .bars use')) {
    if (!shown(node)) continue;
    const box = node.getBoundingClientRect();
    boxes.push({ node, stuck: !!node.closest('.scrub'), left: box.left + 1, right: box.right - 1, top: box.top + 1, bottom: box.bottom - 1 });
  }
  boxes.sort((a, b) => a.top - b.top);
  boxes.forEach((one, rank) => {
    for (let next = rank + 1; next < boxes.length && boxes[next].top < one.bottom; next++) {
      const other = boxes[next];
      if (one.stuck !== other.stuck) continue;
      if (one.node.contains(other.node) || other.node.contains(one.node)) continue;
      if (one.node.tagName === 'use' && other.node.tagName === 'use') continue;
      if (Math.min(one.right, other.right) > Math.max(one.left, other.left)) over.push(named(one.node) + ' | ' + named(other.node));
    }
  });
  return { wide, over };
};";

fn html(practice: &PracticePage) -> String {
    page(practice, &Words::english().unwrap()).unwrap()
}

/// Fails with the first things that are too wide or lie over each other.
fn fits(report: &serde_json::Value, what: &str) {
    for (state, found) in report["states"].as_object().unwrap() {
        for kind in ["wide", "over"] {
            let list = found[kind].as_array().unwrap();
            let first: Vec<_> = list.iter().take(8).collect();
            assert!(
                list.is_empty(),
                "{what}, {state}: {kind} ({}): {first:#?}",
                list.len()
            );
        }
    }
    assert_eq!(report["problems"], serde_json::json!([]), "{what}");
}

#[test]
fn nothing_is_too_wide_and_nothing_lies_over_another() {
    let html = html(&invented::practice(1.0).unwrap());
    for width_px in WIDTHS_PX {
        let script = format!(
            "{MEASURE} report.states = {{}}; const look = async (name) => {{ await wait(); report.states[name] = measure(); }}; \
             const count = document.querySelectorAll('.row').length; \
             for (let shot = 0; shot < count; shot++) {{ drawarcPage.show(shot); await look('shot ' + (shot + 1)); }} \
             drawarcPage.show(3); for (const span of ['whole', 'draw', 'last']) {{ drawarcPage.set({{ span, zoom: 'archer', time: -0.1 }}); await look(span); }} \
             drawarcPage.set({{ shot: 1, other: 3, layout: 'over' }}); await look('over'); \
             drawarcPage.set({{ layout: 'beside' }}); await look('beside'); \
             report.inner = innerWidth;"
        );
        let report = chromium::drive(&format!("layout-{width_px}"), &html, width_px, &script);
        assert_eq!(report["inner"], width_px);
        fits(&report, &format!("{width_px} px"));
    }
}

#[test]
fn long_names_do_not_break_the_page() {
    let mut practice = invented::practice(1.0).unwrap();
    let long = "Wilhelmina-Theodora ".repeat(8) + &"n".repeat(140);
    practice.title.clone_from(&long);
    practice.archers[0].alias.clone_from(&long);
    for shot in &mut practice.shots {
        shot.card.archer.clone_from(&long);
        for strip in &mut shot.strips {
            strip.camera.clone_from(&long);
        }
    }
    let html = html(&practice);
    for width_px in WIDTHS_PX {
        let script = format!(
            "{MEASURE} await wait(); report.states = {{ first: measure() }}; drawarcPage.set({{ other: 2, layout: 'beside' }}); await wait(); report.states.beside = measure();"
        );
        let report = chromium::drive(&format!("names-{width_px}"), &html, width_px, &script);
        fits(&report, &format!("{width_px} px"));
    }
}

#[test]
fn the_keyboard_reaches_and_works_everything() {
    let html = html(&invented::practice(1.0).unwrap());
    let script = "
        const press = (node, key, more = {}) => node.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true, cancelable: true, ...more }));
        // In the order of the tab key: everything that can be clicked can be reached, and shows that it has the focus.
        const reachable = [...document.querySelectorAll('button, select, input, a[href], [tabindex]')].filter((one) => one.offsetParent !== null && !one.disabled);
        report.unreachable = reachable.filter((one) => one.tabIndex < 0).map((one) => one.className);
        report.unnamed = reachable.filter((one) => !(one.getAttribute('aria-label') || one.textContent.trim() || one.closest('label') || one.querySelector('img[alt]'))).map((one) => one.outerHTML.slice(0, 80));
        report.ringless = reachable.filter((one) => { one.focus({ focusVisible: true }); return document.activeElement !== one || getComputedStyle(one).outlineStyle === 'none'; }).map((one) => one.outerHTML.slice(0, 80));
        const state = drawarcPage.state;
        const after = async (node, key, more) => { node.focus(); press(node, key, more); await wait(); return { shot: state.shot, time: state.time, hours: state.hours, playing: state.playing, focus: document.activeElement.className }; };
        drawarcPage.set({ time: -1 }); await wait();
        const body = document.body;
        report.right = await after(body, 'ArrowRight');
        report.left = await after(body, 'ArrowLeft', { shiftKey: true });
        report.next = await after(body, ']');
        report.back = await after(body, '[');
        report.play = await after(body, ' ');
        report.stop = await after(body, ' ');
        drawarcPage.set({ time: -1, hours: 3 }); await wait();
        const dial = document.querySelector('.dial');
        report.dialed = await after(dial, 'ArrowRight');
        report.held = await after(document.querySelector('.charts'), 'ArrowRight');
        const rows = [...document.querySelectorAll('.row')];
        rows[0].focus(); press(rows[0], 'ArrowDown'); report.row = rows.indexOf(document.activeElement);
        const slider = document.querySelector('.scrub input'); slider.value = '-0.5'; slider.dispatchEvent(new Event('input')); await wait();
        report.slid = state.time; report.said = slider.getAttribute('aria-valuetext');";
    let report = chromium::drive("keyboard", &html, 1440, script);
    for list in ["problems", "unreachable", "unnamed", "ringless"] {
        assert_eq!(report[list], serde_json::json!([]), "{list}");
    }
    let time = |step: &str| report[step]["time"].as_f64().unwrap();
    assert!((time("right") - -0.99).abs() < 1e-9, "{}", time("right"));
    assert!((time("left") - -1.09).abs() < 1e-9, "{}", time("left"));
    assert_eq!(
        report["next"]["shot"],
        report["right"]["shot"].as_u64().unwrap() + 1
    );
    assert_eq!(report["back"]["shot"], report["right"]["shot"]);
    assert_eq!(
        (&report["play"]["playing"], &report["stop"]["playing"]),
        (&true.into(), &false.into())
    );
    // On the dial an arrow turns the view and leaves the time alone; on the curves it moves the time.
    assert!((time("dialed") - -1.0).abs() < 1e-9);
    assert_ne!(report["dialed"]["hours"], 3.0);
    assert!((time("held") - -0.99).abs() < 1e-9, "{}", time("held"));
    assert_eq!(report["row"], 1);
    assert!((report["slid"].as_f64().unwrap() - -0.5).abs() < 0.003);
    assert!(
        report["said"]
            .as_str()
            .unwrap()
            .contains("0.50 s before release"),
        "{}",
        report["said"]
    );
}

/// A sentence longer than most.
const LONG: &str = "Camera three is said to share the shutter signal of camera five, but its pictures are 3.2 ms off \
    (± 0.4 ms). Is its cable in, and does it follow the signal? Show the board again before the next series. ";

/// The invented practice with so many shots, six at a time the same, and a lot to say about each and the rig.
fn wordy(shots: usize) -> PracticePage {
    let many = |count: usize| vec![LONG.to_owned(); count];
    let mut practice = invented::practice(1.0).unwrap();
    assert_eq!(practice.shots.len(), 6);
    practice.warnings = many(10);
    practice.certainty = many(12);
    let line = practice.rig[0].clone();
    practice.rig = many(12)
        .into_iter()
        .map(|sentence| drawarc_report::page::RigLine {
            sentence,
            ..line.clone()
        })
        .collect();
    let six = std::mem::take(&mut practice.shots);
    practice.shots = six.into_iter().cycle().take(shots).collect();
    for (index, shot) in practice.shots.iter_mut().enumerate() {
        shot.card.number = index + 1;
        shot.card.remarks = many(12);
    }
    for row in &mut practice.series.rows {
        row.values = row.values.iter().copied().cycle().take(shots).collect();
    }
    practice
}

fn printed_pages(name: &str, practice: &PracticePage) -> usize {
    let bytes = chromium::printed(name, &html(practice));
    let text = String::from_utf8_lossy(&bytes);
    text.matches("/Type /Page\n").count() + text.matches("/Type /Page/").count()
}

/// Whatever there is to say, paper holds two pages a series: ten long warnings, twelve long remarks a shot, and as many
/// sentences about the rig.
#[test]
fn a_series_prints_on_two_pages_however_many_shots_and_words_it_has() {
    for shots in [6, 12, 36] {
        let pages = printed_pages(&format!("print-{shots}"), &wordy(shots));
        assert_eq!(pages, 2, "{shots} shots");
    }
}

/// On paper, too, an end of twelve shows each shot's verdict, way and figures, in letters that can be read.
#[test]
fn twelve_shots_on_paper_keep_verdicts_ways_and_figures() {
    // The style of paper on the screen: a browser that prints runs no script.
    let html = html(&wordy(12)).replace("@media print {", "@media all {");
    let script = "const rows = [...document.querySelectorAll('.row')]; const cut = (node) => node.scrollHeight > node.clientHeight + 2; \
        const seen = (node) => node.getBoundingClientRect().height > 0; \
        report.rows = rows.length; report.cut = rows.filter((row) => cut(row.querySelector('.words'))).map((row) => row.textContent.trim()); \
        report.ways = rows.filter((row) => seen(row.querySelector('.sketch')) && seen(row.querySelector('.headline .value')) && seen(row.querySelector('.mark'))).length; \
        const root = parseFloat(getComputedStyle(document.documentElement).fontSize); \
        report.share = Math.min(...rows.flatMap((row) => [...row.querySelectorAll('.sentence, .under, .value, .label')]).map((one) => parseFloat(getComputedStyle(one).fontSize))) / root;";
    // As wide as A4 within its margins.
    let report = chromium::drive("paper-twelve", &html, 703, script);
    assert_eq!(report["problems"], serde_json::json!([]));
    assert_eq!((&report["rows"], &report["ways"]), (&12.into(), &12.into()));
    assert_eq!(report["cut"], serde_json::json!([]));
    // 0.6 of 8.2 pt: the labels; nothing is smaller.
    assert!(report["share"].as_f64().unwrap() >= 0.6, "{report}");
}

/// The film strip on a phone: captions as large as the text beside them, three pictures in a row.
#[test]
fn captions_can_be_read_on_a_phone() {
    let html = html(&invented::practice(1.0).unwrap());
    let script = "await wait(); report.seen = [...document.querySelectorAll('.stage .frame')].filter((one) => one.offsetParent).map((one) => \
        [parseFloat(getComputedStyle(one.querySelector('.caption')).fontSize), one.getBoundingClientRect().width, \
         one.querySelector('.caption').scrollWidth - one.querySelector('.caption').clientWidth]);";
    let report = chromium::drive("captions", &html, 390, script);
    let seen = report["seen"].as_array().unwrap();
    assert!(seen.len() >= 8, "{report}");
    for frame in seen {
        let [letters_px, width_px, over_px] = [0, 1, 2].map(|at| frame[at].as_f64().unwrap());
        assert!(letters_px >= 14.0 && width_px >= 90.0, "{frame}");
        assert!(over_px < 1.0, "{frame}: a caption is cut");
    }
}
