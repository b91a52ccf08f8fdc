#![no_main]
#[path = "../entries.rs"]
mod entries;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| entries::any_profile(bytes));
