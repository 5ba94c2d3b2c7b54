//! What goes with a fault, and what comes back when only the damage is mended.

use crate::document::{Block, Cell, Column, Section, Table, Unit};
use crate::documents::brief::{Brief, counted_cell, said, shortened};
use crate::documents::returns;
use crate::evidence_view::{Query, Row};
use crate::names::agreeing;
use crate::wording;

const MOST_CASCADES: usize = 12;
/// A lift beyond this says no more than "hardly ever otherwise".
const HIGHEST_LIFT: f64 = 50.0;

/// Damage found with a first fault, in the order of how often it surely is: by the lower end of its share.
fn rows(brief: &Brief<'_>) -> Vec<Row> {
    let of = |category: &crate::documents::brief::Category| brief.evidence.rows(&Query::of("cascade").category(&category.key));
    let mut rows: Vec<Row> = brief.main().iter().flat_map(of).collect();
    rows.retain(|row| row.real("estimate").is_some() && row.real("lift_lower").is_some_and(|lift| lift > 1.0));
    rows.sort_by(|a, b| b.real("lower").unwrap_or(0.0).total_cmp(&a.real("lower").unwrap_or(0.0)));
    rows
}

/// The strongest of them in words, each component at fault once.
pub(super) fn strongest(brief: &Brief<'_>, most: usize) -> Vec<String> {
    let mut said_of: Vec<String> = Vec::new();
    let sentence = |row: &Row| {
        let (cause, damaged) = (row.text("component")?.to_owned(), row.text("consequential_component")?.to_owned());
        if said_of.contains(&cause) || said_of.contains(&damaged) {
            return None;
        }
        let share = said(row, Unit::Share, "jobs")?;
        let (cause_name, damaged_name) = (brief.names.component(&cause), brief.names.component(&damaged));
        let machines = brief.names.categories(row.text("category")?);
        said_of.extend([cause]);
        Some(format!(
            "Where the {cause_name} of {machines} failed, the {damaged_name} {} damaged with {} in {share} of jobs.",
            agreeing(&damaged_name, "was", "were"),
            agreeing(&cause_name, "it", "them"),
        ))
    };
    rows(brief).iter().filter_map(sentence).take(most).collect()
}

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("cascades", "What goes with it");
    section.blocks.push(Block::Paragraph(
        "Damage found together with a first fault. Only damage that is found with it more often than otherwise is listed; how many times as often \
         is given by the lower end of its interval."
            .to_owned(),
    ));
    section.blocks.push(Block::Table(table(brief)));
    section.blocks.push(Block::Subheading("Mending only the damage".to_owned()));
    section.blocks.extend(returns::repair_scope_blocks(brief));
    section.blocks.push(Block::Note(returns::READING.to_owned()));
    section
}

fn table(brief: &Brief<'_>) -> Table {
    let name = |row: &Row, column: &str| Cell::Text(wording::sentence_case(&brief.names.component(row.text(column).unwrap_or_default())));
    let at_least = |row: &Row| match row.real("lift_lower") {
        Some(lift) if lift > HIGHEST_LIFT => Cell::Text(format!("over {}", wording::plain(HIGHEST_LIFT))),
        Some(lift) => Cell::Text(wording::plain(lift)),
        None => Cell::Nothing,
    };
    let category = |row: &Row| row.text("category").map_or_else(|| "all".to_owned(), |key| brief.names.categories(key));
    let table = Table {
        caption: "First fault and the damage found with it, surest first".to_owned(),
        columns: vec![
            Column::text("First fault"),
            Column::text("Damaged with it"),
            Column::text("In"),
            Column::number("Share of jobs with the first fault"),
            Column::number("Times as often as otherwise, at least"),
        ],
        rows: rows(brief)
            .iter()
            .map(|row| {
                vec![
                    name(row, "component"),
                    name(row, "consequential_component"),
                    Cell::Text(category(row)),
                    counted_cell(row, Unit::Share, "jobs"),
                    at_least(row),
                ]
            })
            .collect(),
        notes: vec!["n is the number of jobs with the first fault and findings recorded.".to_owned()],
        when_empty: brief.when_empty("cascade", "The records hold no findings of damage that followed from another fault."),
    };
    shortened(table, MOST_CASCADES, "cascade")
}
