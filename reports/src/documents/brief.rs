//! What every builder needs: the evidence, the names, and small ways to ask for both.

use crate::document::{Block, Cell, Fact, Fold, KeyFigure, Quantity, Section, Table, Unit};
use crate::evidence_view::{EvidenceView, Query, Row};
use crate::names::Names;
use crate::wording;
use fixodds_schemas::vocabulary::{List, Vocabulary};
use std::collections::BTreeMap;

/// As many categories are shown in full; the others are folded away or put into one table.
const MOST_CATEGORIES_IN_FULL: usize = 4;
const MOST_FINDINGS: usize = 8;
/// Names that a line enumerates.
const MOST_NAMES: usize = 12;

/// Evidence and names, with the unit of money.
pub(super) struct Brief<'a> {
    pub evidence: &'a dyn EvidenceView,
    pub names: Names<'a>,
    /// Those with the most jobs first.
    pub categories: Vec<Category>,
}

/// A category that has jobs.
pub(super) struct Category {
    pub key: String,
    pub jobs: i64,
    /// For inside a sentence: "washing machines".
    pub many: String,
}

impl Category {
    /// A heading: "Washing machines".
    pub fn heading(&self) -> String {
        wording::sentence_case(&self.many)
    }
}

impl<'a> Brief<'a> {
    pub fn new(evidence: &'a dyn EvidenceView, vocabulary: &'a Vocabulary) -> Brief<'a> {
        let names = Names::new(vocabulary);
        let mut jobs: BTreeMap<String, i64> = BTreeMap::new();
        for row in evidence.rows(&Query::of("outcome").with("scope_level", "category").null("not_repaired_reason")) {
            let known = jobs.entry(row.text("scope").unwrap_or_default().to_owned()).or_default();
            *known = (*known).max(row.integer("jobs").unwrap_or(0));
        }
        let mut categories: Vec<Category> =
            jobs.into_iter().map(|(key, jobs)| Category { many: names.categories(&key), key, jobs }).collect();
        categories.sort_by(|a, b| b.jobs.cmp(&a.jobs).then_with(|| a.key.cmp(&b.key)));
        Brief { evidence, names, categories }
    }

    /// The categories that are shown in full.
    pub fn main(&self) -> &[Category] {
        &self.categories[..self.categories.len().min(MOST_CATEGORIES_IN_FULL)]
    }

    /// The categories that are not.
    pub fn others(&self) -> &[Category] {
        &self.categories[self.main().len()..]
    }

    /// What is said of the other categories, folded away; nothing where there are none.
    pub fn others_folded(&self, blocks: Vec<Block>) -> Option<Block> {
        folded(&self.others().iter().collect::<Vec<_>>(), blocks)
    }

    pub fn money(&self) -> Unit {
        Unit::Money(self.currency())
    }

    fn currency(&self) -> Option<String> {
        Some(self.evidence.about().currency.clone()).filter(|currency| !currency.is_empty())
    }

    /// What is said in place of a table: the analysis' own words where it has any.
    pub fn when_empty(&self, evidence_table: &str, otherwise: &str) -> String {
        self.evidence.about().missing.get(evidence_table).map_or_else(|| otherwise.to_owned(), |why| wording::sentence(why))
    }

    /// The rows of a query, largest estimate first; ties in the table's order. Faults of which no part is named are no part, and have no rank.
    pub fn ranked(&self, query: &Query) -> Vec<Row> {
        let mut rows = self.evidence.rows(query);
        rows.retain(|row| row.text("component") != Some(NOT_NAMED));
        rows.sort_by(|a, b| b.real("estimate").unwrap_or(-1.0).total_cmp(&a.real("estimate").unwrap_or(-1.0)));
        rows
    }

    /// The same where estimates may be negative; rows without one come last.
    pub fn ranked_signed(&self, query: &Query) -> Vec<Row> {
        let mut rows = self.evidence.rows(query);
        let order = |row: &Row| row.real("estimate").unwrap_or(f64::NEG_INFINITY);
        rows.sort_by(|a, b| order(b).total_cmp(&order(a)));
        rows
    }

    /// Components by their share of a category's primary faults, largest first.
    pub fn faults(&self, category: &Category) -> Vec<Row> {
        let shares = Query::of("fault_share").category(&category.key).with("role", "primary").with("statistic", "share");
        let mut rows = self.ranked(&shares.not_null("component"));
        rows.retain(|row| row.real("estimate").is_some());
        rows
    }

    /// How much of the picture the faults are of which no part is named, for below a table of parts; nothing where there are none.
    pub fn not_named_in_jobs(&self, category: &Category) -> Option<String> {
        let shares = Query::of("fault_share").category(&category.key).with("component", NOT_NAMED);
        let row = self.evidence.first(&shares)?;
        Some(format!(
            "In {} of {} on which a fault was found no part is named; they are in none of these shares.",
            wording::count(row.integer("events")?),
            wording::count_of(row.integer("jobs")?, "job", "jobs")
        ))
    }

    /// The same for rates, over which such faults are shared out.
    pub fn not_named_in_rates(&self, category: &Category) -> Option<String> {
        let all = Query::of("failure_rate").category(&category.key).all_ages();
        let events = |query: &Query| self.evidence.first(query).and_then(|row| row.integer("events"));
        let not_named = events(&all.clone().with("component", NOT_NAMED)).filter(|events| *events > 0)?;
        Some(format!(
            "Of {} no part is named in {}. The rates are of the failures that name their part; the upper ends of the ranges allow for the others, shared out alike.",
            wording::count_of(events(&all.null("component"))?, "job with a fault", "jobs with a fault"),
            wording::count(not_named)
        ))
    }

    /// The categories in which jobs say most often which part failed, with how many do.
    pub fn best_known(&self) -> Vec<(&Category, i64)> {
        let known = |category: &Category| self.faults(category).first().and_then(|row| row.integer("jobs")).unwrap_or(0);
        let mut found: Vec<(&Category, i64)> = self.categories.iter().map(|category| (category, known(category))).collect();
        found.retain(|(_, jobs)| *jobs > 0);
        // stable: ties stay in the order of the categories' jobs
        found.sort_by_key(|(_, jobs)| std::cmp::Reverse(*jobs));
        found
    }

    /// How all jobs ended, the most frequent first.
    pub fn outcomes(&self) -> Vec<KeyFigure> {
        let overall = self.ranked(&Query::of("outcome").overall().null("not_repaired_reason"));
        let figure = |row: &Row| {
            let outcome = self.names.term(List::Outcome, row.text("outcome")?);
            let figure = counted(row, Unit::Share, "jobs").map_or_else(|| row.cell(Unit::Share), Cell::Quantity);
            Some(KeyFigure { label: format!("of all jobs: {outcome}"), figure })
        };
        overall.iter().filter(|row| row.integer("events").unwrap_or(0) > 0).filter_map(figure).collect()
    }

    /// How jobs on the kinds of machine with the most jobs end, one sentence each.
    pub fn kinds_said(&self, most: usize) -> Vec<String> {
        let ended = |category: &Category, (outcome, words): &(&str, &str)| {
            let query = Query::of("outcome").category(&category.key).with("outcome", *outcome).null("not_repaired_reason");
            Some(format!("{} {words}", said(&self.evidence.first(&query)?, Unit::Share, "")?))
        };
        let sentence = |category: &Category| {
            let ends = [("repaired", "ended repaired"), ("condemned", "with the machine condemned")];
            let ends: Vec<String> = ends.iter().filter_map(|end| ended(category, end)).collect();
            let jobs = wording::count_of(category.jobs, "job", "jobs");
            (!ends.is_empty()).then(|| format!("Of {jobs} on {}, {}.", category.many, wording::enumeration(&ends)))
        };
        self.categories.iter().filter_map(sentence).take(most).collect()
    }

    /// The commonest reason noted for machines that were condemned.
    pub fn commonest_reason(&self) -> Option<String> {
        let reasons = self.ranked(&Query::of("write_off_reason").overall());
        let row = reasons.first()?;
        let reason = self.names.term(List::Reason, row.text("not_repaired_reason")?);
        Some(format!(
            "Of condemned machines for which a reason is noted, most often it is \u{201c}{reason}\u{201d}: {}.",
            said(row, Unit::Share, "jobs")?
        ))
    }

    /// The first row of a query as a cell; a missing row says so.
    pub fn cell(&self, query: &Query, unit: Unit) -> Cell {
        self.evidence.first(query).map_or(Cell::Nothing, |row| row.cell(unit))
    }

    /// The component of a row, for a table cell or heading.
    pub fn component_of(&self, row: &Row) -> String {
        wording::sentence_case(&self.names.component(row.text("component").unwrap_or_default()))
    }

    /// What the figures rest on, for the head of each document.
    pub fn facts(&self) -> Vec<Fact> {
        let about = self.evidence.about();
        let fact = |label: &str, text: String| Fact { label: label.to_owned(), text };
        let dated = !about.first_closed_on.is_empty();
        let mut facts = vec![
            fact("Jobs", wording::count(about.jobs)),
            fact(
                "Jobs closed",
                if dated {
                    format!("{} to {}", wording::date(&about.first_closed_on), wording::date(&about.last_closed_on))
                } else {
                    "no dated jobs".to_owned()
                },
            ),
            fact("Machines told apart", wording::count(about.machines_in_jobs)),
            fact(
                "Machines on the roster",
                if about.roster_machines > 0 { wording::count(about.roster_machines) } else { "no roster".to_owned() },
            ),
        ];
        if about.has_exposure() {
            facts.push(fact("Machine-years observed", wording::count(about.machine_years.round() as i64)));
        }
        if about.as_of != about.last_closed_on {
            facts.push(fact("Observed until", wording::date(&about.as_of)));
        }
        facts.push(fact("Records from", wording::enumeration(&about.sources)));
        if !about.missing.contains_key("repair_cost") {
            facts.push(fact("Currency", self.currency().unwrap_or_else(|| "not stated".to_owned())));
        }
        facts.retain(|fact| !fact.text.is_empty());
        facts
    }
}

