//! What the values of a table say about how they are written: order of day and month, decimal mark, currency.

use std::collections::BTreeSet;

use fixodds_schemas::{FieldKind, InputTable, normalise, store_table};

use crate::columns::Assignment;
use crate::error::IngestError;
use crate::inputs::Input;
use crate::normalise::date::{DateOrder, order_matters, proven_order};
use crate::normalise::money::{currency_code, parse_money};
use crate::normalise::number::{DecimalMark, proven_mark};
use crate::options::IngestOptions;
use crate::readers::{Record, TableSource};
use crate::report::Doubt;
use crate::sample::Sample;

/// A table whose columns are recognised.
pub struct Evidence<'a> {
    pub input: &'a Input,
    pub source: &'a dyn TableSource,
    pub sample: &'a Sample,
    pub table: &'a InputTable,
    /// The field of each column.
    pub columns: &'a [Option<Assignment>],
    pub options: &'a IngestOptions,
}

impl Evidence<'_> {
    /// The order of day and month in each column with dates: as told, else as most telling dates say, else as the other columns of the table.
    pub fn date_orders(&self, doubts: &mut Vec<Doubt>) -> Result<Vec<Option<DateOrder>>, IngestError> {
        let Self { input, source, sample, table, columns, options } = self;
        let mut orders = vec![None; columns.len()];
        let mut votes = vec![DateVotes::default(); columns.len()];
        let is_date = |column: &Option<Assignment>| column.as_ref().is_some_and(|assignment| assignment.field.kind == FieldKind::Date);
        for (index, column) in columns.iter().enumerate().filter(|(_, column)| is_date(column)) {
            let Some(assignment) = column else { continue };
            let told =
                options.mapping.date_order_of(&table.name, &assignment.field.name).or(options.mapping.date_order).or(options.date_order);
            orders[index] = told;
            if told.is_none() {
                sample.values[index].iter().for_each(|(value, &count)| votes[index].add(value, count));
            }
        }
        let open: Vec<usize> = (0..columns.len()).filter(|&index| orders[index].is_none() && votes[index].is_open()).collect();
        if !open.is_empty() && !sample.is_all {
            let mut reader = source.records()?;
            let mut record = Record::default();
            while reader.read(&mut record)? {
                if record.fault.is_none() {
                    open.iter().for_each(|&index| votes[index].add(record.field(index), 1));
                }
            }
        }
        let all_votes = votes.iter().fold(DateVotes::default(), |sum, votes| DateVotes {
            day_first: sum.day_first + votes.day_first,
            month_first: sum.month_first + votes.month_first,
            open: sum.open + votes.open,
        });
        for (index, votes) in votes.iter().enumerate() {
            let (telling, contradicting) = (votes.day_first + votes.month_first, votes.day_first.min(votes.month_first));
            if orders[index].is_some() || telling + votes.open == 0 {
                continue;
            }
            let order = if telling > 0 { votes.majority() } else { all_votes.majority() };
            orders[index] = Some(order);
            let (file, column) = (input.label.clone(), source.headers()[index].clone());
            if contradicting > 0 {
                doubts.push(Doubt::DateOrderMixed { file, column, taken: order, values: telling, contradicting });
            } else if telling == 0 && all_votes.day_first + all_votes.month_first == 0 {
                doubts.push(Doubt::DateOrderOpen { file, column, assumed: order });
            }
        }
        Ok(orders)
    }

    /// The decimal mark: as told, else that of most telling numbers of the table.
    pub fn decimal_mark(&self) -> DecimalMark {
        let Self { sample, columns, options, .. } = self;
        if let Some(told) = options.mapping.decimal_mark {
            return told;
        }
        let mut point = 0;
        let mut comma = 0;
        for (values, column) in sample.values.iter().zip(*columns) {
            let has_numbers = column.as_ref().is_some_and(|assignment| {
                matches!(
                    assignment.field.kind,
                    FieldKind::Money | FieldKind::Quantity | FieldKind::Score | FieldKind::Minutes | FieldKind::Years
                )
            });
            for (value, count) in values.iter().filter(|_| has_numbers) {
                match proven_mark(value) {
                    Some(DecimalMark::Point) => point += count,
                    Some(DecimalMark::Comma) => comma += count,
                    None => {}
                }
            }
        }
        if comma > point { DecimalMark::Comma } else { DecimalMark::Point }
    }

    /// The currency of amounts that do not say.
    pub fn currency(&self, doubts: &mut Vec<Doubt>) -> Option<String> {
        let Self { input, source, sample, table, columns, options } = self;
        let titles = source.headers();
        let mut named = BTreeSet::new();
        let mut has_amounts = false;
        for (index, assignment) in columns.iter().enumerate().filter_map(|(index, column)| Some((index, column.as_ref()?))) {
            let values = sample.values[index].keys();
            match assignment.field.kind {
                FieldKind::Money => {
                    has_amounts |= !sample.values[index].is_empty();
                    named.extend(normalise(&titles[index]).split(' ').filter_map(currency_code));
                    named.extend(values.filter_map(|value| parse_money(value, DecimalMark::Point).ok()??.currency));
                }
                FieldKind::Currency => named.extend(values.filter_map(|value| currency_code(value))),
                _ => {}
            }
        }
        let told = options.mapping.currency.clone();
        let keeps_currency = store_table(&table.name).is_some_and(|table| table.column("currency").is_some());
        let converted: Vec<String> = named
            .iter()
            .filter(|code| options.mapping.rate(code).is_some_and(|(account, _)| account != **code))
            .map(|code| (*code).to_owned())
            .collect();
        let kept_apart = named.iter().filter(|code| options.mapping.rate(code).is_none()).count();
        if let Some(into) = told.clone().filter(|_| !converted.is_empty()) {
            doubts.push(Doubt::CurrenciesConverted { file: input.label.clone(), into, currencies: converted });
        }
        match named.len() {
            _ if !named.is_empty() && kept_apart == 0 => {}
            0 if has_amounts && told.is_none() && keeps_currency => doubts.push(Doubt::CurrencyUnknown { file: input.label.clone() }),
            0 | 1 => {}
            _ => doubts.push(Doubt::SeveralCurrencies {
                file: input.label.clone(),
                currencies: named.iter().map(|code| (*code).to_owned()).collect(),
            }),
        }
        if named.len() == 1 { named.pop_first().map(str::to_owned) } else { told }
    }
}

/// What the dates of a column say about the order of day and month.
#[derive(Debug, Clone, Copy, Default)]
struct DateVotes {
    day_first: u64,
    month_first: u64,
    /// Dates that can be read both ways.
    open: u64,
}

impl DateVotes {
    fn add(&mut self, value: &str, count: u64) {
        match proven_order(value) {
            Some(DateOrder::DayFirst) => self.day_first += count,
            Some(DateOrder::MonthFirst) => self.month_first += count,
            None if order_matters(value) => self.open += count,
            None => {}
        }
    }

    fn is_open(&self) -> bool {
        self.open > 0 && self.day_first == 0 && self.month_first == 0
    }

    fn majority(&self) -> DateOrder {
        if self.month_first > self.day_first { DateOrder::MonthFirst } else { DateOrder::DayFirst }
    }
}
