//! From files to a store and back.
//!
//! - `accounting`: every row is accounted for, whatever the files hold
//! - `broken`: files that are no tables, or hardly
//! - `formats`: the same jobs in every format
//! - `free_text`: sentences against labels
//! - `identity`: repeats, newer versions, keyed hashes
//! - `open_repair`: the open standard's published data
//! - `review`: texts that a person is asked about
//! - `personal_data`: how much of it is masked
//! - `reading`: what is understood of columns, dates, words and amounts
//! - `snapshots`: all or nothing, locks, leftovers
//! - `values`: money, ages, brands

mod accounting;
mod broken;
mod formats;
mod free_text;
mod identity;
mod open_repair;
mod personal_data;
mod reading;
mod review;
mod snapshots;
mod support;
mod values;
