//! The mapping file: what a workshop says about its own columns and words, in TOML. It overrides what is recognised.
//!
//! ```toml
//! date_order = "day-first"        # or "month-first"; for columns that leave it open
//! decimal_mark = "comma"          # or "point"
//! currency = "GBP"                # of amounts that do not say
//! records_from = 2018-01-01       # the span over which this source kept job records: machines are watched within it only
//! records_to = 2023-12-31
//!
//! [rates]                         # what one unit of another currency is worth in `currency`; without it, such amounts are kept apart
//! EUR = 0.86
//!
//! [brands]                        # word = brand as it is to be written: what makes one brand of two that are only near each other
//! "Orowby" = "Orrowby"
//!
//! [jobs.columns]
//! "Fault found" = "component"     # title of the column = field; "extra" keeps it unread
//!
//! [jobs.date_order]
//! closed_on = "month-first"       # for one field
//!
//! [jobs.outcomes]
//! "gone to tip" = "condemned"     # word = key of the vocabulary
//!
//! [jobs.blank]
//! parts_cost = "nothing"          # what an empty cell of an amount means: "nothing" or "unknown"; also labour_cost, charged, labour_minutes
//!
//! [text]                          # rules for free text, as in text_rules.toml
//! failure = ["conked out"]
//! ```

use std::collections::BTreeMap;
use std::path::Path;

use chrono::NaiveDate;
use fixodds_schemas::{InputTable, List, Match, TextRules, Vocabulary, input_table};
use serde::Deserialize;
use toml::Spanned;

use crate::error::IngestError;
use crate::normalise::date::DateOrder;
use crate::normalise::money::currency_code;
use crate::normalise::number::DecimalMark;
use crate::normalise::tidy;

/// A column that is kept unread in `extra`.
pub const EXTRA: &str = "extra";

/// What the user says about the files.
#[derive(Debug, Clone, Default)]
pub struct Mapping {
    pub date_order: Option<DateOrder>,
    pub decimal_mark: Option<DecimalMark>,
    /// ISO 4217 code for amounts that name no currency.
    pub currency: Option<String>,
    /// First and last day on which the source kept job records, where the user says so.
    pub records_from: Option<NaiveDate>,
    pub records_to: Option<NaiveDate>,
    /// Further rules for free text.
    pub text: TextRules,
    /// What one unit of a currency is worth in `currency`, by its ISO 4217 code.
    rates: BTreeMap<String, f64>,
    /// Brand by its word in the records, as both are written.
    pub(crate) brands: BTreeMap<String, String>,
    tables: BTreeMap<String, TableMapping>,
}

/// What an empty cell of an amount means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Blank {
    Nothing,
    Unknown,
}

/// Amounts of a job of which it may be said what an empty cell means.
pub const MAY_BE_BLANK: [&str; 4] = ["parts_cost", "labour_cost", "charged", "labour_minutes"];

/// What the user says about one table.
#[derive(Debug, Clone, Default)]
pub struct TableMapping {
    /// Field by normalised column title.
    columns: BTreeMap<String, String>,
    /// What an empty cell means, by field.
    blank: BTreeMap<String, Blank>,
    date_order: BTreeMap<String, DateOrder>,
    terms: BTreeMap<List, BTreeMap<String, String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MappingFile {
    date_order: Option<DateOrder>,
    decimal_mark: Option<DecimalMark>,
    currency: Option<Spanned<String>>,
    records_from: Option<Spanned<toml::Value>>,
    records_to: Option<Spanned<toml::Value>>,
    #[serde(default)]
    rates: BTreeMap<Spanned<String>, f64>,
    #[serde(default)]
    brands: BTreeMap<String, Spanned<String>>,
    #[serde(default)]
    text: TextRules,
    #[serde(default)]
    jobs: TableSection,
    #[serde(default)]
    findings: TableSection,
    #[serde(default)]
    parts: TableSection,
    #[serde(default)]
    machines: TableSection,
    #[serde(default)]
    models: TableSection,
}

type Words = BTreeMap<Spanned<String>, Spanned<String>>;

#[derive(Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
struct TableSection {
    columns: Words,
    blank: BTreeMap<Spanned<String>, Blank>,
    date_order: BTreeMap<Spanned<String>, DateOrder>,
    categories: Words,
    components: Words,
    failure_modes: Words,
    symptoms: Words,
    outcomes: Words,
    reasons: Words,
    roles: Words,
    part_sources: Words,
    sites: Words,
    drum_designs: Words,
    motor_types: Words,
    left_reasons: Words,
    yes_no: Words,
}

impl Mapping {
    /// Reads a mapping file.
    ///
    /// # Errors
    /// If it cannot be read, or as [`Mapping::parse`].
    pub fn read(path: &Path, vocabulary: &Vocabulary) -> Result<Self, IngestError> {
        let text = std::fs::read_to_string(path).map_err(|source| IngestError::io("read", path, source))?;
        Self::parse(&text, &path.display().to_string(), vocabulary)
    }

