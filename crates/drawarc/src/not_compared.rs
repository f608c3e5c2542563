//! Why a shot cannot be compared with what single cameras see of it, in the words of the study.

use drawarc_study::StudyWords;
use drawarc_triangulation::PathError;

/// Why a shot takes no part in a study.
#[derive(Debug)]
pub(crate) enum NotCompared {
    /// It has not all phases that the measures need.
    NoPhases,
    /// The elbow was not followed at full draw.
    NotFollowed,
    /// Its sightings give no path.
    NoPath(PathError),
    /// What a stated camera of this name would have seen cannot be said.
    Stated(String),
}

impl NotCompared {
    /// In words for the page. What only a damaged results folder could bring about is one reason there.
    pub(crate) fn told(&self, words: &StudyWords) -> String {
        let two = |key: &str, found: String, needed: String| {
            words.say(key, &[("found", &found), ("needed", &needed)])
        };
        match self {
            Self::NoPhases => words.say("why_no_phases", &[]),
            Self::NotFollowed => words.say("why_not_followed", &[]),
            Self::Stated(camera) => words.say("why_stated", &[("camera", camera)]),
            Self::NoPath(PathError::NoOverlap {
                needed_s,
                longest_s,
            }) => two(
                "why_no_overlap",
                format!("{longest_s:.2}"),
                format!("{needed_s}"),
            ),
            Self::NoPath(PathError::Parallel {
                convergence_deg,
                needed_deg,
            }) => two(
                "why_parallel",
                format!("{convergence_deg:.1}"),
                format!("{needed_deg}"),
            ),
            Self::NoPath(_) => words.say("why_no_path", &[]),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ENGLISH: &str = include_str!("../../study/words/en.yaml");

    fn reasons() -> [NotCompared; 6] {
        [
            NotCompared::NoPhases,
            NotCompared::NotFollowed,
            NotCompared::Stated("7".to_owned()),
            NotCompared::NoPath(PathError::NoOverlap {
                needed_s: 0.1,
                longest_s: 0.05,
            }),
            NotCompared::NoPath(PathError::Parallel {
                convergence_deg: 0.25,
                needed_deg: 2.0,
            }),
            NotCompared::NoPath(PathError::Views { found: 1 }),
        ]
    }

    #[test]
    fn every_reason_is_said_in_the_words_of_the_file() {
        let words = StudyWords::english().unwrap();
        let told = reasons().map(|why| why.told(&words));
        assert!(told[3].contains("0.05 s") && told[3].contains("0.1 s"));
        assert!(
            told[4].contains("0.2") || told[4].contains("0.3"),
            "{}",
            told[4]
        );
        for (index, text) in told.iter().enumerate() {
            assert!(text.contains(' ') && !text.contains(['{', '_']), "{text}");
            assert!(!told[..index].contains(text), "{text}");
        }
    }

    #[test]
    fn in_another_language_no_reason_is_english() {
        // Every text but the places in it becomes one foreign letter.
        let mut tree: serde_json::Value = serde_yaml::from_str(ENGLISH).unwrap();
        for text in tree["words"].as_object_mut().unwrap().values_mut() {
            let places: Vec<String> = text
                .as_str()
                .unwrap()
                .split('{')
                .skip(1)
                .filter_map(|part| part.split_once('}'))
                .map(|(place, _)| format!("{{{place}}}"))
                .collect();
            *text = serde_json::Value::String(format!("ж {}", places.join(" ")));
        }
        let words = StudyWords::from_yaml(&tree.to_string()).unwrap();
        for why in reasons() {
            let told = why.told(&words);
            assert!(told.starts_with('ж'), "{told}");
            let english = told.chars().any(|letter| letter.is_ascii_alphabetic());
            assert!(!english, "{told}");
        }
    }
}
