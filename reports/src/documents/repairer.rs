//! For the repair business: what comes in, what it costs to mend, how it ends, which models, what comes back.

use super::brief::{Brief, Category, counted, findings, said, shortened};
use super::data;
use super::models::{self, Measure};
use crate::charts::{CostRow, CostSpread, IntervalPlot, IntervalRow, Look, Plot};
use crate::document::{Block, Cell, Chart, Column, Document, KeyFigure, Reader, Section, Standing, Table, Unit};
use crate::evidence_view::{Query, Row};
use crate::wording;
use fixodds_schemas::vocabulary::List;
use std::collections::BTreeMap;

const MOST_COMPONENTS: usize = 15;
const MOST_DRAWN: usize = 10;
const MOST_MODELS: usize = 40;
const TABLES: [&str; 5] = ["fault_share", "repair_cost", "outcome", "model_standing", "recall"];
const LIMITS: [&str; 4] = [
    "The figures describe the machines that were brought to repair, not all machines in use.",
    "Costs cover jobs that ended repaired; what a repair would have cost on machines that were condemned or declined is not known.",
    "A machine that comes back to somebody else is not seen. Return shares of machines outside the roster are therefore lower bounds.",
    "A model without a verdict is not a good model: it is one with too few records.",
];

pub(super) fn build(brief: &Brief<'_>) -> Document {
    Document {
        title: "What comes in, what it costs, how it ends".to_owned(),
        purpose: "For the repair business: which faults and models pay, which end as write-offs, and what comes back.".to_owned(),
        reader: Reader::Repairer,
        facts: brief.facts(),
        sections: vec![
            findings(statements(brief)),
            intake(brief),
            faults_and_costs(brief),
            endings(brief),
            models_section(brief),
            returns(brief),
            data::cleaning(brief),
            data::methods(brief, &TABLES, &LIMITS),
        ],
    }
}

fn statements(brief: &Brief<'_>) -> Vec<String> {
    let outcome = |outcome: &str| {
        let row = brief.evidence.first(&Query::of("outcome").overall().with("outcome", outcome).null("not_repaired_reason"))?;
        said(&row, Unit::Share, "jobs")
    };
    let mut sentences = Vec::new();
    if let Some(repaired) = outcome("repaired") {
        sentences.push(format!("Of all jobs, {repaired} ended repaired."));
    }
    if let Some(condemned) = outcome("condemned") {
        sentences.push(format!("Of all jobs, {condemned} ended with the machine condemned."));
    }
    sentences.extend(brief.categories.iter().filter_map(|category| commonest_fault(brief, category)));
    let any_return = brief.evidence.rows(&returns_query(brief, false, 90)).into_iter().next();
    if let Some(words) = any_return.and_then(|row| said(&row, Unit::Share, "jobs")) {
        sentences.push(format!("Within 90 days of a repair, {words} of machines came back, for whatever reason."));
    }
    sentences.extend(brief.categories.iter().filter_map(|category| standing_out(brief, category)));
    sentences
}

fn commonest_fault(brief: &Brief<'_>, category: &Category) -> Option<String> {
    let top = faults(brief, category).into_iter().next()?;
    let share = said(&top, Unit::Share, "jobs")?;
    let component = top.text("component")?;
    let name = brief.names.component(component);
    let cost = |statistic: &str| {
        let row = brief.evidence.first(&cost_query(category).with("component", component).with("statistic", statistic))?;
        said(&row, brief.money(), "jobs")
    };
    let costs = match (cost("mean"), cost("p90")) {
        (Some(mean), Some(p90)) => format!(" Mending it costs {mean} on average; one job in ten costs more than {p90}."),
        (Some(mean), None) => format!(" Mending it costs {mean} on average."),
        _ => String::new(),
    };
    Some(format!("In {} the commonest fault is the {name}: {share} of jobs with a known fault.{costs}", category.many))
}

fn standing_out(brief: &Brief<'_>, category: &Category) -> Option<String> {
    let rows = models::standings(brief, category, Measure::WriteOff);
    let named = |standing: Standing| -> Vec<String> {
        rows.iter().filter(|row| models::standing(row) == standing).filter_map(|row| row.text("scope")).map(str::to_owned).collect()
    };
    let (worse, better) = (named(Standing::Worse), named(Standing::Better));
    let mut parts = Vec::new();
    if !worse.is_empty() {
        parts.push(format!("more often than their kind: {}", wording::enumeration(&worse)));
    }
    if !better.is_empty() {
        parts.push(format!("less often: {}", wording::enumeration(&better)));
    }
    (!parts.is_empty()).then(|| format!("Among {}, written off {}.", category.many, parts.join("; ")))
}

