//! Names of people and cameras are data: what of them may stand in the name of a file.

/// Longest part of a file's name that comes from data (bytes).
const LONGEST: usize = 40;

/// A word for each name that is safe in a file's name on every system, and different for each: letters and digits of
/// ASCII stay, all else becomes a hyphen. A name that leaves nothing, or the same as another, gets its number.
pub(crate) fn file_words<'a>(names: impl Iterator<Item = &'a str>) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    for (index, name) in names.enumerate() {
        let mut word = String::new();
        for letter in name.chars() {
            if letter.is_ascii_alphanumeric() && word.len() < LONGEST {
                word.push(letter.to_ascii_lowercase());
            } else if !word.is_empty() && !word.ends_with('-') && word.len() < LONGEST {
                word.push('-');
            }
        }
        let word = word.trim_end_matches('-').to_owned();
        words.push(if word.is_empty() {
            format!("camera-{}", index + 1)
        } else if words.contains(&word) {
            format!("{word}-{}", index + 1)
        } else {
            word
        });
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whatever_a_camera_is_called_its_file_has_a_plain_name_of_its_own() {
        let long = "n".repeat(300);
        let names = [
            "five",
            "<script>alert(1)</script>",
            "../../etc/passwd",
            "عربي",
            "🏹",
            "\"quoted\" 'name'",
            &long,
            "Five",
            "CON\u{0}",
        ];
        let words = file_words(names.into_iter());
        assert_eq!(
            words[..6],
            [
                "five",
                "script-alert-1-script",
                "etc-passwd",
                "camera-4",
                "camera-5",
                "quoted-name"
            ]
        );
        for (index, word) in words.iter().enumerate() {
            assert!(!word.is_empty() && word.len() <= LONGEST + 4, "{word}");
            assert!(
                word.chars()
                    .all(|letter| letter.is_ascii_alphanumeric() || letter == '-')
            );
            assert!(!words[..index].contains(word), "{word} twice");
        }
    }
}
