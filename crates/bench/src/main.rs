//! Accuracy beside the goal and speed beside the decoder, on rendered video with known truth.
//!
//! Every practice of [`mod@practices`] is filmed once into `target/bench/<name>/` (again only when its scenario changed), then
//! measured by the `drawarc` command that stands beside this program, as a coach would run it: from a manifest and video
//! files. Only then is the truth opened and the two are compared. One table is printed; `target/bench/bench.json` holds
//! the same figures.
#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "an edge: talks to a person"
)]

mod board_films;
mod command;
mod comparison;
mod corner_error;
mod error;
mod expectation;
mod filming;
mod growth;
mod limit;
mod manifest;
mod practices;
mod survey_bench;
mod survey_error;
mod table;
mod variety;

use clap::Parser;
use error::BenchError;
use practices::{Practice, practices};
use std::path::PathBuf;
use std::process::ExitCode;

/// Accuracy and speed of drawarc beside their goals, on rendered video.
#[derive(Debug, Parser)]
#[command(after_help = "Example: cargo xtask bench --only club-hevc8")]
#[expect(clippy::struct_excessive_bools, reason = "switches of a command line")]
struct Arguments {
    /// Only the practice of this name, or those whose names begin so; may be given several times.
    #[arg(long)]
    only: Vec<String>,
    /// List the practices and stop.
    #[arg(long)]
    list: bool,
    /// Film only, measure nothing.
    #[arg(long)]
    film_only: bool,
    /// Compare the results that stand there, without filming or measuring anew.
    #[arg(long)]
    compare_only: bool,
    /// The survey: films of the board alone, each rig beside the true one.
    #[arg(long)]
    survey: bool,
    /// What a practice costs as it grows: minutes of film, cameras; time and memory.
    #[arg(long)]
    growth: bool,
    /// Threads for filming and measuring; all cores where not given.
    #[arg(long)]
    threads: Option<usize>,
    /// Where the films are kept.
    #[arg(long)]
    into: Option<PathBuf>,
}

fn main() -> ExitCode {
    match bench(&Arguments::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("bench: {failure}");
            ExitCode::FAILURE
        }
    }
}

fn bench(plan: &Arguments) -> Result<(), BenchError> {
    if let Some(threads) = plan.threads {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads.max(1))
            .build_global()
            .map_err(|error| BenchError::Words(error.to_string()))?;
    }
    let drawarc = command::beside_this_program()?;
    let folder = match &plan.into {
        Some(folder) => folder.clone(),
        None => filming::kept_in(&drawarc),
    };
    if plan.survey {
        return survey_bench::survey_bench(plan, &folder, &drawarc);
    }
    if plan.growth {
        return growth::growth_bench(plan, &folder, &drawarc);
    }
    let all = practices();
    let exact = |name: &str| all.iter().any(|practice| practice.name == name);
    let wanted = |practice: &Practice| {
        plan.only.is_empty()
            || plan.only.iter().any(|name| {
                practice.name == name || (!exact(name) && practice.name.starts_with(name.as_str()))
            })
    };
    let chosen: Vec<Practice> = all.iter().filter(|p| wanted(p)).cloned().collect();
    if plan.list {
        for practice in &chosen {
            println!("{:<24} {}", practice.name, practice.about);
        }
        return Ok(());
    }
    if chosen.is_empty() {
        return Err(BenchError::NoPractice(plan.only.join(", ")));
    }
    let mut results = Vec::new();
    for practice in &chosen {
        let place = folder.join(practice.name);
        if !plan.compare_only {
            filming::film(practice, &place)?;
        }
        if plan.film_only {
            continue;
        }
        let measured = command::measure(practice, &place, &drawarc, plan)?;
        let result = comparison::compare(practice, &place, measured)?;
        println!("{}", table::line(&result));
        results.push(result);
    }
    if plan.film_only {
        return Ok(());
    }
    let table = table::Table::of(&results)?;
    println!("\n{table}");
    let path = folder.join("bench.json");
    table.write(&results, &path)?;
    println!("wrote {}", path.display());
    let path = folder.join("sighting-errors.csv");
    table::write_sighting_errors(&results, &path)?;
    println!("wrote {}", path.display());
    Ok(())
}
