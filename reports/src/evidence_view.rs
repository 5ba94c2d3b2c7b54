//! How documents read evidence: rows by table and condition, with typed getters.
//!
//! Builders depend on this trait only, so they neither know nor load the data frames behind it.

use crate::document::{Cell, Quantity, Unit};
use fixodds_analytics::evidence::About;
use std::collections::BTreeMap;
use std::rc::Rc;

/// One value of an evidence table.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    Null,
    Text(String),
    Integer(i64),
    Real(f64),
    Flag(bool),
}

impl From<&str> for Value {
    fn from(text: &str) -> Value {
        Value::Text(text.to_owned())
    }
}

impl From<i64> for Value {
    fn from(integer: i64) -> Value {
        Value::Integer(integer)
    }
}

impl From<f64> for Value {
    fn from(real: f64) -> Value {
        Value::Real(real)
    }
}

impl From<bool> for Value {
    fn from(flag: bool) -> Value {
        Value::Flag(flag)
    }
}

/// What one column must hold for a row to be wanted.
#[derive(Clone, Debug, PartialEq)]
pub enum Condition {
    Equals(Value),
    IsNull,
    NotNull,
}

impl Condition {
    pub fn holds(&self, value: &Value) -> bool {
        match self {
            Condition::Equals(wanted) => value == wanted,
            Condition::IsNull => *value == Value::Null,
            Condition::NotNull => *value != Value::Null,
        }
    }
}

/// Rows wanted of one table; all conditions must hold. A column that the table lacks is null.
#[derive(Clone, Debug, PartialEq)]
pub struct Query {
    pub table: &'static str,
    pub conditions: Vec<(&'static str, Condition)>,
}

impl Query {
    pub fn of(table: &'static str) -> Query {
        Query { table, conditions: Vec::new() }
    }

    pub fn with(self, column: &'static str, value: impl Into<Value>) -> Query {
        self.and(column, Condition::Equals(value.into()))
    }

    pub fn null(self, column: &'static str) -> Query {
        self.and(column, Condition::IsNull)
    }

    pub fn not_null(self, column: &'static str) -> Query {
        self.and(column, Condition::NotNull)
    }

    /// The rows of everything together.
    pub fn overall(self) -> Query {
        self.with("scope_level", "all")
    }

    /// The rows of one category as a whole.
    pub fn category(self, category: &str) -> Query {
        self.with("scope_level", "category").with("scope", category)
    }

    /// The rows of one model.
    pub fn model(self, model_key: &str) -> Query {
        self.with("scope_level", "model").with("scope", model_key)
    }

    /// The rows of each model of a category.
    pub fn models_of(self, category: &str) -> Query {
        self.with("scope_level", "model").with("category", category)
    }

    /// The rows that do not divide by age.
    pub fn all_ages(self) -> Query {
        self.null("age_from_years").null("age_to_years")
    }

    fn and(mut self, column: &'static str, condition: Condition) -> Query {
        self.conditions.push((column, condition));
        self
    }
}

/// One row of an evidence table.
#[derive(Clone, Debug)]
pub struct Row {
    columns: Rc<[String]>,
    values: Vec<Value>,
}

impl Row {
    /// `values` stand in the order of `columns`; missing ones are null.
    pub fn new(columns: Rc<[String]>, values: Vec<Value>) -> Row {
        Row { columns, values }
    }

    pub fn value(&self, column: &str) -> &Value {
        let place = self.columns.iter().position(|name| name == column);
        place.and_then(|place| self.values.get(place)).unwrap_or(&Value::Null)
    }

    /// Columns with their values, in the table's order.
    pub fn cells(&self) -> impl Iterator<Item = (&str, &Value)> {
        self.columns.iter().map(String::as_str).zip(&self.values)
    }

    pub fn text(&self, column: &str) -> Option<&str> {
        if let Value::Text(text) = self.value(column) { Some(text) } else { None }
    }

    pub fn integer(&self, column: &str) -> Option<i64> {
        if let Value::Integer(integer) = self.value(column) { Some(*integer) } else { None }
    }

    /// A finite number; whole numbers count, anything not finite does not.
    pub fn real(&self, column: &str) -> Option<f64> {
        match self.value(column) {
            Value::Real(real) if real.is_finite() => Some(*real),
            Value::Integer(integer) => Some(*integer as f64),
            _ => None,
        }
    }

    pub fn flag(&self, column: &str) -> Option<bool> {
        if let Value::Flag(flag) = self.value(column) { Some(*flag) } else { None }
    }

    /// The row's estimate with its interval, if it has one.
    pub fn quantity(&self, unit: Unit) -> Option<Quantity> {
        let quantity = Quantity::new(self.real("estimate")?, unit);
        Some(match (self.real("lower"), self.real("upper")) {
            (Some(lower), Some(upper)) => quantity.between(lower, upper),
            _ => quantity,
        })
    }

    /// Why there is no estimate.
    pub fn reason(&self) -> &str {
        self.text("reason").unwrap_or("the evidence holds no estimate")
    }

    /// The estimate as a cell, or the reason why there is none.
    pub fn cell(&self, unit: Unit) -> Cell {
        self.quantity(unit).map_or_else(|| Cell::Missing(self.reason().to_owned()), Cell::Quantity)
    }

    pub fn count_cell(&self, column: &str) -> Cell {
        self.integer(column).map_or(Cell::Nothing, Cell::Count)
    }
}

/// Evidence as documents see it.
pub trait EvidenceView {
    fn about(&self) -> &About;

    /// The rows that meet the query, in the table's own order; none when there is no such table.
    fn rows(&self, query: &Query) -> Vec<Row>;

    /// The first row that meets the query.
    fn first(&self, query: &Query) -> Option<Row> {
        self.rows(query).into_iter().next()
    }
}

/// Evidence held as plain rows, for tests and small programs.
#[derive(Clone, Debug)]
pub struct EvidenceInMemory {
    pub about: About,
    tables: BTreeMap<String, Vec<Row>>,
}

impl EvidenceInMemory {
    pub fn new(about: About) -> EvidenceInMemory {
        EvidenceInMemory { about, tables: BTreeMap::new() }
    }

    /// Adds one row, given as column and value pairs.
    pub fn push<const N: usize>(&mut self, table: &str, cells: [(&str, Value); N]) {
        let columns: Rc<[String]> = cells.iter().map(|(column, _)| (*column).to_owned()).collect();
        let values = cells.into_iter().map(|(_, value)| value).collect();
        self.tables.entry(table.to_owned()).or_default().push(Row::new(columns, values));
    }
}

impl EvidenceView for EvidenceInMemory {
    fn about(&self) -> &About {
        &self.about
    }

    fn rows(&self, query: &Query) -> Vec<Row> {
        let wanted = |row: &&Row| query.conditions.iter().all(|(column, condition)| condition.holds(row.value(column)));
        self.tables.get(query.table).map_or_else(Vec::new, |rows| rows.iter().filter(wanted).cloned().collect())
    }
}
