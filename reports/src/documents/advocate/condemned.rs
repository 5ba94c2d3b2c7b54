//! What was condemned, and why.

use crate::charts::Look;
use crate::document::{Cell, Column, Section, Table, Unit};
use crate::documents::brief::{Brief, counted_cell};
use crate::evidence_view::{Query, Row};
use crate::wording;
use fixodds_schemas::vocabulary::List;

fn condemned() -> Query {
    Query::of("outcome").with("outcome", "condemned")
}

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("condemned", "What was condemned, and why");
    section.blocks.push(by_category(brief).drawn(1, 1, Look::Dots, "Share of all jobs that ended with the machine condemned.", None));
    section.blocks.push(by_reason(brief).drawn(
        1,
        1,
        Look::Bars,
        "Share of all jobs that ended with the machine condemned for this reason.",
        None,
    ));
    section
}

fn by_category(brief: &Brief<'_>) -> Table {
    let cells = |name: String, query: Query| {
        let row = brief.evidence.first(&query.null("not_repaired_reason"))?;
        Some(vec![Cell::Text(name), counted_cell(&row, Unit::Share, "jobs"), row.count_cell("events")])
    };
    let all = cells("All machines".to_owned(), condemned().overall());
    let categories = brief.categories.iter().map(|category| cells(category.heading(), condemned().category(&category.key)));
    Table {
        caption: "Jobs that ended with the machine condemned".to_owned(),
        columns: vec![Column::text("Machines"), Column::number("Share of jobs condemned"), Column::number("Condemned")],
        rows: std::iter::once(all).chain(categories).flatten().collect(),
        notes: vec!["n is the number of jobs.".to_owned()],
        when_empty: "No job ended with the machine condemned.".to_owned(),
    }
}

/// Shares of all jobs by reason, and of those condemned as counted.
fn by_reason(brief: &Brief<'_>) -> Table {
    let condemned_jobs = brief.evidence.first(&condemned().overall().null("not_repaired_reason")).and_then(|row| row.integer("events"));
    let rows = brief.ranked(&condemned().overall().not_null("not_repaired_reason"));
    let cells = |row: &Row| {
        let reason = brief.names.term(List::Reason, row.text("not_repaired_reason").unwrap_or_default());
        vec![Cell::Text(wording::sentence_case(&reason)), row.cell(Unit::Share), row.count_cell("events")]
    };
    Table {
        caption: "Why: the reason noted for machines that were condemned, as a share of all jobs".to_owned(),
        columns: vec![Column::text("Reason"), Column::number("Share of all jobs"), Column::number("Condemned for it")],
        rows: rows.iter().map(cells).collect(),
        notes: condemned_jobs
            .map(|jobs| {
                format!(
                    "Of {} in all; where no reason was noted, none is counted.",
                    wording::count_of(jobs, "condemned machine", "condemned machines")
                )
            })
            .into_iter()
            .collect(),
        when_empty: "No reason is noted for any condemned machine.".to_owned(),
    }
}
