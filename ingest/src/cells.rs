//! Reads the cells of one column into a row; each different text is understood once.

use std::rc::Rc;
use std::sync::Arc;

use chrono::Datelike;
use fixodds_schemas::{Field, FieldKind, List, TableSchema};

use crate::context::Context;
use crate::free_text::Reached;
use crate::identity::IdentityKind;
use crate::inspect::ColumnPlan;
use crate::normalise::age::{StatedAge, parse_age};
use crate::normalise::closing_test::{Verdict, parse_closing_test};
use crate::normalise::complaint::{Complaint, read_complaint};
use crate::normalise::date::{PartialDate, parse_date, plain_date};
use crate::normalise::duration::parse_minutes;
use crate::normalise::identifier::parse_identifier;
use crate::normalise::model::{Brand, model_key};
use crate::normalise::money::{currency_code, parse_money};
use crate::normalise::number::parse_number;
use crate::normalise::terms::{How, Recognised, RecognisedTerms, TermReader};
use crate::normalise::{Reading, is_blank, tidy};
use crate::privacy;
use crate::quarantine::Reason;
use crate::remembered::Remembered;
use crate::row::Row;
use crate::words::{BRAND, BRAND_BY_MODEL, Misspelt};

const MOST_AGE_YEARS: f64 = 100.0;
const MOST_LABOUR_MINUTES: f64 = 40.0 * 60.0;
const MOST_MONEY: f64 = 1_000_000.0;
const MOST_COUNT: f64 = 1_000_000_000.0;
const LONGEST_NAME: usize = 100;

/// Origins of symptoms: known before the machine was opened, and read out of what was written afterwards.
pub const ORIGIN_COMPLAINT: &str = "complaint";
pub const ORIGIN_DIAGNOSIS: &str = "diagnosis";

/// A value that was set aside while the rest of its row is used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SetAside {
    pub column: String,
    pub value: String,
    pub reason: Reason,
}

/// A component that the row names.
#[derive(Debug, Clone, PartialEq)]
pub struct Named {
    pub key: Arc<str>,
    pub consequential: bool,
    /// Stands after another in one cell, and nothing says that it failed by itself: one more finding, not one more primary fault.
    pub incidental: bool,
    /// Position, in the same list, of the component that damaged it.
    pub caused_by: Option<usize>,
    pub reached: Reached,
    pub confidence: f64,
}

impl From<&Recognised> for Named {
    fn from(term: &Recognised) -> Self {
        let (reached, confidence) = match term.how {
            How::Exact => (Reached::Exact, 1.0),
            How::Known | How::Mapped => (Reached::Synonym, 0.97),
            How::Misspelt { .. } => (Reached::Fuzzy, 0.85),
        };
        Self { key: Arc::from(term.key.as_str()), consequential: false, incidental: false, caused_by: None, reached, confidence }
    }
}

/// What the cells of a row leave for the row as a whole.
#[derive(Debug, Default)]
pub struct Findings {
    /// Components that the row names beside its own component column.
    pub components: Vec<Named>,
    /// How the component of its own column was recognised.
    pub own_component: Option<Named>,
    pub set_aside: Vec<SetAside>,
    /// Columns with amounts that name a currency.
    pub currencies: Vec<(usize, &'static str)>,
    /// Calendar year in which the machine was bought, where that is all that is known of its age.
    pub bought_year: Option<i32>,
    /// Amounts as they were before they were converted: a title and the amount.
    pub converted: Vec<(String, String)>,
    /// Words that were understood as misspellings.
    pub misspelt: Vec<Misspelt>,
}

impl Findings {
    pub fn clear(&mut self) {
        self.components.clear();
        self.own_component = None;
        self.set_aside.clear();
        self.currencies.clear();
        self.bought_year = None;
        self.converted.clear();
        self.misspelt.clear();
    }
}

/// Reads one column.
pub struct ColumnReader<'a> {
    pub plan: ColumnPlan,
    /// Column of the store table; none for a job's own component, which becomes findings.
    pub target: Option<usize>,
    task: Task<'a>,
}

/// A model in its spelling, its key where the brand is known, and the brand where the number alone tells it.
type ModelAndKey = (Rc<str>, Option<Rc<str>>, Option<Rc<str>>);

