//! JSON and CSV for programs.
