//! Writes rows of one table into Parquet files of bounded size.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow::array::RecordBatch;
use arrow::datatypes::SchemaRef;
use fixodds_schemas::TableSchema;
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, ZstdLevel};
use parquet::file::properties::WriterProperties;

use crate::error::IngestError;
use crate::row::{Row, Rows};

const ROWS_PER_BATCH: usize = 8 * 1024;
const ROWS_PER_GROUP: usize = 128 * 1024;
const ROWS_PER_FILE: usize = 1024 * 1024;

/// Appends rows to `FOLDER/PREFIX-0001.parquet`, `-0002` and so on.
pub struct TableWriter {
    folder: PathBuf,
    prefix: String,
    schema: SchemaRef,
    rows: Rows,
    file: Option<(PathBuf, ArrowWriter<File>)>,
    rows_in_file: usize,
    files: Vec<PathBuf>,
}

impl TableWriter {
    /// The folder is made when the first row is written.
    pub fn new(table: &TableSchema, folder: PathBuf, prefix: String) -> Self {
        Self {
            folder,
            prefix,
            schema: Arc::new(table.arrow_schema()),
            rows: Rows::new(table),
            file: None,
            rows_in_file: 0,
            files: Vec::new(),
        }
    }

    pub fn append(&mut self, row: &Row) -> Result<(), IngestError> {
        self.rows.push(row);
        if self.rows.len() >= ROWS_PER_BATCH { self.flush() } else { Ok(()) }
    }

    fn flush(&mut self) -> Result<(), IngestError> {
        let count = self.rows.len();
        if count == 0 {
            return Ok(());
        }
        let columns = self.rows.take();
        let batch = RecordBatch::try_new(Arc::clone(&self.schema), columns).map_err(|error| IngestError::parquet(&self.folder, error))?;
        let (path, writer) = match &mut self.file {
            Some(open) => open,
            None => {
                fs::create_dir_all(&self.folder).map_err(|source| IngestError::io("make the folder", &self.folder, source))?;
                let path = self.folder.join(format!("{}-{:04}.parquet", self.prefix, self.files.len() + 1));
                let writer = open_writer(&path, &self.schema)?;
                self.file.insert((path, writer))
            }
        };
        writer.write(&batch).map_err(|error| IngestError::parquet(path, error))?;
        self.rows_in_file += count;
        if self.rows_in_file >= ROWS_PER_FILE { self.close_file() } else { Ok(()) }
    }

    fn close_file(&mut self) -> Result<(), IngestError> {
        if let Some((path, writer)) = self.file.take() {
            close_writer(&path, writer)?;
            self.files.push(path);
            self.rows_in_file = 0;
        }
        Ok(())
    }

    /// Writes what is left and makes it durable; gives the files written.
    pub fn finish(mut self) -> Result<Vec<PathBuf>, IngestError> {
        self.flush()?;
        self.close_file()?;
        Ok(self.files)
    }
}

/// A file with these batches, durable.
pub fn write_batches(
    path: &Path,
    schema: &SchemaRef,
    batches: impl IntoIterator<Item = Result<RecordBatch, IngestError>>,
) -> Result<(), IngestError> {
    let mut writer = open_writer(path, schema)?;
    for batch in batches {
        writer.write(&batch?).map_err(|error| IngestError::parquet(path, error))?;
    }
    close_writer(path, writer)
}

fn open_writer(path: &Path, schema: &SchemaRef) -> Result<ArrowWriter<File>, IngestError> {
    let properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .set_max_row_group_row_count(Some(ROWS_PER_GROUP))
        .set_created_by("fixodds".to_owned())
        .build();
    let file = File::create(path).map_err(|source| IngestError::io("write", path, source))?;
    ArrowWriter::try_new(file, Arc::clone(schema), Some(properties)).map_err(|error| IngestError::parquet(path, error))
}

fn close_writer(path: &Path, writer: ArrowWriter<File>) -> Result<(), IngestError> {
    let file = writer.into_inner().map_err(|error| IngestError::parquet(path, error))?;
    file.sync_all().map_err(|source| IngestError::io("write", path, source))
}