/// What is done with a cell.
enum Task<'a> {
    Identifier,
    Number(IdentityKind),
    /// The brand, and the one that it is like.
    Brand(Remembered<Reading<(Rc<str>, Option<String>)>>),
    Model {
        brand: usize,
        key: usize,
        known: Remembered<Reading<ModelAndKey>>,
    },
    Date {
        year: Option<usize>,
        known: Remembered<Reading<PartialDate>>,
    },
    Year,
    Years {
        precision: Option<usize>,
        made_year: Option<usize>,
    },
    Money {
        may_be_negative: bool,
    },
    Minutes(Remembered<Reading<f64>>),
    Count,
    Quantity,
    Score,
    Currency,
    Term {
        reader: TermReader<'a>,
        known: Remembered<Reading<Rc<RecognisedTerms>>>,
    },
    Terms {
        reader: TermReader<'a>,
        known: Remembered<Rc<RecognisedTerms>>,
    },
    Complaint {
        reader: TermReader<'a>,
        words: usize,
        origin: usize,
        known: Remembered<Rc<Complaint>>,
    },
    Flag(TermReader<'a>),
    /// Columns of the readings, in the order of [`CLOSING_COLUMNS`].
    ClosingTest([usize; 7]),
    Text,
}

/// Where the readings of a closing test are kept, beside its text.
const CLOSING_COLUMNS: [&str; 7] = [
    "closing_earth_ohms",
    "closing_insulation_megohms",
    "closing_leakage_milliamps",
    "closing_leakage_kind",
    "closing_polarity",
    "closing_function",
    "closing_overall",
];

impl<'a> ColumnReader<'a> {
    pub fn new(plan: ColumnPlan, table: &str, schema: &TableSchema, context: &'a Context<'a>) -> Self {
        let position = |name: &str| schema.columns.iter().position(|column| column.name == name);
        let field = plan.field;
        let terms = |list: List| TermReader::new(&context.options.vocabulary, list, &context.options.mapping.terms_of(table, list));
        let task = match (field.kind, field.name.as_str(), field.list) {
            (FieldKind::Identifier, "serial", _) => Task::Number(IdentityKind::Serial),
            (FieldKind::Identifier, "machine_id" | "donor_machine", _) => Task::Number(IdentityKind::Machine),
            (FieldKind::Identifier, "brand", _) => Task::Brand(Remembered::new()),
            (FieldKind::Identifier, "model", _) => match (position("brand"), position("model_key")) {
                (Some(brand), Some(key)) => Task::Model { brand, key, known: Remembered::new() },
                _ => Task::Identifier,
            },
            (FieldKind::Identifier, ..) => Task::Identifier,
            (FieldKind::Date, "made_on", _) => Task::Date { year: position("made_year"), known: Remembered::new() },
            (FieldKind::Date, ..) => Task::Date { year: None, known: Remembered::new() },
            (FieldKind::Year, ..) => Task::Year,
            (FieldKind::Years, ..) => Task::Years { precision: position("age_precision"), made_year: position("made_year") },
            (FieldKind::Money, name, _) => Task::Money { may_be_negative: name == "charged" },
            (FieldKind::Minutes, ..) => Task::Minutes(Remembered::new()),
            (FieldKind::Count, ..) => Task::Count,
            (FieldKind::Quantity, ..) => Task::Quantity,
            (FieldKind::Score, ..) => Task::Score,
            (FieldKind::Currency, ..) => Task::Currency,
            (FieldKind::Term, _, Some(list)) => Task::Term { reader: terms(list), known: Remembered::new() },
            (FieldKind::Terms, "symptoms", Some(list)) => match (position("complaint_words"), position("symptoms_origin")) {
                (Some(words), Some(origin)) => Task::Complaint { reader: terms(list), words, origin, known: Remembered::new() },
                _ => Task::Text,
            },
            (FieldKind::Terms, _, Some(list)) => Task::Terms { reader: terms(list), known: Remembered::new() },
            (FieldKind::Flag, ..) => Task::Flag(terms(List::YesNo)),
            (FieldKind::Text, "closing_test", _) => {
                let columns: Vec<usize> = CLOSING_COLUMNS.into_iter().filter_map(position).collect();
                columns.try_into().map_or(Task::Text, Task::ClosingTest)
            }
            (FieldKind::Text | FieldKind::Term | FieldKind::Terms, ..) => Task::Text,
        };
        Self { target: position(field.store_column()), plan, task }
    }

