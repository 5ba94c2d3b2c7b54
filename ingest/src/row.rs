//! One row of a store table while it is put together, without allocating for each value.

use arrow::array::{ArrayRef, BooleanBuilder, Date32Builder, Float64Builder, Int32Builder, Int64Builder, StringBuilder};
use chrono::NaiveDate;
use fixodds_schemas::{ColumnKind, TableSchema};
use std::sync::Arc;

/// A value of one column; texts lie in the row's own buffer.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Value {
    Missing,
    Text { start: usize, end: usize },
    Integer(i64),
    Real(f64),
    Day(i32),
    Flag(bool),
}

/// A row of a table, to be filled, compared and written; then used again for the next one.
#[derive(Debug)]
pub struct Row {
    values: Vec<Value>,
    text: String,
}

/// Days since 1970-01-01, as Arrow and Parquet count them.
const DAYS_FROM_YEAR_ONE_TO_1970: i32 = 719_163;

impl Row {
    pub fn new(schema: &TableSchema) -> Self {
        Self { values: vec![Value::Missing; schema.columns.len()], text: String::new() }
    }

    pub fn clear(&mut self) {
        self.values.fill(Value::Missing);
        self.text.clear();
    }

    pub fn set_text(&mut self, column: usize, text: &str) {
        let start = self.text.len();
        self.text.push_str(text);
        self.values[column] = Value::Text { start, end: self.text.len() };
    }

    pub fn set_integer(&mut self, column: usize, value: i64) {
        self.values[column] = Value::Integer(value);
    }

    pub fn set_real(&mut self, column: usize, value: f64) {
        self.values[column] = Value::Real(value);
    }

    pub fn set_day(&mut self, column: usize, date: NaiveDate) {
        self.values[column] = Value::Day(chrono::Datelike::num_days_from_ce(&date) - DAYS_FROM_YEAR_ONE_TO_1970);
    }

    pub fn set_flag(&mut self, column: usize, value: bool) {
        self.values[column] = Value::Flag(value);
    }

    pub fn unset(&mut self, column: usize) {
        self.values[column] = Value::Missing;
    }

    pub fn is_missing(&self, column: usize) -> bool {
        self.values[column] == Value::Missing
    }

    pub fn text(&self, column: usize) -> Option<&str> {
        match self.values[column] {
            Value::Text { start, end } => Some(&self.text[start..end]),
            _ => None,
        }
    }

    pub fn day(&self, column: usize) -> Option<NaiveDate> {
        match self.values[column] {
            Value::Day(days) => NaiveDate::from_num_days_from_ce_opt(days + DAYS_FROM_YEAR_ONE_TO_1970),
            _ => None,
        }
    }

    /// A whole number, or a day counted from 1970-01-01.
    pub fn integer(&self, column: usize) -> Option<i64> {
        match self.values[column] {
            Value::Integer(value) => Some(value),
            Value::Day(days) => Some(i64::from(days)),
            _ => None,
        }
    }

    pub fn real(&self, column: usize) -> Option<f64> {
        match self.values[column] {
            Value::Real(value) => Some(value),
            _ => None,
        }
    }

    /// Appends bytes that are equal for equal values of the first `columns` columns, and different otherwise.
    pub fn content(&self, columns: usize, bytes: &mut Vec<u8>) {
        for value in &self.values[..columns] {
            match *value {
                Value::Missing => bytes.push(0),
                Value::Text { start, end } => {
                    bytes.push(1);
                    bytes.extend_from_slice(&((end - start) as u64).to_le_bytes());
                    bytes.extend_from_slice(&self.text.as_bytes()[start..end]);
                }
                Value::Integer(value) => {
                    bytes.push(2);
                    bytes.extend_from_slice(&value.to_le_bytes());
                }
                Value::Real(value) => {
                    bytes.push(3);
                    // 0 and -0 are equal
                    bytes.extend_from_slice(&(value + 0.0).to_le_bytes());
                }
                Value::Day(days) => {
                    bytes.push(4);
                    bytes.extend_from_slice(&days.to_le_bytes());
                }
                Value::Flag(value) => bytes.extend_from_slice(&[5, u8::from(value)]),
            }
        }
    }
}

