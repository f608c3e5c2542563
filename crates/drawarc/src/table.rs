//! Tables on a terminal: columns aligned by what letters take up, colours only where somebody looks and wants them.

use crate::failure::{Failure, Outcome};
use std::fmt::Write as _;
use std::io::IsTerminal;
use unicode_width::UnicodeWidthStr;

/// Widest a name may be in a table (columns of the terminal).
const NAME_COLUMNS: usize = 24;

/// Prints a result for machines.
pub(crate) fn json(value: &serde_json::Value) -> Outcome<()> {
    let text = serde_json::to_string_pretty(value).map_err(Failure::output)?;
    println!("{text}");
    Ok(())
}

/// What a colour says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Tone {
    /// Nothing in particular.
    Plain,
    /// A heading, or what stands back.
    Soft,
    /// In order.
    Good,
    /// A fault.
    Fault,
}

/// Are colours wanted on standard output? Only on a terminal, and not where `NO_COLOR` is set to anything.
pub(crate) fn coloured() -> bool {
    let refused = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
    let dumb = std::env::var_os("TERM").is_some_and(|value| value == "dumb");
    !refused && !dumb && std::io::stdout().is_terminal()
}

/// A cell: its text and what its colour says.
pub(crate) type Cell = (String, Tone);

/// A table of figures under a head: columns that hold figures stand to the right, columns of words to the left.
pub(crate) fn figures(head: &[&str], rows: &[Vec<String>]) -> String {
    let figure = |text: &String| {
        let digits = text.trim_start_matches(['+', '-', '−', '–', '±', '.', '~', '>']);
        text.is_empty() || digits.is_empty() || digits.starts_with(|c: char| c.is_ascii_digit())
    };
    let right: Vec<bool> = (0..head.len())
        .map(|column| column > 0 && rows.iter().filter_map(|row| row.get(column)).all(figure))
        .collect();
    let head = head.iter().map(|cell| ((*cell).to_owned(), Tone::Soft));
    let mut cells: Vec<Vec<Cell>> = vec![head.collect()];
    let body = rows.iter().map(|row| {
        let row = row.iter().map(|cell| (cell.clone(), Tone::Plain));
        row.collect()
    });
    cells.extend(body);
    set(&cells, &right, coloured())
}

/// Rows with their columns aligned; the last column runs free.
pub(crate) fn aligned(rows: &[Vec<Cell>], colours: bool) -> String {
    set(rows, &[], colours)
}

/// Rows with their columns aligned, those marked in `right` to the right; the last column runs free.
fn set(rows: &[Vec<Cell>], right: &[bool], colours: bool) -> String {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let widths: Vec<usize> = (0..columns)
        .map(|column| {
            let cells = rows.iter().filter_map(|row| row.get(column));
            cells.map(|cell| cell.0.width()).max().unwrap_or(0)
        })
        .collect();
    let mut text = String::new();
    for row in rows {
        let mut line = String::new();
        for (column, (cell, tone)) in row.iter().enumerate() {
            let code = match tone {
                Tone::Plain => "",
                Tone::Soft => "2",
                Tone::Good => "32",
                Tone::Fault => "1;31",
            };
            let room = " ".repeat(widths[column] - cell.width());
            let to_the_right = right.get(column).copied().unwrap_or(false);
            if to_the_right {
                line.push_str(&room);
            }
            if colours && !code.is_empty() {
                let _ = write!(line, "\u{1b}[{code}m{cell}\u{1b}[0m");
            } else {
                line.push_str(cell);
            }
            if column + 1 < row.len() {
                if !to_the_right {
                    line.push_str(&room);
                }
                line.push_str("  ");
            }
        }
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

/// A name as a terminal may show it: no control characters (they could move the cursor or colour what follows), no
/// marks that turn the direction of writing, and not longer than a column.
pub(crate) fn name(text: &str) -> String {
    let turns = |letter: char| matches!(letter, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let mut shown = String::new();
    for letter in text.chars() {
        let letter = if letter.is_control() {
            '\u{fffd}'
        } else {
            letter
        };
        if turns(letter) {
            continue;
        }
        shown.push(letter);
        if shown.width() > NAME_COLUMNS {
            shown.pop();
            while shown.width() >= NAME_COLUMNS {
                shown.pop();
            }
            shown.push('…');
            break;
        }
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_stand_under_each_other_whatever_the_letters() {
        let names = ["Bo", "日本の弓", "🏹", "عربي", "Kestrel"];
        let rows: Vec<Vec<Cell>> = names
            .iter()
            .map(|text| vec![(name(text), Tone::Plain), ("|".to_owned(), Tone::Fault)])
            .collect();
        let text = aligned(&rows, false);
        let places: Vec<usize> = text
            .lines()
            .map(|line| line[..line.find('|').unwrap()].width())
            .collect();
        assert!(places.iter().all(|place| *place == places[0]), "{text}");
        assert!(!text.contains('\u{1b}'));
        assert!(aligned(&rows, true).contains("\u{1b}[1;31m|\u{1b}[0m"));
    }

    #[test]
    fn figures_stand_to_the_right_and_words_to_the_left() {
        let row = |cells: [&str; 4]| cells.map(str::to_owned).to_vec();
        let rows = [
            row(["fünf", "1.5", "5:00", "as surveyed"]),
            row(["日本", "-12.5", "overhead", "moved"]),
        ];
        let text = figures(&["camera", "mm", "place", "verdict"], &rows);
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[0], "camera     mm  place     verdict");
        assert_eq!(lines[1], "fünf      1.5  5:00      as surveyed");
        assert_eq!(lines[2], "日本    -12.5  overhead  moved");
    }

    #[test]
    fn a_name_cannot_move_the_cursor_or_flood_the_line() {
        assert_eq!(name("a\u{1b}[2Jb\r\n"), "a\u{fffd}[2Jb\u{fffd}\u{fffd}");
        assert_eq!(name("abc\u{202e}def"), "abcdef");
        let long = name(&"n".repeat(300));
        assert!(
            long.width() <= NAME_COLUMNS && long.ends_with('…'),
            "{long}"
        );
        assert_eq!(name("<script>\"'"), "<script>\"'");
    }
}
