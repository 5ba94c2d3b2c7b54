//! The column dictionary: every column of the store and of the evidence tables, defined once.
//!
//! The definitions live in `schemas/tables/store/*.toml` and `schemas/tables/evidence/*.toml`; `evidence/common.toml` holds the
//! columns that all evidence tables share.

use std::sync::OnceLock;

use arrow::datatypes::{DataType, Field, Schema};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

/// A table: what one row is, and its columns in order.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct TableSchema {
    pub name: String,
    /// What one row stands for ("one row per ...").
    pub grain: String,
    /// What the table holds, in one or two sentences.
    pub description: String,
    /// Evidence tables only: population, clock, event, censoring and assumption.
    pub method: Option<String>,
    /// Columns in the order in which they are stored.
    #[serde(rename = "column")]
    pub columns: Vec<Column>,
}

/// A column of a table.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Column {
    pub name: String,
    pub kind: ColumnKind,
    /// Unit of the values; none for plain numbers and text.
    pub unit: Option<String>,
    /// Whether a value may be missing.
    #[serde(default)]
    pub nullable: bool,
    /// What a value says, in one sentence.
    pub meaning: String,
}

/// The type of a column's values.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ColumnKind {
    Text,
    Integer32,
    Integer64,
    Real,
    /// A calendar day.
    Date,
    /// True or false.
    Flag,
}

impl ColumnKind {
    /// The Arrow type that stores it.
    #[must_use]
    pub fn arrow_type(self) -> DataType {
        match self {
            Self::Text => DataType::Utf8,
            Self::Integer32 => DataType::Int32,
            Self::Integer64 => DataType::Int64,
            Self::Real => DataType::Float64,
            Self::Date => DataType::Date32,
            Self::Flag => DataType::Boolean,
        }
    }
}

impl TableSchema {
    /// The same columns as an Arrow schema.
    #[must_use]
    pub fn arrow_schema(&self) -> Schema {
        let field = |column: &Column| Field::new(&column.name, column.kind.arrow_type(), column.nullable);
        Schema::new(self.columns.iter().map(field).collect::<Vec<_>>())
    }

    #[must_use]
    pub fn column(&self, name: &str) -> Option<&Column> {
        self.columns.iter().find(|column| column.name == name)
    }
}

/// An evidence table as written in its file: the columns that all evidence tables share are added to its own.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct EvidenceFile {
    name: String,
    grain: String,
    description: String,
    method: String,
    /// Meaning of the column `estimate`.
    estimate: String,
    estimate_unit: Option<String>,
    column: Vec<Column>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct EvidenceColumns {
    before: Vec<Column>,
    after: Vec<Column>,
}

impl EvidenceColumns {
    fn complete(&self, file: EvidenceFile) -> TableSchema {
        let EvidenceFile { name, grain, description, method, estimate, estimate_unit, column } = file;
        let estimate =
            Column { name: "estimate".to_owned(), kind: ColumnKind::Real, unit: estimate_unit, nullable: true, meaning: estimate };
        let columns = [self.before.clone(), column, vec![estimate], self.after.clone()].concat();
        TableSchema { name, grain, description, method: Some(method), columns }
    }
}

macro_rules! embed {
    ($folder:literal: $($name:literal),+ $(,)?) => { [$(include_str!(concat!("../tables/", $folder, "/", $name, ".toml"))),+] };
}

const STORE: [&str; 8] = embed!("store": "jobs", "findings", "parts", "machines", "models", "superseded", "quarantine", "ledger");

const EVIDENCE: [&str; 25] = embed!(
    "evidence": "fault_share", "failure_rate", "life", "recurrence", "recall", "repair_cost", "outcome", "outcome_by_age", "write_off_reason", "closing_test", "sealed_write_off",
    "design_contrast", "model_standing", "cascade", "priority_part", "part_supply", "part_price", "declared_lived", "fault_odds", "fault_odds_skill", "take_on",
    "quote", "stock_list", "donor_value", "trend",
);

const EVIDENCE_COMMON: &str = include_str!("../tables/evidence/common.toml");

fn read<T: DeserializeOwned>(text: &str) -> T {
    toml::from_str(text).expect("the embedded dictionary is valid, as the tests of this crate show")
}

/// The tables of the store.
///
/// # Panics
/// Never: the embedded files are part of the program, and the tests of this crate load them.
#[must_use]
pub fn store_tables() -> &'static [TableSchema] {
    static TABLES: OnceLock<Vec<TableSchema>> = OnceLock::new();
    TABLES.get_or_init(|| STORE.into_iter().map(read).collect())
}

/// The evidence tables.
///
/// # Panics
/// Never: the embedded files are part of the program, and the tests of this crate load them.
#[must_use]
pub fn evidence_tables() -> &'static [TableSchema] {
    static TABLES: OnceLock<Vec<TableSchema>> = OnceLock::new();
    TABLES.get_or_init(|| {
        let common: EvidenceColumns = read(EVIDENCE_COMMON);
        EVIDENCE.into_iter().map(|text| common.complete(read(text))).collect()
    })
}

/// A table of the store by name.
#[must_use]
pub fn store_table(name: &str) -> Option<&'static TableSchema> {
    store_tables().iter().find(|table| table.name == name)
}

/// An evidence table by name.
#[must_use]
pub fn evidence_table(name: &str) -> Option<&'static TableSchema> {
    evidence_tables().iter().find(|table| table.name == name)
}