/// Components by their share of primary faults, largest first.
fn faults(brief: &Brief<'_>, category: &Category) -> Vec<Row> {
    let query = Query::of("fault_share").category(&category.key).with("role", "primary").with("statistic", "share").not_null("component");
    brief.ranked(&query).into_iter().filter(|row| row.real("estimate").is_some()).collect()
}

fn cost_query(category: &Category) -> Query {
    Query::of("repair_cost").category(&category.key).all_ages().with("cost", "total")
}

fn intake(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("intake", "What comes in");
    let share = |category: &Category, outcome: &str| {
        brief.evidence.first(&Query::of("outcome").category(&category.key).with("outcome", outcome).null("not_repaired_reason"))
    };
    let rows: Vec<(&Category, Option<Row>, Option<Row>)> =
        brief.categories.iter().map(|category| (category, share(category, "repaired"), share(category, "condemned"))).collect();
    let cell = |row: &Option<Row>| row.as_ref().map_or(Cell::Nothing, |row| row.cell(Unit::Share));
    let numbers = Table {
        caption: "Jobs by category of machine".to_owned(),
        columns: vec![Column::text("Category"), Column::number("Jobs"), Column::number("Repaired"), Column::number("Condemned")],
        rows: rows
            .iter()
            .map(|(category, repaired, condemned)| {
                vec![Cell::Text(category.heading()), Cell::Count(category.jobs), cell(repaired), cell(condemned)]
            })
            .collect(),
        notes: Vec::new(),
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

fn faults_and_costs(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("faults", "What fails, and what mending it costs");
    section.blocks.push(Block::Paragraph(
        "Shares are of jobs with a known primary fault. Costs are labour and parts of jobs that ended repaired. The 90th percentile is the cost \
         that one job in ten exceeds: quote with it in mind."
            .to_owned(),
    ));
    for category in &brief.categories {
        section.blocks.push(Block::Subheading(category.heading()));
        let faults = faults(brief, category);
        let costs = costs_by_component(brief, category);
        if !faults.is_empty() {
            section.blocks.push(Block::Chart(Box::new(fault_chart(brief, category, &faults))));
        }
        if let Some(chart) = cost_chart(brief, category, &faults, &costs) {
            section.blocks.push(Block::Chart(Box::new(chart)));
        }
        if faults.is_empty() {
            section.blocks.push(Block::Note(format!("No job on {} has a known primary fault.", category.many)));
        }
    }
    section
}

fn fault_chart(brief: &Brief<'_>, category: &Category, faults: &[Row]) -> Chart {
    let table = Table {
        caption: format!("{}: share of primary faults by component", category.heading()),
        columns: vec![
            Column::text("Component"),
            Column::number("Share"),
            Column::number("Faults"),
            Column::number("Jobs with a known fault"),
        ],
        rows: faults
            .iter()
            .map(|row| vec![Cell::Text(brief.component_of(row)), row.cell(Unit::Share), row.count_cell("events"), row.count_cell("jobs")])
            .collect(),
        notes: Vec::new(),
        when_empty: String::new(),
    };
    Chart {
        title: format!("{}: what fails", category.heading()),
        description: format!("Share of jobs by the component that failed first, the {} commonest.", MOST_DRAWN.min(faults.len())),
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

type Costs = BTreeMap<(String, String), Row>;

/// Rows of total cost by component and statistic.
fn costs_by_component(brief: &Brief<'_>, category: &Category) -> Costs {
    let rows = brief.evidence.rows(&cost_query(category).not_null("component"));
    rows.into_iter().filter_map(|row| Some(((row.text("component")?.to_owned(), row.text("statistic")?.to_owned()), row))).collect()
}

fn cost_chart(brief: &Brief<'_>, category: &Category, faults: &[Row], costs: &Costs) -> Option<Chart> {
    let money = brief.money();
    let components: Vec<&str> = faults.iter().filter_map(|row| row.text("component")).take(MOST_COMPONENTS).collect();
    let row_of = |component: &str, statistic: &str| costs.get(&(component.to_owned(), statistic.to_owned()));
    let quantity = |component: &str, statistic: &str| row_of(component, statistic).and_then(|row| row.quantity(money.clone()));
    let name = |component: &str| wording::sentence_case(&brief.names.component(component));
    let rows: Vec<CostRow> = components
        .iter()
        .map(|component| CostRow {
            label: name(component),
            median: quantity(component, "median"),
            mean: quantity(component, "mean"),
            p90: quantity(component, "p90"),
        })
        .filter(|row| row.median.is_some() || row.mean.is_some())
        .take(MOST_DRAWN)
        .collect();
    if rows.is_empty() {
        return None;
    }
    let cell = |component: &str, statistic: &str| row_of(component, statistic).map_or(Cell::Nothing, |row| row.cell(money.clone()));
    let jobs = |component: &str| row_of(component, "mean").map_or(Cell::Nothing, |row| row.count_cell("jobs"));
    let cost_column = |heading: &str| Column { unit: wording::unit_words(&money), ..Column::number(heading) };
    Some(Chart {
        title: format!("{}: what mending it costs", category.heading()),
        description:
            "Labour and parts by component, in the order of how often it fails. The figure at the right is the median with its interval."
                .to_owned(),
        plot: Plot::Costs(CostSpread { unit: money.clone(), rows }),
        numbers: Table {
            caption: format!("{}: cost of a repair by component", category.heading()),
            columns: vec![
                Column::text("Component"),
                Column::number("Jobs repaired"),
                cost_column("Mean"),
                cost_column("Median"),
                cost_column("90th percentile"),
            ],
            rows: components
                .iter()
                .map(|component| {
                    vec![
                        Cell::Text(name(component)),
                        jobs(component),
                        cell(component, "mean"),
                        cell(component, "median"),
                        cell(component, "p90"),
                    ]
                })
                .collect(),
            notes: Vec::new(),
            when_empty: String::new(),
        },
    })
}

fn endings(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("outcomes", "How jobs end");
    let overall = brief.evidence.rows(&Query::of("outcome").overall().null("not_repaired_reason"));
    let figures: Vec<KeyFigure> = overall
        .iter()
        .filter(|row| row.integer("events").unwrap_or(0) > 0)
        .filter_map(|row| {
            let outcome = brief.names.term(List::Outcome, row.text("outcome")?);
            let figure = counted(row, Unit::Share, "jobs").map_or_else(|| row.cell(Unit::Share), Cell::Quantity);
            Some(KeyFigure { label: format!("of all jobs: {outcome}"), figure })
        })
        .collect();
    if !figures.is_empty() {
        section.blocks.push(Block::KeyFigures(figures));
    }
    section.blocks.push(Block::Table(Table {
        caption: "Why machines were not repaired".to_owned(),
        columns: vec![Column::text("Outcome"), Column::text("Reason"), Column::number("Jobs"), Column::number("Share of all jobs")],
        rows: brief
            .ranked(&Query::of("outcome").overall().not_null("not_repaired_reason"))
            .iter()
            .map(|row| {
                vec![
                    Cell::Text(wording::sentence_case(&brief.names.term(List::Outcome, row.text("outcome").unwrap_or_default()))),
                    Cell::Text(brief.names.term(List::Reason, row.text("not_repaired_reason").unwrap_or_default())),
                    row.count_cell("events"),
                    row.cell(Unit::Share),
                ]
            })
            .collect(),
        notes: Vec::new(),
        when_empty: "The records give no reasons for machines that were not repaired.".to_owned(),
    }));
    section
}

fn models_section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("models", "Which models");
    section.blocks.push(Block::Paragraph(
        "A verdict is given only where the records tell a model from its kind after allowing for how many models were compared. Everything else is \
         called what it is: no clear difference, or not enough evidence."
            .to_owned(),
    ));
    for category in &brief.categories {
        let table = model_table(brief, category);
        if !table.rows.is_empty() {
            section.blocks.push(Block::Subheading(category.heading()));
            section.blocks.push(Block::Table(table));
            section.blocks.extend(models::funnel(brief, category, Measure::WriteOff));
        }
    }
    if section.blocks.len() == 1 {
        section.blocks.push(Block::Note("No job names a model.".to_owned()));
    }
    section
}

fn model_table(brief: &Brief<'_>, category: &Category) -> Table {
    let by_model = |query: Query| -> BTreeMap<String, Row> {
        brief.evidence.rows(&query).into_iter().filter_map(|row| Some((row.text("scope")?.to_owned(), row))).collect()
    };
    let outcome =
        |outcome: &str| by_model(Query::of("outcome").models_of(&category.key).with("outcome", outcome).null("not_repaired_reason"));
    let (repaired, condemned) = (outcome("repaired"), outcome("condemned"));
    let cost = by_model(
        Query::of("repair_cost").models_of(&category.key).all_ages().null("component").with("cost", "total").with("statistic", "mean"),
    );
    let standing: BTreeMap<String, Row> = models::standings(brief, category, Measure::WriteOff)
        .into_iter()
        .filter_map(|row| Some((row.text("scope")?.to_owned(), row)))
        .collect();
    let mut models: Vec<(&String, i64)> = repaired.iter().map(|(model, row)| (model, row.integer("jobs").unwrap_or(0))).collect();
    models.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(b.0)));
    let cell = |rows: &BTreeMap<String, Row>, model: &String, unit: Unit| rows.get(model).map_or(Cell::Nothing, |row| row.cell(unit));
    let money = brief.money();
    let table = Table {
        caption: format!("{} by model, most jobs first", category.heading()),
        columns: vec![
            Column::text("Model"),
            Column::number("Jobs"),
            Column::number("Repaired"),
            Column::number("Written off"),
            Column { unit: wording::unit_words(&money), ..Column::number("Mean cost of a repair") },
            Column::text("Write-offs, against its kind"),
        ],
        rows: models
            .into_iter()
            .map(|(model, jobs)| {
                vec![
                    Cell::Text(model.clone()),
                    Cell::Count(jobs),
                    cell(&repaired, model, Unit::Share),
                    cell(&condemned, model, Unit::Share),
                    cell(&cost, model, money.clone()),
                    models::verdict(standing.get(model), Measure::WriteOff),
                ]
            })
            .collect(),
        notes: Vec::new(),
        when_empty: String::new(),
    };
    shortened(table, MOST_MODELS, "outcome")
}

/// Machines of the roster where there is one, else all machines.
fn returns_query(brief: &Brief<'_>, same_fault: bool, horizon_days: i64) -> Query {
    Query::of("recall")
        .overall()
        .null("component")
        .null("part_source")
        .null("repair_scope")
        .with("roster_only", brief.evidence.about().roster_machines > 0)
        .with("same_fault", same_fault)
        .with("horizon_days", horizon_days)
}

fn returns(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("returns", "What comes back");
    let recall = || Query::of("recall").overall().null("repair_scope");
    let any_fault = |row: &Row| if row.flag("same_fault") == Some(true) { "the same fault" } else { "any reason" };
    let followed = |row: &Row| if row.flag("roster_only") == Some(true) { "on the roster" } else { "others, a lower bound" };
    let horizon = |row: &Row| row.integer("horizon_days").map_or(Cell::Nothing, |days| Cell::Text(format!("{days} days")));
    section.blocks.push(Block::Table(Table {
        caption: "Machines that came back after a repair".to_owned(),
        columns: vec![
            Column::text("Within"),
            Column::text("For"),
            Column::text("Machines followed"),
            Column::number("Came back"),
            Column::number("Times"),
            Column::number("Repairs followed"),
        ],
        rows: brief
            .evidence
            .rows(&recall().null("component").null("part_source"))
            .iter()
            .map(|row| {
                vec![
                    horizon(row),
                    Cell::Text(any_fault(row).to_owned()),
                    Cell::Text(followed(row).to_owned()),
                    row.cell(Unit::Share),
                    row.count_cell("events"),
                    row.count_cell("jobs"),
                ]
            })
            .collect(),
        notes: vec!["Shares allow for repairs that could not be followed to the end of the period.".to_owned()],
        when_empty: brief.when_empty("recall", "No machine can be told apart well enough to see whether it came back."),
    }));
    for (column, caption, empty) in [
        (
            "component",
            "By the component that was repaired: the same fault again within 365 days",
            "No component has enough repairs to follow.",
        ),
        (
            "part_source",
            "By where the part came from: the same fault again within 365 days",
            "The records do not say where parts came from.",
        ),
    ] {
        let other = if column == "component" { "part_source" } else { "component" };
        let query = recall()
            .not_null(column)
            .null(other)
            .with("horizon_days", 365_i64)
            .with("same_fault", true)
            .with("roster_only", brief.evidence.about().roster_machines > 0);
        let name = |row: &Row| {
            let key = row.text(column).unwrap_or_default();
            let words = if column == "component" { brief.names.component(key) } else { brief.names.term(List::PartSource, key) };
            Cell::Text(wording::sentence_case(&words))
        };
        let table = Table {
            caption: caption.to_owned(),
            columns: vec![
                Column::text(if column == "component" { "Component" } else { "Part" }),
                Column::number("Came back"),
                Column::number("Times"),
                Column::number("Repairs followed"),
            ],
            rows: brief
                .ranked(&query)
                .iter()
                .map(|row| vec![name(row), row.cell(Unit::Share), row.count_cell("events"), row.count_cell("jobs")])
                .collect(),
            notes: Vec::new(),
            when_empty: empty.to_owned(),
        };
        section.blocks.push(Block::Table(shortened(table, MOST_COMPONENTS, "recall")));
    }
    section
}
