//! Letters on a canvas: ready-made pictures of Noto Sans Mono, Latin with its accents. No font has to be installed.

use crate::clips::canvas::{Canvas, Ink};
use crate::clips::ink::Mask;
use noto_sans_mono_bitmap::{FontWeight, RasterHeight, get_raster, get_raster_width};

/// How high a line of letters is.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Letters {
    height: RasterHeight,
    weight: FontWeight,
}

impl Letters {
    /// The largest letters with at least so many of them in a line.
    pub(crate) fn fitting(width_px: usize, count: usize) -> Self {
        let height = [
            RasterHeight::Size32,
            RasterHeight::Size24,
            RasterHeight::Size20,
        ]
        .into_iter()
        .find(|height| get_raster_width(FontWeight::Bold, *height) * count <= width_px)
        .unwrap_or(RasterHeight::Size16);
        Self {
            height,
            weight: FontWeight::Bold,
        }
    }

    /// The same letters, thinner.
    pub(crate) fn regular(self) -> Self {
        Self {
            weight: FontWeight::Regular,
            ..self
        }
    }

    /// Height of a line (px).
    pub(crate) fn line_px(self) -> usize {
        self.height.val()
    }

    /// Width of a text (px).
    pub(crate) fn width_px(self, text: &str) -> usize {
        text.chars().count() * get_raster_width(self.weight, self.height)
    }

    /// A text in lines of at most so many pixels, broken between words. A word that is longer is broken within.
    pub(crate) fn lines(self, text: &str, width_px: usize) -> Vec<String> {
        let most = (width_px / get_raster_width(self.weight, self.height)).max(1);
        let mut lines: Vec<String> = Vec::new();
        for word in with_units(text) {
            let letters: Vec<char> = word.chars().collect();
            for piece in letters.chunks(most) {
                let fits = lines
                    .last()
                    .is_some_and(|line| line.chars().count() + 1 + piece.len() <= most);
                match lines.last_mut() {
                    Some(line) if fits => line.push(' '),
                    _ => lines.push(String::new()),
                }
                if let Some(line) = lines.last_mut() {
                    line.extend(piece);
                }
            }
        }
        lines
    }

    /// Writes a line with its upper left corner at a place.
    pub(crate) fn write(
        self,
        canvas: &mut Canvas,
        mask: &mut Mask,
        text: &str,
        (left, top): (usize, usize),
        ink: Ink,
    ) {
        mask.clear();
        let step = get_raster_width(self.weight, self.height);
        for (place, letter) in text.chars().enumerate() {
            let raster = get_raster(plain(letter), self.weight, self.height)
                .or_else(|| get_raster('?', self.weight, self.height));
            let Some(raster) = raster else { continue };
            for (y, row) in raster.raster().iter().enumerate() {
                for (x, covered) in row.iter().enumerate() {
                    mask.dot(left + place * step + x, top + y, *covered);
                }
            }
        }
        canvas.lay(mask, ink);
    }
}

/// Words; a number and what follows it, such as its unit, count as one.
fn with_units(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let is_number = |word: &String| {
            word.chars()
                .all(|letter| letter.is_ascii_digit() || ".,-−".contains(letter))
        };
        match words.last_mut() {
            Some(last) if is_number(last) => {
                last.push(' ');
                last.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
    }
    words
}

/// A letter that the pictures have for one that they do not.
fn plain(letter: char) -> char {
    match letter {
        '\u{2212}' | '\u{2013}' | '\u{2014}' => '-',
        '\u{2018}' | '\u{2019}' => '\'',
        '\u{201c}' | '\u{201d}' => '"',
        '\u{2009}' | '\u{202f}' => '\u{a0}',
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clips::canvas::{DARK, LIGHT};

    #[test]
    fn letters_differ_and_strange_ones_do_no_harm() {
        let written = |text: &str| {
            let mut canvas = Canvas::new(200, 40, DARK);
            let mut mask = Mask::new(200, 40);
            Letters::fitting(200, 10).write(&mut canvas, &mut mask, text, (2, 2), LIGHT);
            canvas.view().to_picture()
        };
        assert_ne!(written("draw"), written("anchor"));
        assert_ne!(written("é"), written("e"));
        assert_eq!(written("−1.06 s"), written("-1.06 s"));
        // What the letters do not hold becomes a question mark, not a hole and not a panic.
        assert_eq!(written("🏹"), written("?"));
        assert_eq!(written(&"x".repeat(300)), written(&"x".repeat(301)));
    }

    #[test]
    fn lines_break_between_words() {
        let letters = Letters::fitting(200, 10);
        let width = letters.width_px("0123456789");
        assert_eq!(
            letters.lines("Your elbow kept moving", width),
            ["Your elbow", "kept", "moving"]
        );
        assert_eq!(
            letters.lines("gave way 17 mm", width),
            ["gave way", "17 mm"]
        );
        assert_eq!(letters.lines("abcdefghijklm", width), ["abcdefghij", "klm"]);
    }
}
