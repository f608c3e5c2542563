//! Intervals under errors of sightings that last, two phones: `lasting [shots]`.

#![expect(clippy::print_stdout, reason = "it prints a table")]

#[path = "../tests/scene/mod.rs"]
mod scene;

use scene::Plan;
use scene::intervals::{NAMES, exact, tally};

fn main() {
    let shots = std::env::args()
        .nth(1)
        .and_then(|a| a.parse().ok())
        .unwrap_or(200);
    for (lasting_px, lasting_s) in [(0.0, 0.15), (0.2, 0.15), (0.2, 0.5), (0.2, 2.0)] {
        println!("{lasting_px} px that last {lasting_s} s");
        let tallies = tally(shots, |seed| Plan {
            lasting_px,
            lasting_s,
            sigma_px: if lasting_px > 0.0 { 0.05 } else { 0.1 },
            ..Plan::two_phones(seed)
        });
        for (name, tally) in NAMES.iter().zip(tallies) {
            let (low, high) = exact(tally.within, tally.shots);
            println!(
                "    {name:22} {} of {} within ({:.1} to {:.1} %), stated {:.2} times the error",
                tally.within,
                tally.shots,
                100.0 * low,
                100.0 * high,
                tally.width(),
            );
        }
    }
}