    /// Whether the column tells the category of the row, on which the meaning of words depends: its own, or that of its job.
    pub fn tells_category(&self) -> bool {
        self.plan.field.list == Some(List::Category) || self.plan.field.name == "job_id"
    }

    /// Columns of higher rank are read later: models after brands, words after the category.
    pub fn rank(&self) -> usize {
        match &self.task {
            _ if self.tells_category() => 0,
            Task::Brand(_) => 1,
            _ => 2,
        }
    }

    /// What kind of private number the column holds, if it does.
    pub fn private_number(&self) -> Option<IdentityKind> {
        if let Task::Number(kind) = self.task { Some(kind) } else { None }
    }

    /// Reads a cell into the row.
    ///
    /// # Errors
    /// Why the cell cannot be used. Parts of a cell that cannot be used are left in `findings` instead.
    pub fn read(
        &mut self,
        text: &str,
        category: Option<&Arc<str>>,
        context: &Context<'_>,
        row: &mut Row,
        findings: &mut Findings,
    ) -> Result<(), Reason> {
        let text = text.trim();
        if text.is_empty() {
            return Ok(());
        }
        let plan = &self.plan;
        let field = plan.field;
        let Some(target) = self.target else {
            if let Task::Terms { reader, known } = &mut self.task {
                let found = known.of_category(category, text, || Rc::new(reader.several(text, category.map(AsRef::as_ref))));
                findings.misspelt.extend(Misspelt::of_terms(&field.name, text, &found));
                let named = found.terms.iter().enumerate().map(|(at, term)| Named { incidental: at > 0, ..Named::from(term) });
                findings.components.extend(named);
                set_parts_aside(&field.name, &found, findings);
            }
            return Ok(());
        };
        match &mut self.task {
            Task::Identifier => {
                if let Some(identifier) = parse_identifier(text)? {
                    row.set_text(target, &identifier);
                }
            }
            Task::Number(kind) => {
                if let Some(hash) = context.hash_number(*kind, text)? {
                    row.set_text(target, &hash);
                }
            }
            Task::Brand(known) => {
                let read = || {
                    name(text).map(|name| {
                        name.map(|name| {
                            let Brand { spelling, like } = context.catalogue.brand(&privacy::mask(&name));
                            (Rc::from(spelling.as_str()), like)
                        })
                    })
                };
                if let Some((brand, like)) = known.of(text, read)? {
                    row.set_text(target, &brand);
                    findings.misspelt.extend(like.map(|meaning| Misspelt { column: BRAND, value: text.to_owned(), meaning }));
                }
            }
            Task::Model { brand: at, key, known } => {
                let brand = row.text(*at);
                let both = brand.map_or_else(|| text.to_owned(), |brand| format!("{brand}\u{1f}{text}"));
                let read = || {
                    name(text).map(|name| {
                        name.map(|name| {
                            let model = context.catalogue.model(brand, &name);
                            let owner = brand.and_then(|brand| context.catalogue.brand_by_model(brand, &model));
                            let key = owner.or(brand).map(|brand| Rc::from(model_key(brand, &model).as_str()));
                            (Rc::from(model.as_str()), key, owner.map(Rc::from))
                        })
                    })
                };
                if let Some((model, model_key, owner)) = known.of(&both, read)? {
                    if let Some(owner) = owner {
                        findings.misspelt.retain(|word| word.column != BRAND);
                        let value = row.text(*at).unwrap_or_default().to_owned();
                        findings.misspelt.push(Misspelt { column: BRAND_BY_MODEL, value, meaning: owner.to_string() });
                        row.set_text(*at, &owner);
                    }
                    row.set_text(target, &model);
                    if let Some(model_key) = model_key {
                        row.set_text(*key, &model_key);
                    }
                }
            }
            Task::Date { year, known } => {
                let order = plan.date_order;
                let read = || parse_date(text, order, context.options.today.year() + 1);
                match plain_date(text, order).map_or_else(|| known.of(text, read), |date| Ok(Some(date)))? {
                    None => {}
                    Some(PartialDate::Year(made)) if year.is_some() => year.iter().for_each(|&year| row.set_integer(year, i64::from(made))),
                    Some(PartialDate::Month { .. }) if needs_the_day(&field.name) => return Err(Reason::DayUnknown),
                    Some(date) => row.set_day(target, date.day().ok_or(Reason::DayUnknown)?),
                }
            }
            Task::Year => {
                let year = match parse_date(text, plan.date_order, context.options.today.year() + 1) {
                    Ok(None) => return Ok(()),
                    Ok(Some(PartialDate::Year(year) | PartialDate::Month { year, .. })) => year,
                    Ok(Some(PartialDate::Day(date))) => date.year(),
                    Err(_) => return Err(Reason::UnreadableYear),
                };
                row.set_integer(target, i64::from(year));
            }
            Task::Years { precision, made_year } => match parse_age(text, plan.age_unit, context.options.today.year())? {
                None => {}
                Some(StatedAge::Years(years, stated)) => {
                    row.set_real(target, in_range(years, MOST_AGE_YEARS, Reason::AgeOver100Years)?);
                    precision.iter().for_each(|&precision| row.set_text(precision, stated.code()));
                }
                Some(StatedAge::MadeIn(year)) => {
                    if let Some(column) = made_year.filter(|&column| row.is_missing(column)) {
                        row.set_integer(column, i64::from(year));
                    }
                }
                Some(StatedAge::BoughtIn(year)) => findings.bought_year = Some(year),
            },
            Task::Money { may_be_negative } => {
                if let Some(money) = parse_money(text, plan.decimal_mark)? {
                    let size = if *may_be_negative { money.amount.abs() } else { money.amount };
                    in_range(size, MOST_MONEY, Reason::ValueTooLarge)?;
                    row.set_real(target, money.amount);
                    findings.currencies.extend(money.currency.or(plan.currency).map(|code| (target, code)));
                }
            }
            Task::Minutes(known) => {
                if let Some(minutes) = known.of(text, || parse_minutes(text, plan.duration_unit, plan.decimal_mark))? {
                    row.set_real(target, in_range(minutes, MOST_LABOUR_MINUTES, Reason::LabourOver40Hours)?);
                }
            }
            Task::Count => {
                if let Some(number) = number(text, plan)? {
                    let count = in_range(number, MOST_COUNT, Reason::ValueTooLarge)?;
                    if count.fract() != 0.0 {
                        return Err(Reason::NotWhole);
                    }
                    row.set_integer(target, count as i64);
                }
            }
            Task::Quantity => {
                if let Some(number) = number(text, plan)? {
                    row.set_real(target, in_range(number, MOST_COUNT, Reason::ValueTooLarge)?);
                }
            }
            Task::Score => {
                if let Some(number) = number(text, plan)? {
                    if !(0.0..=10.0).contains(&number) {
                        return Err(Reason::ScoreOutOfRange);
                    }
                    row.set_real(target, number);
                }
            }
            Task::Currency => {
                if is_blank(text) {
                    return Ok(());
                }
                let is_code = text.len() == 3 && text.bytes().all(|byte| byte.is_ascii_alphabetic());
                match currency_code(text) {
                    Some(code) => row.set_text(target, code),
                    None if is_code => row.set_text(target, &text.to_ascii_uppercase()),
                    None => return Err(Reason::UnknownCurrency),
                }
            }
            Task::Term { reader, known } => {
                let category = category.filter(|_| depends_on_category(field.list));
                let read = || term_cell(reader, field, text, category.map(AsRef::as_ref));
                if let Some(found) = known.of_category(category, text, read)?
                    && let Some((first, further)) = found.terms.split_first()
                {
                    findings.misspelt.extend(Misspelt::of_terms(&field.name, text, &found));
                    row.set_text(target, &first.key);
                    if field.list == Some(List::Component) {
                        findings.own_component = Some(first.into());
                    }
                    findings.components.extend(further.iter().map(Named::from));
                    set_parts_aside(&field.name, &found, findings);
                }
            }
            // Components become findings, above.
            Task::Terms { .. } => {}
            Task::Complaint { reader, words, origin, known } => {
                let found = known.of_category(category, text, || Rc::new(read_complaint(reader, text, category.map(AsRef::as_ref))));
                findings.misspelt.extend(Misspelt::of_terms(&field.name, text, &found.terms));
                set_parts_aside(&field.name, &found.terms, findings);
                set_complaint(row, &found, target, *words, *origin);
            }
            Task::Flag(reader) => {
                if let Some(term) = reader.one(text, None)? {
                    row.set_flag(target, term.key == "yes");
                }
            }
            Task::ClosingTest([earth, insulation, leakage, kind, polarity, function, overall]) => {
                if is_blank(text) {
                    return Ok(());
                }
                row.set_text(target, &privacy::mask(text));
                if let Some(test) = parse_closing_test(text) {
                    let readings = [(earth, test.earth_ohms), (insulation, test.insulation_megohms), (leakage, test.leakage_milliamps)];
                    readings.iter().for_each(|(column, reading)| reading.iter().for_each(|reading| row.set_real(**column, *reading)));
                    test.leakage_kind.iter().for_each(|known| row.set_text(*kind, known));
                    let verdicts = [(polarity, test.polarity), (function, test.function), (overall, test.overall)];
                    verdicts
                        .iter()
                        .for_each(|(column, verdict)| verdict.map(Verdict::code).iter().for_each(|code| row.set_text(**column, code)));
                }
            }
            Task::Text => row.set_text(target, &privacy::mask(text)),
        }
        Ok(())
    }
}

