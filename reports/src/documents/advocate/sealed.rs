//! Write-offs that the design forced: how many, of what, at what price, and what is lost with them.

use super::claims::Draft;
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

/// What failed inside assemblies that cannot be opened, and what of that a part on its own would have saved.
pub(super) fn drafts(brief: &Brief<'_>) -> Vec<Draft> {
    forced(brief).into_iter().chain(avoidable(brief)).collect()
}

fn forced(brief: &Brief<'_>) -> Option<Draft> {
    let row = brief.evidence.first(&overall("of_condemned_design_known").null("component"))?;
    let share = said(&row, Unit::Share, "condemned")?;
    let lost = |statistic: &str, unit: Unit| {
        let sum = brief.evidence.first(&overall(statistic).null("component"))?.real("estimate")?;
        Some(wording::with_unit_in_value(&Quantity::new(sum.round(), unit)).value)
    };
    let mut losses: Vec<String> =
        row.integer("events").map(|events| wording::count_of(events, "machine", "machines")).into_iter().collect();
    losses.extend(lost("value_lost", brief.money()).map(|value| format!("worth {value} new")));
    losses.extend(lost("mass_kg_lost", Unit::Kilograms).map(|mass| format!("weighing {mass}")));
    let sentence = format!(
        "Of condemned machines whose design is known, {share} failed at a part inside an assembly that cannot be opened: {}.",
        losses.join(", ")
    );
    Some(Draft {
        table: "sealed_write_off",
        n: (row.integer("condemned"), "condemned machines"),
        row,
        unit: Unit::Share,
        population: "condemned machines of models whose design the catalogue gives".to_owned(),
        method: "share of jobs, Wilson interval widened for several jobs on one machine",
        against: None,
        not_found: false,
        words: Box::new(move |_| sentence.clone()),
    })
}

/// Of the part behind most such write-offs: by size, not by result.
fn avoidable(brief: &Brief<'_>) -> Option<Draft> {
    let rows = brief.evidence.rows(&overall("avoidable").not_null("component"));
    let row = rows.into_iter().filter(|row| row.real("estimate").is_some()).max_by_key(|row| row.integer("events"))?;
    let name = brief.names.component(row.text("component")?);
    let share = said(&row, Unit::Share, "condemned")?;
    let basis = "had sealed machines with that fault been written off as seldom as those that open, at the same ages; this takes the designs to differ in \
                 nothing else";
    Some(Draft {
        table: "sealed_write_off",
        n: (row.integer("condemned"), "condemned machines"),
        row,
        unit: Unit::Share,
        population: "condemned machines of models whose design the catalogue gives".to_owned(),
        method: "attributable fraction by the Mantel-Haenszel risk ratio over category and age, bootstrap interval",
        against: Some((0.0, Scale::Linear)),
        not_found: false,
        words: Box::new(move |standing| match standing {
            ClaimStanding::DifferenceShown => format!(
                "{name} that can be replaced would have saved {share} of the machines of known design that were condemned, {basis}.",
                name = wording::sentence_case(&name)
            ),
            _ => format!(
                "Whether {name} that can be replaced would have saved machines from being condemned is not shown: {share}, {basis}."
            ),
        }),
    })
}

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("sealed", "Write-offs that the design forced");
    section.blocks.push(Block::Paragraph(
        "A condemned machine counts here when the part that failed sits inside an assembly that its design does not let anybody open, so that the whole \
         assembly would have had to be bought. Whether it would otherwise have been repaired is not known of each machine; the next section compares the designs."
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
        let saved = "Share of condemned machines of known design that would have been saved if the part could be replaced; at 0, none.";
        section.blocks.push(parts.drawn(1, 3, Look::Dots, saved, None));
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
        figure("of condemned machines whose design is known", "of_condemned_design_known", Unit::Share),
        figure("machines lost", "machines_lost", Unit::Number),
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
        let known = first("of_condemned_design_known").filter(|row| row.integer("events").is_some_and(|events| events > 0))?;
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

/// The parts that are sealed in, with their price against that of the assembly, and what a part on its own would have saved.
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
    let avoidable = |component: &str| {
        let row = brief.evidence.first(&overall("avoidable").with("component", component));
        row.map(|row| row.cell(Unit::Share))
    };
    let rows = brief.ranked(&overall("of_condemned_design_known").not_null("component"));
    let cells = |row: &Row| {
        let component = row.text("component").filter(|_| row.integer("events").is_some_and(|events| events > 0))?;
        Some(vec![
            Cell::Text(brief.component_of(row)),
            counted_cell(row, Unit::Share, "condemned"),
            row.count_cell("events"),
            avoidable(component).unwrap_or(Cell::Nothing),
            bought(Some(component)).unwrap_or(Cell::Nothing),
            bought(brief.names.assembly(component)).unwrap_or(Cell::Nothing),
            times(component).unwrap_or(Cell::Nothing),
        ])
    };
    let priced = |heading: &str| Column { unit: wording::unit_words(&money), ..Column::number(heading) };
    Table {
        caption: "Which part had failed, what it costs against the assembly it sits in, and what replacing it would have saved".to_owned(),
        columns: vec![
            Column::text("Failed part"),
            Column::number("Share of those condemned, design known"),
            Column::number("Write-offs, part sealed in"),
            Column::number("Saved if it could be replaced"),
            priced("The part, new original"),
            priced("The assembly, new original"),
            Column::number("Assembly over part"),
        ],
        rows: rows.iter().filter_map(cells).collect(),
        notes: vec![
            "Prices are medians of order lines, all pieces of the line together; n is the number of lines. Assembly over part is a ratio of geometric means; n is the machines \
             the assembly was bought for. The assembly is bought for models that seal the part in, the part for models that do not."
                .to_owned(),
            "Saved if it could be replaced: share of all those condemned whose design is known, had sealed machines with that fault been written off as seldom as those \
             that open at the same ages. Negative values are chance or other differences between the designs."
                .to_owned(),
        ],
        when_empty: String::new(),
    }
}
