//! Moves earlier versions of records out of a table and into `superseded`. Files without such records are left as they are.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow::array::{Array, AsArray, BooleanArray, RecordBatch};
use arrow::compute::filter_record_batch;
use arrow::datatypes::{DataType, Date32Type, Float64Type};
use chrono::NaiveDate;
use fixodds_schemas::TableSchema;
use serde_json::Value;

use super::index::{batch_key, key_column_names};
use super::reading::{integer, open, text};
use super::table_writer::{BATCHES_WAITING, TableWriter, write_batches};
use crate::error::IngestError;
use crate::identity::{HashKeyed, RecordKey, hash_texts};
use crate::row::Row;
use crate::rules::{position, schema_of};

/// The version of a record that stays: where it stands in the files of this ingest, and the hash of its content, because a line of nested records
/// holds several.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Replacement {
    pub file: Arc<str>,
    pub line: u64,
    pub content: u64,
}

/// The last version of each record that was replaced.
pub type Replacements = HashKeyed<Replacement>;

/// Rewrites into `folder` those files that hold replaced versions; gives the files of the table after that.
///
/// `old` are files of the current snapshot, `new` files of this ingest, which lie in `folder` already. Findings that stand in the rows
/// of `replaced_jobs` are moved out with them.
///
/// # Errors
/// If a file cannot be read or written.
pub fn move_out_superseded(
    schema: &TableSchema,
    old: Vec<PathBuf>,
    new: Vec<PathBuf>,
    folder: &Path,
    replaced: &Replacements,
    replaced_jobs: &Replacements,
    superseded: &mut TableWriter,
) -> Result<Vec<PathBuf>, IngestError> {
    if replaced.is_empty() && replaced_jobs.is_empty() {
        return Ok(old.into_iter().chain(new).collect());
    }
    let mut kept = Vec::new();
    let selection = Selection { schema, record_key: RecordKey::new(schema), replaced, replaced_jobs };
    let new_files: BTreeSet<PathBuf> = new.iter().cloned().collect();
    for path in old.into_iter().chain(new) {
        let is_new = new_files.contains(&path);
        if !selection.touches(&path, is_new)? {
            kept.push(path);
            continue;
        }
        std::fs::create_dir_all(folder).map_err(|source| IngestError::io("make the folder", folder, source))?;
        let rewritten = folder.join(path.file_name().unwrap_or_default());
        let target = rewritten.with_extension("rewriting");
        let rows_left = selection.rewrite(&path, is_new, &target, superseded)?;
        if is_new {
            std::fs::remove_file(&path).map_err(|source| IngestError::io("replace", &path, source))?;
        }
        if rows_left == 0 {
            std::fs::remove_file(&target).map_err(|source| IngestError::io("remove", &target, source))?;
        } else {
            std::fs::rename(&target, &rewritten).map_err(|source| IngestError::io("write", &rewritten, source))?;
            kept.push(rewritten);
        }
    }
    Ok(kept)
}

struct Selection<'a> {
    schema: &'a TableSchema,
    record_key: RecordKey,
    replaced: &'a Replacements,
    replaced_jobs: &'a Replacements,
}

