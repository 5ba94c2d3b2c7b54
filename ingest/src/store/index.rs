//! Which records are known already: two 64-bit hashes for each, no text.

use std::path::Path;

use arrow::array::RecordBatch;
use fixodds_schemas::TableSchema;

use super::reading::{for_each_batch, integer, text};
use crate::error::IngestError;
use crate::identity::{HashKeyed, RecordKey};
use crate::table_reader::Identity;

/// What is known of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seen {
    New,
    /// Equal in every value.
    Repeat,
    /// Known with other values.
    Changed,
}

/// The records of one table.
pub struct RecordIndex {
    content_by_key: HashKeyed<u64>,
}

/// Findings that stand in a job's own row are no records of their own.
const FROM_JOB: &str = "job";

impl RecordIndex {
    /// Reads the key columns of a table's files.
    ///
    /// # Errors
    /// If a file cannot be read.
    pub fn read<P: AsRef<Path>>(schema: &TableSchema, files: &[P]) -> Result<Self, IngestError> {
        let mut index = Self { content_by_key: HashKeyed::default() };
        let record_key = RecordKey::new(schema);
        for_each_batch(files, &key_column_names(schema, &record_key), |batch| index.add_batch(schema, &record_key, batch))?;
        Ok(index)
    }

    fn add_batch(&mut self, schema: &TableSchema, record_key: &RecordKey, batch: &RecordBatch) {
        for row in 0..batch.num_rows() {
            if text(batch, "origin", row) == Some(FROM_JOB) {
                continue;
            }
            let Some(content) = integer(batch, "content_hash", row).map(i64::cast_unsigned) else { continue };
            if let Some(key) = batch_key(schema, record_key, batch, row) {
                self.content_by_key.insert(key, content);
            }
            // a finding that was ingested without its step is recognised by its whole content
            if !matches!(record_key, RecordKey::Texts(_)) {
                self.content_by_key.insert(content, content);
            }
        }
    }

    /// Looks a record up and remembers it. A version in `outdated` has been superseded before and is no news.
    pub fn see(&mut self, identity: Identity, outdated: &HashKeyed<()>) -> Seen {
        let Identity { key, content } = identity;
        match self.content_by_key.get(&key) {
            None => {
                self.content_by_key.insert(key, content);
                Seen::New
            }
            Some(&known) if known == content || outdated.contains_key(&content) => Seen::Repeat,
            Some(_) => {
                self.content_by_key.insert(key, content);
                Seen::Changed
            }
        }
    }
}

/// The columns that tell a record and its content.
pub fn key_column_names<'s>(schema: &'s TableSchema, record_key: &RecordKey) -> Vec<&'s str> {
    let is_needed = |at: usize, name: &str| record_key.columns().contains(&at) || matches!(name, "content_hash" | "origin");
    schema.columns.iter().enumerate().filter(|(at, column)| is_needed(*at, &column.name)).map(|(_, column)| column.name.as_str()).collect()
}

/// The key of a row of a batch.
pub fn batch_key(schema: &TableSchema, record_key: &RecordKey, batch: &RecordBatch, row: usize) -> Option<u64> {
    let name = |at: usize| schema.columns[at].name.as_str();
    record_key.hash(|at| text(batch, name(at), row), |at| integer(batch, name(at), row))
}

#[cfg(test)]
mod tests {
    use super::*;
    use fixodds_schemas::store_table;

    #[test]
    fn repeats_and_changes_are_told_apart() {
        let none: [&Path; 0] = [];
        let mut index = RecordIndex::read(store_table("jobs").unwrap(), &none).unwrap();
        let outdated = HashKeyed::from_iter([(12, ())]);
        let mut see = |key, content| index.see(Identity { key, content }, &outdated);
        assert_eq!(see(1, 10), Seen::New);
        assert_eq!(see(1, 10), Seen::Repeat);
        assert_eq!(see(1, 11), Seen::Changed);
        assert_eq!(see(1, 10), Seen::Changed);
        assert_eq!(see(1, 12), Seen::Repeat);
        assert_eq!(see(2, 12), Seen::New);
    }
}
