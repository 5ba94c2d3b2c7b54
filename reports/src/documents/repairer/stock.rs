//! What to carry, what to keep, and what to strip.

use crate::charts::Look;
use crate::document::{Block, Cell, Column, Fold, Quantity, Section, Table, Unit};
use crate::documents::brief::{Brief, shortened};
use crate::evidence_view::{Query, Row};
use crate::wording;

const MOST_IN_VAN: usize = 25;
const MOST_ON_SHELF: usize = 60;
const MOST_PARTS: usize = 60;
const MOST_NAMED: usize = 4;
const LISTS: [(&str, &str); 3] =
    [("with_list", "With the list of a year before"), ("nothing_carried", "With nothing carried"), ("recorded", "As it was recorded")];

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("stock", "Which parts to carry and to keep");
    let settings = &brief.evidence.about().business;
    let budget = wording::in_sentence(&Quantity::new(settings.van_budget, brief.money()));
    let van = list(brief, "van");
    if van.is_empty() {
        let otherwise = "No parts with their prices are on record, so there is no list.";
        section.blocks.push(Block::Note(brief.when_empty("stock_list", otherwise)));
        return section;
    }
    section.blocks.push(Block::Paragraph(format!(
        "The van list takes, for {budget}, the parts that give the most first-visit repairs for the money until the van is filled up again after {} days. The shelf \
         list meets the demand until an order arrives with a probability of {}.",
        wording::plain(settings.van_restock_days),
        wording::in_sentence(&Quantity::new(settings.service_level, Unit::Share)),
    )));
    section.blocks.push(held_out(brief).drawn(
        1,
        1,
        Look::Bars,
        "Share of visits to homes with a fault that were done at the first visit.",
        None,
    ));
    section.blocks.push(van_table(brief, &van).drawn(2, 5, Look::Bars, "First-visit repairs that the part gives in a year.", None));
    section.blocks.extend(not_listed(brief).map(Block::Note));
    let shelf = shelf_table(brief, &list(brief, "shelf"));
    section.blocks.push(Block::Fold(Fold { summary: shelf.caption.clone(), blocks: vec![Block::Table(shelf)] }));
    section
}

/// What no list holds, and what the lists take repairs to have needed whose parts nobody wrote down.
fn not_listed(brief: &Brief<'_>) -> Option<String> {
    let row = brief.evidence.first(&Query::of("stock_list").overall().with("place", "not_listed"))?;
    let jobs = wording::in_sentence(&row.quantity(Unit::Number)?);
    let is_imputed = ["van", "shelf"].iter().any(|place| list(brief, place).iter().any(|row| row.real("lowest_reading").is_some()));
    let imputed = if is_imputed {
        " Repairs whose parts are not recorded are taken to have needed what the others did; if an empty parts cost means nothing in your records, say so in the mapping file: [jobs.blank]."
    } else {
        ""
    };
    Some(format!(
        "About {jobs} jobs a year may be expected to need a part that no job needed in these years; it stands on no list.{imputed}"
    ))
}

fn list(brief: &Brief<'_>, place: &str) -> Vec<Row> {
    let mut rows = brief.evidence.rows(&Query::of("stock_list").overall().with("place", place));
    let order = |row: &Row| row.real("fixes_per_year").or(row.real("estimate")).unwrap_or(0.0);
    rows.sort_by(|a, b| order(b).total_cmp(&order(a)));
    rows
}

fn held_out(brief: &Brief<'_>) -> Table {
    let of = |key: &str| brief.evidence.first(&Query::of("stock_list").overall().with("place", "held_out").with("list", key));
    Table {
        caption: "The last year, held out: visits to homes with a fault that were, or would have been, done at the first visit".to_owned(),
        columns: vec![Column::text("Van"), Column::number("Share"), Column::number("Visits")],
        rows: LISTS
            .iter()
            .filter_map(|(key, words)| {
                let row = of(key)?;
                Some(vec![Cell::Text((*words).to_owned()), row.cell(Unit::Share), row.count_cell("jobs")])
            })
            .collect(),
        notes: vec![
            "With a list, a visit counts as done if the machine was repaired and every part it took lay in the van; visits that needed none count too, and those whose parts are not \
             recorded as they were. As it was recorded shows what was carried then, at whatever cost.".to_owned(),
        ],
        when_empty: "There is no year of visits to try the list on.".to_owned(),
    }
}

