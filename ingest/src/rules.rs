//! What must hold between the values of a row. Impossible values are set aside; the row is rejected only if it cannot be used at all.

use chrono::{Datelike, NaiveDate};
use fixodds_schemas::{TableSchema, store_table};

use crate::cells::{Findings, SetAside};
use crate::context::Context;
use crate::mapping::Mapping;
use crate::normalise::age::Precision;
use crate::quarantine::Reason;
use crate::row::Row;

const DAYS_PER_YEAR: f64 = 365.25;

/// Why a row cannot be used, and which value is to blame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rejection {
    pub column: Option<String>,
    pub value: Option<String>,
    pub reason: Reason,
}

impl Rejection {
    pub fn of_value(column: &str, value: &str, reason: Reason) -> Self {
        Self { column: Some(column.to_owned()), value: Some(value.to_owned()), reason }
    }

    pub fn missing(column: &str) -> Self {
        Self { column: Some(column.to_owned()), value: None, reason: Reason::MissingValue }
    }
}

/// The columns of a store table that rules look at.
pub struct Rules {
    table: Table,
    currency: Option<usize>,
    /// Columns with amounts of money.
    amounts: Vec<usize>,
    /// Of amounts that do not say.
    assumed_currency: Option<String>,
    schema: &'static TableSchema,
}

enum Table {
    Jobs { closed_on: usize, booked_on: usize, made_on: usize, made_year: usize, bought_on: usize, age: usize, age_precision: usize },
    Findings { role: usize, caused_by: usize, origin: usize },
    Parts { quantity: usize, ordered_on: usize, received_on: usize },
    Machines { key: usize, machine_id_key: usize, serial_key: usize, in_service_on: usize, entered_on: usize, left_on: usize },
    Models { first_sold_on: usize, last_sold_on: usize },
}

/// Position of a column of the store.
///
/// # Panics
/// If the store's dictionary has no such column; the tests of this crate read every table.
pub fn position(schema: &TableSchema, name: &str) -> usize {
    schema
        .columns
        .iter()
        .position(|column| column.name == name)
        .unwrap_or_else(|| panic!("the dictionary of {} has a column {name}", schema.name))
}

/// The dictionary of a table of the store.
///
/// # Panics
/// If there is no such table; the tests of this crate read every table.
pub fn schema_of(table: &str) -> &'static TableSchema {
    store_table(table).unwrap_or_else(|| panic!("the dictionary has the store table {table}"))
}

impl Rules {
    pub fn new(schema: &'static TableSchema, assumed_currency: Option<String>) -> Self {
        let at = |name| position(schema, name);
        let table = match schema.name.as_str() {
            "jobs" => Table::Jobs {
                closed_on: at("closed_on"),
                booked_on: at("booked_on"),
                made_on: at("made_on"),
                made_year: at("made_year"),
                bought_on: at("bought_on"),
                age: at("age_years_stated"),
                age_precision: at("age_precision"),
            },
            "findings" => Table::Findings { role: at("role"), caused_by: at("caused_by"), origin: at("origin") },
            "parts" => Table::Parts { quantity: at("quantity"), ordered_on: at("ordered_on"), received_on: at("received_on") },
            "machines" => Table::Machines {
                key: at("machine_key"),
                machine_id_key: at("machine_id_key"),
                serial_key: at("serial_key"),
                in_service_on: at("in_service_on"),
                entered_on: at("entered_on"),
                left_on: at("left_on"),
            },
            _ => Table::Models { first_sold_on: at("first_sold_on"), last_sold_on: at("last_sold_on") },
        };
        let is_amount = |column: &fixodds_schemas::Column| column.unit.as_deref() == Some("currency");
        let amounts = (0..schema.columns.len()).filter(|&at| is_amount(&schema.columns[at])).collect();
        Self { table, assumed_currency, currency: schema.columns.iter().position(|column| column.name == "currency"), amounts, schema }
    }

