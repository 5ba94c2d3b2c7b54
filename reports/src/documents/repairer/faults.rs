//! What fails, and what mending it costs.

use crate::charts::{CostRow, CostSpread, IntervalPlot, IntervalRow, Look, Plot};
use crate::document::{Block, Cell, Chart, Column, Section, Table, Unit};
use crate::documents::brief::{Brief, Category, counted_cell, shortened};
use crate::evidence_view::{Query, Row};
use crate::wording;

const MOST_COMPONENTS: usize = 12;
const MOST_DRAWN: usize = 8;
const MOST_OF_OTHERS: usize = 3;

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("faults", "What fails, and what mending it costs");
    section.blocks.push(Block::Paragraph(
        "Shares are of jobs with a known primary fault. Costs are labour and parts of jobs that ended repaired. The 90th percentile is the cost \
         that one job in ten exceeds: quote with it in mind."
            .to_owned(),
    ));
    for category in brief.main() {
        section.blocks.push(Block::Subheading(category.heading()));
        let faults = brief.faults(category);
        if faults.is_empty() {
            section.blocks.push(Block::Note(format!("No job on {} has a known primary fault.", category.many)));
            continue;
        }
        section.blocks.push(Block::Chart(Box::new(fault_chart(brief, category, &faults))));
        section.blocks.extend(cost_chart(brief, category, &faults).map(|chart| Block::Chart(Box::new(chart))));
    }
    section.blocks.extend(brief.others_folded(vec![Block::Table(others(brief))]));
    section
}

/// Total cost of repairs on machines of a category, all ages together.
pub(super) fn cost_query(category: &Category) -> Query {
    Query::of("repair_cost").category(&category.key).all_ages().with("cost", "total")
}

/// One statistic of the cost of a category's commonest faults, commonest first, where there is a row for it.
pub(super) fn costs_of(brief: &Brief<'_>, category: &Category, statistic: &str) -> Vec<(String, Row)> {
    let faults = brief.faults(category).into_iter().take(MOST_COMPONENTS);
    let components = faults.filter_map(|row| row.text("component").map(str::to_owned));
    components
        .filter_map(|component| {
            let query = cost_query(category).with("component", component.as_str()).with("statistic", statistic);
            Some((component, brief.evidence.first(&query)?))
        })
        .collect()
}

fn fault_chart(brief: &Brief<'_>, category: &Category, faults: &[Row]) -> Chart {
    let table = Table {
        caption: format!("{}: share of primary faults by component", category.heading()),
        columns: vec![
            Column::text("Component"),
            Column::number("Share of jobs"),
            Column::number("Jobs with the fault"),
            Column::number("Jobs with a known fault"),
        ],
        rows: faults
            .iter()
            .map(|row| vec![Cell::Text(brief.component_of(row)), row.cell(Unit::Share), row.count_cell("events"), row.count_cell("jobs")])
            .collect(),
        notes: brief.not_named_in_jobs(category).into_iter().collect(),
        when_empty: String::new(),
    };
    Chart {
        title: format!("{}: what fails", category.heading()),
        description: format!(
            "Share of jobs with a known fault, by the component at fault; the {} commonest.",
            MOST_DRAWN.min(faults.len())
        ),
        plot: Plot::Intervals(IntervalPlot {
            unit: Unit::Share,
            look: Look::Bars,
            reference: None,
            rows: faults
                .iter()
                .take(MOST_DRAWN)
                .map(|row| IntervalRow { label: brief.component_of(row), quantity: row.quantity(Unit::Share), standing: None })
                .collect(),
        }),
        numbers: shortened(table, MOST_COMPONENTS, "fault_share"),
    }
}

fn cost_chart(brief: &Brief<'_>, category: &Category, faults: &[Row]) -> Option<Chart> {
    let money = brief.money();
    let [medians, means, p90s] = ["median", "mean", "p90"].map(|statistic| costs_of(brief, category, statistic));
    let of = |costs: &[(String, Row)], component: &str| costs.iter().find(|(key, _)| key == component).map(|(_, row)| row.clone());
    let components: Vec<&str> = faults.iter().filter_map(|row| row.text("component")).take(MOST_COMPONENTS).collect();
    let name = |component: &str| wording::sentence_case(&brief.names.component(component));
    let rows: Vec<CostRow> = components
        .iter()
        .map(|component| {
            let quantity = |costs| of(costs, component).and_then(|row| row.quantity(money.clone()));
            CostRow { label: name(component), median: quantity(&medians), mean: quantity(&means), p90: quantity(&p90s) }
        })
        .filter(|row| row.median.is_some() || row.mean.is_some())
        .take(MOST_DRAWN)
        .collect();
    if rows.is_empty() {
        return None;
    }
    let cell = |costs: &[(String, Row)], component: &str| of(costs, component).map_or(Cell::Nothing, |row| row.cell(money.clone()));
    let jobs = |component: &str| of(&means, component).map_or(Cell::Nothing, |row| row.count_cell("jobs"));
    let column = |heading: &str| Column { unit: wording::unit_words(&money), ..Column::number(heading) };
    Some(Chart {
        title: format!("{}: what mending it costs", category.heading()),
        description: "Labour and parts by component, the commonest fault first. The figure at the right is the median with its interval."
            .to_owned(),
        plot: Plot::Costs(CostSpread { unit: money.clone(), rows }),
        numbers: Table {
            caption: format!("{}: cost of a repair by component", category.heading()),
            columns: vec![
                Column::text("Component"),
                column("Mean"),
                column("Median"),
                column("90th percentile"),
                Column::number("Jobs repaired, cost known"),
            ],
            rows: components
                .iter()
                .map(|component| {
                    let cells = [&means, &medians, &p90s].map(|costs| cell(costs, component));
                    std::iter::once(Cell::Text(name(component))).chain(cells).chain([jobs(component)]).collect()
                })
                .collect(),
            notes: Vec::new(),
            when_empty: String::new(),
        },
    })
}

/// The commonest faults of each of the other categories, with what they cost.
fn others(brief: &Brief<'_>) -> Table {
    let money = brief.money();
    let rows = brief.others().iter().flat_map(|category| {
        let means = costs_of(brief, category, "mean");
        brief.faults(category).into_iter().take(MOST_OF_OTHERS).map(move |row| {
            let mean = means.iter().find(|(key, _)| Some(key.as_str()) == row.text("component"));
            vec![
                Cell::Text(category.heading()),
                Cell::Text(brief.component_of(&row)),
                counted_cell(&row, Unit::Share, "jobs"),
                mean.map_or(Cell::Nothing, |(_, cost)| counted_cell(cost, brief.money(), "jobs")),
            ]
        })
    });
    Table {
        caption: format!("The other categories: the {MOST_OF_OTHERS} commonest faults of each"),
        columns: vec![
            Column::text("Category"),
            Column::text("Component"),
            Column::number("Share of jobs"),
            Column { unit: wording::unit_words(&money), ..Column::number("Mean cost of a repair") },
        ],
        rows: rows.collect(),
        notes: vec!["n is the number of jobs with a known fault, for a cost that of jobs repaired whose cost is known.".to_owned()],
        when_empty: "No job on the other categories has a known primary fault.".to_owned(),
    }
}
