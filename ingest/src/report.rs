//! What `check` and `ingest` found out, for people and for programs.

use std::fmt;

use serde::Serialize;

use crate::mapping::MAY_BE_BLANK;
use crate::normalise::date::DateOrder;
use crate::quarantine::Reason;

/// What would be read as what; nothing was written.
#[derive(Debug, Clone, Serialize)]
pub struct CheckReport {
    pub files: Vec<FileCheck>,
    pub doubts: Vec<Doubt>,
}

impl CheckReport {
    /// A mapping file to start from: what every column is read as, for a person to correct.
    #[must_use]
    pub fn mapping_toml(&self) -> String {
        // On one line, as a key must be; JSON and TOML escape alike, but for DEL.
        let quoted = |text: &str| serde_json::Value::from(text).to_string().replace('\u{7f}', "\\u007f");
        let mut text = String::from("# What each column is read as. Correct what is wrong; \"extra\" keeps a column unread.\n");
        for name in ["jobs", "findings", "parts", "machines", "models"] {
            let of_table = || self.files.iter().flat_map(|file| &file.tables).filter(|table| table.table == name);
            let mut known = std::collections::BTreeSet::new();
            let columns: Vec<&ColumnCheck> = of_table()
                .flat_map(|table| &table.columns)
                .filter(|column| known.insert(fixodds_schemas::normalise(&column.title)))
                .collect();
            if columns.is_empty() {
                continue;
            }
            text.push_str(&format!("\n[{name}.columns]\n"));
            for column in &columns {
                text.push_str(&format!("{} = {}\n", quoted(&column.title), quoted(column.field.as_deref().unwrap_or("extra"))));
            }
            let mut orders: std::collections::BTreeMap<&str, DateOrder> = std::collections::BTreeMap::new();
            orders.extend(columns.iter().filter_map(|column| Some((column.field.as_deref()?, column.date_order?))));
            if !orders.is_empty() {
                text.push_str(&format!("\n[{name}.date_order]\n"));
            }
            for (field, order) in orders {
                let order = if order == DateOrder::DayFirst { "day-first" } else { "month-first" };
                text.push_str(&format!("{field} = \"{order}\"\n"));
            }
            let amounts = columns.iter().filter_map(|column| column.field.as_deref()).filter(|field| MAY_BE_BLANK.contains(field));
            let amounts: Vec<String> = amounts.map(|field| format!("# {field} = \"nothing\"\n")).collect();
            if name == "jobs" && !amounts.is_empty() {
                text.push_str("\n# What an empty amount means, \"nothing\" or \"unknown\"; take the # away and say it. Until then both readings are shown.\n# [jobs.blank]\n");
                text.push_str(&amounts.concat());
            }
        }
        text
    }
}

/// What one file is taken for.
#[derive(Debug, Clone, Serialize)]
pub struct FileCheck {
    pub file: String,
    pub format: String,
    pub encoding: String,
    pub tables: Vec<TableCheck>,
}

/// What one table of a file is taken for.
#[derive(Debug, Clone, Serialize)]
pub struct TableCheck {
    pub table: String,
    pub recognised_by: RecognisedBy,
    pub header_line: u64,
    pub rows_looked_at: u64,
    /// Whether these are all rows of the table.
    pub looked_at_all: bool,
    pub columns: Vec<ColumnCheck>,
    /// Fields of the table that no column holds.
    pub fields_without_column: Vec<String>,
    pub doubts: Vec<Doubt>,
}

/// What one column is taken for.
#[derive(Debug, Clone, Serialize)]
pub struct ColumnCheck {
    pub title: String,
    /// None: the column is kept unread in `extra`.
    pub field: Option<String>,
    pub recognised_by: Option<RecognisedBy>,
    /// Some values, personal data masked.
    pub samples: Vec<String>,
    /// Share of the filled cells that can be read as a value of the field; none if all are empty or the column is unread.
    pub readable_share: Option<f64>,
    /// Order of day and month, for columns with dates in numbers.
    pub date_order: Option<DateOrder>,
}

/// How a table or column was recognised.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case", tag = "by", content = "of")]
pub enum RecognisedBy {
    /// The user says so.
    Given,
    /// A known title, or for a table: its columns.
    Title,
    /// A title that differs by a letter or two from this one.
    SimilarTitle(String),
    /// A title that may mean other fields too; the values speak for this one.
    AmbiguousTitle,
    /// The values alone.
    Content,
    /// The name of the file, sheet or list.
    Name,
}

/// Brands that a line of text names.
const MOST_BRANDS: usize = 20;