/// Collects the values of one column for Arrow.
enum Builder {
    Text(StringBuilder),
    Integer32(Int32Builder),
    Integer64(Int64Builder),
    Real(Float64Builder),
    Day(Date32Builder),
    Flag(BooleanBuilder),
}

/// Collects rows for Arrow.
pub struct Rows {
    builders: Vec<Builder>,
    count: usize,
}

impl Rows {
    pub fn new(schema: &TableSchema) -> Self {
        let builder = |kind: ColumnKind| match kind {
            ColumnKind::Text => Builder::Text(StringBuilder::new()),
            ColumnKind::Integer32 => Builder::Integer32(Int32Builder::new()),
            ColumnKind::Integer64 => Builder::Integer64(Int64Builder::new()),
            ColumnKind::Real => Builder::Real(Float64Builder::new()),
            ColumnKind::Date => Builder::Day(Date32Builder::new()),
            ColumnKind::Flag => Builder::Flag(BooleanBuilder::new()),
        };
        Self { builders: schema.columns.iter().map(|column| builder(column.kind)).collect(), count: 0 }
    }

    pub fn len(&self) -> usize {
        self.count
    }

    /// A value of another kind than its column's counts as missing.
    pub fn push(&mut self, row: &Row) {
        self.count += 1;
        for (builder, value) in self.builders.iter_mut().zip(&row.values) {
            match (builder, *value) {
                (Builder::Text(builder), Value::Text { start, end }) => builder.append_value(&row.text[start..end]),
                (Builder::Text(builder), _) => builder.append_null(),
                (Builder::Integer32(builder), Value::Integer(value)) => builder.append_option(i32::try_from(value).ok()),
                (Builder::Integer32(builder), _) => builder.append_null(),
                (Builder::Integer64(builder), Value::Integer(value)) => builder.append_value(value),
                (Builder::Integer64(builder), _) => builder.append_null(),
                (Builder::Real(builder), Value::Real(value)) => builder.append_value(value),
                (Builder::Real(builder), _) => builder.append_null(),
                (Builder::Day(builder), Value::Day(days)) => builder.append_value(days),
                (Builder::Day(builder), _) => builder.append_null(),
                (Builder::Flag(builder), Value::Flag(value)) => builder.append_value(value),
                (Builder::Flag(builder), _) => builder.append_null(),
            }
        }
    }

    /// The collected columns; nothing is left.
    pub fn take(&mut self) -> Vec<ArrayRef> {
        self.count = 0;
        let finish = |builder: &mut Builder| -> ArrayRef {
            match builder {
                Builder::Text(builder) => Arc::new(builder.finish()),
                Builder::Integer32(builder) => Arc::new(builder.finish()),
                Builder::Integer64(builder) => Arc::new(builder.finish()),
                Builder::Real(builder) => Arc::new(builder.finish()),
                Builder::Day(builder) => Arc::new(builder.finish()),
                Builder::Flag(builder) => Arc::new(builder.finish()),
            }
        };
        self.builders.iter_mut().map(finish).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use fixodds_schemas::store_table;

    #[test]
    fn content_tells_rows_apart() {
        let schema = store_table("jobs").unwrap();
        let mut row = Row::new(schema);
        let content = |row: &Row| {
            let mut bytes = Vec::new();
            row.content(schema.columns.len(), &mut bytes);
            bytes
        };
        row.set_text(0, "ab");
        row.set_text(1, "c");
        let first = content(&row);
        row.clear();
        row.set_text(1, "c");
        row.set_text(0, "ab");
        assert_eq!(content(&row), first);
        row.set_text(0, "a");
        row.set_text(1, "bc");
        assert_ne!(content(&row), first);
    }

    #[test]
    fn days_survive() {
        let mut row = Row::new(store_table("jobs").unwrap());
        let date = NaiveDate::from_ymd_opt(2021, 4, 3).unwrap();
        row.set_day(2, date);
        assert_eq!(row.day(2), Some(date));
        assert_eq!(row.values[2], Value::Day(18_720));
    }
}
