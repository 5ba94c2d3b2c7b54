//! How repairs end: by category, brand and age, and what stood in the way of those that were not mended.

use crate::charts::{IntervalPlot, IntervalRow, Look, Plot};
use crate::document::{Block, Cell, Chart, Column, Section, Table, Unit};
use crate::documents::brief::{Brief, Category, said, shortened};
use crate::evidence_view::{Query, Row};
use crate::wording;
use fixodds_schemas::vocabulary::List;

/// Of fewer jobs, a share says too little to be compared.
const FEWEST_JOBS: i64 = 20;
/// Of fewer jobs, no category is called the best or the worst.
const FEWEST_TO_NAME: i64 = 100;
const MOST_CATEGORIES: usize = 20;
const MOST_BRANDS: usize = 20;
const MOST_REASONS: usize = 12;
/// The outcomes that a table shows where the records have them, with their heading.
const OUTCOMES: [(&str, &str); 4] = [
    ("repaired", "Repaired"),
    ("repairable", "Could be repaired, and was not yet"),
    ("condemned", "Condemned: beyond repair"),
    ("unknown", "Not recorded"),
];

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("endings", "How repairs end");
    let figures = brief.outcomes();
    if figures.is_empty() {
        section.blocks.push(Block::Note(brief.when_empty("outcome", "No job has a known outcome.")));
        return section;
    }
    section.blocks.push(Block::KeyFigures(figures));
    section.blocks.extend(sentences(brief).into_iter().map(Block::Paragraph));
    section.blocks.extend(by_category(brief).map(|chart| Block::Chart(Box::new(chart))));
    section.blocks.push(Block::Table(by_brand(brief)));
    section.blocks.push(Block::Table(by_age(brief)));
    section.blocks.push(Block::Table(reasons(brief)));
    section.blocks.extend(reasons_by_category(brief).map(Block::Table));
    section
}

/// What to say of it in sentences, the most general first.
fn sentences(brief: &Brief<'_>) -> Vec<String> {
    [overall(brief), commonest_reason(brief), best_and_worst(brief), oldest_and_youngest(brief)].into_iter().flatten().collect()
}

fn overall(brief: &Brief<'_>) -> Option<String> {
    let said = |outcome: &str, words: &str| {
        let row = brief.evidence.first(&Query::of("outcome").overall().with("outcome", outcome).null("not_repaired_reason"))?;
        let share = wording::in_sentence(&row.quantity(Unit::Share)?);
        Some((row.integer("jobs")?, format!("{} {words}, {share}", wording::count(row.integer("events")?))))
    };
    let (jobs, repaired) = said("repaired", "ended repaired")?;
    let condemned = said("condemned", "were beyond repair").map_or_else(String::new, |(_, condemned)| format!("; {condemned}"));
    Some(format!("Of {} jobs, {repaired}{condemned}.", wording::count(jobs)))
}

fn commonest_reason(brief: &Brief<'_>) -> Option<String> {
    let reasons = brief.ranked(&Query::of("write_off_reason").overall());
    let named: Vec<String> = reasons
        .iter()
        .take(2)
        .filter_map(|row| Some(format!("\"{}\" ({})", reason(brief, row)?, wording::in_sentence(&row.quantity(Unit::Share)?))))
        .collect();
    let stated = wording::count(reasons.first()?.integer("jobs")?);
    Some(format!("Why machines were beyond repair, where the records say it ({stated} jobs): most often {}.", wording::enumeration(&named)))
}

