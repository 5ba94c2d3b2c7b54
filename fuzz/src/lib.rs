//! What the targets share: a file in a temporary folder, and what must hold of every report about it.

pub mod containers;
pub mod library_panics;

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::path::PathBuf;

use chrono::NaiveDate;
use fixodds_ingest::{CheckReport, IdentityKey, IngestError, IngestOptions, IngestReport, Mapping, TableAccount, check, ingest};
use fixodds_schemas::{Vocabulary, vocabulary};
use tempfile::TempDir;

pub const LATEST_YEAR: i32 = 2027;
const MOST_INGESTED_BYTES: usize = 600;

thread_local! {
    static OPTIONS: RefCell<IngestOptions> = RefCell::new(options());
}

fn options() -> IngestOptions {
    let today = NaiveDate::from_ymd_opt(LATEST_YEAR - 1, 7, 1).expect("a day of the calendar");
    let mut options = IngestOptions::new("unused", today);
    options.identity_key = Some(IdentityKey::fixed([7; 32]));
    let words = include_str!("../parts/vocabulary.toml");
    options.vocabulary = Vocabulary::default().with_extension(words, "vocabulary.toml").unwrap_or_else(|error| panic!("{error}"));
    options
}

/// The table that a user says a file holds; none for most choices. One that is given is much faster to recognise.
#[must_use]
pub fn table(choice: u8) -> Option<&'static str> {
    ["jobs", "findings", "parts", "machines", "models"].get(usize::from(choice % 8)).copied()
}

fn in_folder<T>(bytes: &[u8], table: Option<&str>, work: impl FnOnce(&TempDir, &[PathBuf], &mut IngestOptions) -> T) -> T {
    let folder = tempfile::tempdir().expect("the temporary folder can be written");
    let path = folder.path().join("fuzzed");
    std::fs::write(&path, bytes).expect("the temporary folder can be written");
    let argument = table.map_or(path.clone(), |table| format!("{table}={}", path.display()).into());
    OPTIONS.with_borrow_mut(|options| work(&folder, &[argument], options))
}

/// Looks into a file of these bytes; what it says must make sense.
pub fn check_file(bytes: &[u8], table: Option<&str>) {
    in_folder(bytes, table, |_, files, options| assert_sound_check(&check(files, options)));
}

/// Looks into a file of these bytes and, if that can be done, reads it into a new store, and once more into the same. Long files are
/// only looked into, because each ingest writes a store.
pub fn check_and_ingest_file(bytes: &[u8], table: Option<&str>) {
    if bytes.len() > MOST_INGESTED_BYTES {
        return check_file(bytes, table);
    }
    in_folder(bytes, table, |folder, files, options| {
        let checked = check(files, options);
        assert_sound_check(&checked);
        let Ok(checked) = checked else { return };
        options.store = folder.path().join("store");
        let first = ingested(files, options);
        let looked_at: u64 = checked.files.iter().flat_map(|file| &file.tables).map(|table| table.rows_looked_at).sum();
        assert_eq!(rows_in(&first), looked_at, "check and ingest see different rows");
        let second = ingested(files, options);
        for (first, second) in first.tables.iter().zip(&second.tables) {
            assert_eq!((second.accepted, second.superseded), (0, 0), "the same file again brings news: {first:?}, {second:?}");
            assert_eq!((second.rows_in, second.quarantined), (first.rows_in, first.quarantined), "{first:?}, {second:?}");
        }
        assert_eq!(first.tables.len(), second.tables.len());
    });
}

fn rows_in(report: &IngestReport) -> u64 {
    report.tables.iter().map(|account| account.rows_in).sum()
}

fn ingested(files: &[PathBuf], options: &IngestOptions) -> IngestReport {
    let report = ingest(files, options, &mut |_| {}).unwrap_or_else(|error| panic!("what can be checked can be read: {error}"));
    let is_balanced =
        |account: &TableAccount| account.rows_in == account.accepted + account.repeats + account.superseded + account.quarantined;
    for account in &report.tables {
        assert!(is_balanced(account), "rows are lost: {account:?}");
        assert!(is_balanced(&report.total(&account.table)), "rows are lost in the sum of {}", account.table);
    }
    report.doubts.iter().for_each(|doubt| assert!(!doubt.advice().is_empty()));
    report
}

fn assert_sound_check(result: &Result<CheckReport, IngestError>) {
    let report = match result {
        Ok(report) => report,
        Err(error) => return assert!(!error.to_string().is_empty()),
    };
    assert_eq!(report.files.len(), 1);
    for table in report.files.iter().flat_map(|file| &file.tables) {
        assert!(table.header_line > 0);
        let mut fields = BTreeSet::new();
        for column in &table.columns {
            assert!(column.field.as_ref().is_none_or(|field| fields.insert(field)), "two columns for one field: {table:?}");
            assert!(column.readable_share.is_none_or(|share| (0.0..=1.0).contains(&share)), "{column:?}");
        }
        assert!(table.fields_without_column.iter().all(|field| !fields.contains(field)), "{table:?}");
        table.doubts.iter().for_each(|doubt| assert!(!doubt.advice().is_empty()));
    }
    let mapping = report.mapping_toml();
    if let Err(error) = Mapping::parse(&mapping, "mapping.toml", vocabulary()) {
        panic!("the mapping to start from cannot be read: {error}\n{mapping}");
    }
}
