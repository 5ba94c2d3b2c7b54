//! For the technician: what hurts, what to test first, what goes with it.

use super::brief::{Brief, Category, findings, said, shortened};
use super::data;
use crate::document::{Block, Cell, Column, Document, Quantity, Reader, Section, Table, Unit};
use crate::evidence_view::{Query, Row};
use crate::wording;

const MOST_CHECKS: usize = 10;
const MOST_IN_BAND: usize = 3;
const MOST_CASCADES: usize = 20;
const TABLES: [&str; 5] = ["fault_share", "failure_rate", "cascade", "recall", "repair_cost"];
const LIMITS: [&str; 3] = [
    "The order of checks follows how often each component is the first to fail in the records; it does not know the symptom in front of you.",
    "Check times are common practice, no source, unless the records hold labour times.",
    "The maker's instructions, local codes and your own training come before this page.",
];

pub(super) fn build(brief: &Brief<'_>) -> Document {
    let mut sections = vec![cautions(brief), findings(statements(brief))];
    sections.extend(brief.categories.iter().map(|category| bench_page(brief, category)));
    sections.push(cascades(brief));
    sections.push(data::cleaning(brief));
    sections.push(data::methods(brief, &TABLES, &LIMITS));
    Document {
        title: "What to test first, and what goes with it".to_owned(),
        purpose: "For the technician at the bench: cautions, probable faults by age, the damage that tends to follow.".to_owned(),
        reader: Reader::Technician,
        facts: brief.facts(),
        sections,
    }
}

/// All cautions that concern any component of the categories at hand.
fn cautions(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("cautions", "Before you open anything");
    let components: Vec<String> = brief
        .categories
        .iter()
        .flat_map(|category| faults(brief, category))
        .filter_map(|row| row.text("component").map(str::to_owned))
        .collect();
    let sentences = brief.names.cautions(&components);
    section.blocks.push(if sentences.is_empty() {
        Block::Caution(vec!["Isolate the machine from the supply and prove it dead before you open it.".to_owned()])
    } else {
        Block::Caution(sentences)
    });
    section
}

fn statements(brief: &Brief<'_>) -> Vec<String> {
    let mut sentences: Vec<String> = brief
        .categories
        .iter()
        .filter_map(|category| {
            let first = faults(brief, category).into_iter().next()?;
            let share = said(&first, Unit::Share, "jobs")?;
            Some(format!(
                "In {}, look first at the {}: {share} of jobs with a known fault.",
                category.many,
                brief.names.component(first.text("component")?)
            ))
        })
        .collect();
    sentences.extend(cascade_rows(brief).iter().filter(|row| row.real("lift_lower").is_some_and(|lift| lift > 1.0)).take(3).filter_map(
        |row| {
            let share = said(row, Unit::Share, "jobs")?;
            let name = |column: &str| row.text(column).map(|key| brief.names.component(key));
            Some(format!(
                "Where the {} failed first, the {} was damaged with it in {share} of jobs.",
                name("component")?,
                name("consequential_component")?
            ))
        },
    ));
    sentences
}

fn faults(brief: &Brief<'_>, category: &Category) -> Vec<Row> {
    let query = Query::of("fault_share").category(&category.key).with("role", "primary").with("statistic", "share").not_null("component");
    brief.ranked(&query).into_iter().filter(|row| row.real("estimate").is_some()).collect()
}

fn cascade_rows(brief: &Brief<'_>) -> Vec<Row> {
    let mut rows: Vec<Row> =
        brief.categories.iter().flat_map(|category| brief.evidence.rows(&Query::of("cascade").category(&category.key))).collect();
    rows.retain(|row| row.real("estimate").is_some() && row.integer("events").unwrap_or(0) > 0);
    rows.sort_by(|a, b| b.integer("events").cmp(&a.integer("events")));
    rows
}

