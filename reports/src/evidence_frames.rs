//! The evidence tables of an analysis, as documents read them.

use crate::evidence_view::{Condition, EvidenceView, Query, Row, Value};
use fixodds_analytics::evidence::{About, Evidence};
use polars::prelude::{AnyValue, Column, DataFrame};
use std::collections::BTreeMap;
use std::rc::Rc;

/// Evidence with its rows indexed by scope level and scope, so that a query for a category does not look at every model.
pub struct EvidenceFrames<'a> {
    evidence: &'a Evidence,
    rows_by_scope: BTreeMap<&'a str, RowsByScope<'a>>,
}

/// By scope level, then by scope.
type RowsByScope<'a> = BTreeMap<&'a str, BTreeMap<&'a str, Vec<usize>>>;

impl<'a> EvidenceFrames<'a> {
    pub fn new(evidence: &'a Evidence) -> EvidenceFrames<'a> {
        let rows_by_scope = evidence.tables.iter().map(|(name, frame)| (name.as_str(), rows_by_scope(frame))).collect();
        EvidenceFrames { evidence, rows_by_scope }
    }

    /// The rows at the query's scope level, and of its scope, or all rows where it names none; in the order of the table.
    fn candidates(&self, query: &Query, frame: &DataFrame) -> Vec<usize> {
        let named = |wanted: &str| {
            query.conditions.iter().find_map(|(column, condition)| match condition {
                Condition::Equals(Value::Text(text)) if *column == wanted => Some(text.as_str()),
                _ => None,
            })
        };
        let Some((level, levels)) = named(SCOPE_LEVEL).zip(self.rows_by_scope.get(query.table)) else {
            return (0..frame.height()).collect();
        };
        let Some(scopes) = levels.get(level) else { return Vec::new() };
        if let Some(scope) = named(SCOPE) {
            return scopes.get(scope).cloned().unwrap_or_default();
        }
        let mut rows: Vec<usize> = scopes.values().flatten().copied().collect();
        rows.sort_unstable();
        rows
    }
}

fn rows_by_scope(frame: &DataFrame) -> RowsByScope<'_> {
    let mut rows = RowsByScope::new();
    let texts = |name: &str| frame.column(name).ok().and_then(|column| column.str().ok());
    if let (Some(levels), Some(scopes)) = (texts(SCOPE_LEVEL), texts(SCOPE)) {
        for (row, (level, scope)) in levels.iter().zip(scopes.iter()).enumerate() {
            if let (Some(level), Some(scope)) = (level, scope) {
                rows.entry(level).or_default().entry(scope).or_default().push(row);
            }
        }
    }
    rows
}

const SCOPE: &str = "scope";
const SCOPE_LEVEL: &str = "scope_level";

impl EvidenceView for EvidenceFrames<'_> {
    fn about(&self) -> &About {
        &self.evidence.about
    }

    fn rows(&self, query: &Query) -> Vec<Row> {
        let Some(frame) = self.evidence.tables.get(query.table) else { return Vec::new() };
        let mut wanted = self.candidates(query, frame);
        for (name, condition) in &query.conditions {
            let column = frame.column(name).ok();
            wanted.retain(|row| condition.holds(&column.map_or(Value::Null, |column| value(column, *row))));
        }
        let names: Rc<[String]> = frame.get_column_names().into_iter().map(|name| name.to_string()).collect();
        wanted
            .into_iter()
            .map(|row| Row::new(Rc::clone(&names), frame.columns().iter().map(|column| value(column, row)).collect()))
            .collect()
    }
}

fn value(column: &Column, row: usize) -> Value {
    match column.get(row) {
        Ok(AnyValue::String(text)) => Value::Text(text.to_owned()),
        Ok(AnyValue::StringOwned(text)) => Value::Text(text.to_string()),
        Ok(AnyValue::Boolean(flag)) => Value::Flag(flag),
        Ok(AnyValue::Int32(integer)) => Value::Integer(integer.into()),
        Ok(AnyValue::Int64(integer)) => Value::Integer(integer),
        Ok(AnyValue::Float64(real)) => Value::Real(real),
        _ => Value::Null,
    }
}
