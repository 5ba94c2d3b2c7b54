//! One page a category: its own cautions, the checks in order, the commonest faults at each age.

use crate::document::{Block, Cell, Column, Fold, Quantity, Section, Table, Unit};
use crate::documents::brief::{Brief, Category, counted_cell};
use crate::evidence_view::{Query, Row};
use crate::wording;

const MOST_CHECKS: usize = 8;
const MOST_IN_BAND: usize = 3;
const MOST_NAMED: usize = 3;

pub(super) fn page(brief: &Brief<'_>, category: &Category) -> Section {
    let mut section = Section::new(&format!("bench-{}", category.key.replace('_', "-")), &category.heading());
    section.blocks = blocks(brief, category);
    section
}

/// The pages of the other categories, folded away.
pub(super) fn others(brief: &Brief<'_>) -> Option<Section> {
    let mut section = Section::new("bench-others", "Other machines");
    let fold = |category: &Category| Block::Fold(Fold { summary: category.heading(), blocks: blocks(brief, category) });
    section.blocks = brief.others().iter().map(fold).collect();
    (!section.blocks.is_empty()).then_some(section)
}

/// The components on a category's page, commonest fault first.
pub(super) fn components(brief: &Brief<'_>, category: &Category) -> Vec<String> {
    let faults = brief.faults(category);
    faults.iter().filter_map(|row| row.text("component")).take(MOST_CHECKS).map(str::to_owned).collect()
}

fn blocks(brief: &Brief<'_>, category: &Category) -> Vec<Block> {
    let mut blocks = Vec::new();
    let cautions = cautions(brief, category, &components(brief, category));
    if !cautions.is_empty() {
        blocks.push(Block::Caution(cautions));
    }
    blocks.push(Block::Paragraph("First, for nothing:".to_owned()));
    blocks.push(Block::List(brief.names.first_looks(&category.key).iter().map(|look| format!("{}. {}", look.name, look.text)).collect()));
    blocks.push(Block::Table(checks(brief, category)));
    let by_age = by_age(brief, category);
    let is_first = brief.categories.first().is_some_and(|first| first.key == category.key);
    // What is missing is said once.
    if !by_age.rows.is_empty() || is_first {
        blocks.push(Block::Table(by_age));
    }
    blocks
}

/// The cautions of such machines and of some of their components, one line each; the full text stands at the head of the document.
fn cautions(brief: &Brief<'_>, category: &Category, components: &[String]) -> Vec<String> {
    let of_kind: Vec<&str> = brief.names.cautions(&category.key, &[]).iter().map(|caution| caution.key.as_str()).collect();
    let own = brief.names.cautions(&category.key, components).into_iter().filter(|caution| !caution.always);
    own.map(|caution| {
        if of_kind.contains(&caution.key.as_str()) {
            return format!("{}, whatever is wrong with it.", caution.name);
        }
        let concerned = brief.names.concerned(caution, components);
        let mut names: Vec<String> = concerned.iter().take(MOST_NAMED).map(|key| brief.names.component(key)).collect();
        if concerned.len() > MOST_NAMED {
            names.push("others".to_owned());
        }
        format!("{} ({}).", caution.name, wording::enumeration(&names))
    })
    .collect()
}

fn checks(brief: &Brief<'_>, category: &Category) -> Table {
    let faults = brief.faults(category);
    let jobs = faults.first().and_then(|row| row.integer("jobs")).unwrap_or(0);
    let minutes = |component: &str| {
        let query = Query::of("repair_cost").category(&category.key).all_ages().with("component", component);
        let row = brief.evidence.first(&query.with("cost", "labour_minutes").with("statistic", "median"));
        row.map_or(Cell::Nothing, |row| counted_cell(&row, Unit::Minutes, "jobs"))
    };
    let check = |component: &str| {
        brief.names.check_minutes(component).map_or(Cell::Nothing, |minutes| Cell::Quantity(Quantity::new(minutes, Unit::Minutes)))
    };
    let state = |component: &str| Cell::Text(if brief.names.is_checked_live(component) { "live" } else { "dead" }.to_owned());
    let row = |row: &Row| {
        let component = row.text("component")?;
        Some(vec![
            Cell::Text(brief.component_of(row)),
            row.cell(Unit::Share),
            goes_with(brief, category, component),
            state(component),
            check(component),
            minutes(component),
        ])
    };
    Table {
        caption: format!("{}: what to check, commonest fault first", category.heading()),
        columns: vec![
            Column::text("Check"),
            Column::number("At fault in"),
            Column::text("Look also at"),
            Column::text("Check is"),
            Column::number_in("Check takes", "minutes"),
            Column::number_in("Repair takes, median", "minutes"),
        ],
        rows: faults.iter().filter_map(row).take(MOST_CHECKS).collect(),
        notes: vec![format!(
            "\"At fault in\" is the share of {} with a known fault. \"Look also at\" names what is damaged with it more often than otherwise. \
             Dead checks come first whatever the share; live ones only then, by people trained and equipped for them. \
             n is the number of repairs whose time is recorded.",
            wording::count_of(jobs, "job", "jobs")
        )],
        when_empty: format!("No job on {} has a known primary fault.", category.many),
    }
}

/// What is damaged with a component more often than otherwise.
fn goes_with(brief: &Brief<'_>, category: &Category, component: &str) -> Cell {
    let mut rows = brief.evidence.rows(&Query::of("cascade").category(&category.key).with("component", component));
    rows.retain(|row| row.real("lift_lower").is_some_and(|lift| lift > 1.0));
    rows.sort_by_key(|row| std::cmp::Reverse(row.integer("events")));
    let names: Vec<String> =
        rows.iter().filter_map(|row| row.text("consequential_component")).take(2).map(|key| brief.names.component(key)).collect();
    if names.is_empty() { Cell::Nothing } else { Cell::Text(wording::enumeration(&names)) }
}

/// The components with the highest rates in each age band, one row a band.
fn by_age(brief: &Brief<'_>, category: &Category) -> Table {
    let query = Query::of("failure_rate").category(&category.key).not_null("component").not_null("age_from_years");
    let mut rows = brief.ranked(&query);
    rows.retain(|row| row.integer("events").unwrap_or(0) > 0 && row.real("estimate").is_some());
    let from = |row: &Row| row.real("age_from_years").unwrap_or(0.0);
    // Stable: within a band the highest rate stays first.
    rows.sort_by(|a, b| from(a).total_cmp(&from(b)));
    let cell = |row: &Row| {
        let rate = row.quantity(Unit::PerMachineYear).map(|rate| wording::in_cell(&rate).joined()).unwrap_or_default();
        Cell::Text(format!("{} {rate}", brief.component_of(row)))
    };
    let bands = rows.chunk_by(|a, b| from(a) == from(b)).map(|band| {
        let age = wording::age_band(band[0].real("age_from_years"), band[0].real("age_to_years")).unwrap_or_default();
        std::iter::once(Cell::Text(age)).chain(band.iter().take(MOST_IN_BAND).map(cell)).collect()
    });
    Table {
        caption: format!("{} on the roster: what fails most at each age, in failures per 100 machine-years", category.heading()),
        columns: ["Age", "Most often", "Second", "Third"].map(Column::text).to_vec(),
        rows: bands.collect(),
        notes: Vec::new(),
        when_empty: "Which faults come at which age cannot be said: that needs a roster of machines observed over time.".to_owned(),
    }
}
