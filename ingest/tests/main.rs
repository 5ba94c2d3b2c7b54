//! From files to a store and back.
//!
//! - `accounting`: every row is accounted for, whatever the files hold
//! - `broken`: files that are no tables, or hardly
//! - `identity`: repeats, newer versions, keyed hashes
//! - `reading`: what is understood of columns, dates, words and amounts
//! - `snapshots`: all or nothing, locks, leftovers

mod accounting;
mod broken;
mod identity;
mod reading;
mod snapshots;
mod support;
