//! Which records are known already: two 64-bit hashes for each, no text.

use std::path::Path;

use arrow::array::RecordBatch;
use fixodds_schemas::{ColumnKind, TableSchema};

use super::reading::{IntegerColumn, TextColumn, for_each_batch};
use crate::error::IngestError;
use crate::identity::{HashKeyed, RecordKey};
use crate::spilling_map::SpillingMap;
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
    content_by_key: SpillingMap,
}

/// Findings that stand in a job's own row are no records of their own.
const FROM_JOB: &str = "job";

impl RecordIndex {
    /// Reads the key columns of a table's files; `folder` is for those records that do not fit into memory.
    ///
    /// # Errors
    /// If a file cannot be read, or a temporary one not written.
    pub fn read<P: AsRef<Path>>(schema: &TableSchema, files: &[P], folder: &Path) -> Result<Self, IngestError> {
        let mut index = Self { content_by_key: SpillingMap::new(folder) };
        let record_key = RecordKey::new(schema);
        for_each_batch(files, &key_column_names(schema, &record_key), |batch| index.add_batch(schema, &record_key, batch))?;
        Ok(index)
    }

    fn add_batch(&mut self, schema: &TableSchema, record_key: &RecordKey, batch: &RecordBatch) -> Result<(), IngestError> {
        let columns = KeyColumns::of(batch, schema, record_key);
        for row in 0..batch.num_rows() {
            if columns.is_from_job(row) {
                continue;
            }
            let Some(content) = columns.content(row) else { continue };
            if let Some(key) = columns.key(row) {
                self.content_by_key.insert(key, content)?;
            }
            // a finding that was ingested without its step is recognised by its whole content
            if matches!(record_key, RecordKey::Step { .. } | RecordKey::Content) {
                self.content_by_key.insert(content, content)?;
            }
        }
        Ok(())
    }

    /// Looks a record up and remembers it. A version in `outdated` has been superseded before and is no news.
    ///
    /// # Errors
    /// If a temporary file cannot be read or written.
    pub fn see(&mut self, identity: Identity, outdated: &HashKeyed<()>) -> Result<Seen, IngestError> {
        let Identity { key, content } = identity;
        let seen = match self.content_by_key.get(key)? {
            None => Seen::New,
            Some(known) if known == content || outdated.contains_key(&content) => return Ok(Seen::Repeat),
            Some(_) => Seen::Changed,
        };
        self.content_by_key.insert(key, content)?;
        Ok(seen)
    }
}

/// The columns that tell a record and its content.
pub fn key_column_names<'s>(schema: &'s TableSchema, record_key: &RecordKey) -> Vec<&'s str> {
    let is_needed = |at: usize, name: &str| record_key.columns().contains(&at) || matches!(name, "content_hash" | "origin");
    schema.columns.iter().enumerate().filter(|(at, column)| is_needed(*at, &column.name)).map(|(_, column)| column.name.as_str()).collect()
}

/// These columns of a batch.
pub struct KeyColumns<'b> {
    record_key: &'b RecordKey,
    texts: Vec<(usize, TextColumn<'b>)>,
    integers: Vec<(usize, IntegerColumn<'b>)>,
    origin: TextColumn<'b>,
    content: IntegerColumn<'b>,
}

impl<'b> KeyColumns<'b> {
    pub fn of(batch: &'b RecordBatch, schema: &TableSchema, record_key: &'b RecordKey) -> Self {
        let (steps, texts): (Vec<usize>, Vec<usize>) = record_key
            .columns()
            .into_iter()
            .partition(|&at| matches!(schema.columns[at].kind, ColumnKind::Integer32 | ColumnKind::Integer64 | ColumnKind::Date));
        let name = |at: usize| schema.columns[at].name.as_str();
        Self {
            record_key,
            texts: texts.into_iter().map(|at| (at, TextColumn::of(batch, name(at)))).collect(),
            integers: steps.into_iter().map(|at| (at, IntegerColumn::of(batch, name(at)))).collect(),
            origin: TextColumn::of(batch, "origin"),
            content: IntegerColumn::of(batch, "content_hash"),
        }
    }

    /// Whether the row is a finding that stands in a job's own row.
    pub fn is_from_job(&self, row: usize) -> bool {
        self.origin.at(row) == Some(FROM_JOB)
    }

    pub fn key(&self, row: usize) -> Option<u64> {
        self.record_key.hash(
            |at| self.texts.iter().find(|(column, _)| *column == at)?.1.at(row),
            |at| self.integers.iter().find(|(column, _)| *column == at)?.1.at(row),
        )
    }

    pub fn content(&self, row: usize) -> Option<u64> {
        self.content.at(row).map(i64::cast_unsigned)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn repeats_and_changes_are_told_apart_in_memory_and_in_files() {
        let folder = tempfile::tempdir().unwrap();
        for room in [1, 2, 100] {
            let mut index = RecordIndex { content_by_key: SpillingMap::with_room(folder.path(), room) };
            let outdated = HashKeyed::from_iter([(12, ())]);
            let mut see = |key, content| index.see(Identity { key, content }, &outdated).unwrap();
            assert_eq!(see(1, 10), Seen::New);
            assert_eq!(see(1, 10), Seen::Repeat);
            assert_eq!(see(1, 11), Seen::Changed);
            assert_eq!(see(1, 10), Seen::Changed);
            assert_eq!(see(1, 12), Seen::Repeat);
            assert_eq!(see(2, 12), Seen::New);
            assert_eq!(see(1, 10), Seen::Repeat);
        }
    }
}