fn bench_page(brief: &Brief<'_>, category: &Category) -> Section {
    let mut section = Section::new(&format!("bench-{}", category.key.replace('_', "-")), &category.heading());
    let faults = faults(brief, category);
    let components: Vec<String> = faults.iter().filter_map(|row| row.text("component")).take(MOST_CHECKS).map(str::to_owned).collect();
    let cautions = brief.names.cautions(&components);
    // With one category the section at the head of the document holds the same cautions.
    if brief.categories.len() > 1 && !cautions.is_empty() {
        section.blocks.push(Block::Caution(cautions));
    }
    section.blocks.push(Block::Table(checks(brief, category, &faults)));
    section.blocks.push(Block::Table(by_age(brief, category)));
    section
}

fn checks(brief: &Brief<'_>, category: &Category, faults: &[Row]) -> Table {
    let minutes = |component: &str| {
        let query = Query::of("repair_cost").category(&category.key).all_ages().with("component", component);
        brief.cell(&query.with("cost", "labour_minutes").with("statistic", "median"), Unit::Minutes)
    };
    let check = |component: &str| {
        brief.names.check_minutes(component).map_or(Cell::Nothing, |minutes| Cell::Quantity(Quantity::new(minutes, Unit::Minutes)))
    };
    let follows = |component: &str| {
        let mut rows = brief.evidence.rows(&Query::of("cascade").category(&category.key).with("component", component));
        rows.retain(|row| row.real("lift_lower").is_some_and(|lift| lift > 1.0));
        rows.sort_by(|a, b| b.integer("events").cmp(&a.integer("events")));
        let names: Vec<String> =
            rows.iter().filter_map(|row| row.text("consequential_component")).take(2).map(|key| brief.names.component(key)).collect();
        if names.is_empty() { Cell::Nothing } else { Cell::Text(wording::enumeration(&names)) }
    };
    let table = Table {
        caption: format!("{}: what to check, commonest fault first", category.heading()),
        columns: vec![
            Column::text("Check"),
            Column::number("First to fail"),
            Column::number("n"),
            Column::text("Look also at"),
            Column::number_in("Check takes", "minutes"),
            Column::number_in("Repair takes, median", "minutes"),
        ],
        rows: faults
            .iter()
            .filter_map(|row| {
                let component = row.text("component")?;
                Some(vec![
                    Cell::Text(brief.component_of(row)),
                    row.cell(Unit::Share),
                    row.count_cell("jobs"),
                    follows(component),
                    check(component),
                    minutes(component),
                ])
            })
            .collect(),
        notes: vec!["\"First to fail\" is the share of jobs with a known fault. \"Look also at\" names parts damaged with it more often than otherwise.".to_owned()],
        when_empty: format!("No job on {} has a known primary fault.", category.many),
    };
    shortened(table, MOST_CHECKS, "fault_share")
}

/// The components with most failures in each age band.
fn by_age(brief: &Brief<'_>, category: &Category) -> Table {
    let query = Query::of("failure_rate").category(&category.key).not_null("component").not_null("age_from_years");
    let mut rows = brief.evidence.rows(&query);
    rows.retain(|row| row.integer("events").unwrap_or(0) > 0 && row.real("estimate").is_some());
    let from = |row: &Row| row.real("age_from_years").unwrap_or(0.0);
    rows.sort_by(|a, b| from(a).total_cmp(&from(b)).then_with(|| b.integer("events").cmp(&a.integer("events"))));
    let place_in_band = |place: usize| rows[..place].iter().rev().take_while(|row| from(row) == from(&rows[place])).count();
    let shown = (0..rows.len()).filter(|place| place_in_band(*place) < MOST_IN_BAND).map(|place| &rows[place]);
    Table {
        caption: format!("{}: the commonest faults at each age", category.heading()),
        columns: vec![
            Column::text("Age"),
            Column::text("Component"),
            Column { unit: wording::unit_words(&Unit::PerMachineYear), ..Column::number("Rate") },
            Column::number("Failures"),
        ],
        rows: shown
            .map(|row| {
                let age = wording::age_band(row.real("age_from_years"), row.real("age_to_years")).unwrap_or_else(|| "all ages".to_owned());
                vec![Cell::Text(age), Cell::Text(brief.component_of(row)), row.cell(Unit::PerMachineYear), row.count_cell("events")]
            })
            .collect(),
        notes: Vec::new(),
        when_empty: format!(
            "Which faults come at which age cannot be said for {}: that needs a roster of machines observed over time.",
            category.many
        ),
    }
}

