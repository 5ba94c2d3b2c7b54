//! Reads single columns of a table's Parquet files.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::path::Path;

use arrow::array::{Array, ArrayRef, AsArray, RecordBatch, StringArray};
use arrow::datatypes::{Date32Type, Int32Type, Int64Type};
use fixodds_schemas::store_table;
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::{ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder};

use crate::context::JobCategories;
use crate::error::IngestError;
use crate::identity::{HashKeyed, hash_texts};

const ROWS_PER_BATCH: usize = 8 * 1024;

/// The batches of a file with only the named columns, in the order in which the file has them; all columns if none is named.
pub fn open(path: &Path, columns: &[&str]) -> Result<ParquetRecordBatchReader, IngestError> {
    let builder = opened(path)?;
    let projection =
        if columns.is_empty() { ProjectionMask::all() } else { ProjectionMask::columns(builder.parquet_schema(), columns.iter().copied()) };
    builder.with_projection(projection).with_batch_size(ROWS_PER_BATCH).build().map_err(|error| IngestError::parquet(path, error))
}

/// How many rows a file holds.
pub fn rows_of(path: &Path) -> Result<u64, IngestError> {
    Ok(opened(path)?.metadata().file_metadata().num_rows().unsigned_abs())
}

fn opened(path: &Path) -> Result<ParquetRecordBatchReaderBuilder<File>, IngestError> {
    let file = File::open(path).map_err(|source| IngestError::io("read", path, source))?;
    ParquetRecordBatchReaderBuilder::try_new(file).map_err(|error| IngestError::parquet(path, error))
}

/// Calls `visit` for each batch of the named columns.
pub fn for_each_batch<P: AsRef<Path>>(
    files: &[P],
    columns: &[&str],
    mut visit: impl FnMut(&RecordBatch) -> Result<(), IngestError>,
) -> Result<(), IngestError> {
    for path in files {
        for batch in open(path.as_ref(), columns)? {
            visit(&batch.map_err(|error| IngestError::parquet(path.as_ref(), error))?)?;
        }
    }
    Ok(())
}

/// A column of texts; nothing if the batch has none of this name.
#[derive(Clone, Copy)]
pub struct TextColumn<'b>(Option<&'b StringArray>);

impl<'b> TextColumn<'b> {
    pub fn of(batch: &'b RecordBatch, name: &str) -> Self {
        Self(batch.column_by_name(name).and_then(|column| column.as_string_opt::<i32>()))
    }

    pub fn at(self, row: usize) -> Option<&'b str> {
        self.0.filter(|texts| texts.is_valid(row)).map(|texts| texts.value(row))
    }
}

/// A column of whole numbers or of days (counted from 1970-01-01); nothing if the batch has none of this name.
#[derive(Clone, Copy)]
pub struct IntegerColumn<'b>(Option<&'b ArrayRef>);

impl<'b> IntegerColumn<'b> {
    pub fn of(batch: &'b RecordBatch, name: &str) -> Self {
        Self(batch.column_by_name(name))
    }

    pub fn at(self, row: usize) -> Option<i64> {
        let numbers = self.0.filter(|numbers| numbers.is_valid(row))?;
        let narrow = || numbers.as_primitive_opt::<Int32Type>().map(|numbers| i64::from(numbers.value(row)));
        let day = || numbers.as_primitive_opt::<Date32Type>().map(|days| i64::from(days.value(row)));
        numbers.as_primitive_opt::<Int64Type>().map(|numbers| numbers.value(row)).or_else(narrow).or_else(day)
    }
}

/// The text in a row of a named column.
pub fn text<'b>(batch: &'b RecordBatch, column: &str, row: usize) -> Option<&'b str> {
    TextColumn::of(batch, column).at(row)
}

/// The whole number in a row of a named column.
pub fn integer(batch: &RecordBatch, column: &str, row: usize) -> Option<i64> {
    IntegerColumn::of(batch, column).at(row)
}

