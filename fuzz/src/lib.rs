//! What the fuzzing programs share. The command's own readers are no library; their files are compiled in here.
#![allow(dead_code, reason = "the command uses the rest")]

#[path = "../../crates/drawarc/src/failure.rs"]
mod failure;
#[path = "../../crates/drawarc/src/ground.rs"]
mod ground;
#[path = "../parsers.rs"]
pub mod parsers;
#[path = "../../crates/drawarc/src/pipeline.rs"]
mod pipeline;
#[path = "../../crates/drawarc/src/practice.rs"]
mod practice;