/// The categories of which the largest and the smallest share is beyond repair, where their intervals do not overlap.
fn best_and_worst(brief: &Brief<'_>) -> Option<String> {
    let of = |category: &&Category| {
        let rows = Query::of("outcome").category(&category.key).with("outcome", "condemned").null("not_repaired_reason");
        brief.evidence.first(&rows).filter(|row| row.integer("jobs").unwrap_or(0) >= FEWEST_TO_NAME && row.real("estimate").is_some())
    };
    let mut shares: Vec<(&Category, Row)> = brief.categories.iter().filter_map(|category| Some((category, of(&category)?))).collect();
    shares.sort_by(|(_, a), (_, b)| b.real("estimate").unwrap_or(0.0).total_cmp(&a.real("estimate").unwrap_or(0.0)));
    let ((worst, most), (best, least)) = (shares.first()?, shares.last()?);
    (most.real("lower")? > least.real("upper")?).then_some(())?;
    Some(format!(
        "Among categories with at least {FEWEST_TO_NAME} jobs, {} are most often beyond repair, {}, and {} least often, {}.",
        worst.many,
        said(most, Unit::Share, "jobs")?,
        best.many,
        said(least, Unit::Share, "jobs")?
    ))
}

/// The youngest and the oldest ages with enough jobs, where their intervals do not overlap.
fn oldest_and_youngest(brief: &Brief<'_>) -> Option<String> {
    let bands = ages(brief);
    let of = |band: &Row| {
        let from = band.real("age_from_years")?;
        let row = brief.evidence.first(&Query::of("outcome_by_age").overall().with("outcome", "condemned").with("age_from_years", from))?;
        Some((wording::age_band(Some(from), band.real("age_to_years"))?, row))
    };
    let ((young, first), (old, last)) = (of(bands.first()?)?, of(bands.last()?)?);
    (first.real("upper")? < last.real("lower")?).then_some(())?;
    let share = |row: &Row| said(row, Unit::Share, "jobs");
    Some(format!("Beyond repair at {young}: {}; at {old}: {}.", share(&first)?, share(&last)?))
}

fn reason(brief: &Brief<'_>, row: &Row) -> Option<String> {
    Some(brief.names.term(List::Reason, row.text("not_repaired_reason")?))
}

/// Those of [`OUTCOMES`] that any job had.
fn outcomes(brief: &Brief<'_>) -> Vec<(&'static str, &'static str)> {
    let overall = brief.evidence.rows(&Query::of("outcome").overall().null("not_repaired_reason"));
    OUTCOMES.into_iter().filter(|(outcome, _)| overall.iter().any(|row| row.text("outcome") == Some(outcome))).collect()
}

/// Jobs and the shares of the outcomes; none with too few jobs.
fn shares(brief: &Brief<'_>, query: &Query) -> Option<(i64, Vec<Option<Row>>)> {
    let rows = brief.evidence.rows(query);
    let jobs = rows.first()?.integer("jobs").filter(|&jobs| jobs >= FEWEST_JOBS)?;
    let find = |outcome: &str| rows.iter().find(|row| row.text("outcome") == Some(outcome)).cloned();
    Some((jobs, outcomes(brief).into_iter().map(|(outcome, _)| find(outcome)).collect()))
}

fn cells(jobs: i64, shares: &[Option<Row>]) -> impl Iterator<Item = Cell> + '_ {
    let none = || Cell::Text("none".to_owned());
    std::iter::once(Cell::Count(jobs)).chain(shares.iter().map(move |row| row.as_ref().map_or_else(none, |row| row.cell(Unit::Share))))
}

fn columns(brief: &Brief<'_>, first: &[&str]) -> Vec<Column> {
    let headings = outcomes(brief).into_iter().map(|(_, heading)| heading);
    let figures = std::iter::once("Jobs").chain(headings).map(Column::number);
    first.iter().map(|heading| Column::text(heading)).chain(figures).collect()
}

