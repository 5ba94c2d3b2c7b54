//! What fails and at what age: rates where machines are observed over time, else shares of jobs.

use super::claims::{Draft, Question, answering};
use crate::charts::{AgeBand, HeatMap, HeatRow, IntervalPlot, IntervalRow, Look, Plot};
use crate::document::{Block, Cell, Chart, Column, Quantity, Section, Table, Unit};
use crate::documents::brief::{Brief, Category, folded, rate_said, said, shortened};
use crate::evidence_view::{Query, Row};
use crate::wording;

const CATEGORIES_ASKED: usize = 3;
const MOST_COMPONENTS: usize = 12;
const MOST_DRAWN: usize = 10;
const MOST_OF_OTHERS: usize = 3;
const MOST_IN_FULL: usize = 4;
/// Of fewer jobs with a known fault, shares say next to nothing.
const FEWEST_JOBS: i64 = 10;

/// How often machines of the category with the most jobs fail.
pub(super) fn how_often(brief: &Brief<'_>) -> Vec<Question> {
    let Some(category) = brief.categories.first() else {
        return vec![Question {
            about: "How often machines fail".to_owned(),
            answer: Err("No job says what kind of machine it is on.".to_owned()),
        }];
    };
    let query = Query::of("failure_rate").category(&category.key).all_ages().null("component");
    let draft = |row: Row| {
        let sentence = format!("{} on the roster failed {}.", category.heading(), rate_said(&row).unwrap_or_default());
        Draft {
            table: "failure_rate",
            n: (row.integer("machines"), "machines"),
            row,
            unit: Unit::PerMachineYear,
            population: format!("{} on the roster", category.many),
            method: "jobs with a fault over machine-years, interval by the variance between machines",
            against: None,
            not_found: false,
            words: Box::new(move |_| sentence.clone()),
        }
    };
    let answer = answering(brief, &query, "No machine is watched over time: that needs a roster.").map(draft);
    vec![Question { about: format!("How often {} fail", category.many), answer }]
}

/// The commonest fault in the categories in which jobs say most often which part failed.
pub(super) fn commonest(brief: &Brief<'_>) -> Vec<Question> {
    let known = brief.best_known();
    let of = |place: usize| match known.get(place) {
        Some((category, jobs)) if *jobs >= FEWEST_JOBS => commonest_of(brief, category),
        Some((category, jobs)) => Question {
            about: format!("Which fault is the commonest in the jobs on {}", category.many),
            answer: Err(format!("Only {} which part failed; {FEWEST_JOBS} are needed.", wording::count_of(*jobs, "job says", "jobs say"))),
        },
        None => Question {
            about: format!(
                "Which fault is the commonest in the kind of machine with the {} jobs of a known fault",
                ["most", "second most", "third most"][place]
            ),
            answer: Err("No further kind of machine has shares of faults that may be given.".to_owned()),
        },
    };
    (0..CATEGORIES_ASKED).map(of).collect()
}

fn commonest_of(brief: &Brief<'_>, category: &Category) -> Question {
    let draft = |row: &Row| {
        let sentence = format!(
            "The commonest fault in the jobs on {} is that of the {}: {} of jobs with a known fault. This is a share of jobs, not a failure rate.",
            category.many,
            brief.names.component(row.text("component")?),
            said(row, Unit::Share, "jobs")?
        );
        Some(Draft {
            table: "fault_share",
            n: (row.integer("jobs"), "jobs"),
            row: row.clone(),
            unit: Unit::Share,
            population: format!("jobs on {} with a known fault", category.many),
            method: "share of jobs, Wilson interval widened for several jobs on one machine; the interval does not allow for the part being picked as the commonest",
            against: None,
            not_found: false,
            words: Box::new(move |_| sentence.clone()),
        })
    };
    Question {
        about: format!("Which fault is the commonest in the jobs on {}", category.many),
        answer: brief.faults(category).first().and_then(draft).ok_or_else(|| "No fault has a share that may be given.".to_owned()),
    }
}

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("failure", "What fails, and at what age");
    let observed = brief.categories.iter().any(|category| !rates(brief, category).is_empty());
    if !observed {
        let why = brief.when_empty("failure_rate", "No machine is observed over time: shares, not rates.");
        section
            .blocks
            .push(Block::Note(format!("{why} What follows says which faults are common among the jobs, not how often machines fail.")));
    }
    let is_enough = |row: &Row| row.integer("jobs").is_none_or(|jobs| jobs >= FEWEST_JOBS);
    let has_faults = |category: &&Category| !rates(brief, category).is_empty() || brief.faults(category).iter().any(is_enough);
    let (known, unknown): (Vec<&Category>, Vec<&Category>) = brief.categories.iter().partition(has_faults);
    let (in_full, others) = known.split_at(known.len().min(MOST_IN_FULL));
    // where nothing is known of any, the largest say so
    let in_full = if in_full.is_empty() { brief.main().iter().collect() } else { in_full.to_vec() };
    for category in in_full {
        section.blocks.push(Block::Subheading(category.heading()));
        let rates = rates(brief, category);
        if rates.is_empty() {
            section.blocks.push(Block::Table(shares(brief, category)));
        } else {
            section.blocks.push(Block::Chart(Box::new(rate_chart(brief, category, &rates))));
            section.blocks.extend(heat_map(brief, category, &rates).map(|chart| Block::Chart(Box::new(chart))));
        }
    }
    section.blocks.extend(folded(others, vec![Block::Table(others_table(brief, others, observed))]));
    if !known.is_empty() && !unknown.is_empty() {
        let jobs = wording::count_of(unknown.iter().map(|category| category.jobs).sum(), "job", "jobs");
        let categories = wording::count_of(unknown.len() as i64, "other category", "other categories");
        section.blocks.push(Block::Note(format!(
            "The {jobs} of {categories} seldom say which part failed: fewer than {FEWEST_JOBS} times a category."
        )));
    }
    section
}

