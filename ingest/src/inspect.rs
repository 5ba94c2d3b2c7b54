//! Looks at the beginning of a table and decides how to read it.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};

use fixodds_schemas::{Field, FieldKind, InputTable, List, normalise, store_table};

use crate::columns::{Assignment, Recognition, recognise};
use crate::error::IngestError;
use crate::inputs::Input;
use crate::normalise::age::{AgeUnit, parse_age_years};
use crate::normalise::date::{DateOrder, order_matters, parse_date, proven_order};
use crate::normalise::duration::{DurationUnit, parse_minutes};
use crate::normalise::is_blank;
use crate::normalise::money::{currency_code, parse_money};
use crate::normalise::number::{DecimalMark, parse_number, proven_mark};
use crate::normalise::terms::TermReader;
use crate::options::IngestOptions;
use crate::privacy;
use crate::quarantine::{Reason, head};
use crate::readers::{Record, TableSource};
use crate::report::{ColumnCheck, Doubt, TableCheck};

const SAMPLE_ROWS: u64 = 20_000;
const SAMPLE_BYTES: u64 = 16 << 20;
/// Different values of a column that are remembered.
const SAMPLE_VALUES: usize = 1_000;
/// Different values of a column that are tried when its field is decided.
const TRIED_VALUES: usize = 200;
const LONGEST_SAMPLE_VALUE: usize = 400;

/// How the cells of a column are to be read.
#[derive(Debug, Clone)]
pub struct ColumnPlan {
    /// Position in the file.
    pub index: usize,
    pub field: &'static Field,
    pub date_order: DateOrder,
    pub decimal_mark: DecimalMark,
    pub duration_unit: DurationUnit,
    pub age_unit: AgeUnit,
}

/// A column that is kept unread.
#[derive(Debug, Clone)]
pub struct ExtraColumn {
    pub index: usize,
    pub title: String,
    /// Its title says that it holds personal data.
    pub is_personal: bool,
}

/// How a table of a file is to be read.
pub struct TablePlan {
    pub table: &'static InputTable,
    pub columns: Vec<ColumnPlan>,
    pub extra: Vec<ExtraColumn>,
    /// Titles of all columns of the file.
    pub titles: Vec<String>,
    /// Currency of amounts that do not say: the only one that titles and amounts name, else as the user says.
    pub currency: Option<String>,
}

/// What the first rows hold.
struct Sample {
    rows: u64,
    is_all: bool,
    /// For each column, how often each value occurs.
    values: Vec<BTreeMap<String, u64>>,
    first_undecodable_line: Option<u64>,
}

/// Looks at a table; None if it belongs to no table that is known.
///
/// # Errors
/// If the file cannot be read, or if a column is missing without which no row can be used.
pub fn inspect(input: &Input, source: &dyn TableSource, options: &IngestOptions) -> Result<Option<(TablePlan, TableCheck)>, IngestError> {
    let titles = source.headers();
    let sample = take_sample(source)?;
    let trials = Trials::new(&sample, options);
    let file_stem = input.path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
    let name = source.name().unwrap_or(&file_stem);
    let given = input.table.filter(|_| source.name().is_none());
    let readable_share = |column: usize, field: &Field| trials.readable_share(column, field);
    let Some(recognition) = recognise(&input.label, titles, &[name], given, &options.mapping, &readable_share) else { return Ok(None) };
    require_columns(input, source, &recognition)?;

    let Recognition { table, by, columns, mut doubts } = recognition;
    if source.header_line() > 1 && source.name().is_none() {
        doubts.push(Doubt::RowsAboveTitles { file: input.label.clone(), line: source.header_line() });
    }
    if sample.first_undecodable_line.is_some() {
        doubts.push(Doubt::EncodingAssumed { file: input.label.clone(), line: sample.first_undecodable_line });
    }
    let date_orders = date_orders(input, source, &sample, table, &columns, options, &mut doubts)?;
    let decimal_mark = options.mapping.decimal_mark.unwrap_or_else(|| decimal_mark(&sample, &columns));
    let mut plan = TablePlan {
        table,
        columns: Vec::new(),
        extra: Vec::new(),
        titles: titles.to_vec(),
        currency: currency(input, titles, &sample, table, &columns, options, &mut doubts),
    };
    for (index, title) in titles.iter().enumerate() {
        let words = format!(" {} ", normalise(title));
        let says = |unit_words: &[&str]| unit_words.iter().any(|word| words.contains(&format!(" {word} ")));
        match &columns[index] {
            Some(assignment) => plan.columns.push(ColumnPlan {
                index,
                field: assignment.field,
                date_order: date_orders[index].unwrap_or(DateOrder::DayFirst),
                decimal_mark,
                duration_unit: if says(&["hours", "hour", "hrs", "hr", "h"]) { DurationUnit::Hours } else { DurationUnit::Minutes },
                age_unit: if says(&["months", "month", "mths"]) { AgeUnit::Months } else { AgeUnit::Years },
            }),
            None => plan.extra.push(ExtraColumn { index, title: title.clone(), is_personal: privacy::is_personal_title(title) }),
        }
    }
    doubts.extend(content_doubts(input, titles, &columns, &trials));
    doubts.extend(plan.extra.iter().map(|column| {
        let (file, title) = (input.label.clone(), column.title.clone());
        if column.is_personal {
            Doubt::PersonalColumn { file, column: title }
        } else {
            Doubt::ColumnUnread { file, column: title, kept: keeps_extra(table) }
        }
    }));
    let check = TableCheck {
        table: table.name.clone(),
        recognised_by: by,
        header_line: source.header_line(),
        rows_looked_at: sample.rows,
        looked_at_all: sample.is_all,
        columns: (0..titles.len())
            .map(|index| column_check(&titles[index], index, columns[index].as_ref(), &trials, date_orders[index]))
            .collect(),
        fields_without_column: fields_without_column(table, &columns),
        doubts,
    };
    Ok(Some((plan, check)))
}

