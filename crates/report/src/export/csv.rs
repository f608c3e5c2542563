//! Tables as CSV (RFC 4180): comma, CRLF, quotes where needed, decimal point, empty for "not measurable".

use std::fmt::Write as _;

use super::table::{Table, Values};

/// A table as CSV.
///
/// A text that a spreadsheet would take for a formula (it begins with `=`, `+`, `-`, `@` or a tab) gets an
/// apostrophe in front: names of people are data, not programs.
pub fn csv(table: &Table) -> String {
    let mut out = String::new();
    let names = table.columns.iter().map(|column| quoted(&column.name));
    out.push_str(&names.collect::<Vec<_>>().join(","));
    out.push_str("\r\n");
    for row in 0..table.rows() {
        for (index, column) in table.columns.iter().enumerate() {
            if index > 0 {
                out.push(',');
            }
            match &column.values {
                Values::Text(values) => out.push_str(&quoted(&disarmed(&values[row]))),
                Values::Number(values) => {
                    if let Some(value) = values[row] {
                        let _ = write!(out, "{value}");
                    }
                }
                Values::Count(values) => {
                    if let Some(value) = values[row] {
                        let _ = write!(out, "{value}");
                    }
                }
                Values::Flag(values) => out.push_str(if values[row] { "true" } else { "false" }),
            }
        }
        out.push_str("\r\n");
    }
    out
}

fn disarmed(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        format!("'{text}")
    } else {
        text.to_owned()
    }
}

fn quoted(text: &str) -> String {
    if text.contains(['"', ',', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_are_quoted_and_disarmed() {
        let mut table = Table::default();
        let names = ["=1+1", "a \"b\", c", "مرحبا 🏹", "two\nlines"];
        table.text("name", names.into_iter().map(str::to_owned));
        table.number(
            "x_mm",
            [Some(1.5), None, Some(f64::NAN), Some(-0.25)].into_iter(),
        );
        assert_eq!(
            csv(&table),
            "name,x_mm\r\n'=1+1,1.5\r\n\"a \"\"b\"\", c\",\r\nمرحبا 🏹,\r\n\"two\nlines\",-0.25\r\n"
        );
    }
}
