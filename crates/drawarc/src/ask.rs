//! Questions to a coach with a tape measure, and the rig sketch that the answers make.

use crate::failure::{Failure, Outcome};
use drawarc_rig::ImageSize;
use drawarc_study::forecast::{
    Hand, MarkerKind, NominalArcher, Place, RigSketch, SKETCH_FORMAT, SketchCamera, SketchLens,
    SketchSurvey, Surroundings, Sync,
};
use std::io::{BufRead, Write};

/// Most cameras that are asked about one by one.
const MOST_CAMERAS: f64 = 16.0;
/// Where the cameras of a rig are offered to stand for a right-handed archer, in this order: behind on the chest's side, at
/// the side with the tripod's legs behind the line, straight behind, behind on the back's side.
const OFFERED_RIGHT: [&str; 4] = ["5:00", "3:20", "6:00", "7:30"];
/// The same for a left-handed one, mirrored.
const OFFERED_LEFT: [&str; 4] = ["7:00", "8:40", "6:00", "4:30"];

/// A talk: answers come in, questions go out.
struct Talk<'a> {
    answers: &'a mut dyn BufRead,
    questions: &'a mut dyn Write,
}

impl Talk<'_> {
    /// Asks until the answer is one; an empty answer is the offered one.
    fn ask<T>(
        &mut self,
        question: &str,
        offered: &str,
        read: impl Fn(&str) -> Result<T, String>,
    ) -> Outcome<T> {
        loop {
            write!(self.questions, "{question} [{offered}]: ")
                .and_then(|()| self.questions.flush())
                .map_err(Failure::output)?;
            let mut line = String::new();
            let read_bytes = self
                .answers
                .read_line(&mut line)
                .map_err(|source| Failure::input(format!("answer to {question:?}: {source}")))?;
            if read_bytes == 0 {
                return Err(Failure::input(format!(
                    "the answers end at the question {question:?}"
                ))
                .help("answer every question; an empty line takes what stands in brackets"));
            }
            let answer = line.trim();
            match read(if answer.is_empty() { offered } else { answer }) {
                Ok(value) => return Ok(value),
                Err(why) => writeln!(self.questions, "  {why}").map_err(Failure::output)?,
            }
        }
    }

    /// A number between two others.
    fn number(&mut self, question: &str, offered: &str, range: (f64, f64)) -> Outcome<f64> {
        self.ask(question, offered, |answer| {
            let (low, high) = range;
            let value: f64 = answer
                .replace(',', ".")
                .parse()
                .map_err(|_not| format!("{answer:?} is no number"))?;
            if value >= low && value <= high {
                Ok(value)
            } else {
                Err(format!("it lies between {low} and {high}"))
            }
        })
    }

    /// One of a few words, or the beginning of one.
    fn word<T: Copy>(&mut self, question: &str, words: &[(&str, T)]) -> Outcome<T> {
        let names: Vec<&str> = words.iter().map(|(name, _)| *name).collect();
        let question = format!("{question} ({})", names.join(", "));
        self.ask(&question, names[0], |answer| {
            let answer = answer.to_lowercase();
            let exact = words.iter().find(|(name, _)| *name == answer);
            let begun: Vec<&(&str, T)> = words
                .iter()
                .filter(|(name, _)| name.starts_with(&answer))
                .collect();
            match (exact, begun.as_slice()) {
                (Some((_, value)), _) | (None, [(_, value)]) => Ok(*value),
                _ => Err(format!("one of: {}", names.join(", "))),
            }
        })
    }
}

/// Asks for a rig and gives its sketch.
///
/// # Errors
/// Where the answers end too early, cannot be read, or make no rig.
pub(crate) fn ask(answers: &mut dyn BufRead, questions: &mut dyn Write) -> Outcome<RigSketch> {
    let mut talk = Talk { answers, questions };
    let height_m = talk.number("Height of the archer (cm)", "172", (80.0, 240.0))? / 100.0;
    let hand = talk.word(
        "Which hand draws",
        &[("right", Hand::Right), ("left", Hand::Left)],
    )?;
    let kind = talk.word(
        "Marker on the elbow",
        &[("ball", 'a'), ("band", 'b'), ("dot", 'c')],
    )?;
    let size_m = talk.number("Its diameter or width (mm)", "28", (1.0, 300.0))? / 1000.0;
    let marker = match kind {
        'b' => MarkerKind::Band { width_m: size_m },
        'c' => MarkerKind::Dot { diameter_m: size_m },
        _ => MarkerKind::Ball { diameter_m: size_m },
    };
    let neighbours = talk.word(
        "Do others shoot beside the archer",
        &[("no", false), ("yes", true)],
    )?;
    let pitch_m = talk.number("One square of the checkerboard (mm)", "38", (5.0, 200.0))? / 1000.0;
    let count = talk.number("How many cameras", "2", (2.0, MOST_CAMERAS))?;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "between 2 and 16"
    )]
    let count = count.round() as usize;
    let mut cameras: Vec<SketchCamera> = Vec::new();
    for index in 0..count {
        let next = camera(&mut talk, index, &cameras, hand)?;
        cameras.push(next);
    }
    let sketch = RigSketch {
        format: SKETCH_FORMAT.to_owned(),
        name: "by tape measure".to_owned(),
        archer: NominalArcher { height_m, hand },
        marker,
        surroundings: Surroundings {
            neighbours,
            ..Surroundings::default()
        },
        survey: SketchSurvey {
            pitch_m,
            ..SketchSurvey::default()
        },
        cameras,
    };
    sketch.validate().map_err(Failure::input)?;
    Ok(sketch)
}

