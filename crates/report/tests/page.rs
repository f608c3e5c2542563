//! The page as a text: what it says, that nothing in it can break out, that it asks nothing of a network.

#![expect(
    clippy::unwrap_used,
    reason = "a test that cannot go on fails where it stands"
)]

#[path = "../examples/invented/mod.rs"]
#[allow(dead_code, reason = "each test and example uses its part")]
mod invented;

use drawarc_report::page::{PageError, PracticePage, Words, page};

fn written(practice: &PracticePage) -> String {
    page(practice, &Words::english().unwrap()).unwrap()
}

/// The first two shots without pictures.
fn small(side: f64) -> PracticePage {
    let mut practice = invented::practice(side).unwrap();
    practice.shots.truncate(2);
    for shot in &mut practice.shots {
        shot.strips.clear();
    }
    for row in &mut practice.series.rows {
        row.values.truncate(2);
    }
    practice
}

/// What a person reads: the text between the tags, without style and script.
fn visible_text(html: &str) -> String {
    let mut text = String::new();
    let mut rest = html;
    while let Some(open) = rest.find('<') {
        text.push_str(&rest[..open]);
        rest = &rest[open..];
        let end = ["style", "script", "title"]
            .into_iter()
            .filter(|tag| rest[1..].starts_with(tag))
            .find_map(|tag| rest.find(&format!("</{tag}>")))
            .unwrap_or(0);
        let close = end + rest[end..].find('>').unwrap();
        text.push('\n');
        rest = &rest[close + 1..];
    }
    let lines = text.lines().map(str::trim).filter(|line| !line.is_empty());
    lines.collect::<Vec<_>>().join("\n")
}

/// The values for the script, parsed.
fn script_values(html: &str) -> serde_json::Value {
    let start = html.find("id=\"practice\">").unwrap() + "id=\"practice\">".len();
    let end = start + html[start..].find("</script>").unwrap();
    serde_json::from_str(&html[start..end]).unwrap()
}

#[test]
fn what_a_small_page_says() {
    insta::assert_snapshot!(visible_text(&written(&small(1.0))));
}

#[test]
fn left_handers_are_told_so() {
    let html = written(&small(-1.0));
    assert!(
        html.contains("left-handed: chest toward 9 o&#39;clock"),
        "not said"
    );
    assert_eq!(script_values(&html)["shots"][0]["side"], -1.0);
}

#[test]
fn a_page_without_pictures_says_so() {
    assert!(written(&small(1.0)).contains("holds no picture of a person"));
    assert!(written(&invented::practice(1.0).unwrap()).contains("holds pictures of people"));
}

#[test]
fn names_are_data() {
    let hostile = [
        "<script>alert(1)</script>".to_owned(),
        "</script><img src=x onerror=alert(1)>".to_owned(),
        "\"><svg onload=alert(1)>".to_owned(),
        "' onmouseover='alert(1)".to_owned(),
        "عربي \u{202e}txet desrever\u{202c}".to_owned(),
        "🏹👩🏽‍🦱".to_owned(),
        "{{ 7 * 7 }} {words}".to_owned(),
        "n".repeat(300),
    ];
    let strip = invented::practice(1.0).unwrap().shots[0].strips[0].clone();
    let base = small(1.0);
    let plain = written(&base);
    for name in hostile {
        let mut practice = base.clone();
        practice.title.clone_from(&name);
        practice.date.clone_from(&name);
        practice.archers[0].alias.clone_from(&name);
        practice.archers[0].detail.clone_from(&name);
        practice.warnings = vec![name.clone()];
        practice.methods = vec![name.clone()];
        let mut strip = strip.clone();
        strip.camera.clone_from(&name);
        strip.pictures[0].caption.clone_from(&name);
        let shot = &mut practice.shots[0];
        shot.strips = vec![strip];
        shot.card.archer.clone_from(&name);
        shot.card.sentence.clone_from(&name);
        shot.card.felt = Some(name.clone());
        shot.card.bow.clone_from(&name);
        shot.card.figures[0].interval.clone_from(&name);
        shot.card.remarks = vec![name.clone()];
        let html = written(&practice);
        for tag in [
            "<script",
            "<svg onload",
            "<img src=x",
            "onerror=alert(1)>",
            "' onmouseover='",
        ] {
            assert_eq!(
                html.matches(tag).count(),
                plain.matches(tag).count(),
                "{tag} from {name:?}"
            );
        }
        assert_eq!(
            html.matches("</script>").count(),
            plain.matches("</script>").count()
        );
        assert_eq!(script_values(&html)["shots"][0]["sentence"], name.as_str());
        assert_eq!(
            script_values(&html)["shots"][0]["cameras"][0]["name"],
            name.as_str()
        );
    }
}

