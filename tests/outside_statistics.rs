//! Agreement statistics of `drawarc-study` against reference libraries.
//!
//! Sources: `pingouin` and `scipy` of `PyPI`; R's `psych` and `epiR` where they are there. The comparison itself, with its
//! tolerances, is `crates/study/tests/outside_statistics.py`.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(clippy::print_stdout, reason = "the measured figures are printed")]

#[path = "outside/example.rs"]
mod example;
#[path = "outside/python.rs"]
mod python;

#[test]
fn agreement_statistics_as_reference_libraries() {
    let Some(interpreter) = python::interpreter() else {
        return;
    };
    let script = "crates/study/tests/outside_statistics.py";
    let said = python::ask(&interpreter, script, &[example::example("statistics")], "");
    print!("{said}");
    assert!(said.contains("\n0 figures disagree"));
}
