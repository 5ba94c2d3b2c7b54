//! What the first rows of a table hold, and how well it can be read as what.

use std::cell::RefCell;
use std::collections::BTreeMap;

use fixodds_schemas::{Field, FieldKind, List};

use crate::error::IngestError;
use crate::normalise::age::{AgeUnit, parse_age};
use crate::normalise::date::{DateOrder, parse_date};
use crate::normalise::duration::{DurationUnit, parse_minutes};
use crate::normalise::is_blank;
use crate::normalise::money::{currency_code, parse_money};
use crate::normalise::number::{DecimalMark, parse_number};
use crate::normalise::terms::TermReader;
use crate::options::IngestOptions;
use crate::privacy;
use crate::quarantine::{Reason, head};
use crate::readers::{Record, TableSource};

const SAMPLE_ROWS: u64 = 20_000;
const SAMPLE_BYTES: u64 = 16 << 20;
/// Different values of a column that are remembered.
const SAMPLE_VALUES: usize = 1_000;
/// Different values of a column that are tried when its field is decided.
const TRIED_VALUES: usize = 200;
const LONGEST_SAMPLE_VALUE: usize = 400;

/// What the first rows hold.
pub struct Sample {
    pub rows: u64,
    pub is_all: bool,
    /// For each column, how often each value occurs.
    pub values: Vec<BTreeMap<String, u64>>,
    pub first_undecodable_line: Option<u64>,
}

impl Sample {
    /// Reads the first rows.
    pub fn take(source: &dyn TableSource) -> Result<Self, IngestError> {
        let mut reader = source.records()?;
        let mut record = Record::default();
        let width = source.headers().len();
        let mut sample = Self { rows: 0, is_all: false, values: vec![BTreeMap::new(); width], first_undecodable_line: None };
        while sample.rows < SAMPLE_ROWS && reader.bytes_read() < SAMPLE_BYTES {
            if !reader.read(&mut record)? {
                sample.is_all = true;
                break;
            }
            sample.rows += 1;
            if record.encoding_fell_back && sample.first_undecodable_line.is_none() {
                sample.first_undecodable_line = Some(record.line);
            }
            if record.fault.is_some() {
                continue;
            }
            for (values, cell) in sample.values.iter_mut().zip(record.fields()) {
                let cell = head(cell.trim(), LONGEST_SAMPLE_VALUE);
                if cell.is_empty() {
                    continue;
                }
                if let Some(count) = values.get_mut(cell) {
                    *count += 1;
                } else if values.len() < SAMPLE_VALUES {
                    values.insert(cell.to_owned(), 1);
                }
            }
        }
        Ok(sample)
    }

    /// How often each value of one column occurs in these rows, however many different ones there are.
    pub fn all_values(&self, source: &dyn TableSource, column: usize) -> Result<BTreeMap<String, u64>, IngestError> {
        if self.values[column].len() < SAMPLE_VALUES {
            return Ok(self.values[column].clone());
        }
        let (mut reader, mut record, mut values) = (source.records()?, Record::default(), BTreeMap::new());
        for _ in 0..self.rows {
            if reader.read(&mut record)? && record.fault.is_none() {
                let value = head(record.field(column).trim(), LONGEST_SAMPLE_VALUE);
                *values.entry(value.to_owned()).or_default() += 1;
            }
        }
        Ok(values)
    }
}

/// A column, and the name and list of a field.
type Question = (usize, String, Option<List>);

/// Tries values of columns as values of fields, and remembers the result.
pub struct Trials<'a> {
    pub sample: &'a Sample,
    options: &'a IngestOptions,
    known: RefCell<BTreeMap<Question, Trial>>,
}

/// How well a column's values can be read as a field's.
#[derive(Debug, Clone)]
pub struct Trial {
    /// Share of the filled cells.
    pub readable_share: Option<f64>,
    pub unreadable_example: Option<String>,
}

impl<'a> Trials<'a> {
    pub fn new(sample: &'a Sample, options: &'a IngestOptions) -> Self {
        Self { sample, options, known: RefCell::default() }
    }

    pub fn readable_share(&self, column: usize, field: &Field) -> Option<f64> {
        self.trial(column, field).readable_share
    }

    pub fn trial(&self, column: usize, field: &Field) -> Trial {
        // fields of one name and list are of one kind in every table
        let key = (column, field.name.clone(), field.list);
        if let Some(known) = self.known.borrow().get(&key) {
            return known.clone();
        }
        let result = self.try_values(column, field);
        self.known.borrow_mut().insert(key, result.clone());
        result
    }

    fn try_values(&self, column: usize, field: &Field) -> Trial {
        let terms = field.list.map(|list| {
            let mapped = ["jobs", "findings", "parts", "machines", "models"]
                .into_iter()
                .flat_map(|table| self.options.mapping.terms_of(table, list))
                .collect();
            TermReader::new(&self.options.vocabulary, list, &mapped)
        });
        let mut readable = 0;
        let mut filled = 0;
        let mut unreadable_example: Option<(&str, u64)> = None;
        let values = &self.sample.values[column];
        let step = values.len().div_ceil(TRIED_VALUES).max(1);
        for (value, &count) in values.iter().step_by(step) {
            if is_blank(value) && field.kind != FieldKind::Term {
                continue;
            }
            filled += count;
            if self.is_readable(value, field, terms.as_ref()) {
                readable += count;
            } else if unreadable_example.is_none_or(|(_, most)| count > most) {
                unreadable_example = Some((value, count));
            }
        }
        Trial {
            readable_share: (filled > 0).then(|| readable as f64 / filled as f64),
            unreadable_example: unreadable_example.map(|(value, _)| privacy::mask(head(value, 60)).into_owned()),
        }
    }

    fn is_readable(&self, value: &str, field: &Field, terms: Option<&TermReader<'_>>) -> bool {
        let latest_year = chrono::Datelike::year(&self.options.today) + 1;
        match field.kind {
            FieldKind::Date => {
                [DateOrder::DayFirst, DateOrder::MonthFirst].iter().any(|&order| parse_date(value, order, latest_year).is_ok())
            }
            FieldKind::Year => parse_date(value, DateOrder::DayFirst, latest_year).is_ok(),
            FieldKind::Years => parse_age(value, AgeUnit::Years, latest_year).is_ok(),
            FieldKind::Money => parse_money(value, DecimalMark::Point).is_ok(),
            FieldKind::Minutes => parse_minutes(value, DurationUnit::Minutes, DecimalMark::Point).is_ok(),
            FieldKind::Count | FieldKind::Quantity | FieldKind::Score => {
                parse_number(value.trim_end_matches(|character: char| character.is_alphabetic() || character == ' '), DecimalMark::Point)
                    .is_some()
            }
            FieldKind::Currency => currency_code(value).is_some() || value.len() == 3,
            FieldKind::Term | FieldKind::Flag => {
                terms.is_none_or(|terms| matches!(terms.one(value, None), Ok(_) | Err(Reason::AmbiguousTerm)))
            }
            FieldKind::Terms => terms.is_none_or(|terms| {
                let found = terms.several(value, None);
                // the category of the row will decide what an ambiguous term means
                let is_term = |(_, reason): &(String, Reason)| *reason == Reason::AmbiguousTerm;
                found.terms.len() + found.set_aside.len() > 0 && found.set_aside.iter().all(is_term)
            }),
            FieldKind::Identifier => value.len() <= 60,
            FieldKind::Text => true,
        }
    }
}
