//! Fuzzes picks files.
#![no_main]

#[path = "../laws.rs"]
mod laws;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| laws::picks(bytes));