fn cascades(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("cascades", "What goes with it");
    section.blocks.push(Block::Paragraph(
        "Damage found together with a first fault. The lift compares with all jobs that have findings: above 1 the two go together."
            .to_owned(),
    ));
    let name = |row: &Row, column: &str| Cell::Text(wording::sentence_case(&brief.names.component(row.text(column).unwrap_or_default())));
    let lift = |row: &Row| match (row.real("lift"), row.real("lift_lower"), row.real("lift_upper")) {
        (Some(lift), Some(lower), Some(upper)) => Cell::Quantity(Quantity::new(lift, Unit::Ratio).between(lower, upper)),
        (Some(lift), ..) => Cell::Quantity(Quantity::new(lift, Unit::Ratio)),
        _ => Cell::Nothing,
    };
    let category = |row: &Row| row.text("category").map_or_else(|| "all".to_owned(), |key| brief.names.categories(key));
    let table = Table {
        caption: "First fault and the damage found with it, most frequent first".to_owned(),
        columns: vec![
            Column::text("First fault"),
            Column::text("Damaged with it"),
            Column::number("Share"),
            Column::number("Lift"),
            Column::number("Jobs with the damage"),
            Column::number("Of jobs with the first fault"),
            Column::text("In"),
        ],
        rows: cascade_rows(brief)
            .iter()
            .map(|row| {
                vec![
                    name(row, "component"),
                    name(row, "consequential_component"),
                    row.cell(Unit::Share),
                    lift(row),
                    row.count_cell("events"),
                    row.count_cell("jobs"),
                    Cell::Text(category(row)),
                ]
            })
            .collect(),
        notes: Vec::new(),
        when_empty: brief.when_empty("cascade", "The records hold no findings of damage that followed from another fault."),
    };
    section.blocks.push(Block::Table(shortened(table, MOST_CASCADES, "cascade")));
    section.blocks.push(Block::Table(repair_scopes(brief)));
    section
}

/// Returns by what was replaced where one fault had damaged another part.
fn repair_scopes(brief: &Brief<'_>) -> Table {
    let scope_words = |scope: &str| match scope {
        "both_replaced" => "the cause and what it had damaged".to_owned(),
        "consequential_only" => "only what had been damaged".to_owned(),
        "primary_only" => "only the cause".to_owned(),
        other => other.replace('_', " "),
    };
    let component = |row: &Row| row.text("component").map_or_else(|| "any".to_owned(), |key| brief.names.component(key));
    let query = Query::of("recall").not_null("repair_scope").with("horizon_days", 365_i64);
    let yes_no =
        |row: &Row, column: &str, yes: &str, no: &str| Cell::Text(if row.flag(column) == Some(true) { yes } else { no }.to_owned());
    let table = Table {
        caption: "What came back within a year, by what had been replaced".to_owned(),
        columns: vec![
            Column::text("Replaced"),
            Column::text("First fault"),
            Column::text("For"),
            Column::text("Machines followed"),
            Column::number("Came back"),
            Column::number("Times"),
            Column::number("Repairs followed"),
        ],
        rows: brief
            .evidence
            .rows(&query)
            .iter()
            .map(|row| {
                vec![
                    Cell::Text(wording::sentence_case(&scope_words(row.text("repair_scope").unwrap_or_default()))),
                    Cell::Text(component(row)),
                    yes_no(row, "same_fault", "the same fault", "any reason"),
                    yes_no(row, "roster_only", "on the roster", "others, a lower bound"),
                    row.cell(Unit::Share),
                    row.count_cell("events"),
                    row.count_cell("jobs"),
                ]
            })
            .collect(),
        notes: Vec::new(),
        when_empty: "Too few repairs with consequential damage could be followed to say what happens when only part of it is replaced."
            .to_owned(),
    };
    shortened(table, MOST_CASCADES, "recall")
}
