//! Packed text. The first byte says whether it is packed as one piece, packed as two, or itself taken for the packed form.
#![no_main]

use fixodds_fuzz::{check_file, containers, table};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| {
    let Some((&choice, content)) = input.split_first() else { return };
    let packed = match choice >> 6 {
        0 => containers::gzip(content),
        1 => {
            let (one, other) = content.split_at(content.len() / 2);
            [containers::gzip(one), containers::gzip(other)].concat()
        }
        _ => [&b"\x1f\x8b\x08"[..], content].concat(),
    };
    check_file(&packed, table(choice));
});