/// Failure rates of a category's components at all ages, highest first.
fn rates(brief: &Brief<'_>, category: &Category) -> Vec<Row> {
    let mut rates = brief.ranked(&Query::of("failure_rate").category(&category.key).all_ages().not_null("component"));
    rates.retain(|row| row.real("estimate").is_some());
    rates
}

fn rate_column() -> Column {
    Column { unit: wording::unit_words(&Unit::PerMachineYear), ..Column::number("Rate") }
}

fn machine_years(row: &Row) -> Cell {
    row.real("machine_years").map_or(Cell::Nothing, |years| Cell::Count(years.round() as i64))
}

fn shares(brief: &Brief<'_>, category: &Category) -> Table {
    let faults = brief.faults(category);
    let ratio = |row: &Row| {
        let ratios =
            Query::of("fault_share").category(&category.key).with("role", "primary").with("statistic", "proportionate_fault_ratio");
        brief.cell(&ratios.with("component", row.text("component").unwrap_or_default()), Unit::Ratio)
    };
    let ratios: Vec<Cell> = faults.iter().map(ratio).collect();
    let has_ratios = ratios.iter().any(|cell| matches!(cell, Cell::Quantity(_)));
    let mut columns = vec![
        Column::text("Component"),
        Column::number("Share of jobs"),
        Column::number("Jobs with the fault"),
        Column::number("Jobs with a known fault"),
    ];
    if has_ratios {
        columns.push(Column::number_in("Proportionate fault ratio", "1 = as expected at its ages"));
    }
    let cells = |(row, ratio): (&Row, Cell)| {
        let cells = [Cell::Text(brief.component_of(row)), row.cell(Unit::Share), row.count_cell("events"), row.count_cell("jobs")];
        cells.into_iter().chain(has_ratios.then_some(ratio)).collect()
    };
    let table = Table {
        caption: format!("{}: share of jobs with a known fault", category.heading()),
        columns,
        rows: faults.iter().zip(ratios).map(cells).collect(),
        notes: brief.not_named_in_jobs(category).into_iter().collect(),
        when_empty: format!("No job on {} has a known primary fault.", category.many),
    };
    shortened(table, MOST_COMPONENTS, "fault_share")
}

/// The commonest faults of each of the other categories.
fn others_table(brief: &Brief<'_>, categories: &[&Category], observed: bool) -> Table {
    let is_enough = |row: &Row| row.integer("jobs").is_none_or(|jobs| jobs >= FEWEST_JOBS);
    let of = |category: &Category| {
        if observed { rates(brief, category) } else { brief.faults(category).into_iter().filter(is_enough).collect() }
    };
    let left_out = categories.iter().filter(|category| of(category).is_empty()).count() as i64;
    let rows = categories.iter().flat_map(|category| {
        of(category).into_iter().take(MOST_OF_OTHERS).map(|row| {
            let (figure, basis) = if observed {
                (row.cell(Unit::PerMachineYear), machine_years(&row))
            } else {
                (row.cell(Unit::Share), row.count_cell("jobs"))
            };
            vec![Cell::Text(category.heading()), Cell::Text(brief.component_of(&row)), figure, row.count_cell("events"), basis]
        })
    });
    let (figure, events, basis) = if observed {
        (rate_column(), "Failures", "Machine-years")
    } else {
        (Column::number("Share of jobs"), "Jobs with the fault", "Jobs with a known fault")
    };
    Table {
        caption: format!(
            "The other categories: the {MOST_OF_OTHERS} components with {} in each",
            if observed { "the highest failure rates" } else { "most faults among the jobs" }
        ),
        columns: vec![Column::text("Category"), Column::text("Component"), figure, Column::number(events), Column::number(basis)],
        rows: rows.collect(),
        notes: (left_out > 0 && !observed)
            .then(|| {
                format!(
                    "Left out: {} with fewer than {FEWEST_JOBS} jobs with a known fault.",
                    wording::count_of(left_out, "category", "categories")
                )
            })
            .into_iter()
            .collect(),
        when_empty: format!("None of these categories has {FEWEST_JOBS} jobs with a known fault."),
    }
}

