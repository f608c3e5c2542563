//! Films that are made once: a practice is filmed again only when its scenario changed.

use crate::error::BenchError;
use crate::manifest;
use crate::practices::Practice;
use drawarc_range_sim::render;
use std::io::Write;
use std::path::{Path, PathBuf};

/// The scenario as it was filmed; written last, so a film that was cut short is made anew.
const STAMP: &str = "filmed.yaml";

/// `target/bench`, where the command stands in `target/release`.
pub(crate) fn kept_in(drawarc: &Path) -> PathBuf {
    drawarc
        .ancestors()
        .nth(2)
        .unwrap_or(Path::new("target"))
        .join("bench")
}

/// Films a practice into a folder with the manifest that a coach would write, unless it is there already.
pub(crate) fn film(practice: &Practice, folder: &Path) -> Result<(), BenchError> {
    let scenario = practice.scenario.to_yaml()?;
    let stamp = folder.join(STAMP);
    if std::fs::read_to_string(&stamp).is_ok_and(|text| text == scenario) {
        return manifest::write(practice, folder);
    }
    let _ = std::fs::remove_file(&stamp);
    let mut shown = -1.0;
    render(&practice.scenario, folder, &mut |share| {
        if share >= shown + 0.02 {
            shown = share;
            eprint!("\rfilming {} {:3.0} %", practice.name, 100.0 * share);
            let _ = std::io::stderr().flush();
        }
    })?;
    eprint!("\r{:60}\r", "");
    manifest::write(practice, folder)?;
    std::fs::write(&stamp, scenario).map_err(|source| BenchError::File {
        path: stamp,
        source,
    })
}