#[test]
fn nothing_is_asked_of_any_network() {
    let html = written(&invented::practice(1.0).unwrap());
    for word in [
        "http:",
        "https:",
        "ws:",
        "@import",
        "fetch(",
        "XMLHttpRequest",
        "sendBeacon",
        "import(",
    ] {
        assert!(!html.contains(word), "{word}");
    }
    for attribute in ["src=\"", "href=\"", "url("] {
        for (place, _) in html.match_indices(attribute) {
            let target: String = html[place + attribute.len()..].chars().take(24).collect();
            let inside = target.starts_with('#') || target.starts_with("data:");
            assert!(inside, "{attribute}{target}");
        }
    }
    assert!(html.contains("default-src 'none'"));
}

#[test]
#[expect(
    clippy::disallowed_methods,
    clippy::print_stdout,
    reason = "a time is measured, and told beside its goal"
)]
fn six_shots_of_two_cameras_stay_below_five_megabytes_and_a_second() {
    let practice = invented::practice(1.0).unwrap();
    assert_eq!(
        (practice.shots.len(), practice.shots[0].strips.len()),
        (6, 2)
    );
    let begun = std::time::Instant::now();
    let size = written(&practice).len();
    // What is left to do when the shots are judged and their pictures taken.
    let taken_s = begun.elapsed().as_secs_f64();
    println!("{size} bytes in {taken_s:.3} s (goals: 5 MB, 1 s)");
    assert!(size < 5_000_000, "{size} bytes");
    assert!(taken_s < 1.0, "{taken_s} s");
}

#[test]
fn the_same_practice_gives_the_same_bytes() {
    let practice = small(1.0);
    assert_eq!(written(&practice), written(&practice));
}

#[test]
fn what_cannot_be_drawn_is_refused_by_shot() {
    let words = Words::english().unwrap();
    let mut practice = small(1.0);
    practice.shots[1].card.curves.away_mm.value[5] = f64::NAN;
    let refused = page(&practice, &words).unwrap_err();
    assert!(
        matches!(refused, PageError::Shot { shot: 2, .. }),
        "{refused}"
    );
    let mut practice = small(1.0);
    practice.shots[0].card.curves.in_gap.pop();
    let refused = page(&practice, &words).unwrap_err();
    assert!(
        matches!(refused, PageError::Shot { shot: 1, .. }),
        "{refused}"
    );
}

#[test]
fn a_practice_without_shots_is_a_page() {
    let mut practice = small(1.0);
    practice.shots.clear();
    practice.series.rows.clear();
    let html = written(&practice);
    assert!(html.contains("Cautions"));
}

#[test]
fn every_caution_is_on_the_page() {
    let text = visible_text(&written(&small(1.0)));
    for word in [
        "range officer",
        "without an arrow",
        "down the range",
        "in front of the shooting line",
        "two fixings",
        "nicks",
        "draw weight",
        "medical professional",
        "guardians",
        "no medical finding",
    ] {
        assert!(text.contains(word), "{word}");
    }
}
