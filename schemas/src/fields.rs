//! The dictionary of input fields: what a workshop may tell us, table by table, and the column titles it may use.
//!
//! The definitions live in `schemas/fields/*.toml`.

use std::sync::OnceLock;

use serde::{Deserialize, Serialize};

use crate::terms::match_key;
use crate::vocabulary::List;

/// A table of input records.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct InputTable {
    pub name: String,
    /// What one record stands for.
    pub description: String,
    /// Names under which people keep such a table: sheet and file names, keys of nested lists.
    pub synonyms: Vec<String>,
    #[serde(rename = "field")]
    pub fields: Vec<Field>,
}

/// One field of an input record.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Field {
    pub name: String,
    pub kind: FieldKind,
    /// The list of the vocabulary that [`FieldKind::Term`] and [`FieldKind::Terms`] refer to.
    pub list: Option<List>,
    /// Unit of the values; none for plain numbers and text.
    pub unit: Option<String>,
    /// A record without a usable value cannot be used at all.
    #[serde(default)]
    pub required: bool,
    /// Column of the store table, where it is not the field's own name.
    pub store_column: Option<String>,
    /// What a value says, in one sentence.
    pub meaning: String,
    /// Column titles that workshops use for it.
    #[serde(default)]
    pub synonyms: Vec<String>,
    /// Column titles that may mean it as well as another field: the values have to decide ("fault" over terms or over sentences).
    #[serde(default)]
    pub ambiguous_synonyms: Vec<String>,
}

/// What kind of value a field holds, and so how a cell is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum FieldKind {
    /// A name or number that identifies something; kept as written, or as a keyed hash.
    Identifier,
    /// A calendar day.
    Date,
    /// A calendar year.
    Year,
    /// An age in years.
    Years,
    /// An amount of money.
    Money,
    /// A duration in minutes.
    Minutes,
    /// A whole number, 0 or more.
    Count,
    /// A number, 0 or more.
    Quantity,
    /// A sub-score from 0 to 10.
    Score,
    /// A three-letter currency code.
    Currency,
    /// One term of a list of the vocabulary.
    Term,
    /// One or several terms of a list of the vocabulary.
    Terms,
    /// Yes or no.
    Flag,
    /// Free text.
    Text,
}

impl InputTable {
    /// The field of that name.
    #[must_use]
    pub fn field(&self, name: &str) -> Option<&Field> {
        self.fields.iter().find(|field| field.name == name)
    }

    /// The field that a column title means, whatever its case, spacing, punctuation or number, as far as the title alone can say.
    #[must_use]
    pub fn field_for_header(&self, header: &str) -> Option<&Field> {
        let wanted = match_key(header);
        self.fields.iter().find(|field| field.headers().any(|known| match_key(known) == wanted))
    }
}

impl Field {
    /// The field's own name, then the column titles that workshops use for it.
    pub fn headers(&self) -> impl Iterator<Item = &str> {
        std::iter::once(self.name.as_str()).chain(self.synonyms.iter().map(String::as_str))
    }

    /// The column of the store table that keeps it. (A job's `component` becomes rows of the findings table.)
    #[must_use]
    pub fn store_column(&self) -> &str {
        self.store_column.as_deref().unwrap_or(&self.name)
    }
}

/// All tables of input records: jobs, findings, parts, machines, models.
///
/// # Panics
/// Never: the embedded files are part of the program, and the tests of this crate load them.
#[must_use]
pub fn input_tables() -> &'static [InputTable] {
    static TABLES: OnceLock<Vec<InputTable>> = OnceLock::new();
    TABLES.get_or_init(|| {
        [
            include_str!("../fields/jobs.toml"),
            include_str!("../fields/findings.toml"),
            include_str!("../fields/parts.toml"),
            include_str!("../fields/machines.toml"),
            include_str!("../fields/models.toml"),
        ]
        .into_iter()
        .map(|text| toml::from_str(text).expect("the embedded dictionary is valid, as the tests of this crate show"))
        .collect()
    })
}

/// A table of input records by name.
#[must_use]
pub fn input_table(name: &str) -> Option<&'static InputTable> {
    input_tables().iter().find(|table| table.name == name)
}
