//! Write-offs whose failed part is sealed in: how many, of what, at what price, what is lost with them, and how many more there are than of designs that
//! open. All of it is about jobs that reached the workshop.

use super::claims::{Draft, Question, answering};
use crate::charts::Look;
use crate::claims::ClaimStanding;
use crate::document::{Block, Cell, Column, KeyFigure, Quantity, Section, Table, Unit};
use crate::documents::brief::{Brief, counted, counted_cell, said};
use crate::evidence_view::{Query, Row};
use crate::wording;
use fixodds_estimators::judgement::Scale;

/// Rows of one statistic, for everything together.
fn overall(statistic: &str) -> Query {
    Query::of("sealed_write_off").overall().with("statistic", statistic)
}

const SHARE: &str = "of_condemned_design_known";
const EXCESS: &str = "excess";
const NO_DESIGN: &str = "No condemned machine has a known fault and a known design.";
const NO_COMPARISON: &str = "There are too few jobs with such a fault on machines of both designs.";

/// What share of write-offs failed inside an assembly that cannot be opened, and how far their number exceeds that of designs that open.
pub(super) fn questions(brief: &Brief<'_>) -> Vec<Question> {
    let sealed = answering(brief, &overall(SHARE).null("component"), NO_DESIGN).map(|row| sealed_in(brief, row));
    let excess = answering(brief, &overall(EXCESS).null("component"), NO_COMPARISON).map(excess);
    vec![
        Question {
            about: "What share of condemned machines failed at a part inside an assembly that cannot be opened".to_owned(),
            answer: sealed,
        },
        Question {
            about: "Whether jobs with such a fault end as write-offs more often where the part is sealed in than where it is not"
                .to_owned(),
            answer: excess,
        },
    ]
}

fn sealed_in(brief: &Brief<'_>, row: Row) -> Draft {
    let share = said(&row, Unit::Share, "condemned").unwrap_or_default();
    let lost = |statistic: &str, unit: Unit| {
        let sum = brief.evidence.first(&overall(statistic).null("component"))?.real("estimate")?;
        Some(wording::with_unit_in_value(&Quantity::new(sum.round(), unit)).value)
    };
    let mut losses: Vec<String> =
        row.integer("events").map(|events| wording::count_of(events, "machine", "machines")).into_iter().collect();
    losses.extend(lost("value_lost", brief.money()).map(|value| format!("worth {value} new")));
    losses.extend(lost("mass_kg_lost", Unit::Kilograms).map(|mass| format!("weighing {mass}")));
    let sentence = format!(
        "Of machines that were condemned in the workshop and whose design is known, {share} had failed at a part inside an assembly that cannot be opened: {}.",
        losses.join(", ")
    );
    Draft {
        table: "sealed_write_off",
        n: (row.integer("condemned"), "condemned machines"),
        row,
        unit: Unit::Share,
        population: "condemned machines of models whose design the catalogue gives".to_owned(),
        method: "share of jobs, Wilson interval widened for several jobs on one machine",
        against: None,
        not_found: false,
        words: Box::new(move |_| sentence.clone()),
    }
}

/// The write-offs of sealed designs beyond the share at which those that open end so.
fn excess(row: Row) -> Draft {
    let share = said(&row, Unit::Share, "condemned").unwrap_or_default();
    Draft {
        table: "sealed_write_off",
        n: (row.integer("condemned"), "condemned machines"),
        row,
        unit: Unit::Share,
        population: "condemned machines of models whose design the catalogue gives".to_owned(),
        method: "excess fraction by the Mantel-Haenszel risk ratio over category and age, bootstrap interval",
        against: Some((0.0, Scale::Linear)),
        not_found: false,
        words: Box::new(move |standing| match standing {
            ClaimStanding::DifferenceShown => format!(
                "Jobs with a fault of a part that some designs seal in end as write-offs more often where it is sealed in: the excess over designs that open, at the same ages, is \
                 {share} of all machines of known design that were condemned. The designs may differ in other ways too."
            ),
            _ => format!(
                "No difference is shown in how often jobs with a fault of a part that some designs seal in end as write-offs, at the same ages: the excess of sealed designs is {share} of \
                 all machines of known design that were condemned."
            ),
        }),
    }
}

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("sealed", "Write-offs whose failed part is sealed in");
    section.blocks.push(Block::Paragraph(
        "A condemned machine counts here when the part that failed sits inside an assembly that its design does not let anybody open. The figures are of machines \
         that reached the workshop. Why any one of them was condemned they do not say; the next section compares the designs."
            .to_owned(),
    ));
    let categories = by_category(brief);
    if !categories.rows.is_empty() {
        section.blocks.push(Block::KeyFigures(key_figures(brief)));
    }
    let share = "Share of condemned machines of known design whose failed part is sealed in.";
    section.blocks.push(categories.drawn(1, 1, Look::Dots, share, None));
    let parts = by_part(brief);
    if !parts.rows.is_empty() {
        let excess = "Write-offs of sealed designs beyond the share at which designs that open end so, of all condemned machines of known design; at 0, none.";
        section.blocks.push(parts.drawn(1, 3, Look::Dots, excess, None));
    }
    section
}

