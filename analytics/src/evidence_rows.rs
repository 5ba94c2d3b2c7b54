//! Rows of one evidence table on their way to Parquet, checked against the column dictionary.

use std::collections::BTreeMap;

use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};
use fixodds_schemas::tables::{ColumnKind, TableSchema, evidence_table};
use polars::prelude::{Column, DataFrame, DataType, NamedFrom, PolarsResult, Series};

use crate::engine::Scope;
use crate::error::AnalyticsError;

/// One value of an evidence row.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    Text(String),
    Count(i64),
    Real(f64),
    Flag(bool),
    Missing,
}

macro_rules! cell_from {
    ($($from:ty => $make:expr),* $(,)?) => {$(
        impl From<$from> for Cell {
            fn from(value: $from) -> Self {
                $make(value)
            }
        }
    )*};
}
cell_from!(
    String => Cell::Text,
    &str => |text: &str| Cell::Text(text.to_owned()),
    &String => |text: &String| Cell::Text(text.clone()),
    i64 => Cell::Count,
    bool => Cell::Flag,
    f64 => |value: f64| if value.is_finite() { Cell::Real(value) } else { Cell::Missing },
);

impl<T: Into<Cell>> From<Option<T>> for Cell {
    fn from(value: Option<T>) -> Self {
        value.map_or(Cell::Missing, Into::into)
    }
}

/// What an estimator said: a number with its interval, or why there is none.
pub type Estimated = Result<Interval, CannotEstimate>;

/// A growing evidence table.
pub struct EvidenceRows {
    schema: &'static TableSchema,
    columns: BTreeMap<String, Vec<Cell>>,
    rows: usize,
}

impl EvidenceRows {
    pub fn new(table: &'static str) -> Result<Self, AnalyticsError> {
        let schema =
            evidence_table(table).ok_or_else(|| AnalyticsError::Table { table, message: "is not in the column dictionary".to_owned() })?;
        let columns = schema.columns.iter().map(|column| (column.name.clone(), Vec::new())).collect();
        Ok(Self { schema, columns, rows: 0 })
    }

    /// Adds a row: its scope, its own dimensions and counts by column name, and its estimate.
    pub fn push(&mut self, scope: &Scope, values: &[(&str, Cell)], estimated: &Estimated) {
        let (interval, reason) = match estimated {
            Ok(interval) => (Some(interval), None),
            Err(cause) => (None, Some(format!("cannot be estimated because {cause}"))),
        };
        let mut row: BTreeMap<&str, Cell> = values.iter().cloned().collect();
        row.insert("scope_level", (&scope.level).into());
        row.insert("scope", (&scope.key).into());
        row.insert("category", scope.category.clone().into());
        row.insert("estimate", interval.map(|i| i.estimate).into());
        row.insert("lower", interval.map(|i| i.lower).into());
        row.insert("upper", interval.map(|i| i.upper).into());
        row.insert("reason", reason.into());
        for name in row.keys() {
            debug_assert!(self.columns.contains_key(*name), "{}: no column {name}", self.schema.name);
        }
        for (name, cells) in &mut self.columns {
            cells.push(row.remove(name.as_str()).unwrap_or(Cell::Missing));
        }
        self.rows += 1;
    }

    pub fn len(&self) -> usize {
        self.rows
    }

    pub fn text(&self, column: &str, row: usize) -> Option<&str> {
        self.cell(column, row).and_then(text)
    }

    pub fn count(&self, column: &str, row: usize) -> Option<i64> {
        self.cell(column, row).and_then(count)
    }

    pub fn real(&self, column: &str, row: usize) -> Option<f64> {
        self.cell(column, row).and_then(real)
    }

    pub fn flag(&self, column: &str, row: usize) -> Option<bool> {
        self.cell(column, row).and_then(flag)
    }

    /// The row's estimate with its interval, if it has one.
    pub fn interval(&self, row: usize) -> Option<Interval> {
        let [estimate, lower, upper] = ["estimate", "lower", "upper"].map(|column| self.real(column, row));
        Interval::new(estimate?, lower?, upper?, CONFIDENCE).ok()
    }

    fn cell(&self, column: &str, row: usize) -> Option<&Cell> {
        self.columns.get(column)?.get(row)
    }

    /// The table as a data frame, columns in the order of the dictionary.
    pub fn into_frame(mut self) -> PolarsResult<DataFrame> {
        let mut columns = Vec::with_capacity(self.schema.columns.len());
        for column in &self.schema.columns {
            let cells = self.columns.remove(&column.name).unwrap_or_default();
            columns.push(Column::from(series(&column.name, &column.kind, &cells)?));
        }
        DataFrame::new(self.rows, columns)
    }
}

fn series(name: &str, kind: &ColumnKind, cells: &[Cell]) -> PolarsResult<Series> {
    let name = name.into();
    Ok(match kind {
        ColumnKind::Text | ColumnKind::Date => Series::new(name, cells.iter().map(text).collect::<Vec<Option<&str>>>()),
        ColumnKind::Integer32 => Series::new(name, cells.iter().map(count).collect::<Vec<Option<i64>>>()).cast(&DataType::Int32)?,
        ColumnKind::Integer64 => Series::new(name, cells.iter().map(count).collect::<Vec<Option<i64>>>()),
        ColumnKind::Real => Series::new(name, cells.iter().map(real).collect::<Vec<Option<f64>>>()),
        ColumnKind::Flag => Series::new(name, cells.iter().map(flag).collect::<Vec<Option<bool>>>()),
    })
}

fn text(cell: &Cell) -> Option<&str> {
    match cell {
        Cell::Text(value) => Some(value),
        _ => None,
    }
}

fn count(cell: &Cell) -> Option<i64> {
    match cell {
        Cell::Count(value) => Some(*value),
        _ => None,
    }
}

fn real(cell: &Cell) -> Option<f64> {
    match cell {
        Cell::Real(value) => Some(*value),
        Cell::Count(value) => Some(*value as f64),
        _ => None,
    }
}

fn flag(cell: &Cell) -> Option<bool> {
    match cell {
        Cell::Flag(value) => Some(*value),
        _ => None,
    }
}