    /// Sets impossible values aside and fills in what follows from the others.
    ///
    /// # Errors
    /// Why the row cannot be used.
    pub fn apply(&self, row: &mut Row, findings: &mut Findings, context: &Context<'_>) -> Result<(), Rejection> {
        let today = context.options.today;
        self.settle_currency(row, findings, &context.options.mapping);
        match self.table {
            Table::Jobs { closed_on, booked_on, made_on, made_year, bought_on, age, age_precision } => {
                let closed = row.day(closed_on).ok_or_else(|| Rejection::missing("closed_on"))?;
                if closed > today {
                    return Err(Rejection::of_value("closed_on", &closed.to_string(), Reason::DateInFuture));
                }
                self.not_after(row, findings, booked_on, closed, Reason::BookedAfterClosed);
                self.not_after(row, findings, made_on, closed, Reason::MadeAfterEvent);
                self.not_after(row, findings, bought_on, closed, Reason::MadeAfterEvent);
                if let Some(year) = row.integer(made_year).filter(|&year| year > i64::from(closed.year())) {
                    self.set_aside(row, findings, made_year, year.to_string(), Reason::MadeAfterEvent);
                }
                if let Some(year) = findings.bought_year.filter(|_| row.is_missing(age)) {
                    if year > closed.year() {
                        self.set_aside(row, findings, age, year.to_string(), Reason::MadeAfterEvent);
                    } else if let Some(middle) = NaiveDate::from_ymd_opt(year, 7, 1) {
                        let days = (row.day(booked_on).unwrap_or(closed) - middle).num_days().max(0);
                        row.set_real(age, days as f64 / DAYS_PER_YEAR);
                        row.set_text(age_precision, Precision::YearBought.code());
                    }
                }
            }
            Table::Findings { role, caused_by, origin } => {
                row.set_text(origin, "finding");
                if row.is_missing(role) {
                    let is_primary = row.is_missing(caused_by);
                    row.set_text(role, if is_primary { "primary" } else { "consequential" });
                    findings.components.iter_mut().for_each(|further| further.incidental = is_primary);
                }
            }
            Table::Parts { quantity, ordered_on, received_on } => {
                if row.is_missing(quantity) {
                    row.set_real(quantity, 1.0);
                }
                self.not_after(row, findings, ordered_on, today, Reason::DateInFuture);
                self.not_after(row, findings, received_on, today, Reason::DateInFuture);
                if let Some(received) = row.day(received_on) {
                    self.not_after(row, findings, ordered_on, received, Reason::ReceivedBeforeOrdered);
                }
            }
            Table::Machines { key, machine_id_key, serial_key, in_service_on, entered_on, left_on } => {
                let machine = row.text(machine_id_key).or_else(|| row.text(serial_key)).map(str::to_owned);
                row.set_text(key, &machine.ok_or_else(|| Rejection::missing("machine_id"))?);
                self.not_after(row, findings, in_service_on, today, Reason::DateInFuture);
                self.not_after(row, findings, entered_on, today, Reason::DateInFuture);
                self.not_after(row, findings, left_on, today, Reason::DateInFuture);
                if let Some(entered) = row.day(entered_on) {
                    self.not_after(row, findings, in_service_on, entered, Reason::EnteredBeforeService);
                    if let Some(left) = row.day(left_on).filter(|&left| left < entered) {
                        self.set_aside(row, findings, left_on, left.to_string(), Reason::LeftBeforeEntered);
                    }
                }
            }
            Table::Models { first_sold_on, last_sold_on } => {
                self.not_after(row, findings, first_sold_on, today, Reason::DateInFuture);
                if let Some(first) = row.day(first_sold_on)
                    && let Some(last) = row.day(last_sold_on).filter(|&last| last < first)
                {
                    self.set_aside(row, findings, last_sold_on, last.to_string(), Reason::SoldBackwards);
                }
            }
        }
        Ok(())
    }

    /// The row's currency: its own, else that of its first amount, else that of the file. Amounts in another one are converted if the
    /// mapping gives the rate, and else set aside.
    fn settle_currency(&self, row: &mut Row, findings: &mut Findings, mapping: &Mapping) {
        let named = std::mem::take(&mut findings.currencies);
        let own = self.currency.and_then(|column| row.text(column)).map(str::to_owned);
        let first = || named.first().filter(|_| self.currency.is_some()).map(|(_, code)| (*code).to_owned());
        let Some(own) = own.or_else(first).or_else(|| self.assumed_currency.clone()) else { return };
        let target = mapping.rate(&own).map_or(own.as_str(), |(account, _)| account);
        for &column in &self.amounts {
            let Some(amount) = row.real(column) else { continue };
            let code = named.iter().find(|(at, _)| *at == column).map_or(own.as_str(), |(_, code)| code);
            match mapping.rate(code).filter(|(account, _)| *account == target) {
                _ if code == target => {}
                Some((_, rate)) => {
                    findings.converted.push((format!("{} in {code}", self.schema.columns[column].name), amount.to_string()));
                    row.set_real(column, (amount * rate * 100.0).round() / 100.0);
                }
                None => self.set_aside(row, findings, column, format!("{amount} {code}"), Reason::CurrencyConflict),
            }
        }
        if let Some(column) = self.currency {
            row.set_text(column, target);
        }
    }

    fn not_after(&self, row: &mut Row, findings: &mut Findings, column: usize, latest: NaiveDate, reason: Reason) {
        if let Some(date) = row.day(column).filter(|&date| date > latest) {
            self.set_aside(row, findings, column, date.to_string(), reason);
        }
    }

    fn set_aside(&self, row: &mut Row, findings: &mut Findings, column: usize, value: String, reason: Reason) {
        row.unset(column);
        findings.set_aside.push(SetAside { column: self.schema.columns[column].name.clone(), value, reason });
    }
}