/// Whether the store keeps the unread columns of a table.
pub fn keeps_extra(table: &InputTable) -> bool {
    store_table(&table.name).is_some_and(|table| table.column("extra").is_some())
}

fn fields_without_column(table: &InputTable, columns: &[Option<Assignment>]) -> Vec<String> {
    let is_held = |field: &Field| columns.iter().flatten().any(|assignment| assignment.field.name == field.name);
    table.fields.iter().filter(|field| !is_held(field)).map(|field| field.name.clone()).collect()
}

fn require_columns(input: &Input, source: &dyn TableSource, recognition: &Recognition) -> Result<(), IngestError> {
    let missing = fields_without_column(recognition.table, &recognition.columns);
    let is_missing = |name: &str| missing.iter().any(|field| field == name);
    let mut needed = recognition.table.fields.iter().filter(|field| field.required && is_missing(&field.name));
    let machine_number =
        || recognition.table.fields.iter().find(|field| field.name == "machine_id" && recognition.table.name == "machines");
    let lacks_machine = is_missing("machine_id") && is_missing("serial");
    let Some(field) = needed.next().or_else(|| machine_number().filter(|_| lacks_machine)) else { return Ok(()) };
    Err(IngestError::MissingColumn {
        file: input.label.clone(),
        line: source.header_line(),
        table: &recognition.table.name,
        field: field.name.clone(),
        meaning: field.meaning.trim_end_matches('.').to_lowercase(),
        columns: list_titles(source.headers()),
    })
}

/// Column titles for a message.
pub fn list_titles(titles: &[String]) -> String {
    let shown: Vec<String> = titles.iter().take(40).map(|title| format!("\"{}\"", head(title, 40))).collect();
    let more = titles.len().saturating_sub(shown.len());
    if more == 0 { shown.join(", ") } else { format!("{} and {more} more", shown.join(", ")) }
}

fn take_sample(source: &dyn TableSource) -> Result<Sample, IngestError> {
    let mut reader = source.records()?;
    let mut record = Record::default();
    let width = source.headers().len();
    let mut sample = Sample { rows: 0, is_all: false, values: vec![BTreeMap::new(); width], first_undecodable_line: None };
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

/// A column, and the name and list of a field.
type Question = (usize, String, Option<List>);

/// Tries values of columns as values of fields, and remembers the result.
struct Trials<'a> {
    sample: &'a Sample,
    options: &'a IngestOptions,
    known: RefCell<BTreeMap<Question, Trial>>,
}

/// How well a column's values can be read as a field's.
#[derive(Debug, Clone)]
struct Trial {
    /// Share of the filled cells.
    readable_share: Option<f64>,
    unreadable_example: Option<String>,
}

