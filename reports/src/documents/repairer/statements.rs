//! What the repair business reads first: at most eight sentences, the most useful ones first.

use super::faults::{cost_query, costs_of};
use super::{closing, stock, take_on};
use crate::document::{Standing, Unit};
use crate::documents::brief::{Brief, Category, said};
use crate::documents::models::{self, Measure};
use crate::documents::returns;
use crate::evidence_view::{Query, Row};
use crate::wording;

const MOST_KINDS: usize = 3;

pub(super) fn sentences(brief: &Brief<'_>) -> Vec<String> {
    let mut sentences = Vec::new();
    sentences.extend(outcomes(brief));
    sentences.extend(closing::said(brief));
    let largest = brief.categories.first();
    // the kind of machine whose jobs say most often what failed
    let known = brief.best_known().first().map(|(category, _)| *category);
    sentences.extend(largest.and_then(|category| take_on::said(brief, category)));
    sentences.extend(stock::said(brief));
    sentences.extend(known.and_then(|category| commonest_fault(brief, category)));
    sentences.extend(known.and_then(|category| costliest_fault(brief, category)));
    sentences.extend(largest.into_iter().flat_map(|category| models_that_stand_out(brief, category)));
    sentences.extend(returned(brief));
    sentences.extend(returns::part_sources_said(brief));
    sentences.extend(brief.commonest_reason());
    sentences.extend(brief.kinds_said(MOST_KINDS));
    sentences
}

fn outcome(brief: &Brief<'_>, outcome: &str) -> Option<Row> {
    brief.evidence.first(&Query::of("outcome").overall().with("outcome", outcome).null("not_repaired_reason"))
}

/// "Of 32,935 jobs, 76.6 % (76.2–77.1 %) ended repaired, ...".
fn outcomes(brief: &Brief<'_>) -> Option<String> {
    let jobs = brief.evidence.first(&Query::of("outcome").overall().null("not_repaired_reason"))?.integer("jobs")?;
    let ways = [
        ("repaired", "ended repaired"),
        ("condemned", "with the machine condemned"),
        ("no_fault_found", "without a fault found"),
        ("declined", "declined by the customer"),
        ("repairable", "to be repaired yet"),
        ("unknown", "without a known outcome"),
    ];
    let said = |(key, words): (&str, &str)| {
        let share = outcome(brief, key)?.quantity(Unit::Share)?;
        Some(format!("{} {words}", wording::in_sentence(&share)))
    };
    let shares: Vec<String> = ways.into_iter().filter_map(said).collect();
    (!shares.is_empty()).then(|| format!("Of {}, {}.", wording::count_of(jobs, "job", "jobs"), wording::enumeration(&shares)))
}

fn commonest_fault(brief: &Brief<'_>, category: &Category) -> Option<String> {
    let top = brief.faults(category).into_iter().next()?;
    let share = said(&top, Unit::Share, "jobs")?;
    let component = top.text("component")?;
    let cost = |statistic: &str| {
        let row = brief.evidence.first(&cost_query(category).with("component", component).with("statistic", statistic))?;
        said(&row, brief.money(), "jobs")
    };
    let costs = match (cost("mean"), cost("p90")) {
        (Some(mean), Some(p90)) => format!(" Mending it costs {mean} on average; one job in ten costs more than {p90}."),
        (Some(mean), None) => format!(" Mending it costs {mean} on average."),
        _ => String::new(),
    };
    let name = brief.names.component(component);
    Some(format!("In {} the commonest fault is that of the {name}: {share} of jobs with a known fault.{costs}", category.many))
}

/// The dearest repair among the faults that are drawn, so that a rare one with few records does not head the report.
fn costliest_fault(brief: &Brief<'_>, category: &Category) -> Option<String> {
    let (component, mean) = costs_of(brief, category, "mean")
        .into_iter()
        .filter(|(_, row)| row.real("estimate").is_some())
        .max_by(|a, b| a.1.real("estimate").unwrap_or(0.0).total_cmp(&b.1.real("estimate").unwrap_or(0.0)))?;
    let commonest = brief.faults(category).into_iter().next()?;
    if commonest.text("component") == Some(component.as_str()) {
        return None;
    }
    let mean = said(&mean, brief.money(), "jobs")?;
    Some(format!(
        "Among the common faults of {}, the dearest to mend is that of the {}: {mean} on average.",
        category.many,
        brief.names.component(&component)
    ))
}

fn models_that_stand_out(brief: &Brief<'_>, category: &Category) -> Vec<String> {
    let rows = models::standings(brief, category, Measure::WriteOff);
    let sentence = |standing: Standing, words: &str| {
        let names = models::named(&rows, standing)?;
        Some(format!(
            "Among models of {}, jobs end as write-offs {words} often than on their kind: {names}; see Which models.",
            category.many
        ))
    };
    [sentence(Standing::Worse, "more"), sentence(Standing::Better, "less")].into_iter().flatten().collect()
}

fn returned(brief: &Brief<'_>) -> Option<String> {
    let roster = brief.evidence.about().roster_machines > 0;
    let share = |same_fault: bool| said(&brief.evidence.first(&returns::any_repair(roster, same_fault, 90))?, Unit::Share, "jobs");
    let again = share(true).map_or_else(String::new, |again| format!(", {again} with the same fault"));
    let machines = if roster { "machines on the roster" } else { "machines" };
    let bound = if roster { "" } else { " This is a lower bound: a machine may go elsewhere." };
    Some(format!("Within 90 days of a repair, {} of {machines} came back for whatever reason{again}.{bound}", share(false)?))
}
