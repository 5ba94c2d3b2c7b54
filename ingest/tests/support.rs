//! A store in a temporary folder, and its tables as text.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use arrow::util::display::array_value_to_string;
use chrono::NaiveDate;
use fixodds_ingest::{IdentityKey, IngestError, IngestOptions, IngestReport, Mapping, TableAccount, ingest};
use fixodds_schemas::{StoreLayout, vocabulary};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

/// A row of a store table without its empty values.
pub type TextRow = BTreeMap<String, String>;

pub struct Workshop {
    pub folder: tempfile::TempDir,
    pub options: IngestOptions,
}

impl Workshop {
    pub fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let today = NaiveDate::from_ymd_opt(2026, 7, 1).unwrap();
        let mut options = IngestOptions::new(folder.path().join("store"), today);
        options.identity_key = Some(IdentityKey::fixed([7; 32]));
        Self { folder, options }
    }

    pub fn with_mapping(mut self, text: &str) -> Self {
        self.options.mapping = Mapping::parse(text, "mapping.toml", vocabulary()).unwrap();
        self
    }

    pub fn file(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let path = self.folder.path().join(name);
        fs::write(&path, content).unwrap();
        path
    }

    /// Writes a file and ingests it.
    pub fn ingest_text(&self, name: &str, content: impl AsRef<[u8]>) -> IngestReport {
        self.ingest(&[self.file(name, content)])
    }

    pub fn ingest(&self, files: &[PathBuf]) -> IngestReport {
        self.try_ingest(files).unwrap_or_else(|error| panic!("{error}"))
    }

    pub fn try_ingest(&self, files: &[PathBuf]) -> Result<IngestReport, IngestError> {
        ingest(files, &self.options, &mut |_| {})
    }

    pub fn layout(&self) -> StoreLayout {
        StoreLayout::new(&self.options.store)
    }

    pub fn rows(&self, table: &str) -> Vec<TextRow> {
        self.layout().table_files(table).unwrap().iter().flat_map(|path| rows_of(path)).collect()
    }

    /// One column of a table, `-` where it is empty.
    pub fn column(&self, table: &str, column: &str) -> Vec<String> {
        self.rows(table).into_iter().map(|row| row.get(column).cloned().unwrap_or_else(|| "-".to_owned())).collect()
    }
}

pub fn rows_of(path: &Path) -> Vec<TextRow> {
    let reader = ParquetRecordBatchReaderBuilder::try_new(fs::File::open(path).unwrap()).unwrap().build().unwrap();
    let mut rows = Vec::new();
    for batch in reader {
        let batch = batch.unwrap();
        let schema = batch.schema();
        for row in 0..batch.num_rows() {
            let cells = schema
                .fields()
                .iter()
                .zip(batch.columns())
                .filter(|(_, array)| array.is_valid(row))
                .map(|(field, array)| (field.name().clone(), array_value_to_string(array, row).unwrap()));
            rows.push(cells.collect());
        }
    }
    rows
}

/// An account in the order rows in, accepted, repeats, superseded, quarantined.
pub fn counts(account: &TableAccount) -> [u64; 5] {
    assert!(account.balances(), "{account:?}");
    [account.rows_in, account.accepted, account.repeats, account.superseded, account.quarantined]
}
