//! Forecast of a rig sketch: prints the forecast as JSON and writes plan pictures.
//!
//! `cargo run -p drawarc-study --example forecast -- [SKETCH.yaml] [FOLDER]`; without a sketch, two phones.

use drawarc_study::StudyWords;
use drawarc_study::forecast::{
    ForecastSettings, ImproveSettings, PlanView, RigSketch, forecast_sketch, improve, nominal_rig,
    plan_svg, two_phones,
};
use std::path::PathBuf;

#[expect(clippy::print_stdout, reason = "an example prints")]
fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let sketch = match arguments.next() {
        Some(path) if path != "-" => RigSketch::from_yaml(&std::fs::read_to_string(path)?)?,
        _ => two_phones(),
    };
    let settings = ForecastSettings::default();
    let forecast = forecast_sketch(&sketch, &settings)?;
    println!("absolute {:?}", forecast.absolute);
    println!("shape    {:?}", forecast.shape);
    println!("faults   {:?}", forecast.faults);
    for phase in &forecast.phases {
        println!("{phase:?}");
    }
    for camera in &forecast.cameras {
        println!("{camera:?}");
    }
    for danger in &forecast.dangers {
        println!("! {}", danger.words());
    }
    if let Some(folder) = arguments.next().map(PathBuf::from) {
        let rig = nominal_rig(&sketch)?;
        for (view, name) in [(PlanView::Above, "above.svg"), (PlanView::Side, "side.svg")] {
            let svg = plan_svg(
                &rig,
                sketch.archer,
                &forecast,
                view,
                &StudyWords::english()?,
            );
            std::fs::write(folder.join(name), svg)?;
        }
        let advice = improve(&sketch, &settings, &ImproveSettings::default())?;
        for step in &advice.moves {
            println!(
                "move {} {} ({:.2} -> {:.2})",
                step.camera, step.words, step.merit_before, step.merit_after
            );
        }
        println!("after {:?} {:?}", advice.after.shape, advice.after.faults);
        for purchase in &advice.purchases {
            println!("buy: {purchase}");
        }
    }
    Ok(())
}
