#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| drawarc_fuzz::parsers::c3d(bytes));