impl<'a> Trials<'a> {
    fn new(sample: &'a Sample, options: &'a IngestOptions) -> Self {
        Self { sample, options, known: RefCell::default() }
    }

    fn readable_share(&self, column: usize, field: &Field) -> Option<f64> {
        self.trial(column, field).readable_share
    }

    fn trial(&self, column: usize, field: &Field) -> Trial {
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
            FieldKind::Years => parse_age_years(value, AgeUnit::Years).is_ok(),
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

/// The order of day and month in each column with dates: as told, else as most telling dates say, else as the other columns of the table.
fn date_orders(
    input: &Input,
    source: &dyn TableSource,
    sample: &Sample,
    table: &InputTable,
    columns: &[Option<Assignment>],
    options: &IngestOptions,
    doubts: &mut Vec<Doubt>,
) -> Result<Vec<Option<DateOrder>>, IngestError> {
    let mut orders = vec![None; columns.len()];
    let mut votes = vec![DateVotes::default(); columns.len()];
    let is_date = |column: &Option<Assignment>| column.as_ref().is_some_and(|assignment| assignment.field.kind == FieldKind::Date);
    for (index, column) in columns.iter().enumerate().filter(|(_, column)| is_date(column)) {
        let Some(assignment) = column else { continue };
        let told = options.mapping.date_order_of(&table.name, &assignment.field.name).or(options.mapping.date_order).or(options.date_order);
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

/// The decimal mark that most telling numbers of the table have.
fn decimal_mark(sample: &Sample, columns: &[Option<Assignment>]) -> DecimalMark {
    let mut point = 0;
    let mut comma = 0;
    for (values, column) in sample.values.iter().zip(columns) {
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
fn currency(
    input: &Input,
    titles: &[String],
    sample: &Sample,
    table: &InputTable,
    columns: &[Option<Assignment>],
    options: &IngestOptions,
    doubts: &mut Vec<Doubt>,
) -> Option<String> {
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
    match named.len() {
        0 if has_amounts && told.is_none() && keeps_currency => doubts.push(Doubt::CurrencyUnknown { file: input.label.clone() }),
        0 | 1 => {}
        _ => doubts.push(Doubt::SeveralCurrencies {
            file: input.label.clone(),
            currencies: named.iter().map(|code| (*code).to_owned()).collect(),
        }),
    }
    if named.len() == 1 { named.pop_first().map(str::to_owned) } else { told }
}

fn content_doubts(input: &Input, titles: &[String], columns: &[Option<Assignment>], trials: &Trials<'_>) -> Vec<Doubt> {
    let doubt = |(index, column): (usize, &Option<Assignment>)| {
        let field = column.as_ref()?.field;
        let Trial { readable_share, unreadable_example } = trials.trial(index, field);
        let readable_share = readable_share.filter(|share| *share < 0.5)?;
        Some(Doubt::MostlyUnreadable {
            file: input.label.clone(),
            column: titles[index].clone(),
            field: field.name.clone(),
            readable_share,
            example: unreadable_example.unwrap_or_default(),
        })
    };
    columns.iter().enumerate().filter_map(doubt).collect()
}

fn column_check(title: &str, index: usize, column: Option<&Assignment>, trials: &Trials<'_>, date_order: Option<DateOrder>) -> ColumnCheck {
    let hides = privacy::is_personal_title(title)
        || column.is_some_and(|assignment| matches!(assignment.field.name.as_str(), "serial" | "machine_id" | "donor_machine"));
    let mut most_frequent: Vec<(&String, &u64)> = trials.sample.values[index].iter().collect();
    most_frequent.sort_by(|(first, first_count), (second, second_count)| second_count.cmp(first_count).then_with(|| first.cmp(second)));
    let show = |value: &str| if hides { privacy::PERSONAL.to_owned() } else { privacy::mask(head(value, 60)).into_owned() };
    let mut samples: Vec<String> = most_frequent.into_iter().take(5).map(|(value, _)| show(value)).collect();
    samples.dedup();
    ColumnCheck {
        title: title.to_owned(),
        field: column.map(|assignment| assignment.field.name.clone()),
        recognised_by: column.map(|assignment| assignment.by.clone()),
        samples,
        readable_share: column.and_then(|assignment| trials.readable_share(index, assignment.field)),
        date_order,
    }
}
