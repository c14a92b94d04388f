//! Fuzzes camera raws and finished pictures, up to a developed corner.
#![no_main]

#[path = "../laws.rs"]
mod laws;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| laws::raw(bytes));
