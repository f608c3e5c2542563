//! All words of study pages and forecast plans come from one file: in a made-up language they hold no letter of English.

#![expect(
    clippy::unwrap_used,
    reason = "a test that cannot go on fails where it stands"
)]

use drawarc_rig::ClockFace;
use drawarc_study::StudyWords;
use drawarc_study::agreement::{STUDY_FORMAT, StudyFile, agree, nominal_shots};
use drawarc_study::forecast::{
    ForecastSettings, Place, PlanView, forecast_sketch, nominal_rig, plan_svg, two_phones,
};

const ENGLISH: &str = include_str!("../words/en.yaml");

/// The words in the made-up language: every Latin letter outside `{places}` becomes a Greek one.
fn foreign() -> StudyWords {
    let mut tree: serde_json::Value = serde_yaml::from_str(ENGLISH).unwrap();
    for text in tree["words"].as_object_mut().unwrap().values_mut() {
        let mut inside = false;
        let letters = text.as_str().unwrap().chars().map(|letter| {
            inside = letter == '{' || inside && letter != '}';
            let place = u32::from(letter.to_ascii_lowercase()).wrapping_sub(u32::from('a')) % 24;
            if letter.is_ascii_alphabetic() && !inside {
                char::from_u32(u32::from('α') + place).unwrap()
            } else {
                letter
            }
        });
        *text = serde_json::Value::String(letters.collect());
    }
    StudyWords::from_yaml(&tree.to_string()).unwrap()
}

/// What stands between the tags of a page without its style, a text each.
fn texts(html: &str) -> Vec<String> {
    let body = html.split("</style>").last().unwrap();
    body.split('<')
        .filter_map(|part| part.split_once('>').map(|(_, text)| text.trim().to_owned()))
        .filter(|text| !text.is_empty())
        .collect()
}

fn english(html: &str) -> Vec<String> {
    let entities = |text: &String| text.replace("&quot;", "").replace("&amp;", "");
    let mut found = texts(html);
    found.retain(|text| entities(text).contains(|letter: char| letter.is_ascii_alphabetic()));
    found
}

#[test]
fn a_study_in_another_language_holds_no_english() {
    let mut sketch = two_phones();
    let mut above = sketch.cameras[0].clone();
    for (camera, hours) in sketch.cameras.iter_mut().zip([3.0, 5.0]) {
        camera.place = Place::Clock(ClockFace::from_hours(hours));
        camera.name = hours.to_string();
    }
    "12".clone_into(&mut above.name);
    above.place = Place::Overhead;
    above.height_m = 4.0;
    sketch.cameras.push(above);
    let mut shots = nominal_shots(&sketch.cameras(), 2, 4, (60.0, 0.1, 3)).unwrap();
    for shot in &mut shots {
        let digits: String = shot.archer.chars().filter(char::is_ascii_digit).collect();
        shot.archer = digits;
        shot.simulated = true;
        shot.views[0].independent = false;
        shot.views[1].is_virtual = true;
    }
    shots[7].practice = "1".to_owned();
    let text = format!(
        "format: {STUDY_FORMAT}\ntitle: '1'\npractices: ['1']\nexclusions: [{{practice: '1', reason: '2'}}]\n\
         estimates: [{{name: '7', plane: aligned, scale: {{known-length: 0.5}}, lens_corrected: true}}]\n"
    );
    let mut study = StudyFile::from_yaml(&text).unwrap();
    let words = foreign();
    study.question = words.say("question", &[]);
    let made = agree(&shots, &study, &words).unwrap();
    let page = made.page(&words);
    // The excluded shot's own name is data.
    let left: Vec<String> = english(&page)
        .into_iter()
        .filter(|text| !text.contains(&shots[7].shot))
        .collect();
    assert!(texts(&page).len() > 300, "{}", texts(&page).len());
    assert_eq!(left, Vec::<String>::new());
}

#[test]
fn a_plan_in_another_language_holds_no_english() {
    let mut sketch = two_phones();
    for (number, camera) in sketch.cameras.iter_mut().enumerate() {
        camera.name = number.to_string();
    }
    let made = forecast_sketch(&sketch, &ForecastSettings::default()).unwrap();
    let rig = nominal_rig(&sketch).unwrap();
    for view in [PlanView::Above, PlanView::Side] {
        let svg = plan_svg(&rig, sketch.archer, &made, view, &foreign());
        assert!(!texts(&svg).is_empty());
        assert_eq!(english(&svg), Vec::<String>::new());
    }
}
