//! Failure made boring: damaged and hostile footage, runs that are killed, full disks, two runs at once, other threads. The
//! quick tests are samples; the whole, ignored here, is a chore of the bench (`cargo xtask bench --damage`, `--kill`).

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(
    clippy::print_stdout,
    reason = "the chores print what they found beside what is allowed"
)]

mod support;

#[path = "hard/damage.rs"]
mod damage;
#[path = "hard/film.rs"]
mod film;
#[path = "hard/hostile.rs"]
mod hostile;
#[path = "hard/kill.rs"]
mod kill;
#[path = "hard/pictures.rs"]
mod pictures;
#[path = "hard/places.rs"]
mod places;
#[path = "hard/same.rs"]
mod same;
