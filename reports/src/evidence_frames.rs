//! The evidence tables of an analysis, as documents read them.

use crate::evidence_view::{Condition, EvidenceView, Query, Row, Value};
use fixodds_analytics::evidence::{About, Evidence};
use polars::prelude::{AnyValue, Column, DataFrame};
use std::collections::BTreeMap;
use std::rc::Rc;

/// Evidence with its rows indexed by scope level, so that a query for a category does not look at every model.
pub struct EvidenceFrames<'a> {
    evidence: &'a Evidence,
    rows_by_level: BTreeMap<&'a str, BTreeMap<String, Vec<usize>>>,
}

impl<'a> EvidenceFrames<'a> {
    pub fn new(evidence: &'a Evidence) -> EvidenceFrames<'a> {
        let index = |frame: &DataFrame| {
            let mut rows: BTreeMap<String, Vec<usize>> = BTreeMap::new();
            let levels = frame.column(SCOPE_LEVEL).ok();
            for row in 0..frame.height() {
                if let Some(Value::Text(level)) = levels.map(|column| value(column, row)) {
                    rows.entry(level).or_default().push(row);
                }
            }
            rows
        };
        let rows_by_level = evidence.tables.iter().map(|(name, frame)| (name.as_str(), index(frame))).collect();
        EvidenceFrames { evidence, rows_by_level }
    }

    /// The rows at the query's scope level, or all rows where it names none.
    fn candidates(&self, query: &Query, frame: &DataFrame) -> Vec<usize> {
        let level = query.conditions.iter().find_map(|(column, condition)| match condition {
            Condition::Equals(Value::Text(level)) if *column == SCOPE_LEVEL => Some(level),
            _ => None,
        });
        match (level, self.rows_by_level.get(query.table)) {
            (Some(level), Some(index)) => index.get(level).cloned().unwrap_or_default(),
            _ => (0..frame.height()).collect(),
        }
    }
}

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