/// Something that may be read wrongly, or that should be known.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case", tag = "doubt")]
pub enum Doubt {
    /// Some bytes are no UTF-8.
    EncodingAssumed { file: String, line: Option<u64> },
    /// There are rows above the titles.
    RowsAboveTitles { file: String, line: u64 },
    /// Every date of the column can be read both ways.
    DateOrderOpen { file: String, column: String, assumed: DateOrder },
    /// The column holds dates that can only be day-first and dates that can only be month-first.
    DateOrderMixed { file: String, column: String, taken: DateOrder, values: u64, contradicting: u64 },
    /// The title says nothing, or another field, but nearly all values are of this one.
    ReadByContent { file: String, column: String, field: String, readable_share: f64 },
    /// The title was recognised only by its likeness to a known one.
    SimilarTitle { file: String, column: String, field: String, known: String },
    /// The title may mean several fields; unless it is read, nothing tells which.
    AmbiguousTitle { file: String, column: String, field: String, others: Vec<String>, is_read: bool },
    /// Two columns could hold the same field.
    TwoColumnsForField { file: String, field: String, taken: String, other: String },
    /// No field was found for the column; `kept` says whether its values are kept in `extra`.
    ColumnUnread { file: String, column: String, kept: bool },
    /// The column's title says that it holds personal data.
    PersonalColumn { file: String, column: String },
    /// Less than half of the values can be read.
    MostlyUnreadable { file: String, column: String, field: String, readable_share: f64, example: String },
    /// Words were understood as misspellings; the most frequent ones as examples.
    Misspellings { table: String, column: String, rows: u64, spellings: u64, examples: Vec<Misspelling> },
    /// Brands are written nearly like others, and kept apart: all of them, the most frequent first.
    BrandsNear { table: String, rows: u64, brands: Vec<Misspelling> },
    /// Values were set aside, or their rows quarantined; the most frequent ones as examples.
    NotUsed { table: String, column: String, reason: Reason, rows: u64, examples: Vec<String> },
    /// Amounts in several currencies.
    SeveralCurrencies { file: String, currencies: Vec<String> },
    /// Amounts in another currency are converted at the mapping's rates.
    CurrenciesConverted { file: String, into: String, currencies: Vec<String> },
    /// Amounts whose currency nobody has told.
    CurrencyUnknown { file: String },
    /// A file in a folder was left out.
    FileSkipped { file: String },
    /// A table in a file was not recognised and left out.
    TableSkipped { file: String, table: String },
    /// Components were read from free text.
    ComponentsFromText { table: String, rows: u64 },
    /// Findings or parts of jobs that the store does not have.
    JobsUnknown { table: String, rows: u64 },
}

