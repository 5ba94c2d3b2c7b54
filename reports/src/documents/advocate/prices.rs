//! What parts cost: against the machine new, against new original parts, and an assembly against the part inside it.

use super::claims::{Draft, Question};
use super::law::SAME_PRICE;
use crate::charts::Look;
use crate::claims::ClaimStanding;
use crate::document::{Block, Cell, Column, Section, Table, Unit};
use crate::documents::brief::{Brief, Category, counted_cell, said, shortened};
use crate::evidence_view::{Query, Row};
use crate::names::agreeing;
use crate::wording;

const MOST_PARTS: usize = 12;

fn of(category: &Category, statistic: &str) -> Query {
    Query::of("part_price").category(&category.key).with("statistic", statistic)
}

/// The assembly against the part inside it of which most were bought, in the largest category that seals one in.
pub(super) fn question(brief: &Brief<'_>) -> Question {
    let pick = |category: &Category| {
        let mut rows: Vec<Row> = brief.evidence.rows(&of(category, "assembly_to_part").with("part_source", "new-original"));
        rows.retain(|row| row.real("estimate").is_some());
        rows.into_iter().max_by_key(|row| row.integer("compared_parts"))
    };
    let picked = brief.main().iter().find_map(|category| Some((category, pick(category)?)));
    let otherwise = "No assembly and part inside it were both bought often enough as new original parts.";
    Question {
        about: "What an assembly costs against the part that it seals in".to_owned(),
        answer: picked.and_then(|(category, row)| draft(brief, category, row)).ok_or_else(|| brief.when_empty("part_price", otherwise)),
    }
}

fn draft(brief: &Brief<'_>, category: &Category, row: Row) -> Option<Draft> {
    let part = brief.names.component(row.text("compared_component")?);
    let assembly = brief.names.component(row.text("component")?);
    let times = said(&row, Unit::Ratio, "parts")?;
    let many = category.many.clone();
    Some(Draft {
        table: "part_price",
        n: (row.integer("parts"), "assemblies bought"),
        row,
        unit: Unit::Ratio,
        population: format!("new original parts bought for {}", category.many),
        method: "ratio of geometric means of order lines, log-normal interval over machines",
        against: Some(SAME_PRICE),
        not_found: false,
        words: Box::new(move |standing| match standing {
            ClaimStanding::DifferenceShown => {
                format!(
                    "The assembly of {many} in which the {part} {} sealed ({assembly}) was bought at {times} times the price of the {part} alone.",
                    agreeing(&part, "is", "are"),
                )
            }
            _ => format!(
                "No difference is shown between the price of the assembly of {many} that holds the {part} ({assembly}) and that of the {part} alone: the ratio is {times}."
            ),
        }),
    })
}

pub(super) fn blocks(brief: &Brief<'_>, section: &mut Section) {
    let Some(category) = brief.categories.iter().find(|category| !components(brief, category).is_empty()) else {
        let otherwise = "No part is recorded with its price and origin; nothing can be said of prices.";
        section.blocks.push(Block::Note(brief.when_empty("part_price", otherwise)));
        return;
    };
    section.blocks.push(Block::Subheading("What parts cost".to_owned()));
    let description = "Median price of one new original piece as a share of the price of the machine new.";
    section.blocks.push(table(brief, category).drawn(1, 2, Look::Bars, description, None));
}

/// Components with a price of a new original part, those most often bought first.
fn components(brief: &Brief<'_>, category: &Category) -> Vec<Row> {
    let mut rows = brief.evidence.rows(&of(category, "price").with("part_source", "new-original"));
    rows.retain(|row| row.real("estimate").is_some());
    rows.sort_by(|a, b| b.integer("parts").cmp(&a.integer("parts")).then_with(|| a.text("component").cmp(&b.text("component"))));
    rows
}

fn table(brief: &Brief<'_>, category: &Category) -> Table {
    let cell = |row: &Row, statistic: &str, part_source: &str, unit: Unit| {
        let query = of(category, statistic).with("part_source", part_source).with("component", row.text("component").unwrap_or_default());
        brief.evidence.first(&query).map_or(Cell::Nothing, |row| counted_cell(&row, unit, "parts"))
    };
    let cells = |row: &Row| {
        vec![
            Cell::Text(brief.component_of(row)),
            counted_cell(row, brief.money(), "parts"),
            cell(row, "to_price_new", "new-original", Unit::Share),
            cell(row, "to_new_original", "new-pattern", Unit::Ratio),
            cell(row, "to_new_original", "used", Unit::Ratio),
        ]
    };
    let table = Table {
        caption: format!("{}: prices of new original parts, those most often bought first", category.heading()),
        columns: vec![
            Column::text("Part"),
            Column { unit: wording::unit_words(&brief.money()), ..Column::number("New original, one piece") },
            Column::number("Of the price of the machine new"),
            Column::number("Pattern over original"),
            Column::number("Used over original"),
        ],
        rows: components(brief, category).iter().map(cells).collect(),
        notes: vec![
            "Medians as paid at the time, not brought to one year's money; ratios are of geometric means and compare parts for the same kind of machine, not the same \
             machine. n is the number of parts bought, for a ratio those that are not original."
                .to_owned(),
        ],
        when_empty: String::new(),
    };
    shortened(table, MOST_PARTS, "part_price")
}
