//! Moves earlier versions of records out of a table and into `superseded`. Files without such records are left as they are.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread;

use arrow::array::{Array, AsArray, BooleanArray, RecordBatch};
use arrow::compute::filter_record_batch;
use arrow::datatypes::{DataType, Date32Type, Float64Type};
use chrono::NaiveDate;
use fixodds_schemas::TableSchema;
use serde_json::Value;

use super::index::{KeyColumns, key_column_names};
use super::reading::{IntegerColumn, TextColumn, integer, open, text};
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

/// Where superseded versions go: files are looked through in two halves at the same time, and each half has a writer of its own.
pub type SupersededWriters = [TableWriter; 2];

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
    superseded: &mut SupersededWriters,
) -> Result<Vec<PathBuf>, IngestError> {
    let files = old.into_iter().map(|path| (path, false)).chain(new.into_iter().map(|path| (path, true)));
    if replaced.is_empty() && replaced_jobs.is_empty() {
        return Ok(files.map(|(path, _)| path).collect());
    }
    let selection = Selection { schema, record_key: RecordKey::new(schema), replaced, replaced_jobs, folder };
    let files: Vec<(PathBuf, bool)> = files.collect();
    let (first_half, second_half) = files.split_at(files.len().div_ceil(2));
    let [first_writer, second_writer] = superseded;
    let mut kept = thread::scope(|scope| {
        let second = scope.spawn(|| selection.move_out(second_half, second_writer));
        let first = selection.move_out(first_half, first_writer);
        let second = second.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        Ok::<_, IngestError>([first?, second?])
    })?;
    Ok(kept.iter_mut().flat_map(std::mem::take).collect())
}

struct Selection<'a> {
    schema: &'a TableSchema,
    record_key: RecordKey,
    replaced: &'a Replacements,
    replaced_jobs: &'a Replacements,
    folder: &'a Path,
}

impl Selection<'_> {
    /// Gives the files that remain; each comes with whether it is of this ingest.
    fn move_out(&self, files: &[(PathBuf, bool)], superseded: &mut TableWriter) -> Result<Vec<PathBuf>, IngestError> {
        let mut kept = Vec::new();
        for (path, is_new) in files {
            if !self.touches(path, *is_new)? {
                kept.push(path.clone());
                continue;
            }
            std::fs::create_dir_all(self.folder).map_err(|source| IngestError::io("make the folder", self.folder, source))?;
            let rewritten = self.folder.join(path.file_name().unwrap_or_default());
            let target = rewritten.with_extension("rewriting");
            let rows_left = self.rewrite(path, *is_new, &target, superseded)?;
            if *is_new {
                std::fs::remove_file(path).map_err(|source| IngestError::io("replace", path, source))?;
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

    fn touches(&self, path: &Path, is_new: bool) -> Result<bool, IngestError> {
        let mut columns = key_column_names(self.schema, &self.record_key);
        columns.extend(["source_file", "source_line"]);
        for batch in open(path, &columns)? {
            let batch = batch.map_err(|error| IngestError::parquet(path, error))?;
            if self.replacements(&batch, is_new).any(|replacement| replacement.is_some()) {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// The version that replaces each row, if one does.
    fn replacements<'s>(&'s self, batch: &'s RecordBatch, is_new: bool) -> impl Iterator<Item = Option<&'s Replacement>> {
        let keys = KeyColumns::of(batch, self.schema, &self.record_key);
        let [source, job_id, source_file] = ["source", "job_id", "source_file"].map(|name| TextColumn::of(batch, name));
        let source_line = IntegerColumn::of(batch, "source_line");
        (0..batch.num_rows()).map(move |row| {
            let replacement = if keys.is_from_job(row) {
                self.replaced_jobs.get(&hash_texts([source.at(row)?, job_id.at(row)?]))?
            } else {
                self.replaced.get(&keys.key(row)?)?
            };
            let is_the_last = is_new
                && source_file.at(row) == Some(&*replacement.file)
                && source_line.at(row).map(i64::cast_unsigned) == Some(replacement.line)
                && keys.content(row) == Some(replacement.content);
            (!is_the_last).then_some(replacement)
        })
    }

    fn rewrite(&self, path: &Path, is_new: bool, target: &Path, superseded: &mut TableWriter) -> Result<usize, IngestError> {
        let mut rows_left = 0;
        let schema = Arc::new(self.schema.arrow_schema());
        // Written on a thread of its own, ahead of which the next rows are read.
        thread::scope(|scope| {
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
        let replacements: Vec<Option<&Replacement>> = self.replacements(batch, is_new).collect();
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