fn rate_chart(brief: &Brief<'_>, category: &Category, rates: &[Row]) -> Chart {
    let unit = Unit::PerMachineYear;
    let design_unknown = rates.iter().any(|row| row.integer("machines_trait_unknown").is_some_and(|machines| machines > 0));
    let mut columns = vec![
        Column::text("Component"),
        rate_column(),
        Column::number("Failures"),
        Column::number("Of these within 90 days of another"),
        Column::number("Machine-years"),
        Column::number("Machines"),
    ];
    if design_unknown {
        columns.push(Column::number("Machines whose design is unknown"));
    }
    let table = Table {
        caption: format!("{} on the roster: failure rate by component, all ages", category.heading()),
        columns,
        rows: rates
            .iter()
            .map(|row| {
                let mut cells = vec![
                    Cell::Text(brief.component_of(row)),
                    row.cell(unit.clone()),
                    row.count_cell("events"),
                    row.count_cell("repeat_events"),
                    machine_years(row),
                    row.count_cell("machines"),
                ];
                if design_unknown {
                    cells.push(row.count_cell("machines_trait_unknown"));
                }
                cells
            })
            .collect(),
        notes: design_unknown
            .then(|| "A machine whose design is unknown counts as having the component.".to_owned())
            .into_iter()
            .chain(brief.not_named_in_rates(category))
            .collect(),
        when_empty: String::new(),
    };
    Chart {
        title: format!("{} on the roster: how often each component fails", category.heading()),
        description: "Failures per 100 machine-years of roster machines that have the component, all ages together.".to_owned(),
        plot: Plot::Intervals(IntervalPlot {
            unit: unit.clone(),
            look: Look::Dots,
            reference: None,
            rows: rates
                .iter()
                .take(MOST_DRAWN)
                .map(|row| IntervalRow { label: brief.component_of(row), quantity: row.quantity(unit.clone()), standing: None })
                .collect(),
        }),
        numbers: shortened(table, MOST_COMPONENTS, "failure_rate"),
    }
}

fn heat_map(brief: &Brief<'_>, category: &Category, rates: &[Row]) -> Option<Chart> {
    let unit = Unit::PerMachineYear;
    let by_age = brief.evidence.rows(&Query::of("failure_rate").category(&category.key).not_null("component").not_null("age_from_years"));
    let mut bands: Vec<AgeBand> = by_age
        .iter()
        .filter_map(|row| Some(AgeBand { from_years: row.real("age_from_years")?, to_years: row.real("age_to_years") }))
        .collect();
    bands.sort_by(|a, b| a.from_years.total_cmp(&b.from_years));
    bands.dedup();
    let components: Vec<&str> = rates.iter().filter_map(|row| row.text("component")).take(MOST_DRAWN).collect();
    let find = |component: &str, band: &AgeBand| {
        by_age.iter().find(|row| row.text("component") == Some(component) && row.real("age_from_years") == Some(band.from_years))
    };
    if bands.len() < 2 {
        return None;
    }
    let name = |component: &str| wording::sentence_case(&brief.names.component(component));
    let rows = components
        .iter()
        .map(|component| HeatRow {
            label: name(component),
            values: bands.iter().map(|band| find(component, band).and_then(|row| row.real("estimate"))).collect(),
        })
        .collect();
    let headings = bands.iter().filter_map(|band| wording::age_band(Some(band.from_years), band.to_years));
    let columns = headings.map(|heading| Column::number(&heading));
    let failures = |row: &Row| match (row.quantity(Unit::PerMachineYear), row.integer("events")) {
        (Some(rate), Some(events)) => Cell::Quantity(Quantity { n: Some(events), ..rate }),
        _ => row.cell(Unit::PerMachineYear),
    };
    let numbers = Table {
        caption: format!("{} on the roster: failures per 100 machine-years by component and age", category.heading()),
        columns: std::iter::once(Column::text("Component")).chain(columns).collect(),
        rows: components
            .iter()
            .map(|component| {
                let cells = bands.iter().map(|band| find(component, band).map_or(Cell::Nothing, &failures));
                std::iter::once(Cell::Text(name(component))).chain(cells).collect()
            })
            .collect(),
        notes: vec!["n is the number of failures.".to_owned()],
        when_empty: String::new(),
    };
    Some(Chart {
        title: format!("{} on the roster: failure rate by age", category.heading()),
        description: "Each strip is a component, each cell an age band that starts at the year above it; deeper means more failures per 100 machine-years. \
                      A dash marks ages at which too few machines or failures were observed, or whose figure would give away one that is withheld. Intervals are in the table."
            .to_owned(),
        plot: Plot::HeatMap(HeatMap { unit, bands, rows }),
        numbers,
    })
}
