//! Writes rows of one table into Parquet files of bounded size, on a thread of its own.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::{self, JoinHandle};

use arrow::array::RecordBatch;
use arrow::datatypes::SchemaRef;
use fixodds_schemas::TableSchema;
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::file::properties::{EnabledStatistics, WriterProperties};

use crate::error::IngestError;
use crate::row::{Row, Rows};

const ROWS_PER_BATCH: usize = 8 * 1024;
const ROWS_PER_GROUP: usize = 128 * 1024;
const ROWS_PER_FILE: usize = 1024 * 1024;
/// Columns whose values are nearly all different, so that a dictionary and the least and greatest of them would only cost time.
const TELLING_ROWS_APART: [&str; 6] = ["job_id", "machine_id_key", "serial_key", "fault_text", "source_line", "content_hash"];
/// Batches that wait to be written.
pub const BATCHES_WAITING: usize = 2;

/// Appends rows to `FOLDER/PREFIX-0001.parquet`, `-0002` and so on.
pub struct TableWriter {
    target: Target,
    rows: Rows,
    rows_appended: u64,
    worker: Option<Worker>,
}

#[derive(Clone)]
struct Target {
    folder: PathBuf,
    prefix: String,
    schema: SchemaRef,
}

type Written = Result<Vec<PathBuf>, IngestError>;

/// Dropping it waits for the thread, so that nothing is written after an error has been reported.
struct Worker {
    batches: Option<SyncSender<RecordBatch>>,
    thread: Option<JoinHandle<Written>>,
}

impl TableWriter {
    /// The folder is made when there is something to write.
    pub fn new(table: &TableSchema, folder: PathBuf, prefix: String) -> Self {
        Self {
            target: Target { folder, prefix, schema: Arc::new(table.arrow_schema()) },
            rows: Rows::new(table),
            rows_appended: 0,
            worker: None,
        }
    }

    /// Rows appended so far: the number of the next one in all files together, from 0.
    pub fn rows_appended(&self) -> u64 {
        self.rows_appended
    }

    pub fn append(&mut self, row: &Row) -> Result<(), IngestError> {
        self.rows.push(row);
        self.rows_appended += 1;
        if self.rows.len() < ROWS_PER_BATCH {
            return Ok(());
        }
        let batch = self.target.batch(&mut self.rows)?;
        let worker = self.worker.get_or_insert_with(|| Worker::start(self.target.clone()));
        if worker.send(batch) {
            return Ok(());
        }
        // the thread has ended early, so it has an error to tell
        self.worker.take().map_or(Ok(()), |worker| worker.finish().map(|_| ()))
    }

    /// Writes what is left and makes it durable; gives the files written.
    pub fn finish(mut self) -> Written {
        let rest = if self.rows.len() > 0 { Some(self.target.batch(&mut self.rows)?) } else { None };
        match self.worker {
            None => self.target.write(rest),
            Some(worker) => {
                // a failure to send shows as the thread's own error
                rest.into_iter().for_each(|batch| _ = worker.send(batch));
                worker.finish()
            }
        }
    }
}

impl Worker {
    fn start(target: Target) -> Self {
        let (batches, waiting) = sync_channel(BATCHES_WAITING);
        Self { batches: Some(batches), thread: Some(thread::spawn(move || target.write(waiting))) }
    }

    /// False if the thread has ended.
    fn send(&self, batch: RecordBatch) -> bool {
        self.batches.as_ref().is_some_and(|batches| batches.send(batch).is_ok())
    }

    fn finish(mut self) -> Written {
        self.batches = None;
        let thread = self.thread.take();
        thread.map_or_else(|| Ok(Vec::new()), |thread| thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        self.batches = None;
        // only reached while another error is on its way up
        self.thread.take().map(JoinHandle::join);
    }
}

impl Target {
    fn batch(&self, rows: &mut Rows) -> Result<RecordBatch, IngestError> {
        RecordBatch::try_new(Arc::clone(&self.schema), rows.take()).map_err(|error| IngestError::parquet(&self.folder, error))
    }

    fn write(&self, batches: impl IntoIterator<Item = RecordBatch>) -> Written {
        let mut batches = batches.into_iter().peekable();
        let mut files = Vec::new();
        if batches.peek().is_some() {
            fs::create_dir_all(&self.folder).map_err(|source| IngestError::io("make the folder", &self.folder, source))?;
        }
        while batches.peek().is_some() {
            let path = self.folder.join(format!("{}-{:04}.parquet", self.prefix, files.len() + 1));
            let mut rows_left = ROWS_PER_FILE;
            let of_this_file = std::iter::from_fn(|| {
                let batch = batches.next_if(|_| rows_left > 0)?;
                rows_left = rows_left.saturating_sub(batch.num_rows());
                Some(Ok(batch))
            });
            write_batches(&path, &self.schema, of_this_file)?;
            files.push(path);
        }
        Ok(files)
    }
}

/// A file with these batches, durable.
pub fn write_batches(
    path: &Path,
    schema: &SchemaRef,
    batches: impl IntoIterator<Item = Result<RecordBatch, IngestError>>,
) -> Result<(), IngestError> {
    let properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .set_max_row_group_row_count(Some(ROWS_PER_GROUP))
        .set_created_by("fixodds".to_owned())
        .set_statistics_enabled(EnabledStatistics::Chunk)
        .set_column_encoding("source_line".into(), Encoding::DELTA_BINARY_PACKED);
    let properties = TELLING_ROWS_APART
        .into_iter()
        .fold(properties, |properties, column| {
            properties
                .set_column_dictionary_enabled(column.into(), false)
                .set_column_statistics_enabled(column.into(), EnabledStatistics::None)
        })
        .build();
    let unwritable = |source| IngestError::io("write", path, source);
    let file = File::create(path).map_err(unwritable)?;
    let mut writer = ArrowWriter::try_new(file, Arc::clone(schema), Some(properties)).map_err(|error| IngestError::parquet(path, error))?;
    for batch in batches {
        writer.write(&batch?).map_err(|error| IngestError::parquet(path, error))?;
    }
    let file = writer.into_inner().map_err(|error| IngestError::parquet(path, error))?;
    file.sync_all().map_err(unwritable)
}
