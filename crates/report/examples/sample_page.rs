//! Writes the page of an invented practice, to look at the page itself:
//! `cargo run -p drawarc-report --example sample_page -- page.html [left]`.
//!
//! Nothing here was measured, and the page says so in its head.

#[path = "invented/mod.rs"]
#[allow(dead_code, reason = "each test and example uses its part")]
mod invented;

use std::{env, error::Error, fs};

use drawarc_report::page::{Words, page};

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = env::args().skip(1);
    let out = arguments
        .next()
        .ok_or("name the file to write, such as page.html")?;
    let side = if arguments.next().as_deref() == Some("left") {
        -1.0
    } else {
        1.0
    };
    let html = page(&invented::practice(side)?, &Words::english()?)?;
    fs::write(&out, html)?;
    Ok(())
}
