//! Rows of one evidence table on their way to Parquet, checked against the column dictionary.

use std::collections::BTreeMap;

use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};
use fixodds_schemas::tables::{ColumnKind, TableSchema, evidence_table};
use polars::prelude::{Column, DataFrame, DataType, NamedFrom, PolarsError, PolarsResult, Series};

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
    kinds: BTreeMap<&'static str, &'static ColumnKind>,
    columns: BTreeMap<String, Vec<Cell>>,
    rows: usize,
    /// The first row that does not fit the dictionary; the table then cannot be made.
    misfit: Option<String>,
}

impl EvidenceRows {
    pub fn new(table: &'static str) -> Result<Self, AnalyticsError> {
        let schema =
            evidence_table(table).ok_or_else(|| AnalyticsError::Table { table, message: "is not in the column dictionary".to_owned() })?;
        let columns = schema.columns.iter().map(|column| (column.name.clone(), Vec::new())).collect();
        let kinds = schema.columns.iter().map(|column| (column.name.as_str(), &column.kind)).collect();
        Ok(Self { schema, kinds, columns, rows: 0, misfit: None })
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
        if self.misfit.is_none() {
            self.misfit = self.misfit_of(&row).map(|misfit| format!("row {}: {misfit}", self.rows + 1));
        }
        for (name, cells) in &mut self.columns {
            cells.push(row.remove(name.as_str()).unwrap_or(Cell::Missing));
        }
        self.rows += 1;
    }

    /// What of a row the dictionary does not know or allow.
    fn misfit_of(&self, row: &BTreeMap<&str, Cell>) -> Option<String> {
        row.iter().find_map(|(name, cell)| {
            let Some(kind) = self.kinds.get(name) else {
                return Some(format!("there is no column {name} in the dictionary"));
            };
            let fits = match (cell, kind) {
                (Cell::Missing, _)
                | (Cell::Text(_), ColumnKind::Text | ColumnKind::Date)
                | (Cell::Count(_), ColumnKind::Integer64 | ColumnKind::Real)
                | (Cell::Real(_), ColumnKind::Real)
                | (Cell::Flag(_), ColumnKind::Flag) => true,
                (Cell::Count(number), ColumnKind::Integer32) => i32::try_from(*number).is_ok(),
                _ => false,
            };
            (!fits).then(|| format!("the column {name} holds {kind:?}, not {cell:?}"))
        })
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
    ///
    /// # Errors
    /// A row with a column that is not in the dictionary, or a value of another kind.
    pub fn into_frame(mut self) -> PolarsResult<DataFrame> {
        if let Some(misfit) = self.misfit {
            return Err(PolarsError::SchemaMismatch(misfit.into()));
        }
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

#[cfg(test)]
mod tests {
    use super::*;

    fn pushed(values: &[(&str, Cell)]) -> PolarsResult<DataFrame> {
        let mut rows = EvidenceRows::new("failure_rate").unwrap();
        let scope = Scope { level: "all".to_owned(), key: "all".to_owned(), category: None };
        rows.push(&scope, &[("events", 1.into())], &Interval::exact(1.0));
        rows.push(&scope, values, &Interval::exact(1.0));
        rows.into_frame()
    }

    #[test]
    fn what_the_dictionary_does_not_know_makes_no_table() {
        assert!(pushed(&[("events", 3.into()), ("machine_years", 2.5.into()), ("component", Cell::Missing)]).is_ok());
        for (values, says) in [
            ([("event", Cell::Count(3))], "row 2: there is no column event in the dictionary"),
            ([("events", Cell::Real(3.0))], "row 2: the column events holds Integer64, not Real(3.0)"),
            ([("component", Cell::Count(3))], "row 2: the column component holds Text, not Count(3)"),
        ] {
            let error = pushed(&values).unwrap_err().to_string();
            assert!(error.contains(says), "{error}");
        }
    }
}
