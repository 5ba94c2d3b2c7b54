//! What comes in and how jobs end.

use crate::charts::{IntervalPlot, IntervalRow, Look, Plot};
use crate::document::{Block, Cell, Chart, Column, Section, Table, Unit};
use crate::documents::brief::{Brief, Category};
use crate::evidence_view::{Query, Row};
use crate::wording;
use fixodds_schemas::vocabulary::List;

const MOST_REASONS: usize = 13;

pub(super) fn intake(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("intake", "What comes in");
    let share = |category: &Category, outcome: &str| {
        brief.evidence.first(&Query::of("outcome").category(&category.key).with("outcome", outcome).null("not_repaired_reason"))
    };
    let rows: Vec<(&Category, Option<Row>, Option<Row>)> =
        brief.categories.iter().map(|category| (category, share(category, "repaired"), share(category, "condemned"))).collect();
    let cell = |row: &Option<Row>| row.as_ref().map_or(Cell::Nothing, |row| row.cell(Unit::Share));
    let numbers = Table {
        caption: "Jobs by category of machine".to_owned(),
        columns: vec![
            Column::text("Category"),
            Column::number("Jobs"),
            Column::number("Ended repaired"),
            Column::number("Ended condemned"),
        ],
        rows: rows
            .iter()
            .map(|(category, repaired, condemned)| {
                vec![Cell::Text(category.heading()), Cell::Count(category.jobs), cell(repaired), cell(condemned)]
            })
            .collect(),
        notes: vec!["Shares are of all jobs of the category.".to_owned()],
        when_empty: "There are no jobs with a known category.".to_owned(),
    };
    if rows.is_empty() {
        section.blocks.push(Block::Table(numbers));
        return section;
    }
    section.blocks.push(Block::Chart(Box::new(Chart {
        title: "How often a job ends repaired".to_owned(),
        description: "By category, those with the most jobs first. The line through each dot is its 95 % interval.".to_owned(),
        plot: Plot::Intervals(IntervalPlot {
            unit: Unit::Share,
            look: Look::Dots,
            reference: None,
            rows: rows
                .iter()
                .map(|(category, repaired, _)| IntervalRow {
                    label: category.heading(),
                    quantity: repaired.as_ref().and_then(|row| row.quantity(Unit::Share)),
                    standing: None,
                })
                .collect(),
        }),
        numbers,
    })));
    section
}

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("outcomes", "How jobs end");
    let figures = brief.outcomes();
    if !figures.is_empty() {
        section.blocks.push(Block::KeyFigures(figures));
    }
    section.blocks.push(Block::Table(reasons(brief)));
    section
}

fn reasons(brief: &Brief<'_>) -> Table {
    let mut rows = brief.ranked(&Query::of("outcome").overall().not_null("not_repaired_reason"));
    rows.truncate(MOST_REASONS);
    Table {
        caption: "Why machines were not repaired".to_owned(),
        columns: vec![Column::text("Reason"), Column::text("Outcome"), Column::number("Jobs"), Column::number("Share of all jobs")],
        rows: rows
            .iter()
            .map(|row| {
                let reason = brief.names.term(List::Reason, row.text("not_repaired_reason").unwrap_or_default());
                let outcome = brief.names.term(List::Outcome, row.text("outcome").unwrap_or_default());
                vec![Cell::Text(wording::sentence_case(&reason)), Cell::Text(outcome), row.count_cell("events"), row.cell(Unit::Share)]
            })
            .collect(),
        notes: Vec::new(),
        when_empty: "The records give no reasons for machines that were not repaired.".to_owned(),
    }
}
