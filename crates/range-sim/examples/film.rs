//! Films a scenario: `film <scenario.yaml | preset> <folder> [seed]`.
#![expect(clippy::print_stderr, reason = "a small program for developers")]

use drawarc_range_sim::{Scenario, render};
use std::path::Path;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [what, folder, rest @ ..] = arguments.as_slice() else {
        return Err("film <scenario.yaml | preset> <folder> [seed]".into());
    };
    let seed = rest.first().map_or(Ok(1), |text| text.parse())?;
    let scenario = if Path::new(what).is_file() {
        Scenario::from_yaml(&std::fs::read_to_string(what)?)?
    } else {
        Scenario::preset(what, seed)?
    };
    let mut tenth = 0.0;
    let rendered = render(&scenario, Path::new(folder), &mut |share| {
        if share >= tenth {
            eprintln!("{:3.0} %", share * 100.0);
            tenth += 0.1;
        }
    })?;
    eprintln!("{rendered:?}");
    Ok(())
}
