//! JSON Lines, with nested lists that are tables of their own.
#![no_main]

use fixodds_fuzz::{check_and_ingest_file, table};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| {
    let Some((&choice, rest)) = input.split_first() else { return };
    check_and_ingest_file(&[&b"{"[..], rest].concat(), table(choice));
});
