//! Parquet files: the rows as text.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

use arrow::util::display::{ArrayFormatter, FormatOptions};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

use super::unpack::{cannot_write, temporary};
use super::{OpenedFile, delimited, encoding};
use crate::error::IngestError;

/// Rows held in memory at once.
const ROWS_PER_BATCH: usize = 1024;

/// The one table of a Parquet file.
pub fn open(path: &Path, label: &str) -> Result<OpenedFile, IngestError> {
    let damaged = |message: String| IngestError::Damaged { file: label.to_owned(), message };
    let file = File::open(path).map_err(|source| IngestError::io("read", path, source))?;
    let builder = ParquetRecordBatchReaderBuilder::try_new(file).map_err(|error| damaged(error.to_string()))?;
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
                // one line for each row, as in workbooks
                writer.write_field(text.replace("\r\n", "; ").replace(['\n', '\r'], "; ")).map_err(unwritable)?;
            }
            writer.write_record(None::<&[u8]>).map_err(unwritable)?;
        }
    }
    let mut buffered = writer.into_inner().map_err(|error| cannot_write(error.into_error()))?;
    buffered.flush().map_err(cannot_write)?;
    drop(buffered);
    let table = delimited::rewritten(encoding::of_temporary(output, label)?)?;
    Ok(OpenedFile { format: "Parquet".to_owned(), encoding: "UTF-8", encoding_assumed: false, tables: vec![Box::new(table)] })
}