/// Symptoms and words of a complaint, and that it is one.
pub fn set_complaint(row: &mut Row, complaint: &Complaint, symptoms: usize, words: usize, origin: usize) {
    let keys = complaint.keys();
    if !keys.is_empty() {
        row.set_text(symptoms, &keys.join(";"));
    }
    if !complaint.words.is_empty() {
        row.set_text(words, &complaint.words.join(" "));
    }
    if !(keys.is_empty() && complaint.words.is_empty()) {
        row.set_text(origin, ORIGIN_COMPLAINT);
    }
}

/// The one term of a cell. A cell for a component may name several; the first is the cell's own.
fn term_cell(reader: &TermReader<'_>, field: &Field, text: &str, category: Option<&str>) -> Reading<Rc<RecognisedTerms>> {
    let found = match reader.one(text, category) {
        Ok(term) => RecognisedTerms { terms: term.into_iter().collect(), set_aside: Vec::new() },
        Err(reason) if field.list == Some(List::Component) => {
            let found = reader.several(text, category);
            if found.terms.is_empty() {
                return Err(reason);
            }
            found
        }
        Err(reason) => return Err(reason),
    };
    Ok((!found.terms.is_empty()).then(|| Rc::new(found)))
}

fn set_parts_aside(column: &str, found: &RecognisedTerms, findings: &mut Findings) {
    findings.set_aside.extend(found.set_aside.iter().map(|(value, reason)| SetAside {
        column: column.to_owned(),
        value: value.clone(),
        reason: *reason,
    }));
}

