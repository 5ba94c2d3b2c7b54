//! Machines that come back, as the repair business and the technician both read them.

use super::brief::{Brief, counted, counted_cell, said};
use crate::charts::{IntervalPlot, IntervalRow, Look, Plot};
use crate::document::{Block, Cell, Chart, Column, Fold, Table, Unit};
use crate::evidence_view::{Query, Row};
use crate::wording;
use fixodds_schemas::vocabulary::List;

const MOST_COMPONENTS: usize = 10;
const MOST_DRAWN: usize = 3;
const PART_SOURCES: [&str; 4] = ["new-original", "new-pattern", "used", "repaired"];
const REPAIR_SCOPES: [&str; 3] = ["both_replaced", "consequential_only", "primary_only"];

pub(super) const READING: &str = "Shares allow for repairs that could not be followed to the end of the period. Machines on the roster are \
    followed as long as they are on it; any other machine may go elsewhere, so that figures for all machines are lower bounds. A return whose part nobody wrote down is \
    not counted as the same fault; the upper end of the range allows for such returns as if they were the same fault as often as the others.";
pub(super) const N_IS_REPAIRS: &str = "n is the number of repairs followed.";

/// Which machines are followed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Followed {
    Roster,
    /// Those of the roster and those that are only known from jobs.
    All,
}

impl Followed {
    /// The machines whose figure is not a lower bound, where there are any.
    pub fn best(brief: &Brief<'_>) -> Followed {
        if brief.evidence.about().roster_machines > 0 { Followed::Roster } else { Followed::All }
    }

    pub fn words(self) -> &'static str {
        match self {
            Followed::Roster => "Machines on the roster",
            Followed::All => "All machines followed (a lower bound)",
        }
    }
}

/// Returns after any repair.
pub(super) fn any_repair(roster_only: bool, same_fault: bool, horizon_days: i64) -> Query {
    Query::of("recall")
        .overall()
        .null("component")
        .null("part_source")
        .null("repair_scope")
        .with("roster_only", roster_only)
        .with("same_fault", same_fault)
        .with("horizon_days", horizon_days)
}

/// Returns with the same fault within a year, by component and one further property; the component fixed most often first.
struct Crossed {
    rows: Vec<Row>,
    components: Vec<Option<String>>,
}

impl Crossed {
    /// `decisive` is the value by whose repairs components are ordered; without it all of their repairs count.
    fn of(brief: &Brief<'_>, followed: Followed, property: &'static str, decisive: Option<&str>) -> Crossed {
        let query = Query::of("recall").overall().not_null(property).with("horizon_days", 365_i64).with("same_fault", true);
        let rows = brief.evidence.rows(&query.with("roster_only", followed == Followed::Roster));
        let mut crossed = Crossed { components: Vec::new(), rows };
        let mut counts: Vec<(Option<String>, i64)> = Vec::new();
        for row in crossed.rows.iter().filter(|row| row.real("estimate").is_some()) {
            let repairs =
                if decisive.is_none_or(|decisive| row.text(property) == Some(decisive)) { row.integer("jobs").unwrap_or(0) } else { 0 };
            let component = row.text("component").map(str::to_owned);
            match counts.iter_mut().find(|(known, _)| *known == component) {
                Some((_, count)) => *count += repairs,
                None => counts.push((component, repairs)),
            }
        }
        counts.retain(|(_, count)| *count > 0);
        counts.sort_by(|a, b| (a.0.is_some(), -a.1, &a.0).cmp(&(b.0.is_some(), -b.1, &b.0)));
        crossed.components = counts.into_iter().map(|(component, _)| component).take(MOST_COMPONENTS).collect();
        crossed
    }

    fn row(&self, component: &Option<String>, property: &'static str, value: &str) -> Option<&Row> {
        self.rows.iter().find(|row| row.text("component") == component.as_deref() && row.text(property) == Some(value))
    }
}

fn component_words(brief: &Brief<'_>, component: &Option<String>) -> String {
    component.as_ref().map_or_else(|| "any component".to_owned(), |key| brief.names.component(key))
}

fn table(brief: &Brief<'_>, crossed: &Crossed, property: &'static str, values: &[(&str, String)]) -> Table {
    let rows = crossed.components.iter().map(|component| {
        let cell =
            |value: &str| crossed.row(component, property, value).map_or(Cell::Nothing, |row| counted_cell(row, Unit::Share, "jobs"));
        let cells = values.iter().map(|(value, _)| cell(value));
        std::iter::once(Cell::Text(wording::sentence_case(&component_words(brief, component)))).chain(cells).collect()
    });
    Table {
        caption: String::new(),
        columns: std::iter::once(Column::text("Component")).chain(values.iter().map(|(_, words)| Column::number(words))).collect(),
        rows: rows.collect(),
        notes: vec![N_IS_REPAIRS.to_owned()],
        when_empty: String::new(),
    }
}

fn machines(followed: Followed) -> &'static str {
    match followed {
        Followed::Roster => "machines on the roster",
        Followed::All => "all machines followed, a lower bound",
    }
}