    /// Reads the text of a mapping file; `file` is its name in messages.
    ///
    /// # Errors
    /// If it is no TOML of that form, or names a field or key that does not exist; with the line.
    pub fn parse(text: &str, file: &str, vocabulary: &Vocabulary) -> Result<Self, IngestError> {
        let error_at = |offset: usize, message: String| IngestError::Mapping {
            file: file.to_owned(),
            line: text.as_bytes().iter().take(offset).filter(|&&byte| byte == b'\n').count() + 1,
            message,
        };
        let parsed: MappingFile =
            toml::from_str(text).map_err(|error| error_at(error.span().map_or(0, |span| span.start), error.message().to_owned()))?;
        let currency = match parsed.currency {
            None => None,
            Some(code) => match currency_code(code.get_ref()) {
                Some(known) => Some(known.to_owned()),
                None => {
                    let message = format!("`{}` is no currency that is known; write a three-letter code such as GBP", code.get_ref());
                    return Err(error_at(code.span().start, message));
                }
            },
        };
        let [records_from, records_to] = [("records_from", &parsed.records_from), ("records_to", &parsed.records_to)].map(|(key, day)| {
            let Some(day) = day else { return Ok(None) };
            let written = day.get_ref().to_string();
            let read = written.trim_matches('"').parse().map(Some);
            read.map_err(|_| error_at(day.span().start, format!("{key}: {written} is no day; write it as 2021-04-03")))
        });
        let (records_from, records_to) = (records_from?, records_to?);
        if let (Some(from), Some(to), Some(day)) = (records_from, records_to, &parsed.records_to)
            && to < from
        {
            return Err(error_at(day.span().start, format!("records_to: {to} lies before records_from, {from}")));
        }
        let rates = rates(parsed.rates, currency.as_deref(), &error_at)?;
        let mut brands = BTreeMap::new();
        for (word, brand) in parsed.brands {
            let spelling = tidy(brand.get_ref()).into_owned();
            if spelling.is_empty() || spelling.len() > 100 {
                return Err(error_at(brand.span().start, "write a brand of 1 to 100 bytes".to_owned()));
            }
            brands.insert(word, spelling);
        }
        let mut tables = BTreeMap::new();
        for (name, section) in [
            ("jobs", parsed.jobs),
            ("findings", parsed.findings),
            ("parts", parsed.parts),
            ("machines", parsed.machines),
            ("models", parsed.models),
        ] {
            let Some(table) = input_table(name) else { continue };
            tables.insert(name.to_owned(), section.resolve(table, vocabulary, &error_at)?);
        }
        Ok(Self {
            date_order: parsed.date_order,
            decimal_mark: parsed.decimal_mark,
            currency,
            records_from,
            records_to,
            text: parsed.text,
            rates,
            brands,
            tables,
        })
    }

    /// The currency of account, and what one unit of this currency is worth in it; none if the mapping does not say.
    pub(crate) fn rate(&self, code: &str) -> Option<(&str, f64)> {
        let account = self.currency.as_deref().filter(|_| !self.rates.is_empty())?;
        if code == account { Some((account, 1.0)) } else { self.rates.get(code).map(|rate| (account, *rate)) }
    }

