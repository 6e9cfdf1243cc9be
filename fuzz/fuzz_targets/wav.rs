#![no_main]

#[allow(dead_code)]
#[path = "../entry.rs"]
mod entry;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| entry::wav(bytes));
