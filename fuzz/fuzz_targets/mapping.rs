//! Mapping files.
#![no_main]

use fixodds_ingest::{IngestError, Mapping};
use fixodds_schemas::vocabulary;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    match Mapping::parse(text, "mapping.toml", vocabulary()) {
        Ok(mapping) => {
            assert!(mapping.currency.is_none_or(|code| code.len() == 3 && code.bytes().all(|byte| byte.is_ascii_uppercase())));
        }
        Err(IngestError::Mapping { line, message, .. }) => {
            let lines = text.bytes().filter(|&byte| byte == b'\n').count() + 1;
            assert!((1..=lines).contains(&line), "line {line} of {lines}");
            assert!(!message.is_empty());
        }
        Err(other) => panic!("not a mistake in a mapping file: {other}"),
    }
});
