//! The three to five parts of each category with the most faults, and how sure the records make it.

use crate::charts::Look;
use crate::document::{Block, Cell, Column, Section, Table, Unit};
use crate::documents::brief::{Brief, Category, probability_cell, shortened};
use crate::evidence_view::{Query, Row};

/// Parts shown of a category: those on the list and what comes next.
const MOST_PARTS: usize = 7;
/// Of fewer faults, no list is made.
const FEWEST_FAULTS: i64 = 10;

fn parts(brief: &Brief<'_>, category: &Category) -> Vec<Row> {
    let mut rows = brief.evidence.rows(&Query::of("priority_part").category(&category.key));
    rows.sort_by_key(|row| row.integer("rank"));
    let faults: i64 = rows.iter().filter_map(|row| row.integer("events")).sum();
    if faults < FEWEST_FAULTS { Vec::new() } else { rows }
}

fn is_listed(row: &Row) -> bool {
    row.flag("listed") == Some(true)
}

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("priority-parts", "Which parts to call for");
    let known = |categories: &[Category]| categories.iter().any(|category| !parts(brief, category).is_empty());
    if !known(&brief.categories) {
        section.blocks.push(Block::Note(brief.when_empty("priority_part", "No category has enough faults to say which parts fail most.")));
        return section;
    }
    section.blocks.push(Block::Paragraph(
        "The three to five parts of each category with the most faults among the jobs. The probability says how sure the records make it that a part belongs among them."
            .to_owned(),
    ));
    section.blocks.extend(brief.main().iter().filter_map(|category| table(brief, category)).map(drawn));
    if known(brief.others()) {
        section.blocks.extend(brief.others_folded(vec![Block::Table(others(brief))]));
    }
    section
}

fn drawn(table: Table) -> Block {
    table.drawn(2, 3, Look::Bars, "Share of all primary faults of the category.", None)
}

fn cells(brief: &Brief<'_>, row: &Row) -> Vec<Cell> {
    vec![
        Cell::Text(brief.component_of(row)),
        Cell::Text(if is_listed(row) { "listed" } else { "not listed" }.to_owned()),
        probability_cell(row, "probability"),
        row.cell(Unit::Share),
        row.count_cell("events"),
        row.count_cell("machines"),
    ]
}

fn columns(first: &[&str]) -> Vec<Column> {
    let figures = [
        Column::text("On the list"),
        Column::number("Probability that it belongs there"),
        Column::number("Share of all faults"),
        Column::number("Faults"),
        Column::number("Machines"),
    ];
    first.iter().map(|heading| Column::text(heading)).chain(figures).collect()
}

fn table(brief: &Brief<'_>, category: &Category) -> Option<Table> {
    let rows = parts(brief, category);
    if rows.is_empty() {
        return None;
    }
    let table = Table {
        caption: format!("{}: the parts with the most faults among the jobs", category.heading()),
        columns: columns(&["Part"]),
        rows: rows.iter().map(|row| cells(brief, row)).collect(),
        notes: Vec::new(),
        when_empty: String::new(),
    };
    Some(shortened(table, MOST_PARTS, "priority_part"))
}

/// The lists of the other categories.
fn others(brief: &Brief<'_>) -> Table {
    let rows = brief.others().iter().flat_map(|category| {
        let listed = parts(brief, category).into_iter().filter(is_listed);
        listed.map(|row| std::iter::once(Cell::Text(category.heading())).chain(cells(brief, &row)).collect())
    });
    Table {
        caption: "The other categories: the parts on the list".to_owned(),
        columns: columns(&["Category", "Part"]),
        rows: rows.collect(),
        notes: Vec::new(),
        when_empty: "No other category has enough faults to say which parts fail most.".to_owned(),
    }
}
