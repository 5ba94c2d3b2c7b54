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
use super::reading::{TextColumn, integer, open, rows_of, text};
use super::table_writer::{BATCHES_WAITING, TableWriter, write_batches};
use crate::error::IngestError;
use crate::identity::{HashKeyed, RecordKey, hash_texts};
use crate::row::Row;
use crate::rules::{position, schema_of};

/// The version of a record that stays. Rows are numbered in the order in which this ingest writes them, because versions may be equal in every
/// value and stand in one line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Replacement {
    pub file: Arc<str>,
    pub line: u64,
    /// Its first row in its own table.
    pub first_row: u64,
    /// Where its findings begin in the table of findings, if it is a job.
    pub first_finding: u64,
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
    if replaced.is_empty() && replaced_jobs.is_empty() {
        return Ok(old.into_iter().chain(new).collect());
    }
    let mut files: Vec<StoreFile> = old.into_iter().map(|path| StoreFile { path, first_row: None }).collect();
    let mut next_row = 0;
    for path in new {
        let rows = rows_of(&path)?;
        files.push(StoreFile { path, first_row: Some(next_row) });
        next_row += rows;
    }
    let selection = Selection { schema, record_key: RecordKey::new(schema), replaced, replaced_jobs, folder };
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

struct StoreFile {
    path: PathBuf,
    /// The number of its first row, if this ingest has written it.
    first_row: Option<u64>,
}

struct Selection<'a> {
    schema: &'a TableSchema,
    record_key: RecordKey,
    replaced: &'a Replacements,
    replaced_jobs: &'a Replacements,
    folder: &'a Path,
}

impl Selection<'_> {
    /// Gives the files that remain.
    fn move_out(&self, files: &[StoreFile], superseded: &mut TableWriter) -> Result<Vec<PathBuf>, IngestError> {
        let mut kept = Vec::new();
        for file in files {
            let path = &file.path;
            if !self.touches(file)? {
                kept.push(path.clone());
                continue;
            }
            std::fs::create_dir_all(self.folder).map_err(|source| IngestError::io("make the folder", self.folder, source))?;
            let rewritten = self.folder.join(path.file_name().unwrap_or_default());
            let target = rewritten.with_extension("rewriting");
            let rows_left = self.rewrite(file, &target, superseded)?;
            if file.first_row.is_some() {
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

    fn touches(&self, file: &StoreFile) -> Result<bool, IngestError> {
        let columns = key_column_names(self.schema, &self.record_key);
        let mut next_row = file.first_row;
        for batch in open(&file.path, &columns)? {
            let batch = batch.map_err(|error| IngestError::parquet(&file.path, error))?;
            if self.replacements(&batch, &mut next_row).any(|replacement| replacement.is_some()) {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// The version that replaces each row, if one does. `next_row` is the number of the first row in this ingest's order, if it is of this
    /// ingest, and then of the row after the batch.
    fn replacements<'s>(&'s self, batch: &'s RecordBatch, next_row: &mut Option<u64>) -> impl Iterator<Item = Option<&'s Replacement>> {
        let keys = KeyColumns::of(batch, self.schema, &self.record_key);
        let [source, job_id] = ["source", "job_id"].map(|name| TextColumn::of(batch, name));
        let first_row = *next_row;
        *next_row = first_row.map(|first| first + batch.num_rows() as u64);
        (0..batch.num_rows()).map(move |row| {
            let (replacement, from) = if keys.is_from_job(row) {
                let replacement = self.replaced_jobs.get(&hash_texts([source.at(row)?, job_id.at(row)?]))?;
                (replacement, replacement.first_finding)
            } else {
                let replacement = self.replaced.get(&keys.key(row)?)?;
                (replacement, replacement.first_row)
            };
            let stays = first_row.is_some_and(|first| first + row as u64 >= from);
            (!stays).then_some(replacement)
        })
    }

    fn rewrite(&self, file: &StoreFile, target: &Path, superseded: &mut TableWriter) -> Result<usize, IngestError> {
        let path = &file.path;
        let (mut rows_left, mut next_row) = (0, file.first_row);
        let schema = Arc::new(self.schema.arrow_schema());
        // Written on a thread of its own, ahead of which the next rows are read.
        thread::scope(|scope| {
            let (kept, waiting) = std::sync::mpsc::sync_channel(BATCHES_WAITING);
            let writing = scope.spawn(move || write_batches(target, &schema, waiting.into_iter().map(Ok)));
            let mut read = || {
                for batch in open(path, &[])? {
                    let batch = batch.map_err(|error| IngestError::parquet(path, error))?;
                    let left = self.rows_that_stay(path, &batch, &mut next_row, superseded)?;
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
        next_row: &mut Option<u64>,
        superseded: &mut TableWriter,
    ) -> Result<RecordBatch, IngestError> {
        let replacements: Vec<Option<&Replacement>> = self.replacements(batch, next_row).collect();
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