fn depends_on_category(list: Option<List>) -> bool {
    matches!(list, Some(List::Component | List::Symptom | List::FailureMode))
}

fn name(text: &str) -> Reading<String> {
    if is_blank(text) {
        return Ok(None);
    }
    if text.len() > LONGEST_NAME { Err(Reason::TextTooLong) } else { Ok(Some(tidy(text).into_owned())) }
}

/// Dates of which a month is enough: those from which an age or a period of years counts.
fn needs_the_day(field: &str) -> bool {
    !matches!(field, "made_on" | "bought_on" | "in_service_on" | "first_sold_on" | "last_sold_on")
}

/// A number that may be followed by its unit.
fn number(text: &str, plan: &ColumnPlan) -> Reading<f64> {
    if is_blank(text) {
        return Ok(None);
    }
    let without_unit = text.trim_end_matches(|character: char| character.is_alphabetic() || character.is_whitespace());
    parse_number(without_unit, plan.decimal_mark).map(Some).ok_or(Reason::UnreadableNumber)
}

fn in_range(value: f64, most: f64, too_large: Reason) -> Result<f64, Reason> {
    if value < 0.0 {
        Err(Reason::NegativeValue)
    } else if value > most {
        Err(too_large)
    } else {
        Ok(value)
    }
}