fn part_cells(brief: &Brief<'_>, row: &Row) -> Vec<Cell> {
    let price = row.real("price").map_or(Cell::Nothing, |price| Cell::Quantity(Quantity::new(price, brief.money())));
    let family = row.text("part_family").filter(|family| Some(*family) != row.text("component"));
    vec![
        Cell::Text(brief.component_of(row)),
        family.map_or(Cell::Nothing, |family| Cell::Text(family.to_owned())),
        row.count_cell("level"),
        price,
        row.cell(Unit::Number),
    ]
}

fn part_columns(level: &str) -> Vec<Column> {
    vec![
        Column::text("Part"),
        Column::text("Number"),
        Column::number(level),
        Column::number("Price of a set"),
        Column::number_in("Demand", "jobs a year"),
    ]
}

fn van_table(brief: &Brief<'_>, rows: &[Row]) -> Table {
    let cost: f64 = rows.iter().filter_map(|row| Some(row.real("price")? * row.integer("level")? as f64)).sum();
    let cells = |row: &Row| {
        let fixes = row.real("fixes_per_year").map_or(Cell::Nothing, |fixes| Cell::Quantity(Quantity::new(fixes, Unit::Number)));
        part_cells(brief, row).into_iter().chain([fixes]).collect()
    };
    let table = Table {
        caption: format!(
            "For the van: {} for {}",
            wording::count_of(rows.len() as i64, "part", "parts"),
            wording::in_sentence(&Quantity::new(cost, brief.money()))
        ),
        columns: part_columns("Sets in the van").into_iter().chain([Column::number_in("First-visit repairs", "a year")]).collect(),
        rows: rows.iter().map(cells).collect(),
        notes: vec![
            "Demand is at customers' homes. A number stands for its variants; where none is known, the part's name stands alone."
                .to_owned(),
        ],
        when_empty: String::new(),
    };
    shortened(table, MOST_IN_VAN, "stock_list")
}

fn shelf_table(brief: &Brief<'_>, rows: &[Row]) -> Table {
    let cost: f64 = rows.iter().filter_map(|row| Some(row.real("price")? * row.integer("level")? as f64)).sum();
    let cells = |row: &Row| {
        let days = row.real("lead_time_days").map_or(Cell::Nothing, |days| Cell::Quantity(Quantity::new(days.round(), Unit::Number)));
        part_cells(brief, row).into_iter().chain([days]).collect()
    };
    let table = Table {
        caption: format!(
            "For the shelf: {}, all together {}",
            wording::count_of(rows.len() as i64, "part", "parts"),
            wording::in_sentence(&Quantity::new(cost, brief.money()))
        ),
        columns: part_columns("Order up to, sets").into_iter().chain([Column::number_in("Order to receipt, mean", "days")]).collect(),
        rows: rows.iter().map(cells).collect(),
        notes: Vec::new(),
        when_empty: "No part has both a demand and a known time from order to receipt.".to_owned(),
    };
    shortened(table, MOST_ON_SHELF, "stock_list")
}

/// "Tried on last year's visits to homes: parts for £600 in the van ...".
pub(super) fn said(brief: &Brief<'_>) -> Option<String> {
    let share = |list: &str| {
        let row = brief.evidence.first(&Query::of("stock_list").overall().with("place", "held_out").with("list", list))?;
        Some((row.quantity(Unit::Share)?, row.integer("jobs")?))
    };
    let ((with, visits), (without, _)) = (share("with_list")?, share("nothing_carried")?);
    let budget = wording::in_sentence(&Quantity::new(brief.evidence.about().business.van_budget, brief.money()));
    Some(format!(
        "Tried on last year's visits to homes: parts for {budget} in the van, chosen from earlier records, hold all that was fitted in {} of the visits, against {} with nothing carried; see Which parts to carry.",
        wording::in_sentence(&with.with_n(visits)),
        wording::in_sentence(&without)
    ))
}

