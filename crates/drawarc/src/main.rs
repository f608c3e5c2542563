//! `drawarc`: from the videos of two or more cameras and a printed checkerboard to the 3-D path of an archer's
//! draw elbow, with error bars.
//!
//! Raw arguments → validated plan → calls. Only this crate prints and sets exit codes.
#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "the command talks to a person; the libraries do not"
)]

mod agree;
mod alias;
mod args;
mod ask;
mod backgrounds;
mod bands;
mod board;
mod board_clocks;
mod board_scan;
mod check;
mod check_told;
mod clips;
mod contradiction;
mod coverage_picture;
mod cut;
mod demo;
mod failure;
mod first_look;
mod followed;
mod forecast;
mod forget;
mod genlock;
mod given;
mod ground;
mod health;
mod hearing;
mod kept_pictures;
mod lags;
mod manifest;
mod mend;
mod moved_clocks;
mod not_compared;
mod page_of;
mod pipeline;
mod practice;
mod progress;
mod recordings;
mod result_folder;
mod run;
mod sheets;
mod shot_fits;
mod slow_sound;
mod sounds;
mod spans;
mod steps;
mod stick;
mod stood;
mod store;
mod strips;
mod survey;
mod table;
mod verdicts;
mod whole_path;

use args::{Arguments, Verb};
use clap::Parser;
use failure::Outcome;
use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match obey(&arguments) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            let exit = failure.exit.code();
            eprintln!("{:?}", miette::Report::new(failure));
            ExitCode::from(exit)
        }
    }
}

fn obey(arguments: &Arguments) -> Outcome<()> {
    match &arguments.verb {
        Verb::Manifest(plan) => manifest::write(plan, arguments.json),
        Verb::Clips(plan) => clips::obey(plan, arguments.json),
        Verb::Forget(plan) => forget::archer(plan, arguments.json),
        Verb::Board(plan) => board::draw(plan, arguments.json),
        Verb::Survey(plan) => survey::obey(plan, arguments.json),
        Verb::Check(plan) => check::obey(plan, arguments.json),
        Verb::Run(plan) => run::obey(plan, arguments.json),
        Verb::Forecast(plan) => forecast::obey(plan, arguments.json),
        Verb::Agree(plan) => agree::obey(plan, arguments.json),
        Verb::Demo(plan) => demo::obey(plan, arguments.json),
    }
}
