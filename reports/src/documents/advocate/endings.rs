//! How repairs end: by category, brand and age, and what stood in the way of those that were not mended.

use super::claims::{Draft, Question, answering};
use crate::charts::{IntervalPlot, IntervalRow, Look, Plot};
use crate::document::{Block, Cell, Chart, Column, Section, Table, Unit};
use crate::documents::brief::{Brief, Category, said, shortened};
use crate::evidence_view::{Query, Row};
use crate::wording;
use fixodds_schemas::vocabulary::List;

/// Of fewer jobs, a share says too little to be compared.
const FEWEST_JOBS: i64 = 20;
/// Of fewer jobs, no category is named in a sentence.
const FEWEST_TO_NAME: i64 = 100;
const KINDS_ASKED: usize = 3;
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
    [overall(brief), commonest_reason(brief), span_of_categories(brief), oldest_and_youngest(brief)].into_iter().flatten().collect()
}

fn of_all(outcome: &str) -> Query {
    Query::of("outcome").overall().with("outcome", outcome).null("not_repaired_reason")
}

fn of_category(category: &Category, outcome: &str) -> Query {
    Query::of("outcome").category(&category.key).with("outcome", outcome).null("not_repaired_reason")
}

fn overall(brief: &Brief<'_>) -> Option<String> {
    let said = |outcome: &str, words: &str| {
        let row = brief.evidence.first(&of_all(outcome))?;
        let share = wording::in_sentence(&row.quantity(Unit::Share)?);
        Some((row.integer("jobs")?, format!("{} {words}, {share}", wording::count(row.integer("events")?))))
    };
    let (jobs, repaired) = said("repaired", "ended repaired")?;
    let condemned = said("condemned", "were beyond repair").map_or_else(String::new, |(_, condemned)| format!("; {condemned}"));
    Some(format!("Of {} jobs, {repaired}{condemned}.", wording::count(jobs)))
}

/// How all jobs end.
pub(super) fn of_all_jobs(brief: &Brief<'_>) -> Vec<Question> {
    let answer = answering(brief, &of_all("repaired"), "No job ended repaired, or none says how it ended.");
    let answer = answer.map(|row| draft(row, "outcome", "jobs", "all jobs".to_owned(), overall(brief).unwrap_or_default()));
    vec![Question { about: "How jobs end".to_owned(), answer }]
}

/// Reasons that lie with maker and supply, of which laws on repair speak.
const REASONS_ASKED: [&str; 4] = ["part_unavailable", "part_too_expensive", "cannot_be_opened", "no_repair_information"];

/// How often each of these reasons is noted for machines that were beyond repair.
pub(super) fn reasons_noted(brief: &Brief<'_>) -> Vec<Question> {
    let stated = brief.evidence.first(&Query::of("write_off_reason").overall()).and_then(|row| row.integer("jobs"));
    let otherwise = stated.map_or_else(
        || "No machine beyond repair has a reason noted.".to_owned(),
        |stated| format!("It is noted for none of {}.", wording::count_of(stated, "machine with a reason", "machines with a reason")),
    );
    let of = |key: &str| {
        let reason = brief.names.term(List::Reason, key);
        let query = Query::of("write_off_reason").overall().with("not_repaired_reason", key);
        let answer = answering(brief, &query, &otherwise).map(|row| {
            let share = said(&row, Unit::Share, "jobs").unwrap_or_default();
            let sentence = format!("Of machines beyond repair for which a reason is noted, {share} have \u{201c}{reason}\u{201d}.");
            draft(
                row,
                "write_off_reason",
                "jobs with a reason",
                "jobs that ended with the machine condemned and name a reason".to_owned(),
                sentence,
            )
        });
        Question { about: format!("How often \u{201c}{reason}\u{201d} is noted for machines beyond repair"), answer }
    };
    REASONS_ASKED.into_iter().map(of).collect()
}

/// How often the kinds of machine with the most jobs are beyond repair.
pub(super) fn of_kinds(brief: &Brief<'_>) -> Vec<Question> {
    let of = |place: usize| {
        let Some(category) = brief.categories.get(place) else {
            let about =
                format!("How often machines of the {} kind are beyond repair", ["commonest", "second commonest", "third commonest"][place]);
            return Question { about, answer: Err("The jobs are on no further kind of machine.".to_owned()) };
        };
        let answer = answering(brief, &of_category(category, "condemned"), "None of these jobs ended so.").map(|row| {
            let share = said(&row, Unit::Share, "jobs").unwrap_or_default();
            let sentence = format!("Of jobs on {}, {share} ended with the machine beyond repair.", category.many);
            draft(row, "outcome", "jobs", format!("jobs on {}", category.many), sentence)
        });
        Question { about: format!("How often {} are beyond repair", category.many), answer }
    };
    (0..KINDS_ASKED).map(of).collect()
}