fn key_figures(brief: &Brief<'_>) -> Vec<KeyFigure> {
    let figure = |label: &str, statistic: &str, unit: Unit| {
        let row = brief.evidence.first(&overall(statistic).null("component"))?;
        let figure = match unit {
            Unit::Share => counted(&row, Unit::Share, "condemned")?,
            sum => Quantity::new(row.real("estimate")?.round(), sum),
        };
        Some(KeyFigure { label: label.to_owned(), figure: Cell::Quantity(figure) })
    };
    [
        figure("of condemned machines whose design is known had failed at a part that is sealed in", SHARE, Unit::Share),
        figure("machines condemned with such a fault", "machines_lost", Unit::Number),
        figure("their price new, where it is known", "value_lost", brief.money()),
        figure("their mass, where it is known", "mass_kg_lost", Unit::Kilograms),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn by_category(brief: &Brief<'_>) -> Table {
    let row = |name: String, scope: &dyn Fn(Query) -> Query| {
        let first =
            |statistic: &str| brief.evidence.first(&scope(Query::of("sealed_write_off")).with("statistic", statistic).null("component"));
        let known = first(SHARE).filter(|row| row.integer("events").is_some_and(|events| events > 0))?;
        let sum = |statistic: &str, unit: Unit| {
            let sum = first(statistic).and_then(|row| row.real("estimate"));
            sum.map_or(Cell::Nothing, |sum| Cell::Quantity(Quantity::new(sum.round(), unit)))
        };
        Some(vec![
            Cell::Text(name),
            counted_cell(&known, Unit::Share, "condemned"),
            known.count_cell("events"),
            first("of_condemned").map_or(Cell::Nothing, |row| counted_cell(&row, Unit::Share, "condemned")),
            sum("value_lost", brief.money()),
            sum("mass_kg_lost", Unit::Kilograms),
        ])
    };
    let categories = brief.categories.iter().map(|category| row(category.heading(), &|query| query.category(&category.key)));
    let money = brief.money();
    Table {
        caption: "Condemned machines whose failed part is sealed in".to_owned(),
        columns: vec![
            Column::text("Machines"),
            Column::number("Share of those condemned, design known"),
            Column::number("Write-offs, part sealed in"),
            Column::number("Share of all those condemned"),
            Column { unit: wording::unit_words(&money), ..Column::number("Price new") },
            Column::number_in("Mass", "kg"),
        ],
        rows: std::iter::once(row("All machines".to_owned(), &Query::overall)).chain(categories).flatten().collect(),
        notes: vec!["n is the number of condemned machines with a known fault that the share is taken over.".to_owned()],
        when_empty: brief.when_empty(
            "sealed_write_off",
            "No condemned machine has a known fault and a known design; nothing can be claimed either way.",
        ),
    }
}

/// The parts that are sealed in, with the excess of write-offs over designs that open, and their price against that of the assembly.
fn by_part(brief: &Brief<'_>) -> Table {
    let money = brief.money();
    let price =
        |statistic: &str, component: &str| Query::of("part_price").overall().with("statistic", statistic).with("component", component);
    let bought = |component: Option<&str>| {
        let row = brief.evidence.first(&price("line_cost", component?).with("part_source", "new-original"));
        row.map(|row| counted_cell(&row, brief.money(), "parts"))
    };
    let times = |component: &str| {
        let ratio = price("assembly_to_part", brief.names.assembly(component)?).with("compared_component", component);
        brief.evidence.first(&ratio).map(|row| counted_cell(&row, Unit::Ratio, "machines"))
    };
    let excess = |component: &str| {
        let row = brief.evidence.first(&overall(EXCESS).with("component", component));
        row.map(|row| row.cell(Unit::Share))
    };
    let rows = brief.ranked(&overall(SHARE).not_null("component"));
    let cells = |row: &Row| {
        let component = row.text("component").filter(|_| row.integer("events").is_some_and(|events| events > 0))?;
        Some(vec![
            Cell::Text(brief.component_of(row)),
            counted_cell(row, Unit::Share, "condemned"),
            row.count_cell("events"),
            excess(component).unwrap_or(Cell::Nothing),
            bought(Some(component)).unwrap_or(Cell::Nothing),
            bought(brief.names.assembly(component)).unwrap_or(Cell::Nothing),
            times(component).unwrap_or(Cell::Nothing),
        ])
    };
    let priced = |heading: &str| Column { unit: wording::unit_words(&money), ..Column::number(heading) };
    Table {
        caption: "Which part had failed, how many more write-offs there are where it is sealed in, and its price against that of the assembly".to_owned(),
        columns: vec![
            Column::text("Failed part"),
            Column::number("Share of those condemned, design known"),
            Column::number("Write-offs, part sealed in"),
            Column::number("Excess over designs that open"),
            priced("The part, new original"),
            priced("The assembly, new original"),
            Column::number("Assembly over part"),
        ],
        rows: rows.iter().filter_map(cells).collect(),
        notes: vec![
            "Prices are medians of order lines, all pieces of the line together; n is the number of lines. Assembly over part is a ratio of geometric means; n is the machines \
             the assembly was bought for. The assembly is bought for models that seal the part in, the part for models that do not."
                .to_owned(),
            "Excess over designs that open: write-offs of sealed machines with that fault beyond the share at which those that open end so at the same ages, of all those \
             condemned whose design is known. It compares jobs; the designs may differ in other ways too. Negative values: sealed ones were written off less often."
                .to_owned(),
        ],
        when_empty: String::new(),
    }
}