impl Selection<'_> {
    fn touches(&self, path: &Path, is_new: bool) -> Result<bool, IngestError> {
        let mut columns = key_column_names(self.schema, &self.record_key);
        columns.extend(["source_file", "source_line"]);
        for batch in open(path, &columns)? {
            let batch = batch.map_err(|error| IngestError::parquet(path, error))?;
            if (0..batch.num_rows()).any(|row| self.replacement(&batch, row, is_new).is_some()) {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// The version that replaces a row, if one does.
    fn replacement(&self, batch: &RecordBatch, row: usize, is_new: bool) -> Option<&Replacement> {
        let replacement = if text(batch, "origin", row) == Some("job") {
            let job = hash_texts([text(batch, "source", row)?, text(batch, "job_id", row)?]);
            self.replaced_jobs.get(&job)?
        } else {
            self.replaced.get(&batch_key(self.schema, &self.record_key, batch, row)?)?
        };
        let is_the_last = is_new
            && text(batch, "source_file", row) == Some(&*replacement.file)
            && integer(batch, "source_line", row).map(i64::cast_unsigned) == Some(replacement.line)
            && integer(batch, "content_hash", row).map(i64::cast_unsigned) == Some(replacement.content);
        (!is_the_last).then_some(replacement)
    }

    fn rewrite(&self, path: &Path, is_new: bool, target: &Path, superseded: &mut TableWriter) -> Result<usize, IngestError> {
        let mut rows_left = 0;
        let schema = Arc::new(self.schema.arrow_schema());
        // Written on a thread of its own, ahead of which the next rows are read.
        std::thread::scope(|scope| {
            let (kept, waiting) = std::sync::mpsc::sync_channel(BATCHES_WAITING);
            let writing = scope.spawn(move || write_batches(target, &schema, waiting.into_iter().map(Ok)));
            let mut read = || {
                for batch in open(path, &[])? {
                    let batch = batch.map_err(|error| IngestError::parquet(path, error))?;
                    let left = self.rows_that_stay(path, &batch, is_new, superseded)?;
                    rows_left += left.num_rows();
                    if kept.send(left).is_err() {
                        break;
                    }
                }
                Ok(())
            };
            let result: Result<(), IngestError> = read();
            drop(kept);
            // An error of the writer explains why it takes no more rows.
            writing.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)).and(result)
        })?;
        Ok(rows_left)
    }

    /// The rows of a batch that are not replaced; the others go to `superseded`.
    fn rows_that_stay(
        &self,
        path: &Path,
        batch: &RecordBatch,
        is_new: bool,
        superseded: &mut TableWriter,
    ) -> Result<RecordBatch, IngestError> {
        let replacements: Vec<Option<&Replacement>> = (0..batch.num_rows()).map(|row| self.replacement(batch, row, is_new)).collect();
        for (row, replacement) in replacements.iter().enumerate() {
            if let Some(replacement) = replacement {
                superseded.append(&self.superseded_row(batch, row, replacement))?;
            }
        }
        let stays: BooleanArray = replacements.iter().map(|replacement| Some(replacement.is_none())).collect();
        filter_record_batch(batch, &stays).map_err(|error| IngestError::parquet(path, error))
    }

    fn superseded_row(&self, batch: &RecordBatch, row: usize, replacement: &Replacement) -> Row {
        let schema = schema_of("superseded");
        let at = |name| position(schema, name);
        let mut entry = Row::new(schema);
        let id = ["job_id", "machine_key", "model_key"].into_iter().find_map(|column| text(batch, column, row)).unwrap_or_default();
        let id = integer(batch, "step", row).map_or_else(|| id.to_owned(), |step| format!("{id}/{step}"));
        entry.set_text(at("table"), &self.schema.name);
        entry.set_text(at("source"), text(batch, "source", row).unwrap_or_default());
        entry.set_text(at("record_id"), &id);
        entry.set_text(at("replaced_by_file"), &replacement.file);
        entry.set_integer(at("replaced_by_line"), replacement.line.cast_signed());
        entry.set_text(at("record"), &json_of(batch, row));
        entry.set_text(at("source_file"), text(batch, "source_file", row).unwrap_or_default());
        entry.set_integer(at("source_line"), integer(batch, "source_line", row).unwrap_or_default());
        entry
    }
}

/// A row as a JSON object, without what is missing.
fn json_of(batch: &RecordBatch, row: usize) -> String {
    let schema = batch.schema();
    let mut object = BTreeMap::new();
    for (field, array) in schema.fields().iter().zip(batch.columns()) {
        if array.is_null(row) {
            continue;
        }
        let value = match field.data_type() {
            DataType::Float64 => array.as_primitive_opt::<Float64Type>().map(|array| Value::from(array.value(row))),
            DataType::Boolean => array.as_boolean_opt().map(|array| Value::from(array.value(row))),
            DataType::Date32 => array.as_primitive_opt::<Date32Type>().and_then(|array| iso_date(array.value(row))).map(Value::from),
            DataType::Int32 | DataType::Int64 => integer(batch, field.name(), row).map(Value::from),
            _ => text(batch, field.name(), row).map(Value::from),
        };
        if let Some(value) = value {
            object.insert(field.name().as_str(), value);
        }
    }
    serde_json::to_string(&object).unwrap_or_default()
}

fn iso_date(days_since_1970: i32) -> Option<String> {
    NaiveDate::from_num_days_from_ce_opt(days_since_1970.checked_add(719_163)?).map(|date| date.to_string())
}
