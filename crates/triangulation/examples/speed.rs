//! How long a fit takes, and how that grows with the number of sightings: `speed [repeats]`.
//!
//! Four cameras at 240 frames a second film 2.5 to 40 s. The best of several repeats counts: other work on the
//! machine only ever makes a fit slower.

#![expect(clippy::print_stdout, reason = "it prints a table")]

#[path = "../tests/scene/mod.rs"]
mod scene;

use drawarc_triangulation::{PathSettings, fit_path};
use scene::{Plan, Scene};

const LENGTHS_S: [f64; 5] = [2.5, 5.0, 10.0, 20.0, 40.0];

fn main() {
    let repeats = std::env::args()
        .nth(1)
        .and_then(|a| a.parse().ok())
        .unwrap_or(10);
    let mut logs = Vec::new();
    for end_s in LENGTHS_S {
        let scene = Scene::new(&Plan {
            rate_hz: 240.0,
            end_s,
            ..Plan::four_genlocked(0)
        });
        let input = scene.input(PathSettings::default());
        let mut best_s = f64::INFINITY;
        let mut rounds = 0;
        for _ in 0..repeats {
            #[expect(
                clippy::disallowed_methods,
                reason = "an example that measures its own speed"
            )]
            let start = std::time::Instant::now();
            let Ok(fit) = fit_path(&input) else { continue };
            best_s = best_s.min(start.elapsed().as_secs_f64());
            rounds = fit.diagnostics.rounds;
        }
        let sightings: usize = scene.series.iter().map(|s| s.samples.len()).sum();
        println!(
            "{end_s:5.1} s, {sightings:6} sightings: {:6.1} ms ({rounds} rounds)",
            1e3 * best_s
        );
        logs.push(((sightings as f64).ln(), best_s.ln()));
    }
    // Slope of log time over log sightings: 1 is linear.
    let n = logs.len() as f64;
    let (x, y) = logs
        .iter()
        .fold((0.0, 0.0), |(x, y), l| (x + l.0 / n, y + l.1 / n));
    let up: f64 = logs.iter().map(|l| (l.0 - x) * (l.1 - y)).sum();
    let down: f64 = logs.iter().map(|l| (l.0 - x) * (l.0 - x)).sum();
    println!("exponent {:.2}", up / down);
}
