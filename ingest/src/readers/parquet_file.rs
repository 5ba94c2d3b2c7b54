//! Parquet files: the rows as text.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

use arrow::util::display::{ArrayFormatter, FormatOptions};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use tempfile::NamedTempFile;

use super::parquet_claims::{check_footer, check_pages};
use super::unpack::{cannot_write, check_size, temporary};
use super::{OpenedFile, delimited, encoding, guarded};
use crate::error::IngestError;

/// Rows held in memory at once.
const ROWS_PER_BATCH: usize = 1024;

/// Largest table as text; a few bytes of Parquet can stand for any number of equal rows.
const MOST_TEXT_BYTES: u64 = 16 << 30;

/// The one table of a Parquet file.
pub fn open(path: &Path, label: &str) -> Result<OpenedFile, IngestError> {
    let output = guarded(label, || as_text(path, label))?;
    let table = delimited::rewritten(encoding::of_temporary(output, label)?)?;
    Ok(OpenedFile { format: "Parquet".to_owned(), encoding: "UTF-8", encoding_assumed: false, tables: vec![Box::new(table)] })
}

fn as_text(path: &Path, label: &str) -> Result<NamedTempFile, IngestError> {
    let damaged = |message: String| IngestError::Damaged { file: label.to_owned(), message };
    let mut file = File::open(path).map_err(|source| IngestError::io("read", path, source))?;
    check_footer(&mut file).map_err(damaged)?;
    let mut pages = file.try_clone().map_err(|source| IngestError::io("read", path, source))?;
    let packed = file.metadata().map_or(0, |metadata| metadata.len());
    let mut written = 0_u64;
    let builder = ParquetRecordBatchReaderBuilder::try_new(file).map_err(|error| damaged(error.to_string()))?;
    let chunks = builder.metadata().row_groups().iter().flat_map(|group| group.columns()).map(|chunk| chunk.byte_range());
    check_pages(&mut pages, chunks).map_err(damaged)?;
    let titles: Vec<String> = builder.schema().fields().iter().map(|field| field.name().clone()).collect();
    let reader = builder.with_batch_size(ROWS_PER_BATCH).build().map_err(|error| damaged(error.to_string()))?;
    let output = temporary()?;
    let mut writer = csv::WriterBuilder::new().from_writer(BufWriter::new(output.as_file()));
    let unwritable = |error: csv::Error| cannot_write(error.into());
    writer.write_record(&titles).map_err(unwritable)?;
    let options = FormatOptions::default();
    for batch in reader {
        let batch = batch.map_err(|error| damaged(error.to_string()))?;
        let columns = batch
            .columns()
            .iter()
            .map(|column| ArrayFormatter::try_new(column.as_ref(), &options))
            .collect::<Result<Vec<_>, _>>()
            .map_err(|error| damaged(error.to_string()))?;
        for row in 0..batch.num_rows() {
            for column in &columns {
                let text = column.value(row).try_to_string().map_err(|error| damaged(error.to_string()))?;
                written += text.len() as u64 + 1;
                // one line for each row, as in workbooks
                writer.write_field(text.replace("\r\n", "; ").replace(['\n', '\r'], "; ")).map_err(unwritable)?;
            }
            writer.write_record(None::<&[u8]>).map_err(unwritable)?;
        }
        check_size(written, packed, MOST_TEXT_BYTES, label)?;
    }
    let mut buffered = writer.into_inner().map_err(|error| cannot_write(error.into_error()))?;
    buffered.flush().map_err(cannot_write)?;
    drop(buffered);
    Ok(output)
}
