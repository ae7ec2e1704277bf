//! Hands the texts that the fuzzer makes to the target; see `tests/fuzz.sh`.

#![no_main]

mod target;

libfuzzer_sys::fuzz_target!(|text: &str| target::take(text));