    /// This mapping and, for columns of which it says nothing, these fields.
    pub(crate) fn with_columns<'t>(&self, table: &str, columns: impl Iterator<Item = (&'t str, &'static str)>) -> Self {
        let mut mapping = self.clone();
        let known = &mut mapping.tables.entry(table.to_owned()).or_default().columns;
        for (title, field) in columns {
            known.entry(fixodds_schemas::normalise(title)).or_insert_with(|| field.to_owned());
        }
        mapping
    }

    pub(crate) fn field_of(&self, table: &str, title: &str) -> Option<&str> {
        self.tables.get(table)?.columns.get(&fixodds_schemas::normalise(title)).map(String::as_str)
    }

    /// Fields of which an empty cell has a meaning, with it.
    pub(crate) fn blanks_of(&self, table: &str) -> impl Iterator<Item = (&str, Blank)> {
        self.tables.get(table).into_iter().flat_map(|table| &table.blank).map(|(field, blank)| (field.as_str(), *blank))
    }

    pub(crate) fn date_order_of(&self, table: &str, field: &str) -> Option<DateOrder> {
        self.tables.get(table).and_then(|table| table.date_order.get(field)).copied()
    }

    pub(crate) fn terms_of(&self, table: &str, list: List) -> BTreeMap<String, String> {
        self.tables.get(table).and_then(|table| table.terms.get(&list)).cloned().unwrap_or_default()
    }
}

fn rates(
    written: BTreeMap<Spanned<String>, f64>,
    account: Option<&str>,
    error_at: &dyn Fn(usize, String) -> IngestError,
) -> Result<BTreeMap<String, f64>, IngestError> {
    let mut rates = BTreeMap::new();
    for (code, rate) in written {
        let error = |message: String| Err(error_at(code.span().start, message));
        let Some(account) = account else {
            return error("rates need `currency` above them: the one that amounts are converted into".to_owned());
        };
        match currency_code(code.get_ref()) {
            Some(known) if known == account => return error(format!("{known} is the currency that amounts are converted into")),
            Some(known) if rate.is_finite() && rate > 0.0 => rates.insert(known.to_owned(), rate),
            Some(_) => return error(format!("{rate} is no rate; write what one {} is worth in {account}", code.get_ref())),
            None => {
                return error(format!("`{}` is no currency that is known; write a three-letter code such as EUR", code.get_ref()));
            }
        };
    }
    Ok(rates)
}

