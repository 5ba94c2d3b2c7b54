//! The test after a repair: how often it is on record, and what it found.

use crate::document::{Block, Cell, Column, Section, Table, Unit};
use crate::documents::brief::Brief;
use crate::evidence_view::{Query, Row};
use crate::wording;

const MEASURES: [(&str, &str); 6] = [
    ("any", "The test as a whole"),
    ("earth", "Earth continuity"),
    ("insulation", "Insulation"),
    ("leakage", "Leakage or touch current"),
    ("polarity", "Polarity"),
    ("function", "Function"),
];

fn row(brief: &Brief<'_>, measure: &str, finding: &str) -> Option<Row> {
    brief.evidence.first(&Query::of("closing_test").overall().with("measure", measure).with("finding", finding))
}

/// "The test after repair is on record for ... of 3,120 repaired jobs."
pub(super) fn said(brief: &Brief<'_>) -> Option<String> {
    let row = row(brief, "any", "recorded")?;
    let jobs = wording::count_of(row.integer("jobs")?, "repaired job", "repaired jobs");
    if row.integer("events")? == 0 {
        return Some(format!("No test after repair is on record for any of {jobs}: nothing shows that a machine went back safe."));
    }
    let share = wording::in_sentence(&row.quantity(Unit::Share)?);
    Some(format!("The test after repair is on record for {share} of {jobs}."))
}

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("closing", "The test after repair");
    let share = |measure: &str, finding: &str| row(brief, measure, finding);
    let rows = MEASURES.iter().filter_map(|(measure, name)| {
        let recorded = share(measure, "recorded")?;
        let beyond = share(measure, "beyond_limit");
        Some(vec![
            Cell::Text((*name).to_owned()),
            recorded.count_cell("events"),
            recorded.cell(Unit::Share),
            beyond.as_ref().map_or(Cell::Nothing, |row| row.count_cell("events")),
        ])
    });
    section.blocks.push(Block::Table(Table {
        caption: "Closing tests of repaired jobs on record".to_owned(),
        columns: vec![
            Column::text("Test"),
            Column::number("On record"),
            Column::number("Share"),
            Column::number("Beyond the usual limit, or failed"),
        ],
        rows: rows.collect(),
        notes: vec![
            "The first line is of all repaired jobs, the others of those with a closing test on record. A test that was done and not written down is not seen."
                .to_owned(),
        ],
        when_empty: "No job ended repaired.".to_owned(),
    }));
    let categories: Vec<String> = brief.categories.iter().map(|category| category.key.clone()).collect();
    let prompts = brief.names.closing_tests(&categories);
    section.blocks.push(Block::List(prompts.iter().map(|test| format!("{}. {} Source: {}", test.name, test.text, test.source)).collect()));
    section.blocks.push(Block::Note(
        "Prompts with the usual limits, not pass or fail of a standard. Beyond the usual limit is what to look at again: a long cable or a large heater may be allowed more."
            .to_owned(),
    ));
    section
}
