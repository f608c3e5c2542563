//! Chores of the house, run as `cargo xtask <chore>`. Needs nothing but Rust's toolchain: no crate that
//! links `OpenCV` or `FFmpeg` may ever be a dependency here, since this is what brings them.
#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "an edge: talks to a person"
)]

mod packages;
mod python;
mod run;
mod tidy;

use std::ffi::OsStr;
use std::process::ExitCode;

const HELP: &str = "\
cargo xtask setup   bring the system packages that the build needs
cargo xtask demo    setup, build in release mode, film a simulated practice, measure it, write the page
cargo xtask test    setup, packages with outside data and reference libraries, then all tests
cargo xtask tidy    crate arrows, file sizes, machine paths, dependencies that nobody uses
cargo xtask bench   accuracy and speed beside their goals (long; arguments go to the bench);
                    --rates: how often faults are found, in simulated sightings (long);
                    --forecast: the forecast beside the films that the bench has measured;
                    --survey: films of the board alone, each rig beside the true one; coverage of 95 % intervals
                    over 200 surveys under the corner errors of those films; the adjustment's speed beside Ceres
                    --growth: time and memory over 1, 5 and 20 minutes of film, and over 2, 3 and 4 cameras;
                    --damage: 520 damaged films through the command; --kill: 50 runs killed and run again;
                    --mutate: everything that is parsed, changed in every way for a minute each (DRAWARC_MINUTES)
";

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let chore = arguments.next().unwrap_or_default();
    let rest: Vec<String> = arguments.collect();
    let done = match chore.as_str() {
        "setup" => packages::bring(packages::BUILD),
        "demo" => demo(&rest),
        "test" => test(&rest),
        "tidy" => tidy::check(),
        "bench" => bench(&rest),
        "" | "help" | "--help" | "-h" => {
            print!("{HELP}");
            Ok(())
        }
        other => Err(format!("no chore is called {other:?}\n\n{HELP}")),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            eprintln!("xtask: {message}");
            ExitCode::FAILURE
        }
    }
}

fn demo(rest: &[String]) -> Result<(), String> {
    packages::bring(packages::BUILD)?;
    run::cargo(&["build", "--release", "--package", "drawarc"], &[])?;
    let program = run::target_directory()?.join("release").join("drawarc");
    run::program(&program, "demo", rest)
}

fn test(rest: &[String]) -> Result<(), String> {
    packages::bring(packages::BUILD)?;
    packages::bring(packages::TEST)?;
    let interpreter = python::bring()?;
    let environment = [("DRAWARC_PYTHON", interpreter.as_os_str())];
    if rest.is_empty() {
        run::cargo(&["test", "--workspace", "--no-fail-fast"], &environment)
    } else {
        let mut words = vec!["test"];
        words.extend(rest.iter().map(String::as_str));
        run::cargo(&words, &environment)
    }
}

fn bench(rest: &[String]) -> Result<(), String> {
    packages::bring(packages::BUILD)?;
    packages::bring(packages::TEST)?;
    let interpreter = python::bring()?;
    let environment = [("DRAWARC_PYTHON", interpreter.as_os_str())];
    // The bench measures with the command that stands beside it.
    let packages = ["--package", "drawarc", "--package", "drawarc-bench"];
    run::cargo(&[&["build", "--release"], &packages[..]].concat(), &[])?;
    // Too long for every day's tests, these are ignored there.
    let heavy_named = |package: &str, test: &str, name: &str, environment: &[(&str, &OsStr)]| {
        let target = if test == "lib" {
            vec!["--lib"]
        } else {
            vec!["--test", test]
        };
        let mut words = vec!["test", "--release", "--package", package];
        words.extend(target);
        words.extend(["--", "--ignored", "--nocapture", name]);
        run::cargo(&words, environment)
    };
    let heavy = |package: &str, test: &str, environment: &[(&str, &OsStr)]| {
        heavy_named(package, test, "", environment)
    };
    match rest.first().map(String::as_str) {
        Some("--rates") => {
            heavy("drawarc-report", "rates_filmed", &environment)?;
            heavy("drawarc-report", "rates_other_faults", &environment)?;
            return heavy("drawarc-report", "release_filmed", &environment);
        }
        Some("--forecast") => {
            let films = run::target_directory()?.join("bench");
            let environment = [environment[0], ("DRAWARC_FILMS", films.as_os_str())];
            return heavy("drawarc", "forecast_against_film", &environment);
        }
        Some("--damage") => return heavy_named("drawarc", "hard", "damage", &environment),
        Some("--mutate") => return heavy("drawarc", "fuzz_corpus", &environment),
        Some("--kill") => return heavy_named("drawarc", "hard", "kill", &environment),
        Some("--survey") => {
            python::bring_race(&interpreter);
            let mut words = vec!["run", "--release", "--package", "drawarc-bench", "--"];
            words.extend(rest.iter().map(String::as_str));
            run::cargo(&words, &environment)?;
            // The intervals are judged under the corner errors of the films that were just made.
            let errors = run::target_directory()?.join("bench/corner-errors.csv");
            let environment = [
                environment[0],
                ("DRAWARC_CORNER_ERRORS", errors.as_os_str()),
            ];
            heavy("drawarc-calibration", "survey_coverage", &environment)?;
            return heavy("drawarc-calibration", "lib", &environment);
        }
        _ => {}
    }
    let mut words = vec!["run", "--release", "--package", "drawarc-bench", "--"];
    words.extend(rest.iter().map(String::as_str));
    run::cargo(&words, &environment)
}