/// The component of faults of which no part is named.
const NOT_NAMED: &str = "not_named";

/// What is said of further categories, folded away; nothing where there are none.
pub(super) fn folded(categories: &[&Category], blocks: Vec<Block>) -> Option<Block> {
    let names: Vec<String> = categories.iter().map(|category| category.many.clone()).collect();
    let summary = match names.len() {
        0 => return None,
        1 => wording::sentence_case(&names[0]),
        many if many > MOST_NAMES => format!("The other {many} categories"),
        many => format!("The other {many} categories: {}", wording::enumeration(&names)),
    };
    (!blocks.is_empty()).then_some(Block::Fold(Fold { summary, blocks }))
}

/// A row's estimate with the count it rests on.
pub(super) fn counted(row: &Row, unit: Unit, count_column: &str) -> Option<Quantity> {
    let quantity = row.quantity(unit)?;
    Some(match row.integer(count_column) {
        Some(n) => quantity.with_n(n),
        None => quantity,
    })
}

/// A row's estimate in words, with the count it rests on.
pub(super) fn said(row: &Row, unit: Unit, count_column: &str) -> Option<String> {
    counted(row, unit, count_column).map(|quantity| wording::in_sentence(&quantity))
}

/// A rate in words, with the failures and the time it comes from.
pub(super) fn rate_said(row: &Row) -> Option<String> {
    let rate = wording::with_unit_in_value(&row.quantity(Unit::PerMachineYear)?);
    let interval = rate.interval.map_or_else(String::new, |interval| format!("{interval}; "));
    let failures = wording::count_of(row.integer("events")?, "failure", "failures");
    let years = wording::count(row.real("machine_years")?.round() as i64);
    Some(format!("{} ({interval}{failures} in {years} machine-years)", rate.value))
}

