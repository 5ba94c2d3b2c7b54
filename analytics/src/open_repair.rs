//! The store's jobs as the Open Repair Data Standard asks for them: keys of the vocabulary, no free text, no number of a job or machine.

use fixodds_schemas::StoreLayout;
use serde_json::{Map, Value};

use crate::error::AnalyticsError;
use crate::query::query;

/// One completed job.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OpenRepairJob {
    pub source: String,
    /// Its place among the source's jobs by closing day, counted from 1.
    pub number: i64,
    pub category: Option<String>,
    pub brand: Option<String>,
    pub made_year: Option<i64>,
    /// Whole years.
    pub age_years: Option<i64>,
    pub outcome: String,
    pub not_repaired_reason: Option<String>,
    pub closed_on: String,
    /// Keys of the primary faults.
    pub components: Vec<String>,
    /// Keys of the reported symptoms.
    pub symptoms: Vec<String>,
    /// Whether the record holds free text, which stays in the store.
    pub has_free_text: bool,
}

/// Every job of the store's current snapshot, by source and closing day.
///
/// # Errors
/// A store that cannot be read.
pub fn open_repair_jobs(store: &StoreLayout) -> Result<Vec<OpenRepairJob>, AnalyticsError> {
    store.current_dir()?;
    let answer = query(store, include_str!("../sql/export/open_repair.sql"))?;
    Ok(answer.objects().map(|row| job(&row)).collect())
}

fn job(row: &Map<String, Value>) -> OpenRepairJob {
    let text = |column: &str| row.get(column).and_then(Value::as_str).map(str::to_owned);
    let number = |column: &str| row.get(column).and_then(Value::as_i64);
    let keys = |column: &str| text(column).map(|keys| keys.split(';').map(|key| key.trim().to_owned()).collect()).unwrap_or_default();
    OpenRepairJob {
        source: text("source").unwrap_or_default(),
        number: number("number").unwrap_or_default(),
        category: text("category"),
        brand: text("brand"),
        made_year: number("made_year"),
        age_years: number("age_years").filter(|age| *age >= 0),
        outcome: text("outcome").unwrap_or_default(),
        not_repaired_reason: text("not_repaired_reason"),
        closed_on: text("closed_on").unwrap_or_default(),
        components: keys("components"),
        symptoms: keys("symptoms"),
        has_free_text: row.get("has_free_text").and_then(Value::as_bool).unwrap_or_default(),
    }
}
