//! What the technician reads first: at most eight sentences, the most useful ones first.

use super::cascades;
use crate::document::Unit;
use crate::documents::brief::{Brief, Category};
use crate::documents::returns;
use crate::evidence_view::{Query, Row};
use crate::wording;

const MOST_CATEGORIES: usize = 3;
/// Of fewer jobs with a known fault, nothing is said of what to look at first.
const FEWEST_JOBS: i64 = 10;
const MOST_FAULTS: usize = 3;
const MOST_CASCADES: usize = 3;

pub(super) fn sentences(brief: &Brief<'_>) -> Vec<String> {
    let known = brief.best_known();
    let enough = known.iter().filter(|(_, jobs)| *jobs >= FEWEST_JOBS).take(MOST_CATEGORIES);
    let mut sentences: Vec<String> = enough.filter_map(|(category, _)| commonest_faults(brief, category)).collect();
    sentences.extend(brief.categories.first().and_then(|category| young_and_old(brief, category)));
    sentences.extend(cascades::strongest(brief, MOST_CASCADES));
    sentences.extend(returns::repair_scope_said(brief));
    sentences.extend(brief.kinds_said(MOST_CATEGORIES));
    sentences.extend(brief.commonest_reason());
    sentences
}

fn commonest_faults(brief: &Brief<'_>, category: &Category) -> Option<String> {
    let faults = brief.faults(category);
    let jobs = faults.first()?.integer("jobs")?;
    let said = |row: &Row| {
        let share = wording::in_sentence(&row.quantity(Unit::Share)?);
        Some(format!("{} {share}", brief.names.component(row.text("component")?)))
    };
    let said: Vec<String> = faults.iter().filter_map(said).take(MOST_FAULTS).collect();
    Some(format!(
        "In {} look first at these: {}, of {} with a known fault.",
        category.many,
        wording::enumeration(&said),
        wording::count_of(jobs, "job", "jobs")
    ))
}

/// The highest failure rate of the youngest machines and of the oldest.
fn young_and_old(brief: &Brief<'_>, category: &Category) -> Option<String> {
    let query = Query::of("failure_rate").category(&category.key).not_null("component").not_null("age_from_years");
    let mut rows = brief.ranked(&query);
    rows.retain(|row| row.integer("events").unwrap_or(0) > 0 && row.real("estimate").is_some());
    let from = |row: &Row| row.real("age_from_years").unwrap_or(0.0);
    let youngest = rows.iter().map(from).fold(f64::INFINITY, f64::min);
    let oldest = rows.iter().map(from).fold(0.0, f64::max);
    // Ranked, so that the first row of an age band is the highest rate in it.
    let commonest = |age: f64| {
        let row = rows.iter().find(|row| from(row) == age)?;
        let rate = wording::in_cell(&row.quantity(Unit::PerMachineYear)?).joined();
        let age = wording::age_band(Some(age), row.real("age_to_years"))?;
        Some(format!("{age}: {}, {rate}", brief.names.component(row.text("component")?)))
    };
    (youngest < oldest).then(|| {
        let (young, old) = (commonest(youngest)?, commonest(oldest)?);
        Some(format!(
            "What fails most differs with age: on the roster, {}, failures per 100 machine-years, at {young}; at {old}.",
            category.many
        ))
    })?
}