/// Which condemned machines are worth stripping.
pub(super) fn donors(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("donors", "Which condemned machines to strip");
    section.blocks.push(Block::Paragraph(
        "What one more condemned machine yields: expected demand for each used part, shared among all donors of its platform, times the price of a used one, times \
         the probability that the part is good, less the time to take it out; only parts that pay are counted."
            .to_owned(),
    ));
    let machines = brief.ranked_signed(&Query::of("donor_value").null("component"));
    let parts = brief.ranked_signed(&Query::of("donor_value").not_null("component"));
    let best = |platform: &str| {
        let of: Vec<String> = parts
            .iter()
            .filter(|row| row.text("scope") == Some(platform) && row.real("estimate").is_some_and(|net| net > 0.0))
            .take(MOST_NAMED)
            .filter_map(|row| Some(brief.names.component(row.text("component")?)))
            .collect();
        if of.is_empty() { Cell::Nothing } else { Cell::Text(wording::enumeration(&of)) }
    };
    let table = Table {
        caption: "By platform, the most worth first".to_owned(),
        columns: vec![
            Column::text("Platform"),
            Column::text("Category"),
            Column::text("Verdict"),
            Column::number("Worth per machine"),
            Column::number_in("Condemned", "in three years"),
            Column::text("Parts that pay, the best first"),
        ],
        rows: machines
            .iter()
            .map(|row| {
                let platform = row.text("scope").unwrap_or_default();
                let category = wording::sentence_case(&brief.names.categories(row.text("category").unwrap_or_default()));
                let named = [Cell::Text(platform.to_owned()), Cell::Text(category), Cell::Text(verdict_words(row).to_owned())];
                named.into_iter().chain([row.cell(brief.money()), row.count_cell("donors"), best(platform)]).collect()
            })
            .collect(),
        notes: Vec::new(),
        when_empty: brief.when_empty("donor_value", "No used part was fitted to a machine whose platform is known."),
    };
    section.blocks.push(table.drawn(
        2,
        3,
        Look::Bars,
        "What the used parts of one more condemned machine bring, less the time to strip it.",
        None,
    ));
    let table = parts_table(brief, &parts);
    if !table.rows.is_empty() {
        section.blocks.push(Block::Fold(Fold { summary: table.caption.clone(), blocks: vec![Block::Table(table)] }));
    }
    section
}

fn verdict_words(row: &Row) -> &'static str {
    match row.text("verdict") {
        Some("strip") => "Strip",
        Some("leave") => "Leave",
        _ => "Not shown either way",
    }
}

fn parts_table(brief: &Brief<'_>, parts: &[Row]) -> Table {
    let number =
        |row: &Row, column: &str, unit: Unit| row.real(column).map_or(Cell::Nothing, |value| Cell::Quantity(Quantity::new(value, unit)));
    let table = Table {
        caption: "Part by part, the most worth first".to_owned(),
        columns: vec![
            Column::text("Part"),
            Column::text("Platform"),
            Column::number("Worth per machine"),
            Column::number_in("Demand", "jobs a year"),
            Column::number("Sold before thrown out"),
            Column::number("Good"),
            Column::number("Price of a used one"),
        ],
        rows: parts
            .iter()
            .map(|row| {
                vec![
                    Cell::Text(brief.component_of(row)),
                    Cell::Text(row.text("scope").unwrap_or_default().to_owned()),
                    row.cell(brief.money()),
                    number(row, "demand_per_year", Unit::Number),
                    number(row, "prob_sold", Unit::Share),
                    number(row, "prob_good", Unit::Share),
                    number(row, "price", brief.money()),
                ]
            })
            .collect(),
        notes: Vec::new(),
        when_empty: String::new(),
    };
    shortened(table, MOST_PARTS, "donor_value")
}