fn by_category(brief: &Brief<'_>) -> Option<Chart> {
    let of = |category: &Category| shares(brief, &Query::of("outcome").category(&category.key).null("not_repaired_reason"));
    let all: Vec<(String, i64, Vec<Option<Row>>)> =
        brief.categories.iter().filter_map(|category| of(category).map(|(jobs, shares)| (category.heading(), jobs, shares))).collect();
    if all.is_empty() {
        return None;
    }
    let left_out = brief.categories.len() - all.len();
    let mut table = Table {
        caption: "How repairs end, by category".to_owned(),
        columns: columns(brief, &["Category"]),
        rows: all
            .iter()
            .map(|(heading, jobs, shares)| std::iter::once(Cell::Text(heading.clone())).chain(cells(*jobs, shares)).collect())
            .collect(),
        notes: Vec::new(),
        when_empty: String::new(),
    };
    if left_out > 0 {
        let categories = wording::count_of(left_out as i64, "category", "categories");
        table.notes.push(format!("Left out: {categories} with fewer than {FEWEST_JOBS} jobs."));
    }
    let mut drawn: Vec<IntervalRow> = all
        .iter()
        .take(MOST_CATEGORIES)
        .map(|(heading, _, shares)| IntervalRow {
            label: heading.clone(),
            quantity: shares
                .iter()
                .flatten()
                .find(|row| row.text("outcome") == Some("condemned"))
                .and_then(|row| row.quantity(Unit::Share)),
            standing: None,
        })
        .filter(|row| row.quantity.is_some())
        .collect();
    drawn.sort_by(|a, b| {
        let value = |row: &IntervalRow| row.quantity.as_ref().map_or(0.0, |quantity| quantity.value);
        value(b).total_cmp(&value(a))
    });
    Some(Chart {
        title: "How often a machine is beyond repair".to_owned(),
        description: "Share of all jobs of the category. The line through each dot is its 95 % interval.".to_owned(),
        plot: Plot::Intervals(IntervalPlot { unit: Unit::Share, look: Look::Dots, reference: None, rows: drawn }),
        numbers: table,
    })
}

fn by_brand(brief: &Brief<'_>) -> Table {
    let mut all: Vec<(i64, Vec<Cell>)> = Vec::new();
    for category in &brief.categories {
        let rows = brief.evidence.rows(
            &Query::of("outcome")
                .with("scope_level", "brand")
                .with("category", category.key.as_str())
                .with("outcome", "repaired")
                .null("not_repaired_reason"),
        );
        for row in rows {
            let Some(scope) = row.text("scope") else { continue };
            let brand = scope.strip_prefix(category.key.as_str()).and_then(|rest| rest.strip_prefix('/')).unwrap_or(scope);
            let of_brand = Query::of("outcome").with("scope_level", "brand").with("scope", scope).null("not_repaired_reason");
            if row.integer("jobs").is_some_and(|jobs| jobs >= FEWEST_JOBS)
                && let Some((jobs, shares)) = shares(brief, &of_brand)
            {
                let names = [Cell::Text(brand.to_owned()), Cell::Text(category.many.clone())];
                all.push((jobs, names.into_iter().chain(cells(jobs, &shares)).collect()));
            }
        }
    }
    // a stable sort: ties stay in the order of categories and brands
    all.sort_by_key(|(jobs, _)| std::cmp::Reverse(*jobs));
    let notes = vec![
        "Brands differ in which models are brought, how old they are and how they were used: a difference here is not yet one of quality."
            .to_owned(),
    ];
    let table = Table {
        caption: format!("How repairs end, by brand within a category (at least {FEWEST_JOBS} jobs)"),
        columns: columns(brief, &["Brand", "Category"]),
        rows: all.into_iter().map(|(_, cells)| cells).collect(),
        notes,
        when_empty: format!("No brand has {FEWEST_JOBS} jobs within one category."),
    };
    shortened(table, MOST_BRANDS, "outcome")
}

/// One row for each age band with enough jobs, youngest first.
fn ages(brief: &Brief<'_>) -> Vec<Row> {
    let mut rows = brief.evidence.rows(&Query::of("outcome_by_age").overall());
    rows.retain(|row| row.integer("jobs").is_some_and(|jobs| jobs >= FEWEST_JOBS));
    rows.sort_by(|a, b| a.real("age_from_years").unwrap_or(0.0).total_cmp(&b.real("age_from_years").unwrap_or(0.0)));
    rows.dedup_by(|a, b| a.real("age_from_years") == b.real("age_from_years"));
    rows
}

