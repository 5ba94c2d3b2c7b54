//! Delimited text in any encoding: what would be read as what and, for small files, the account of what was read.
#![no_main]

use fixodds_fuzz::{check_and_ingest_file, table};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| {
    let Some((&choice, file)) = input.split_first() else { return };
    check_and_ingest_file(file, table(choice));
});