fn camera(
    talk: &mut Talk<'_>,
    index: usize,
    before: &[SketchCamera],
    hand: Hand,
) -> Outcome<SketchCamera> {
    let offered = match hand {
        Hand::Right => OFFERED_RIGHT,
        Hand::Left => OFFERED_LEFT,
    };
    let number = index + 1;
    writeln!(talk.questions, "Camera {number}").map_err(Failure::output)?;
    let name = talk.ask("  Name", &format!("camera-{number}"), |answer| {
        if before.iter().any(|camera| camera.name == answer) {
            Err(format!("{answer:?} is taken"))
        } else {
            Ok(answer.to_owned())
        }
    })?;
    let place = talk.ask(
        "  Place by the clock, 12:00 toward the target, or overhead",
        offered[index % offered.len()],
        |answer| Place::try_from(answer.to_owned()),
    )?;
    let overhead = place == Place::Overhead;
    let distance_m = if overhead {
        0.0
    } else {
        talk.number("  From the middle of the stance (m)", "3.5", (0.5, 50.0))?
    };
    let offered = if overhead {
        "3.5"
    } else if index == 0 {
        "1.9"
    } else {
        "1.2"
    };
    let height_m = talk.number("  Height of the lens (m)", offered, (0.1, 15.0))?;
    let size = talk.word(
        "  Picture",
        &[
            ("1080p", (1920, 1080)),
            ("720p", (1280, 720)),
            ("4k", (3840, 2160)),
        ],
    )?;
    let rotation_deg = talk.word("  Held", &[("upright", 90), ("across", 0)])?;
    let angle_deg = talk.number(
        "  What it sees along the longer side (degrees; a phone's main lens has 65 to 70)",
        "65",
        (5.0, 120.0),
    )?;
    let rate_hz = talk.number("  Frames a second", "60", (10.0, 1000.0))?;
    let least = rate_hz.ceil();
    let exposure = talk.number("  Exposure: 1 through so many seconds", "500", (least, 1e5))?;
    let readout_s = talk.word("  Shutter", &[("rolling", 0.016), ("global", 0.0)])?;
    let sync = talk.word(
        "  Its clock is known from",
        &[
            ("sound", Sync::Sound),
            ("lag-measured", Sync::SoundAndLag),
            ("trigger", Sync::Genlock),
            ("motion", Sync::Motion),
        ],
    )?;
    let (width_px, height_px) = size;
    Ok(SketchCamera {
        name,
        place,
        distance_m,
        height_m,
        aim_height_m: None,
        lens: SketchLens::FieldOfViewDeg(angle_deg),
        image_size: ImageSize {
            width_px,
            height_px,
        },
        rotation_deg,
        rate_hz,
        readout_s,
        readout_sd_s: 1e-3,
        exposure_s: 1.0 / exposure,
        sync,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn talk(answers: &str) -> (Outcome<RigSketch>, String) {
        let mut asked = Vec::new();
        let made = ask(&mut answers.as_bytes(), &mut asked);
        (made, String::from_utf8(asked).unwrap())
    }

    #[test]
    fn empty_answers_make_the_usual_two_phones() {
        let (sketch, _) = talk(&"\n".repeat(40));
        let sketch = sketch.unwrap();
        assert_eq!(sketch.cameras.len(), 2);
        assert_eq!(sketch.cameras[1].name, "camera-2");
        assert!(sketch.validate().is_ok());
    }

    #[test]
    fn a_wrong_answer_is_asked_again() {
        let answers = format!("tall\nNaN\n9\n168\nleft\n{}", "\n".repeat(40));
        let (sketch, asked) = talk(&answers);
        let archer = sketch.unwrap().archer;
        assert!((archer.height_m - 1.68).abs() < 1e-12 && archer.hand == Hand::Left);
        assert_eq!(asked.matches("Height of the archer").count(), 4, "{asked}");
        assert!(asked.contains("is no number") && asked.contains("between 80 and 240"));
    }

    #[test]
    fn the_end_of_the_answers_is_an_error() {
        let (sketch, _) = talk("172\nright\n");
        let words = sketch.unwrap_err().to_string();
        assert!(words.contains("Marker on the elbow"), "{words}");
    }
}