fn by_age(brief: &Brief<'_>) -> Table {
    let rows = ages(brief).into_iter().filter_map(|band| {
        let from = band.real("age_from_years")?;
        let (jobs, shares) = shares(brief, &Query::of("outcome_by_age").overall().with("age_from_years", from))?;
        Some(std::iter::once(Cell::Text(wording::age_band(Some(from), band.real("age_to_years"))?)).chain(cells(jobs, &shares)).collect())
    });
    let known: i64 = {
        let mut rows = brief.evidence.rows(&Query::of("outcome_by_age").overall());
        rows.dedup_by(|a, b| a.real("age_from_years") == b.real("age_from_years"));
        rows.iter().filter_map(|row| row.integer("jobs")).sum()
    };
    Table {
        caption: format!("How repairs end, by age (ages with at least {FEWEST_JOBS} jobs)"),
        columns: columns(brief, &["Age"]),
        rows: rows.collect(),
        notes: vec![format!("The age is known of {} of {} jobs.", wording::count(known), wording::count(brief.evidence.about().jobs))],
        when_empty: format!("Too few records give an age: no age has {FEWEST_JOBS} jobs."),
    }
}

fn reasons(brief: &Brief<'_>) -> Table {
    let rows = brief.ranked(&Query::of("write_off_reason").overall());
    let mut notes = Vec::new();
    if let Some(stated) = rows.first().and_then(|row| row.integer("jobs")) {
        let condemned = Query::of("outcome").overall().with("outcome", "condemned").null("not_repaired_reason");
        let condemned = brief.evidence.first(&condemned).and_then(|row| row.integer("events")).unwrap_or(stated);
        notes.push(format!(
            "Shares are of the {} of {} machines beyond repair for which a reason is recorded.",
            wording::count(stated),
            wording::count(condemned)
        ));
    }
    let table = Table {
        caption: "What stood in the way of machines beyond repair".to_owned(),
        columns: vec![Column::text("Reason"), Column::number("Jobs"), Column::number("Share of those with a reason")],
        rows: rows
            .iter()
            .filter_map(|row| {
                Some(vec![Cell::Text(wording::sentence_case(&reason(brief, row)?)), row.count_cell("events"), row.cell(Unit::Share)])
            })
            .collect(),
        notes,
        when_empty: "The records give no reasons for machines beyond repair.".to_owned(),
    };
    shortened(table, MOST_REASONS, "write_off_reason")
}

/// The commonest reason of each category with enough of them.
fn reasons_by_category(brief: &Brief<'_>) -> Option<Table> {
    let rows: Vec<Vec<Cell>> = brief
        .categories
        .iter()
        .filter_map(|category| {
            let ranked = brief.ranked(&Query::of("write_off_reason").category(&category.key));
            let stated = ranked.first()?.integer("jobs").filter(|&jobs| jobs >= FEWEST_JOBS)?;
            let mut cells = vec![Cell::Text(category.heading()), Cell::Count(stated)];
            for at in 0..2 {
                let row = ranked.get(at);
                cells.push(
                    row.and_then(|row| reason(brief, row)).map_or(Cell::Nothing, |reason| Cell::Text(wording::sentence_case(&reason))),
                );
                cells.push(row.map_or(Cell::Nothing, |row| row.cell(Unit::Share)));
            }
            Some(cells)
        })
        .collect();
    (rows.len() > 1).then(|| Table {
        caption: format!("The commonest reasons, by category (at least {FEWEST_JOBS} with a reason)"),
        columns: vec![
            Column::text("Category"),
            Column::number("Jobs with a reason"),
            Column::text("Commonest reason"),
            Column::number("Share"),
            Column::text("Next"),
            Column::number("Share of the next"),
        ],
        rows,
        notes: Vec::new(),
        when_empty: String::new(),
    })
}
