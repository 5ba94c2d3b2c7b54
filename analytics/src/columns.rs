//! Columns of an answer of the embedded database, for answers of so many rows that reading them value by value would take the time.
//!
//! The queries are the program's own, so that a column of another name or kind is an error of the program.

use duckdb::arrow::array::{Array, AsArray, BooleanArray, Float64Array, Int64Array, RecordBatch, StringArray};

fn column<'b>(batch: &'b RecordBatch, name: &str) -> &'b dyn Array {
    batch.column_by_name(name).unwrap_or_else(|| panic!("the query has a column {name}"))
}

pub fn texts<'b>(batch: &'b RecordBatch, name: &str) -> &'b StringArray {
    column(batch, name).as_string()
}

/// Whole numbers, one in every row.
pub fn integers<'b>(batch: &'b RecordBatch, name: &str) -> &'b Int64Array {
    let column = column(batch, name);
    assert_eq!(column.null_count(), 0, "the query has a number in every row of {name}");
    column.as_primitive()
}

pub fn reals<'b>(batch: &'b RecordBatch, name: &str) -> &'b Float64Array {
    column(batch, name).as_primitive()
}

pub fn flags<'b>(batch: &'b RecordBatch, name: &str) -> &'b BooleanArray {
    column(batch, name).as_boolean()
}

/// The text of a row, if it has one.
pub fn text(texts: &StringArray, row: usize) -> Option<&str> {
    texts.is_valid(row).then(|| texts.value(row))
}