/// A row's estimate with the count it rests on, or the reason why there is none.
pub(super) fn counted_cell(row: &Row, unit: Unit, count_column: &str) -> Cell {
    counted(row, unit, count_column).map_or_else(|| Cell::Missing(row.reason().to_owned()), Cell::Quantity)
}

/// A probability from resampling as a cell.
pub(super) fn probability_cell(row: &Row, column: &str) -> Cell {
    row.real(column).map_or(Cell::Nothing, |probability| Cell::Text(wording::probability(probability)))
}

/// How to read the brackets; stands at the head of the findings.
pub(super) fn reading_aid() -> Block {
    Block::Note(
        "Brackets hold 95 % confidence intervals: the range of values that the records do not contradict. n is the number of jobs or machines \
         that a share or a mean is taken over. Where the records are too few, no figure is given, and the reason is."
            .to_owned(),
    )
}

/// The findings section, most useful sentence first; says so when there are none.
pub(super) fn findings(mut sentences: Vec<String>) -> Section {
    sentences.truncate(MOST_FINDINGS);
    let mut section = Section::new("findings", "Findings");
    section.blocks.push(if sentences.is_empty() {
        Block::Paragraph("The evidence does not support a finding yet: there are too few jobs with a known fault or outcome.".to_owned())
    } else {
        Block::List(sentences)
    });
    section.blocks.push(reading_aid());
    section
}

/// The first `most` rows of a table, and a note on the rest.
pub(super) fn shortened(mut table: Table, most: usize, evidence_table: &str) -> Table {
    let all = table.rows.len();
    if all > most {
        table.rows.truncate(most);
        table.notes.push(format!(
            "{} of {} rows are shown; the evidence table {evidence_table} holds all of them.",
            most,
            wording::count(all as i64)
        ));
    }
    table
}
