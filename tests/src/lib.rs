//! End-to-end tests of drawarc live in `tests/`; this library is empty.
