//! Fuzzes touch-ups, sidecars, chart profiles, manifests and the one layout.
#![no_main]

#[path = "../laws.rs"]
mod laws;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| laws::texts(bytes));