/// The same fault again within a year, by where the part came from.
pub(super) fn by_part_source(brief: &Brief<'_>, followed: Followed) -> Table {
    let source = |key: &'static str| (key, wording::sentence_case(&brief.names.term(List::PartSource, key)));
    let crossed = Crossed::of(brief, followed, "part_source", None);
    Table {
        caption: format!("The same fault again within 365 days, by where the part came from: {}", machines(followed)),
        when_empty: "The records do not say where parts came from, or not of enough repairs.".to_owned(),
        ..table(brief, &crossed, "part_source", &PART_SOURCES.map(source))
    }
}

/// The component that was fitted most often, by where the part came from; chosen by number, not by result.
pub(super) fn part_sources_said(brief: &Brief<'_>) -> Option<String> {
    let followed = Followed::best(brief);
    let crossed = Crossed::of(brief, followed, "part_source", None);
    let component = crossed.components.first()?;
    let source = |key: &str| {
        let share = said(crossed.row(component, "part_source", key)?, Unit::Share, "jobs")?;
        Some(format!("{share} with a {} part", brief.names.term(List::PartSource, key)))
    };
    let shares: Vec<String> = PART_SOURCES.into_iter().filter_map(source).collect();
    let repair = component.as_ref().map_or_else(
        || "a repair".to_owned(),
        |key| format!("a repair of the {}, the one with most parts of known origin", brief.names.component(key)),
    );
    (shares.len() > 1).then(|| format!("Within a year of {repair}, the same fault came back in {}.", wording::enumeration(&shares)))
}

fn scope_words(scope: &str) -> &'static str {
    match scope {
        "both_replaced" => "Both replaced",
        "consequential_only" => "Only what was damaged",
        _ => "Only the cause",
    }
}

fn scopes(brief: &Brief<'_>, followed: Followed) -> Crossed {
    Crossed::of(brief, followed, "repair_scope", Some("consequential_only"))
}

/// Where one fault had damaged another part: the same fault again within a year, by what was replaced.
pub(super) fn by_repair_scope(brief: &Brief<'_>, followed: Followed) -> Table {
    let crossed = scopes(brief, followed);
    let table = table(brief, &crossed, "repair_scope", &REPAIR_SCOPES.map(|scope| (scope, scope_words(scope).to_owned())));
    Table {
        caption: format!(
            "Where a fault had damaged another part: the same fault again within 365 days, by what was replaced: {}",
            machines(followed)
        ),
        when_empty: "Too few repairs with consequential damage could be followed to say what happens when only part of it is replaced."
            .to_owned(),
        ..table
    }
}

/// The contrast as a drawing with its numbers; the table for all machines followed is folded away behind it.
pub(super) fn repair_scope_blocks(brief: &Brief<'_>) -> Vec<Block> {
    let best = Followed::best(brief);
    let table = by_repair_scope(brief, best);
    let rows = drawn_scopes(brief, &scopes(brief, best));
    let first = if rows.is_empty() {
        Block::Table(table)
    } else {
        Block::Chart(Box::new(Chart {
            title: "What came back, by what was replaced".to_owned(),
            description: "Share of repairs after which the same fault came back within a year, where a fault had damaged another part."
                .to_owned(),
            plot: Plot::Intervals(IntervalPlot { unit: Unit::Share, look: Look::Dots, reference: None, rows }),
            numbers: table,
        }))
    };
    std::iter::once(first).chain(all_folded(best, by_repair_scope(brief, Followed::All))).collect()
}

/// The same table for all machines followed, where the roster comes first.
pub(super) fn all_folded(best: Followed, all: Table) -> Option<Block> {
    let wanted = best == Followed::Roster && !all.rows.is_empty();
    wanted.then(|| Block::Fold(Fold { summary: all.caption.clone(), blocks: vec![Block::Table(all)] }))
}

/// The components on which only the damage was mended most often.
fn drawn_scopes(brief: &Brief<'_>, crossed: &Crossed) -> Vec<IntervalRow> {
    let pairs = crossed.components.iter().take(MOST_DRAWN).flat_map(|component| REPAIR_SCOPES.map(|scope| (component, scope)));
    let row = |(component, scope): (&Option<String>, &str)| {
        let quantity = counted(crossed.row(component, "repair_scope", scope)?, Unit::Share, "jobs")?;
        let cause = wording::sentence_case(&component_words(brief, component));
        Some(IntervalRow { label: format!("{cause}: {}", scope_words(scope).to_lowercase()), quantity: Some(quantity), standing: None })
    };
    pairs.filter_map(row).collect()
}

/// What happens when only the damage is mended, for the component where that was done most often.
pub(super) fn repair_scope_said(brief: &Brief<'_>) -> Option<String> {
    let crossed = scopes(brief, Followed::best(brief));
    let component = crossed.components.first()?;
    let share = |scope: &str| said(crossed.row(component, "repair_scope", scope)?, Unit::Share, "jobs");
    let of = component.as_ref().map_or_else(String::new, |key| format!(" of the {}", brief.names.component(key)));
    Some(format!(
        "Where a fault{of} had damaged another part and only that was replaced, the same fault came back within a year after {} of repairs; where both were \
         replaced, after {}.",
        share("consequential_only")?,
        share("both_replaced")?
    ))
}