/// Brand and model of every model in the store, in order.
pub fn read_catalogue<P: AsRef<Path>>(files: &[P]) -> Result<Vec<(String, String)>, IngestError> {
    let mut models = Vec::new();
    for_each_batch(files, &["brand", "model"], |batch| {
        let rows =
            (0..batch.num_rows()).filter_map(|row| Some((text(batch, "brand", row)?.to_owned(), text(batch, "model", row)?.to_owned())));
        models.extend(rows);
        Ok(())
    })?;
    Ok(models)
}

/// How often each brand stands in the jobs of the store.
pub fn read_brands<P: AsRef<Path>>(jobs: &[P]) -> Result<BTreeMap<String, u64>, IngestError> {
    let mut counts: BTreeMap<String, u64> = BTreeMap::new();
    for_each_batch(jobs, &["brand"], |batch| {
        let brands = TextColumn::of(batch, "brand");
        for brand in (0..batch.num_rows()).filter_map(|row| brands.at(row)) {
            match counts.get_mut(brand) {
                Some(count) => *count += 1,
                None => {
                    counts.insert(brand.to_owned(), 1);
                }
            }
        }
        Ok(())
    })?;
    Ok(counts)
}

/// The category of every job in the store; `folder` is for those that do not fit into memory.
pub fn read_job_categories<P: AsRef<Path>>(files: &[P], folder: &Path) -> Result<JobCategories, IngestError> {
    let mut categories = JobCategories::new(folder);
    for_each_batch(files, &["source", "job_id", "category"], |batch| {
        let [source, job_id, category] = ["source", "job_id", "category"].map(|name| TextColumn::of(batch, name));
        for row in 0..batch.num_rows() {
            if let (Some(source), Some(job_id)) = (source.at(row), job_id.at(row)) {
                categories.insert(hash_texts([source, job_id]), category.at(row))?;
            }
        }
        Ok(())
    })?;
    Ok(categories)
}

/// Hash, table and source of every file that has been ingested.
pub fn read_known_files<P: AsRef<Path>>(ledger: &[P]) -> Result<BTreeSet<[String; 3]>, IngestError> {
    let mut known = BTreeSet::new();
    for_each_batch(ledger, &["file_hash", "table", "source"], |batch| {
        for row in 0..batch.num_rows() {
            known.insert(["file_hash", "table", "source"].map(|column| text(batch, column, row).unwrap_or_default().to_owned()));
        }
        Ok(())
    })?;
    Ok(known)
}

/// The contents of all records that have been superseded.
pub fn read_superseded_contents<P: AsRef<Path>>(superseded: &[P]) -> Result<HashKeyed<()>, IngestError> {
    #[derive(serde::Deserialize)]
    struct Content {
        content_hash: i64,
    }
    let mut contents = HashKeyed::default();
    for_each_batch(superseded, &["record"], |batch| {
        let records = (0..batch.num_rows()).filter_map(|row| text(batch, "record", row));
        contents.extend(
            records
                .filter_map(|record| serde_json::from_str(record).ok())
                .map(|Content { content_hash }| (content_hash.cast_unsigned(), ())),
        );
        Ok(())
    })?;
    Ok(contents)
}

/// A hash of every quarantined row or value of a store, so that none is kept twice.
pub fn quarantine_hashes<P: AsRef<Path>>(files: &[P]) -> Result<HashKeyed<()>, IngestError> {
    let columns: BTreeMap<usize, &str> = store_table("quarantine")
        .map(|table| table.columns.iter().map(|column| column.name.as_str()).enumerate().collect())
        .unwrap_or_default();
    let mut hashes = HashKeyed::default();
    for_each_batch(files, &[], |batch| {
        for row in 0..batch.num_rows() {
            let line = integer(batch, "source_line", row).unwrap_or_default().to_string();
            let texts = columns
                .values()
                .map(|column| if *column == "source_line" { line.as_str() } else { text(batch, column, row).unwrap_or_default() });
            hashes.insert(hash_texts(texts), ());
        }
        Ok(())
    })?;
    Ok(hashes)
}