/// How often the oldest and the youngest machines are beyond repair.
pub(super) fn of_ages(brief: &Brief<'_>) -> Vec<Question> {
    let bands = ages(brief);
    let of = |(which, band): (&str, Option<&Row>)| {
        let answer = band.and_then(|band| Some((band.real("age_from_years")?, band.real("age_to_years"))));
        let answer = answer.ok_or_else(|| format!("There are not two ages with {FEWEST_JOBS} jobs.")).and_then(|(from, to)| {
            let row = answering(brief, &condemned_at(from), "None of these jobs ended so.")?;
            let (share, age) = (said(&row, Unit::Share, "jobs").unwrap_or_default(), wording::age_band(Some(from), to).unwrap_or_default());
            let sentence = format!("Of jobs on machines of {age}, {share} ended with the machine beyond repair.");
            Ok(draft(row, "outcome_by_age", "jobs", format!("jobs on machines of {age}"), sentence))
        });
        Question { about: format!("How often the {which} machines in the workshop are beyond repair"), answer }
    };
    [("oldest", bands.last()), ("youngest", bands.first().filter(|_| bands.len() > 1))].into_iter().map(of).collect()
}

fn condemned_at(from_years: f64) -> Query {
    Query::of("outcome_by_age").overall().with("outcome", "condemned").with("age_from_years", from_years)
}

fn draft(row: Row, table: &'static str, n_counts: &'static str, population: String, sentence: String) -> Draft {
    Draft {
        table,
        n: (row.integer("jobs"), n_counts),
        row,
        unit: Unit::Share,
        population,
        method: "share of jobs, Wilson interval widened for several jobs on one machine",
        against: None,
        not_found: false,
        words: Box::new(move |_| sentence.clone()),
    }
}

fn commonest_reason(brief: &Brief<'_>) -> Option<String> {
    let reasons = brief.ranked(&Query::of("write_off_reason").overall());
    let named: Vec<String> = reasons
        .iter()
        .take(2)
        .filter_map(|row| Some(format!("\u{201c}{}\u{201d}, {}", reason(brief, row)?, wording::in_sentence(&row.quantity(Unit::Share)?))))
        .collect();
    let stated = wording::count(reasons.first()?.integer("jobs")?);
    Some(format!("Why machines were beyond repair, where the records say it ({stated} jobs): most often {}.", named.join(", then ")))
}

/// The categories of which the largest and the smallest share is beyond repair.
fn span_of_categories(brief: &Brief<'_>) -> Option<String> {
    let of = |category: &&Category| {
        let row = brief.evidence.first(&of_category(category, "condemned"));
        row.filter(|row| row.integer("jobs").unwrap_or(0) >= FEWEST_TO_NAME && row.real("estimate").is_some())
    };
    let mut shares: Vec<(&Category, Row)> = brief.categories.iter().filter_map(|category| Some((category, of(&category)?))).collect();
    shares.sort_by(|(_, a), (_, b)| b.real("estimate").unwrap_or(0.0).total_cmp(&a.real("estimate").unwrap_or(0.0)));
    let [(worst, most), .., (best, least)] = &shares[..] else { return None };
    Some(format!(
        "Among the {} kinds of machine with at least {FEWEST_TO_NAME} jobs, the share beyond repair lies between that of {}, {}, and that of {}, {}; the two at the ends are there by chance too.",
        shares.len(),
        best.many,
        said(least, Unit::Share, "jobs")?,
        worst.many,
        said(most, Unit::Share, "jobs")?,
    ))
}

/// The youngest and the oldest ages with enough jobs.
fn oldest_and_youngest(brief: &Brief<'_>) -> Option<String> {
    let bands = ages(brief);
    let of = |band: &Row| {
        let from = band.real("age_from_years")?;
        let row = brief.evidence.first(&condemned_at(from))?;
        Some(format!("at {}: {}", wording::age_band(Some(from), band.real("age_to_years"))?, said(&row, Unit::Share, "jobs")?))
    };
    let [young, .., old] = &bands[..] else { return None };
    Some(format!("Beyond repair {}; {}.", of(young)?, of(old)?))
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
        title: "How often a job ends beyond repair".to_owned(),
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