impl Doubt {
    /// What to do about it, in one sentence.
    #[must_use]
    pub fn advice(&self) -> String {
        match self {
            Self::EncodingAssumed { .. } => "Look at a name with accents in the result; if it is wrong, save the file as UTF-8.".into(),
            Self::RowsAboveTitles { .. } => "If those rows are records, move the titles to the first row.".into(),
            Self::DateOrderOpen { assumed, .. } => {
                let other = if *assumed == DateOrder::DayFirst { "month-first" } else { "day-first" };
                format!("If the dates are {other}, say date_order = \"{other}\" in a mapping file or as an option.")
            }
            Self::DateOrderMixed { .. } => "Correct the values that were set aside, or split the file by where its rows come from.".into(),
            Self::ReadByContent { column, .. } => {
                format!("If that is wrong, add \"{column}\" = \"fault_text\" or another field to the mapping file.")
            }
            Self::AmbiguousTitle { column, field, others, .. } => {
                let others = others.iter().map(|other| format!("\"{other}\"")).collect::<Vec<_>>().join(" or ");
                format!(
                    "Say in the mapping file which it is: \"{column}\" = \"{field}\"{}.",
                    if others.is_empty() { others } else { format!(" or {others}") }
                )
            }
            Self::SimilarTitle { column, field, .. } => format!(
                "If that is wrong, add \"{column}\" = \"extra\" or another field to the mapping file; else \"{column}\" = \"{field}\"."
            ),
            Self::TwoColumnsForField { field, other, .. } => {
                format!("If the other column is meant, add \"{other}\" = \"{field}\" to the mapping file.")
            }
            Self::ColumnUnread { column, kept, .. } => {
                let meanwhile = if *kept { "its values are kept in `extra` meanwhile" } else { "its values are not kept" };
                format!("If it matters, add \"{column}\" = \"<field>\" to the mapping file; {meanwhile}.")
            }
            Self::PersonalColumn { .. } => {
                "Nothing needs to be done: its values are masked. Better leave such columns out of the file.".into()
            }
            Self::MostlyUnreadable { column, field, .. } => {
                format!("If the column is not {field}, add \"{column}\" = \"extra\" or another field to the mapping file.")
            }
            Self::Misspellings { .. } => "If one is wrong, say in the mapping file what the word means.".into(),
            Self::BrandsNear { brands, .. } => {
                let (written, like) = brands.first().map_or(("", ""), |brand| (brand.value.as_str(), brand.meaning.as_str()));
                format!(
                    "If two are one, say so under [brands] in the mapping file, \"{written}\" = \"{like}\", or write yes or no in the column decision of brands.csv in the store, which lists all; then read the file again."
                )
            }
            Self::NotUsed { reason, .. } => reason.remedy().into(),
            Self::SeveralCurrencies { currencies, .. } => {
                let other = currencies.last().map_or("EUR", String::as_str);
                format!(
                    "Each row keeps its own, and costs are compared within one only. To convert, say currency = \"{}\" and, under [rates], {other} = what one {other} is worth, in a mapping file.",
                    currencies.first().map_or("GBP", String::as_str)
                )
            }
            Self::CurrenciesConverted { .. } => "The amounts as written are kept in `extra` where the table has it.".into(),
            Self::CurrencyUnknown { .. } => "Say currency = \"GBP\" (or another code) in a mapping file.".into(),
            Self::FileSkipped { .. } => "Name the file itself if it holds records.".into(),
            Self::TableSkipped { .. } => "Name its columns in a mapping file if it holds records.".into(),
            Self::ComponentsFromText { .. } => {
                "Look through review.csv in the store, fill in what you know, and give it back with --review.".into()
            }
            Self::JobsUnknown { .. } => "Ingest the jobs too, or check that the job numbers are written alike.".into(),
        }
    }
}

impl fmt::Display for Doubt {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        let order_name = |order: &DateOrder| if *order == DateOrder::DayFirst { "day-first" } else { "month-first" };
        match self {
            Self::EncodingAssumed { file, line: None } => write!(formatter, "{file}: the text is not UTF-8 and was read as Windows-1252."),
            Self::EncodingAssumed { file, line: Some(line) } => {
                write!(formatter, "{file}, line {line}: some bytes are not UTF-8 and were read as Windows-1252.")
            }
            Self::RowsAboveTitles { file, line } => {
                write!(formatter, "{file}: the titles were found in line {line}; what stands above is not read.")
            }
            Self::DateOrderOpen { file, column, assumed } => {
                write!(
                    formatter,
                    "{file}: no date in column \"{column}\" shows whether day or month comes first; taken as {}.",
                    order_name(assumed)
                )
            }
            Self::DateOrderMixed { file, column, taken, values, contradicting } => write!(
                formatter,
                "{file}: column \"{column}\" mixes day-first and month-first dates; taken as {}, against which {contradicting} of {values} telling dates speak.",
                order_name(taken)
            ),
            Self::ReadByContent { file, column, field, readable_share } => {
                write!(
                    formatter,
                    "{file}: column \"{column}\" is read as {field}, because {:.0} % of its values can be read so.",
                    readable_share * 100.0
                )
            }
            Self::AmbiguousTitle { file, column, field, others, is_read } => {
                let could = if others.is_empty() { "something else".to_owned() } else { others.join(" or ") };
                if *is_read {
                    write!(formatter, "{file}: column \"{column}\" is read as {field}, but its title could also mean {could}.")
                } else {
                    write!(formatter, "{file}: column \"{column}\" could be {field} or {could}, and nothing tells which; it is not read.")
                }
            }
            Self::SimilarTitle { file, column, field, known } => {
                write!(formatter, "{file}: column \"{column}\" is read as {field}, because it resembles \"{known}\".")
            }
            Self::TwoColumnsForField { file, field, taken, other } => {
                write!(formatter, "{file}: columns \"{taken}\" and \"{other}\" could both be {field}; \"{taken}\" is read.")
            }
            Self::ColumnUnread { file, column, .. } => write!(formatter, "{file}: column \"{column}\" is no field that is known."),
            Self::PersonalColumn { file, column } => write!(formatter, "{file}: column \"{column}\" seems to hold personal data."),
            Self::MostlyUnreadable { file, column, field, readable_share, example } => {
                write!(
                    formatter,
                    "{file}: only {:.0} % of column \"{column}\" can be read as {field}; \"{example}\" cannot.",
                    readable_share * 100.0
                )
            }
            Self::Misspellings { table, column, rows, spellings, examples } => {
                let examples: Vec<String> =
                    examples.iter().map(|example| format!("\"{}\" as {}", example.value, example.meaning)).collect();
                write!(
                    formatter,
                    "{table}: {rows} misspelt values ({spellings} spellings) in column {column} are understood, for example {}.",
                    examples.join(", ")
                )
            }
            Self::BrandsNear { table, rows, brands } => {
                let shown: Vec<String> =
                    brands.iter().take(MOST_BRANDS).map(|brand| format!("\"{}\" like {}", brand.value, brand.meaning)).collect();
                let more = brands.len() - shown.len();
                let more = if more > 0 { format!(" and {more} more") } else { String::new() };
                write!(
                    formatter,
                    "{table}: the brands of {rows} rows are written nearly like others and kept apart: {}{more}.",
                    shown.join(", ")
                )
            }
            Self::NotUsed { table, column, reason, rows, examples } => {
                let examples: Vec<String> = examples.iter().map(|example| format!("\"{example}\"")).collect();
                let examples = if examples.is_empty() { String::new() } else { format!(", for example {}", examples.join(", ")) };
                write!(
                    formatter,
                    "{table}: {rows} values in column {column} were not used ({}){examples}.",
                    reason.code().replace('_', " ")
                )
            }
            Self::SeveralCurrencies { file, currencies } => {
                write!(formatter, "{file}: amounts are in several currencies: {}.", currencies.join(", "))
            }
            Self::CurrenciesConverted { file, into, currencies } => {
                write!(formatter, "{file}: amounts in {} are converted into {into} at the rates of the mapping.", currencies.join(", "))
            }
            Self::CurrencyUnknown { file } => write!(formatter, "{file}: no currency is given for the amounts."),
            Self::FileSkipped { file } => write!(formatter, "{file}: not a kind of file that can be read; left out."),
            Self::TableSkipped { file, table } => write!(formatter, "{file}: \"{table}\" is no table that is known; left out."),
            Self::ComponentsFromText { table, rows } => {
                write!(formatter, "{table}: the components of {rows} rows were read from their free text by rules.")
            }
            Self::JobsUnknown { table, rows } => write!(formatter, "{table}: {rows} rows belong to jobs that are not in the store."),
        }
    }
}

