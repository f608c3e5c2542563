//! A study on nominal archers: 4 archers × 12 shots, a camera at every hour behind the line and one overhead. Writes tables and
//! figures into a folder. `cargo run -p drawarc-study --example agreement -- FOLDER`

use drawarc_rig::ClockFace;
use drawarc_study::StudyWords;
use drawarc_study::agreement::{STUDY_FORMAT, StudyFile, StudyMeasure, agree, nominal_shots};
use drawarc_study::forecast::{Place, two_phones};
use std::path::PathBuf;

#[expect(clippy::print_stdout, reason = "an example prints")]
fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = PathBuf::from(std::env::args().nth(1).unwrap_or_else(|| ".".to_owned()));
    let mut sketch = two_phones();
    let pattern = sketch.cameras[0].clone();
    sketch.cameras = (0..12)
        .map(|hour| {
            let mut camera = pattern.clone();
            camera.name = format!("c{hour:02}");
            camera.place = Place::Clock(ClockFace::from_hours(f64::from(hour)));
            camera.height_m = 1.5;
            camera
        })
        .collect();
    let mut above = pattern;
    "overhead".clone_into(&mut above.name);
    above.place = Place::Overhead;
    above.height_m = 4.0;
    sketch.cameras.push(above);
    let shots = nominal_shots(&sketch.cameras(), 4, 12, (60.0, 0.1, 3))?;
    let text = format!("format: {STUDY_FORMAT}\ntitle: Nominal archers\npractices: [nominal]\n");
    let words = StudyWords::english()?;
    let study = agree(&shots, &StudyFile::from_yaml(&text)?, &words)?;
    std::fs::write(folder.join("agreement.html"), study.page(&words))?;
    std::fs::write(folder.join("study.json"), study.to_json()?)?;
    std::fs::write(folder.join("pairs.csv"), study.pairs_csv())?;
    std::fs::write(folder.join("cells.csv"), study.cells_csv())?;
    std::fs::write(folder.join("faults.csv"), study.faults_csv())?;
    for estimate in ["rod", "as-seen"] {
        std::fs::write(
            folder.join(format!("dial-{estimate}.svg")),
            study.dial(estimate, &words),
        )?;
    }
    if let Some(plot) = study.difference_plot("c05", "as-seen", StudyMeasure::Reversal, &words) {
        std::fs::write(folder.join("difference.svg"), plot)?;
    }
    for fault in study
        .faults
        .iter()
        .filter(|fault| fault.estimate == "as-seen")
    {
        println!(
            "{:>8} found {}/{} invented {}/{}",
            fault.camera, fault.found.hits, fault.found.n, fault.invented.hits, fault.invented.n
        );
    }
    Ok(())
}