impl TableSection {
    fn resolve(
        self,
        table: &InputTable,
        vocabulary: &Vocabulary,
        error_at: &dyn Fn(usize, String) -> IngestError,
    ) -> Result<TableMapping, IngestError> {
        let field_names = || table.fields.iter().map(|field| field.name.as_str()).collect::<Vec<_>>().join(", ");
        let no_field = |name: &Spanned<String>| {
            error_at(
                name.span().start,
                format!("`{}` is no field of {}; write one of {}, or {EXTRA}", name.get_ref(), table.name, field_names()),
            )
        };
        let mut mapping = TableMapping::default();
        for (title, field) in self.columns {
            if field.get_ref() != EXTRA && table.field(field.get_ref()).is_none() {
                return Err(no_field(&field));
            }
            mapping.columns.insert(fixodds_schemas::normalise(title.get_ref()), field.into_inner());
        }
        for (field, blank) in self.blank {
            if table.name != "jobs" || !MAY_BE_BLANK.contains(&field.get_ref().as_str()) {
                let message = format!(
                    "what an empty `{}` means cannot be said for {}; in [jobs.blank] write one of {}",
                    field.get_ref(),
                    table.name,
                    MAY_BE_BLANK.join(", ")
                );
                return Err(error_at(field.span().start, message));
            }
            mapping.blank.insert(field.into_inner(), blank);
        }
        for (field, order) in self.date_order {
            if table.field(field.get_ref()).is_none() {
                return Err(no_field(&field));
            }
            mapping.date_order.insert(field.into_inner(), order);
        }
        for (list, words) in [
            (List::Category, self.categories),
            (List::Component, self.components),
            (List::FailureMode, self.failure_modes),
            (List::Symptom, self.symptoms),
            (List::Outcome, self.outcomes),
            (List::Reason, self.reasons),
            (List::Role, self.roles),
            (List::PartSource, self.part_sources),
            (List::Site, self.sites),
            (List::DrumDesign, self.drum_designs),
            (List::MotorType, self.motor_types),
            (List::LeftReason, self.left_reasons),
            (List::YesNo, self.yes_no),
        ] {
            let mut keys = BTreeMap::new();
            for (word, meaning) in words {
                let key = match vocabulary.find(list, meaning.get_ref(), None) {
                    Match::One(key) => Some(key),
                    Match::Several(keys) => keys.into_iter().find(|key| key == meaning.get_ref()),
                    Match::Unknown => None,
                };
                let Some(key) = key else {
                    let message = format!("`{}` is no {} of the vocabulary; write one of its keys", meaning.get_ref(), list.name());
                    return Err(error_at(meaning.span().start, message));
                };
                keys.insert(word.into_inner(), key.to_owned());
            }
            mapping.terms.insert(list, keys);
        }
        Ok(mapping)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use fixodds_schemas::vocabulary;

    fn parse(text: &str) -> Result<Mapping, String> {
        Mapping::parse(text, "own.toml", vocabulary()).map_err(|error| error.to_string())
    }

    #[test]
    fn columns_words_and_order_are_read() {
        let mapping = parse(
            "date_order = \"month-first\"\ncurrency = \"£\"\n[jobs.columns]\n\"Fault found\" = \"component\"\n[jobs.date_order]\nclosed_on = \"day-first\"\n[jobs.outcomes]\n\"gone to tip\" = \"Condemned\"\n",
        )
        .unwrap();
        assert_eq!(mapping.field_of("jobs", "FAULT FOUND:"), Some("component"));
        assert_eq!(mapping.field_of("parts", "Fault found"), None);
        assert_eq!(mapping.date_order_of("jobs", "closed_on"), Some(DateOrder::DayFirst));
        assert_eq!(mapping.date_order, Some(DateOrder::MonthFirst));
        assert_eq!(mapping.currency.as_deref(), Some("GBP"));
        assert_eq!(mapping.terms_of("jobs", List::Outcome)["gone to tip"], "condemned");
    }

    #[test]
    fn mistakes_are_reported_with_their_line() {
        for (text, expected) in [
            ("[jobs.columns]\n\"a\" = \"colour\"", "own.toml, line 2: `colour` is no field of jobs"),
            ("\n[jobs.outcomes]\n\"a\" = \"b\"", "own.toml, line 3: `b` is no outcome"),
            ("currency = \"shells\"", "own.toml, line 1: `shells` is no currency"),
            ("[job.columns]", "own.toml, line 1"),
            ("date_order = \"sideways\"", "own.toml, line 1"),
            ("records_from = \"last year\"", "own.toml, line 1: records_from: \"last year\" is no day"),
            ("records_from = 2020-01-01\nrecords_to = 2019-01-01", "own.toml, line 2: records_to: 2019-01-01 lies before"),
            ("[rates]\nEUR = 0.86", "own.toml, line 2: rates need `currency`"),
            ("currency = \"GBP\"\n[rates]\nEUR = -1", "own.toml, line 3: -1 is no rate"),
            ("currency = \"GBP\"\n[rates]\nshells = 1", "own.toml, line 3: `shells` is no currency"),
            ("[jobs.blank]\nnotes = \"nothing\"", "own.toml, line 2: what an empty `notes` means cannot be said for jobs"),
            ("[parts.blank]\nunit_cost = \"nothing\"", "own.toml, line 2: what an empty `unit_cost` means cannot be said for parts"),
            ("[jobs.blank]\nparts_cost = \"maybe\"", "own.toml, line 2"),
            ("[brands]\n\"a\" = \" \"", "own.toml, line 2: write a brand"),
        ] {
            let message = parse(text).unwrap_err();
            assert!(message.starts_with(expected), "{message}");
        }
    }
}