/// A word that was understood as a misspelling.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Misspelling {
    pub value: String,
    pub meaning: String,
}

/// What an ingest has done.
#[derive(Debug, Clone, Serialize)]
pub struct IngestReport {
    /// Number of the new snapshot.
    pub snapshot: u32,
    pub tables: Vec<TableAccount>,
    pub doubts: Vec<Doubt>,
    /// Texts that `review.csv` in the store asks about.
    pub texts_to_review: u64,
}

/// The account of one table of one file: `rows_in = accepted + repeats + superseded + quarantined`.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct TableAccount {
    pub file: String,
    pub table: String,
    pub rows_in: u64,
    /// New records.
    pub accepted: u64,
    /// Records that were known already, equal in every value.
    pub repeats: u64,
    /// Records that replaced an earlier version.
    pub superseded: u64,
    pub quarantined: u64,
    /// Values that could not be used, in rows that were.
    pub values_set_aside: u64,
}

impl TableAccount {
    /// Whether every row is accounted for.
    #[must_use]
    pub fn balances(&self) -> bool {
        self.rows_in == self.accepted + self.repeats + self.superseded + self.quarantined
    }
}

impl IngestReport {
    /// The sum over all files of one table.
    #[must_use]
    pub fn total(&self, table: &str) -> TableAccount {
        let mut total = TableAccount { table: table.to_owned(), ..TableAccount::default() };
        for account in self.tables.iter().filter(|account| account.table == table) {
            total.rows_in += account.rows_in;
            total.accepted += account.accepted;
            total.repeats += account.repeats;
            total.superseded += account.superseded;
            total.quarantined += account.quarantined;
            total.values_set_aside += account.values_set_aside;
        }
        total
    }

    /// Rows in quarantine over all files.
    #[must_use]
    pub fn quarantined(&self) -> u64 {
        self.tables.iter().map(|account| account.quarantined).sum()
    }
}

/// How far an ingest is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Progress {
    /// A table of a file is being read.
    Reading { file: String, table: String, rows: u64, bytes: u64, total_bytes: u64 },
    /// Earlier versions of records are being moved out.
    Superseding { table: String },
    /// The new snapshot is being made durable.
    Committing,
}
