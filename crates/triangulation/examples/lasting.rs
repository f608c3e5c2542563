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
    for (lasting_px, lasting_s, measured) in [
        (0.0, 0.15, true),
        (0.0, 0.15, false),
        (0.2, 0.15, false),
        (0.2, 0.5, false),
        (0.2, 2.0, false),
    ] {
        if measured {
            println!("errors as they were measured on film");
        } else {
            println!("{lasting_px} px that last {lasting_s} s");
        }
        let tallies = tally(shots, |seed| Plan {
            lasting_px,
            lasting_s,
            measured,
            sigma_px: match (measured, lasting_px > 0.0) {
                (true, _) => 0.04,
                (false, true) => 0.05,
                (false, false) => 0.1,
            },
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
