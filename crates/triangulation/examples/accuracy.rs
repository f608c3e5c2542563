//! How far the path is from the truth, over many simulated shots: `accuracy [shots]`.

#![expect(clippy::print_stdout, reason = "it prints a table")]

#[path = "../tests/scene/mod.rs"]
mod scene;

use drawarc_triangulation::{ElbowPath, PathSettings, comparison_path, fit_path, forecast};
use scene::motion::Shot;
use scene::score::{Score, errors, instants, score, squares};
use scene::{Plan, Scene};

fn row(name: &str, count: u64, settings: &PathSettings, plan: &dyn Fn(u64) -> Plan) {
    let mut spent_s = 0.0;
    let mut scores: Vec<Score> = Vec::new();
    let mut failed = 0;
    let mut rounds = 0;
    let mut simple = [0.0, 0.0];
    let mut limit = [0.0, 0.0];
    for seed in 0..count {
        let plan = plan(seed);
        let scene = Scene::new(&plan);
        let input = scene.input(settings.clone());
        #[expect(
            clippy::disallowed_methods,
            reason = "an example that measures its own speed"
        )]
        let start = std::time::Instant::now();
        let fit = fit_path(&input);
        spent_s += start.elapsed().as_secs_f64();
        match fit {
            Ok(fit) => {
                rounds += fit.diagnostics.rounds;
                let instants = comparison_path(&input, &fit);
                let best = forecast(&input, &|_, t| scene.motion.elbow(t));
                for shot in &plan.shots {
                    let per_shot = 1.0 / (count as f64 * plan.shots.len() as f64);
                    if let Ok(instants) = &instants {
                        let (absolute, shape) = errors(&scene, shot, |t| instants.at(t));
                        simple[0] += shape * per_shot;
                        simple[1] += absolute * per_shot;
                    }
                    if let Ok(best) = &best {
                        let (absolute, shape) = expected(&best[0], shot);
                        limit[0] += shape * per_shot;
                        limit[1] += absolute * per_shot;
                    }
                    scores.push(score(&scene, &fit.path, shot, seed));
                }
                if seed == 0 {
                    for line in fit.diagnostics.sentences(&[]) {
                        println!("    {line}");
                    }
                    println!(
                        "    {} shared unknowns, breaks {:?}",
                        fit.diagnostics.refined,
                        fit.path.breaks()
                    );
                }
            }
            Err(error) => {
                failed += 1;
                println!("    seed {seed}: {error}");
            }
        }
    }
    let n = scores.len() as f64;
    let rms_mm = |of: &dyn Fn(&Score) -> f64| (scores.iter().map(of).sum::<f64>() / n).sqrt() * 1e3;
    println!(
        "{name:28} shape: ours {:.3}, per instant {:.3}, limit {:.3} mm; absolute: {:.3}, {:.3}, {:.3} mm",
        rms_mm(&|s| s.shape_m2),
        simple[0].sqrt() * 1e3,
        limit[0].sqrt() * 1e3,
        rms_mm(&|s| s.absolute_m2),
        simple[1].sqrt() * 1e3,
        limit[1].sqrt() * 1e3,
    );
    details(
        name,
        &scores,
        failed,
        rounds as f64 / count as f64,
        spent_s * 1e3 / count as f64,
    );
}

fn details(name: &str, scores: &[Score], failed: u64, rounds: f64, spent_ms: f64) {
    let n = scores.len() as f64;
    let rms_mm = |of: &dyn Fn(&Score) -> f64| (scores.iter().map(of).sum::<f64>() / n).sqrt() * 1e3;
    let found: Vec<f64> = scores
        .iter()
        .map(|s| s.release_s)
        .filter(|t| t.is_finite())
        .collect();
    println!(
        "{name:28} shape {:.3} absolute {:.3} depth {:.3} stall {:.3} mm | within {:.3} one {}/{} | release found {} rms {:.1} ms mean {:+.1} | failed {failed} rounds {:.1} {:.0} ms a fit",
        rms_mm(&|s| s.shape_m2),
        rms_mm(&|s| s.absolute_m2),
        rms_mm(&|s| s.depth_m.powi(2)),
        rms_mm(&|s| s.stall_m.powi(2)),
        scores.iter().map(|s| s.within).sum::<f64>() / n,
        scores.iter().filter(|s| s.one_within).count(),
        scores.len(),
        found.len(),
        (found.iter().map(|t| t * t).sum::<f64>() / found.len().max(1) as f64).sqrt() * 1e3,
        found.iter().sum::<f64>() / found.len().max(1) as f64 * 1e3,
        rounds,
        spent_ms,
    );
}

/// Expected squares of a path's errors, from its own joint draws.
fn expected(path: &ElbowPath, shot: &Shot) -> (f64, f64) {
    let samples = path.sample(&instants(shot, 60.0), 40, 1);
    let mut sum = (0.0, 0.0);
    for draw in &samples.draws {
        let off: Vec<_> = draw.iter().zip(&samples.mean).map(|(a, b)| a - b).collect();
        let (absolute, shape) = squares(&off);
        sum.0 += absolute / 40.0;
        sum.1 += shape / 40.0;
    }
    sum
}

fn main() {
    let count = std::env::args()
        .nth(1)
        .and_then(|a| a.parse().ok())
        .unwrap_or(20);
    let settings = PathSettings::default();
    row("two phones", count, &settings, &Plan::two_phones);
    row("two phones, 2 % wrong", count, &settings, &|seed| Plan {
        wrong: 0.02,
        ..Plan::two_phones(seed)
    });
    row("two phones, lasting 0.2 px", count, &settings, &|seed| {
        Plan {
            lasting_px: 0.2,
            ..Plan::two_phones(seed)
        }
    });
    row("practice of 5 shots", count / 5 + 1, &settings, &|seed| {
        Plan::practice(5, seed)
    });
    row("four genlocked", count, &settings, &Plan::four_genlocked);
    row("10 s, 4 cameras, 240/s", 2, &settings, &|seed| Plan {
        rate_hz: 240.0,
        end_s: 10.0,
        ..Plan::four_genlocked(seed)
    });
}
