//! What changes from year to year, beyond chance.

use crate::charts::{Look, Reference};
use crate::document::{Block, Cell, Column, Fold, Section, Table, Unit};
use crate::documents::brief::{Brief, shortened};
use crate::evidence_view::{Query, Row};
use crate::wording;

const MOST_CHANGES: usize = 20;
const COSTS: [(&str, &str); 5] = [
    ("total", "Cost of a repair, labour and parts"),
    ("labour_minutes", "Working time of a repair"),
    ("labour", "Labour of a repair"),
    ("parts", "Parts of a repair"),
    ("charged", "Charged for a repair"),
];
const MEASURES_BY_YEAR: [(&str, &str); 3] =
    [("failure_rate", "Failures"), ("total", "Labour and parts of a repair"), ("charged", "Charged for a repair")];

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("trends", "What changes from year to year");
    section.blocks.push(Block::Paragraph(
        "The factor from one year to the next, where 1 is no change. Failure rates allow for the age of the machines, so that a roster that grows old is no change; where all machines grow old together, age and year cannot be told apart. A \
         change is called one only where chance, and the number of trends compared, do not explain it. Machines in which more and more parts have been renewed fail less at the same age: a falling rate may be that, and not a better design. Money is not corrected for inflation."
            .to_owned(),
    ));
    let factor = "Factor from one year to the next; at 1, no change.";
    let no_change = || Some(Reference { value: 1.0, label: "no change".to_owned() });
    section.blocks.push(overall(brief).drawn(1, 2, Look::Ratios, factor, no_change()));
    section.blocks.push(components(brief).drawn(2, 3, Look::Ratios, factor, no_change()));
    let years = years(brief);
    section.blocks.push(Block::Fold(Fold { summary: years.caption.clone(), blocks: vec![Block::Table(years)] }));
    section
}

fn changes(measure: &str) -> Query {
    Query::of("trend").with("statistic", "change_per_year").with("measure", measure)
}

fn word(row: &Row) -> Cell {
    Cell::Text(
        match row.text("trend") {
            Some("rising") => "Rising",
            Some("falling") => "Falling",
            Some("not_separable") => "Age and year cannot be told apart",
            Some(_) => "No change beyond chance",
            None => "Not enough evidence",
        }
        .to_owned(),
    )
}

fn basis(row: &Row) -> Cell {
    if row.integer("events").is_some() { row.count_cell("events") } else { row.count_cell("jobs") }
}

/// Failures of each category, and costs over all.
fn overall(brief: &Brief<'_>) -> Table {
    let mut rows: Vec<Vec<Cell>> = Vec::new();
    let mut add = |words: String, row: &Row| rows.push(vec![Cell::Text(words), word(row), row.cell(Unit::Ratio), basis(row)]);
    for category in &brief.categories {
        if let Some(row) = brief.evidence.first(&changes("failure_rate").category(&category.key).null("component")) {
            add(format!("Failures of {}", category.many), &row);
        }
    }
    for (measure, words) in COSTS {
        if let Some(row) = brief.evidence.first(&changes(measure).overall()) {
            add(words.to_owned(), &row);
        }
    }
    Table {
        caption: "Failures by category, and costs".to_owned(),
        columns: vec![
            Column::text("What"),
            Column::text("Verdict"),
            Column::number("Factor per year"),
            Column::number("Failures or repairs"),
        ],
        rows,
        notes: Vec::new(),
        when_empty: brief.when_empty("trend", "There are not four whole years of records."),
    }
}

/// The components whose rate changes within a category.
fn components(brief: &Brief<'_>) -> Table {
    let flagged: Vec<Row> = ["rising", "falling"]
        .iter()
        .flat_map(|trend| {
            let query = changes("failure_rate").with("scope_level", "category").not_null("component").with("trend", *trend);
            brief.evidence.rows(&query)
        })
        .collect();
    let table = Table {
        caption: "Components whose failure rate changes beyond chance".to_owned(),
        columns: vec![
            Column::text("Component"),
            Column::text("Category"),
            Column::text("Verdict"),
            Column::number("Factor per year"),
            Column::number("Failures"),
        ],
        rows: flagged
            .iter()
            .map(|row| {
                let category = wording::sentence_case(&brief.names.categories(row.text("category").unwrap_or_default()));
                vec![Cell::Text(brief.component_of(row)), Cell::Text(category), word(row), row.cell(Unit::Ratio), row.count_cell("events")]
            })
            .collect(),
        notes: Vec::new(),
        when_empty: "No component's failure rate is shown to change.".to_owned(),
    };
    shortened(table, MOST_CHANGES, "trend")
}

fn years(brief: &Brief<'_>) -> Table {
    let rows = MEASURES_BY_YEAR.iter().flat_map(|(measure, words)| {
        let unit = if *measure == "failure_rate" { Unit::PerMachineYear } else { brief.money() };
        let query = Query::of("trend").overall().with("statistic", "year").with("measure", *measure).null("component");
        let cells = move |row: Row| {
            let year = row.text("year_to_on").map_or(Cell::Nothing, |day| Cell::Text(format!("{words}, year to {}", wording::date(day))));
            let exposure = row.real("machine_years").map_or(Cell::Nothing, |years| Cell::Count(years.round() as i64));
            vec![year, row.cell(unit.clone()), basis(&row), exposure]
        };
        brief.evidence.rows(&query).into_iter().map(cells).collect::<Vec<_>>()
    });
    Table {
        caption: "Year by year, all categories".to_owned(),
        columns: vec![
            Column::text("Year"),
            Column::number("Failures per 100 machine-years, or mean amount"),
            Column::number("Failures or repairs"),
            Column::number("Machine-years"),
        ],
        rows: rows.collect(),
        notes: Vec::new(),
        when_empty: "There is no whole year of records.".to_owned(),
    }
}
