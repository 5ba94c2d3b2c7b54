//! Looks at the beginning of a table and decides how to read it.

use fixodds_schemas::{Field, FieldKind, InputTable, normalise, store_table};

use crate::columns::{Assignment, Recognition, recognise};
use crate::error::IngestError;
use crate::evidence::Evidence;
use crate::inputs::Input;
use crate::normalise::age::AgeUnit;
use crate::normalise::date::DateOrder;
use crate::normalise::duration::DurationUnit;
use crate::normalise::money::currency_code;
use crate::normalise::number::DecimalMark;
use crate::open_repair::OpenRepair;
use crate::options::IngestOptions;
use crate::privacy;
use crate::quarantine::head;
use crate::readers::TableSource;
use crate::report::{ColumnCheck, Doubt, TableCheck};
use crate::sample::{Sample, Trial, Trials};

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
    /// Currency that the title names, for amounts that do not say; none where rows say it.
    pub currency: Option<&'static str>,
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
    /// What separates the cells of a row, where something does.
    pub delimiter: Option<u8>,
    /// Currency of amounts that do not say: the only one that titles and amounts name, else as the user says.
    pub currency: Option<String>,
    /// Brands at the beginning of the table, and how often each occurs.
    pub brands: Vec<(String, u64)>,
    /// Set if the columns are those of the Open Repair Data Standard.
    pub open_repair: Option<OpenRepair>,
}

impl TablePlan {
    /// The column titles as a line of the file; none if each record names its own.
    pub fn title_line(&self) -> Option<String> {
        let delimiter = self.delimiter?;
        let quoted = |title: &String| {
            let is_plain = !title.contains([delimiter as char, '"', '\n', '\r']);
            if is_plain { title.clone() } else { format!("\"{}\"", title.replace('"', "\"\"")) }
        };
        Some(self.titles.iter().map(quoted).collect::<Vec<_>>().join(&(delimiter as char).to_string()))
    }
}

/// Looks at a table; None if it belongs to no table that is known.
///
/// # Errors
/// If the file cannot be read, or if a column is missing without which no row can be used.
pub fn inspect(input: &Input, source: &dyn TableSource, options: &IngestOptions) -> Result<Option<(TablePlan, TableCheck)>, IngestError> {
    let titles = source.headers();
    let sample = Sample::take(source)?;
    let trials = Trials::new(&sample, options);
    let file_stem = input.path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
    let name = source.name().unwrap_or(&file_stem);
    let given = input.table.filter(|_| source.name().is_none());
    let readable_share = |column: usize, field: &Field| trials.readable_share(column, field);
    let open_repair = OpenRepair::recognise(titles).filter(|_| given.is_none_or(|given| given == "jobs"));
    let (given, mapping) = match open_repair {
        Some(_) => (Some("jobs"), &options.mapping.with_columns("jobs", OpenRepair::columns(titles))),
        None => (given, &options.mapping),
    };
    let Some(recognition) = recognise(&input.label, titles, &[name], given, mapping, &readable_share) else { return Ok(None) };
    require_columns(input, source, &recognition)?;

    let Recognition { table, by, columns, mut doubts } = recognition;
    if source.header_line() > 1 && source.name().is_none() {
        doubts.push(Doubt::RowsAboveTitles { file: input.label.clone(), line: source.header_line() });
    }
    if sample.first_undecodable_line.is_some() {
        doubts.push(Doubt::EncodingAssumed { file: input.label.clone(), line: sample.first_undecodable_line });
    }
    let evidence = Evidence { input, source, sample: &sample, table, columns: &columns, options };
    let date_orders = evidence.date_orders(&mut doubts)?;
    let decimal_mark = evidence.decimal_mark();
    let rows_say_currency = columns.iter().flatten().any(|assignment| assignment.field.kind == FieldKind::Currency);
    let mut plan = TablePlan {
        table,
        columns: Vec::new(),
        extra: Vec::new(),
        titles: titles.to_vec(),
        delimiter: source.delimiter(),
        currency: evidence.currency(&mut doubts),
        brands: Vec::new(),
        open_repair,
    };
    for (index, title) in titles.iter().enumerate() {
        let words = format!(" {} ", normalise(title));
        let says = |unit_words: &[&str]| unit_words.iter().any(|word| words.contains(&format!(" {word} ")));
        match &columns[index] {
            Some(assignment) => {
                if assignment.field.name == "brand" {
                    plan.brands = sample.all_values(source, index)?.into_iter().collect();
                }
                plan.columns.push(ColumnPlan {
                    index,
                    field: assignment.field,
                    date_order: date_orders[index].unwrap_or(DateOrder::DayFirst),
                    decimal_mark,
                    duration_unit: if says(&["hours", "hour", "hrs", "hr", "h"]) { DurationUnit::Hours } else { DurationUnit::Minutes },
                    age_unit: if says(&["months", "month", "mths"]) { AgeUnit::Months } else { AgeUnit::Years },
                    currency: words
                        .split(' ')
                        .find_map(currency_code)
                        .filter(|_| assignment.field.kind == FieldKind::Money && !rows_say_currency),
                });
            }
            None => plan.extra.push(ExtraColumn { index, title: title.clone(), is_personal: privacy::is_personal_title(title) }),
        }
    }
    doubts.extend(content_doubts(input, titles, &columns, &trials));
    let is_expected = |column: &&ExtraColumn| plan.open_repair.is_none() || !OpenRepair::knows(&column.title);
    doubts.extend(plan.extra.iter().filter(is_expected).map(|column| {
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
    let hides = column.is_none() && privacy::is_personal_title(title)
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
