//! A Parquet file of arbitrary pages with an arbitrary footer.
#![no_main]

use fixodds_fuzz::{check_file, containers, library_panics};
use libfuzzer_sys::fuzz_target;

fuzz_target!(init: library_panics::let_readers_catch(), |input: &[u8]| {
    let file = containers::parquet(input);
    library_panics::must_be_caught(|| check_file(&file, None));
});
