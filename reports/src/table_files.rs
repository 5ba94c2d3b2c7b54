//! Evidence tables as files: CSV and Parquet, byte for byte the same for the same table.

use polars::prelude::{AnyValue, DataFrame, ParquetWriter};

use crate::exporters::ExportError;

/// RFC 4180 with a line feed, UTF-8, nothing for a missing value; numbers in full, so that they read back as they were.
///
/// # Errors
/// [`ExportError::Table`] if a column cannot be read.
pub fn csv(name: &str, frame: &DataFrame) -> Result<Vec<u8>, ExportError> {
    let fault = |cause: &dyn std::fmt::Display| ExportError::Table { table: name.to_owned(), message: cause.to_string() };
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(frame.get_column_names().iter().map(|name| name.as_str())).map_err(|cause| fault(&cause))?;
    for row in 0..frame.height() {
        for column in frame.columns() {
            let text = text(&column.get(row).map_err(|cause| fault(&cause))?);
            writer.write_field(text).map_err(|cause| fault(&cause))?;
        }
        writer.write_record(None::<&[u8]>).map_err(|cause| fault(&cause))?;
    }
    writer.into_inner().map_err(|cause| fault(&cause))
}

/// Apache Parquet.
///
/// # Errors
/// [`ExportError::Table`] if the table cannot be written.
pub fn parquet(name: &str, frame: &DataFrame) -> Result<Vec<u8>, ExportError> {
    let mut bytes = Vec::new();
    ParquetWriter::new(&mut bytes)
        .finish(&mut frame.clone())
        .map_err(|cause| ExportError::Table { table: name.to_owned(), message: cause.to_string() })?;
    Ok(bytes)
}

fn text(value: &AnyValue<'_>) -> String {
    match value {
        AnyValue::Null => String::new(),
        AnyValue::Float64(real) => real.to_string(),
        AnyValue::Boolean(flag) => flag.to_string(),
        AnyValue::Int32(count) => count.to_string(),
        AnyValue::Int64(count) => count.to_string(),
        other => other.get_str().map_or_else(|| other.to_string(), str::to_owned),
    }
}
